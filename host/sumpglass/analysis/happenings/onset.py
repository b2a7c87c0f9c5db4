"""When a change of level began, found in retrospect finer than the level's own delay.

Least-squares fit of a step that relaxes exponentially (a crankcase that fills) or runs straight (a speed that
changes), smoothed by the same window as the level, over a grid of beginnings and durations. This is the generalised
likelihood ratio for an unknown time of change (Basseville and Nikiforov 1993, ch. 2.4), with the shape unknown too.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from sumpglass.analysis.happenings.tracks import hann
from sumpglass.records import FloatArray

TAUS_S = (0.0, 0.03, 0.06, 0.12, 0.25, 0.5, 1.0, 2.0)
RAMPS_S = (0.15, 0.3, 0.6, 1.2, 2.0, 3.0)


@dataclass(frozen=True)
class Change:
    """A fitted change of level. `tenth`, `start`: in hops (fractions allowed) on the caller's axis."""

    start: float
    tenth: float
    before_pa: float
    after_pa: float
    duration_hops: float
    """Hops from the start to 95 % of the change."""
    tau_hops: float
    """Time constant of the exponential shape; for a straight one half its duration."""
    spread_pa: float
    """RMS of what the fit leaves over."""
    zero_crossing: float | None
    """Where the fitted level crosses zero, if it does."""


@lru_cache(maxsize=64)
def _shapes(hop_s: float, length: int, points: int) -> tuple[tuple[str, float, FloatArray], ...]:
    """Smoothed unit changes (2 * points,), beginning in the middle."""
    axis = (np.arange(2 * points) - points) * hop_s
    window = hann(length)
    half = length // 2
    made = []
    for kind, values in (("exponential", TAUS_S), ("straight", RAMPS_S)):
        for value in values:
            if kind == "straight":
                shape = np.clip(axis / value, 0.0, 1.0)
            elif value == 0:
                shape = (axis >= 0).astype(float)
            else:
                shape = np.where(axis >= 0, 1.0 - np.exp(-axis.clip(0) / value), 0.0)
            padded = np.concatenate([np.zeros(half), shape, np.ones(length - 1 - half) * shape[-1]])
            made.append((kind, value, np.convolve(padded, window, "valid")))
    return tuple(made)


@lru_cache(maxsize=16)
def _placed_shapes(
    hop_s: float, length: int, n: int, earliest: int, latest: int
) -> tuple[tuple[tuple[str, float, FloatArray], ...], FloatArray]:
    """Of each shape the part that `n` hops see while it begins between `earliest` and `latest`; and (shapes, places)
    the sum of squares about the mean there, infinite where there is nothing to see.
    """
    made, grams = [], []
    for kind, value, shape in _shapes(hop_s, length, n):
        # The part from s on, n long, begins at axis point s, so in it the change begins at hop n - s.
        part = shape[n - latest : 2 * n - earliest]
        sums = np.concatenate([[0.0], np.cumsum(part)])
        squares = np.concatenate([[0.0], np.cumsum(part * part)])
        gram = squares[n:] - squares[:-n] - (sums[n:] - sums[:-n]) ** 2 / n
        made.append((kind, value, part))
        grams.append(np.where(gram > 1e-6, gram, np.inf))
    return tuple(made), np.array(grams)


def fit_change(mean_pa: FloatArray, hop_s: float, length: int, earliest: int, latest: int) -> Change | None:
    """Fit one change to hop means (n,), its start between `earliest` and `latest`; None where there is too little."""
    n = len(mean_pa)
    # Sampled once a second, a window is shorter than a hop.
    length = max(1, length)
    half = length // 2
    if n < 8:
        return None
    padded = np.concatenate(
        [np.full(half, mean_pa[:3].mean()), mean_pa, np.full(length - 1 - half, mean_pa[-3:].mean())]
    )
    # The window is centred: near the end it sees repeated values, which the shapes see too when the change is done.
    level = np.convolve(padded, hann(length), "valid")
    earliest, latest = max(earliest, 2), min(latest, n - 2)
    if latest < earliest:
        return None
    centred = level - level.mean()
    total = float(centred @ centred)
    shapes, grams = _placed_shapes(hop_s, length, n, earliest, latest)
    gain = np.array([np.correlate(part, centred, "valid") for _, _, part in shapes]) ** 2 / grams
    top = gain.max(axis=1)
    # The first of those that are as good.
    row = int(np.argmax(top > top.max() * (1 - 1e-9)))
    at = int(np.argmax(gain[row]))
    kind, value, part = shapes[row]
    found = _best(kind, value, at, gain[row], part[at : at + n], centred, level, total - float(top[row]), latest, hop_s)
    if kind == "exponential":
        found = replace(found, tau_hops=_between_taus(value, top[: len(TAUS_S)]) / hop_s)
    return _by_crossing(found, level, length) if found.duration_hops > 2.5 * length else found


def _between_taus(value: float, gains: FloatArray) -> float:
    """Time constant in seconds finer than the grid: the top of a parabola in its logarithm through three of `gains`,
    one for each of `TAUS_S`."""
    at = TAUS_S.index(value)
    if not 1 < at < len(TAUS_S) - 1:
        return value
    x = np.log(TAUS_S[at - 1 : at + 2])
    low, middle, high = (float(gain) for gain in gains[at - 1 : at + 2])
    down, up = (middle - low) / (x[1] - x[0]), (high - middle) / (x[2] - x[1])
    bend = up - down
    if bend >= 0:
        return value
    top = 0.5 * (x[0] + x[1]) - down * 0.5 * (x[2] - x[0]) / bend
    return float(np.exp(np.clip(top, 0.5 * (x[0] + x[1]), 0.5 * (x[1] + x[2]))))


def _best(
    kind: str, value: float, at: int, gain: FloatArray, row: FloatArray, centred: FloatArray, level: FloatArray,
    left: float, latest: int, hop_s: float,
) -> Change:  # fmt: skip
    n = len(level)
    start = float(latest - at)
    if 0 < at < len(gain) - 1:
        curve = gain[at - 1] - 2 * gain[at] + gain[at + 1]
        if curve < 0:
            start -= float(np.clip(0.5 * (gain[at - 1] - gain[at + 1]) / curve, -0.5, 0.5))
    off = row - row.mean()
    square = float(off @ off)
    slope = float(off @ centred) / square if square > 1e-9 else 0.0
    before = float(level.mean()) - slope * float(row.mean())
    return _described(kind, value / hop_s, start, float(before), float(slope), max(0.0, left), n)


def _by_crossing(found: Change, level: FloatArray, length: int) -> Change:
    """A change that is slow against the window need not have the fitted shape: its tenth is read off the level."""
    size = found.after_pa - found.before_pa
    if abs(size) < 6 * found.spread_pa:
        return found
    begin = max(0, int(found.start) - length)
    end = min(len(level), int(found.start + found.duration_hops) + 1)
    part = (level[begin:end] - found.before_pa) / size
    over = np.flatnonzero(part >= 0.3)
    if not len(over):
        return found
    under = np.flatnonzero(part[: over[0]] < 0.1)
    if not len(under) or under[-1] + 1 >= len(part):
        return found
    at = int(under[-1])
    step = part[at + 1] - part[at]
    tenth = begin + at + (float((0.1 - part[at]) / step) if step > 1e-9 else 0.0)
    return replace(found, tenth=tenth)


def _described(kind: str, value: float, start: float, before: float, change: float, left: float, n: int) -> Change:
    after = before + change
    crossing = None
    part = -before / change if change else -1.0
    if kind == "straight":
        tenth, duration, tau = start + 0.1 * value, 0.95 * value, value / 2
        if 0 < part < 1:
            crossing = start + part * value
    else:
        tenth, duration, tau = start + 0.10536 * value, 3.0 * value, value
        if 0 < part < 1:
            crossing = start - value * float(np.log1p(-part))
    return Change(start, tenth, before, after, duration, tau, float(np.sqrt(left / n)), crossing)
