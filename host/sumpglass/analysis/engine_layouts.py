"""Layouts of engines of one to eight cylinders, and how strong each line of their pulses may be."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np

from sumpglass.records import FloatArray

TEETH = 32
"""Multiples of rpm/120 whose sizes are judged."""
SWINGS = ((0.0, 0.0), (3.0, -0.7), (30.0, -2.0), (300.0, -2.0))
"""Piston swing of one cylinder's first order against the blow-by pulse, and odds (log) as in all that follows."""
UNLIKE = ((0.0003, 0.0), (0.01, -1.6), (0.1, -3.0))
"""How much the port hears one cylinder's swing more than another's, for it sits in one bay of the crankcase; odds."""
PULSES = ((5.0, 0.5, 0.0), (12.0, 1.0, -1.3), (12.0, 2.0, -2.0), (60.0, 0.4, -2.5))
"""Blow-by pulses: multiple at which they fall off, slope up to there, odds."""
SPREADS = ((0.003, -1.0), (0.015, -0.8), (0.05, 0.0), (0.12, -1.1), (0.3, -2.4), (0.7, -4.2))
"""Relative differences between cylinders, and odds."""
SELDOM = -6.0
"""Mixes of less than these odds are left out."""
# All odds were fitted by likelihood to engines of several makers (bench_engine_speed.py judges on other seeds) and held
# to what seemed likely beforehand.


@dataclass(frozen=True)
class Layout:
    """Firing angles (of 720) and crank angles (of 360) of one engine, with the odds of the layout in its count."""

    share: float
    firing_deg: tuple[float, ...]
    crank_deg: tuple[float, ...]


def _even(count: int, cranks: tuple[float, ...] | None = None, share: float = 1.0) -> Layout:
    firing = tuple(720.0 * k / count for k in range(count))
    return Layout(share, firing, cranks if cranks is not None else tuple(f % 360 for f in firing))


LAYOUTS: dict[int, tuple[Layout, ...]] = {
    1: (_even(1),),
    2: (
        _even(2, (0.0, 0.0), 0.3),
        Layout(0.3, (0.0, 180.0), (0.0, 180.0)),
        Layout(0.2, (0.0, 270.0), (0.0, 270.0)),
        Layout(0.2, (0.0, 405.0), (0.0, 45.0)),
    ),
    3: (_even(3),),
    4: (_even(4),),
    5: (_even(5),),
    6: (
        _even(6, share=0.7),
        Layout(0.3, (0.0, 90.0, 240.0, 330.0, 480.0, 570.0), (0.0, 90.0, 240.0, 330.0, 120.0, 210.0)),
    ),
    7: (_even(7),),
    8: (_even(8, share=0.9), _even(8, (0.0, 90.0, 180.0, 270.0) * 2, 0.1)),
}  # fmt: skip
"""A single; a twin with both pistons together, opposed (180 degrees), at 90 or 45 degrees; even and odd-fire sixes."""
COUNT_SHARES = {1: 0.03, 2: 0.08, 3: 0.12, 4: 0.49, 5: 0.04, 6: 0.16, 7: 0.01, 8: 0.07}
"""How often an engine of unknown make has so many cylinders (a guess: it only breaks ties)."""


@lru_cache(maxsize=1)
def _mixes() -> list[tuple[tuple[float, ...], ...]]:
    """Pulse, swing, spread and how unlike the port hears the cylinders, of every mix that is not too seldom."""
    every = product(PULSES, SWINGS, SPREADS, UNLIKE)
    likely = [mix for mix in every if sum(part[-1] for part in mix) >= SELDOM]
    return [mix for mix in likely if mix[1][0] > 0.0 or mix[3] == UNLIKE[0]]


@lru_cache(maxsize=16)
def templates(count: int, number: int) -> tuple[FloatArray, FloatArray]:
    """(log amplitudes (mixes, teeth) against the strongest, log chances (mixes,)) of one layout."""
    layout = LAYOUTS[count][number]
    k = np.arange(1, TEETH + 1)
    firing = np.abs(np.exp(2j * np.pi * np.outer(k, layout.firing_deg) / 720.0).sum(axis=1))
    orders = np.abs(np.exp(2j * np.pi * np.outer(k / 2, layout.crank_deg) / 360.0).sum(axis=1))
    # Volume over crank angle: cos + (ratio / 4) cos 2 + ..., crank radius to rod 0.28 (the usual series of the crank).
    volume = np.where(k == 2, 1.0, np.where(k == 4, 0.07, np.where(k == 8, 0.0008, 0.0)))
    rows, odds = [], []
    for mix in _mixes():
        (reach, slope, _), (swing, _), (spread, _), (heard, _) = mix
        pulse = np.exp(-k / reach) / k**slope
        uneven = spread * np.sqrt(count) * pulse
        unlike = heard * np.sqrt(count) * swing * volume
        power = (firing * pulse) ** 2 + uneven**2 + (orders * swing * volume) ** 2 + unlike**2
        top = int(np.argmax(power))
        harmonic = np.where((k % (top + 1) == 0) & (k > top + 1), 0.02 * (top + 1) / k, 0.0)
        power = power + harmonic**2 * power[top]
        rows.append(0.5 * np.log(power + 1e-12 * power[top]))
        odds.append(sum(part[-1] for part in mix))
    chances = np.array(odds)
    return np.array(rows), chances - float(np.log(np.exp(chances).sum()))


@lru_cache(maxsize=1)
def typical() -> np.ndarray:
    """Which of the mixes stand for all others in a rough look: the extremes of every part."""
    some = (PULSES[::3], SWINGS, SPREADS[::2], UNLIKE[::2])
    return np.array([k for k, mix in enumerate(_mixes()) if all(part in of for part, of in zip(mix, some))])


@lru_cache(maxsize=8)
def usual_strength(count: int) -> FloatArray:
    """Log amplitude (teeth,) against the strongest that a tooth has on average over layouts and mixes."""
    whole = np.zeros(TEETH)
    for number, layout in enumerate(LAYOUTS[count]):
        rows, chances = templates(count, number)
        rows = rows - rows.max(axis=1, keepdims=True)
        whole += layout.share * (np.exp(chances) @ np.exp(2.0 * rows))
    return np.asarray(0.5 * np.log(whole))
