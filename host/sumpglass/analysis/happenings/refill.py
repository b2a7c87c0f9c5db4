"""Whether an opening or the suction took a vacuum, from the ways that it went and came back.

A volume that leaks through a root-law orifice, with y the level over that at rest, tau its time constant there, a the
area and n the net draw over what they were, follows dy/dt = (2/tau) (n - a f(y)) (from V dp/dt = R T dm/dt and
m = CdA sqrt(2 rho dp)). f is the mean of the signed root over the pulses, over that at rest: pulses as large as the
level make the flow go with the level itself and no more with its root. What is heard of them at the end of a gauge line
need not be what drives the flow, so that f without pulses is weighed as well. Both ways share tau. An opening
multiplies a, so that the vacuum goes faster than it comes back; suction that is partly lost divides n, and the two ways
take more nearly the same time. The hand takes a time of its own at either, and moves in its own way: all are averaged
over (a Bayes factor: Kass and Raftery 1995, J. Am. Stat. Assoc. 90, 773-795), so that a hand slower than the crankcase
leaves the two alike. So does a third explanation, which favours neither: a gauge line that lags by the same time both
ways.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from sumpglass.analysis.happenings.tracks import hann
from sumpglass.records import FloatArray

STEP_S = 0.02
EARLIER_S, LATER_S = 0.6, 2.6
SHIFT_S = 0.3
"""The onset may lie so far from where it was placed."""
LEAST_S = 1.0
"""Less of the way shows too little of its bend."""
LEAST_WINDOW_S = 0.25
"""What the pulses leave over must stay small against the difference between the two ways."""
TAUS_S = np.geomspace(0.03, 3.0, 13)
HANDS_S = np.geomspace(0.02, 1.0, 8)
HANDS: tuple[Callable[[FloatArray], FloatArray], ...] = (
    lambda u: u, lambda u: u * u * (3.0 - 2.0 * u), lambda u: u * u, lambda u: u * (2.0 - u),
)  # fmt: skip
"""How the hand goes its way: evenly, gently at either end, at the beginning, at the end."""
SHARE_STEP, SHARES = 0.1, (0.01, 0.6)
"""The shape of the way depends on the share that is left by its logarithm, in such steps; between these shares."""
READINGS = 12
"""So many of a way's values are independent of each other under the window: it lasts about as many times longer."""
SWINGS = (0.05, 0.5, 1.0, 2.0, 4.0)
"""Amplitudes of the pulses over the level: none, and those of which the nearest is taken."""
PHASES, LEVELS = 64, 256
MISFIT = 1e-4
"""Mean square, in parts of the change, below which no way is followed by anything real: a hundredth of it."""
LAGS = 0.5
"""How often the line's lag is what shows."""


@dataclass(frozen=True)
class Way:
    """The level (points,) every `STEP_S` around an onset, 0 before the change and 1 after it; `window_s`: of the Hann
    window that took the pulses out."""

    part: FloatArray
    window_s: float


def way(mean_pa: FloatArray, hop_s: float, onset: float, window_hops: int, before_pa: float, after_pa: float) -> Way:
    """From hop means (n,) with the onset at place `onset` (in hops); as much of it as there is."""
    window = hann(max(round(LEAST_WINDOW_S / hop_s), window_hops))
    axis = np.arange(-round((EARLIER_S + SHIFT_S) / STEP_S), round((LATER_S + SHIFT_S) / STEP_S) + 1) * STEP_S
    if len(mean_pa) < len(window):
        return Way(np.empty(0), len(window) * hop_s)
    smooth = np.convolve(mean_pa, window, "valid")
    at = (np.arange(len(smooth)) + 0.5 * (len(window) - 1) - onset) * hop_s
    level = np.interp(axis[axis <= at[-1]], at, smooth)
    return Way((level - before_pa) / (after_pa - before_pa), round(len(window) * hop_s, 3))


def _times(window_s: float) -> tuple[FloatArray, int]:
    """Times (points + length - 1,) that a window of `length` makes into points."""
    points, length = round((EARLIER_S + LATER_S) / STEP_S) + 1, max(3, round(window_s / STEP_S))
    return (np.arange(points + length - 1) - length // 2) * STEP_S - EARLIER_S, length


def _moved(t_s: float) -> FloatArray:
    """How far the hand has gone by then (hands,)."""
    u = np.clip(t_s / HANDS_S, 0.0, 1.0)
    return np.concatenate([hand(u) for hand in HANDS])


def _smoothed(ways: FloatArray, length: int) -> FloatArray:
    """(..., points) under the window, from (times, ...)."""
    pieces = np.lib.stride_tricks.sliding_window_view(ways, length, axis=0)
    return np.ascontiguousarray(np.moveaxis(pieces @ hann(length), 0, -1))


@lru_cache(maxsize=len(SWINGS))
def _flow(swing: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Levels (k,) over that at rest, the mean flow (k,) there and its slope (k,), under pulses of that amplitude."""
    level = np.linspace(-0.2, 1.4, LEVELS)
    felt = level[:, None] + swing * np.sin(2.0 * np.pi * (np.arange(PHASES) + 0.5) / PHASES)
    flow = (np.sign(felt) * np.sqrt(np.abs(felt))).mean(axis=1)
    flow /= np.interp(1.0, level, flow)
    return level, flow, np.gradient(flow, level)


@lru_cache(maxsize=8)
def _ways(log_share: int, window_s: float, back: bool, swing: float) -> FloatArray:
    """(2, taus, hands, points): how the level goes if an opening took it, and if the suction did."""
    share = math.exp(log_share * SHARE_STEP)
    levels, flow, slope = _flow(swing)
    left, half = float(np.interp(share, levels, flow)), STEP_S / 2.0
    pace = 2.0 * half / TAUS_S[:, None]
    times, length = _times(window_s)
    level = np.full((2, len(TAUS_S), len(HANDS) * len(HANDS_S)), share if back else 1.0)
    made = np.empty((len(times), *level.shape))
    for k, t_s in enumerate(times):
        made[k] = level
        for part in (0.5, 1.5):
            moved = _moved(t_s + part * half)
            moved = 1.0 - moved if back else moved
            area = np.stack([1.0 + (1.0 / left - 1.0) * moved, np.ones_like(moved)])[:, None]
            draw = np.stack([np.ones_like(moved), 1.0 - (1.0 - left) * moved])[:, None]
            # Implicit in the level (linearly: Rosenbrock 1963), so that a wide opening stays stable.
            gained = draw - area * np.interp(level, levels, flow)
            level = level + pace * gained / (1.0 + pace * area * np.interp(level, levels, slope))
    part_left = (_smoothed(made, length) - share) / (1.0 - share)
    return part_left if back else 1.0 - part_left


@lru_cache(maxsize=4)
def _lagging(window_s: float) -> FloatArray:
    """(1, taus, hands, points): how the level goes if all that shows is a line that lags behind the hand."""
    times, length = _times(window_s)
    keep = np.exp(-STEP_S / TAUS_S)[:, None]
    level = np.zeros((len(TAUS_S), len(HANDS) * len(HANDS_S)))
    made = np.empty((len(times), *level.shape))
    for k, t_s in enumerate(times):
        made[k] = level
        level = keep * level + (1.0 - keep) * _moved(t_s + 0.5 * STEP_S)
    return _smoothed(made, length)[None]


def _misfits(seen: Way, ways: FloatArray, points: int) -> FloatArray:
    """(explanations, taus, hands): mean square that each leaves over, the onset free."""
    flat = ways[..., :points].reshape(-1, points)
    pieces = np.lib.stride_tricks.sliding_window_view(seen.part, points)
    left = (pieces**2).sum(axis=1)[:, None] - 2.0 * pieces @ flat.T + (flat**2).sum(axis=1)
    return np.maximum(left.min(axis=0).reshape(ways.shape[:-1]), 0.0) / points


def favours_opening(gone: Way, back: Way, share: float, swing: float = 0.0) -> float | None:
    """Log of the odds that both ways speak for an opening against suction that was partly lost; `share`: part of the
    level that was left; `swing`: amplitude of the pulses over the level. None where too little is seen.
    """
    if not SHARES[0] < share < SHARES[1]:
        return None
    log_share = round(math.log(share) / SHARE_STEP)
    most, span = round((EARLIER_S + LATER_S) / STEP_S) + 1, 2 * round(SHIFT_S / STEP_S)
    together = []
    for felt in {SWINGS[0], min(SWINGS, key=lambda known: abs(known - swing))}:
        misfits = []
        for seen, is_back in ((gone, False), (back, True)):
            points = min(most, len(seen.part) - span)
            if points < round((EARLIER_S + LEAST_S) / STEP_S):
                return None
            ways = (_ways(log_share, seen.window_s, is_back, felt), _lagging(seen.window_s))
            misfits.append(np.concatenate([_misfits(seen, some, points) for some in ways]))
        together.append(misfits[0][..., :, None] + misfits[1][..., None, :] + MISFIT)
    least = min(float(some.min()) for some in together)
    likely = sum(((least / some) ** (0.5 * READINGS)).mean(axis=(1, 2, 3)) for some in together)
    opening, suction, line = np.asarray(likely).tolist()
    return math.log((1.0 - LAGS) * opening + LAGS * line) - math.log((1.0 - LAGS) * suction + LAGS * line)
