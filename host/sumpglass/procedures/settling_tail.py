"""What is left of the settling in a stretch: an exponential approach fitted to block means.

Filling and emptying through an opening comes close to its end exponentially, whatever its law further off. So the last
third of the way, next to a run that looks settled, tells size and time constant of what that run still holds of it; and
a stretch that never settled may still tell where it was going.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sumpglass.records import FloatArray

NEAR_SHARE = 0.3
"""An approach counts as exponential within this share of the level."""
LEAST_BLOCKS = 8
FARTHEST_SHARE = 0.1
"""Where a stretch never settled, its end must be this near to where it was going, relative to that level."""
RELATIVE_U = 0.03
"""Where a stretch never settled, the greatest standard uncertainty of the level, relative, that makes it a reading."""
_TIMES = np.geomspace(0.05, 2.0, 26)


@dataclass(frozen=True)
class Tail:
    """`size_pa` exp(-(t - `start_s`)/`time_s`) is left of the settling, from block `first` to block `last`.

    `u_pa`: standard uncertainty of the level that it makes.
    """

    size_pa: float
    start_s: float
    time_s: float
    u_pa: float
    first: int
    last: int

    def left_pa(self, t_s: FloatArray) -> FloatArray:
        """What is left at these times."""
        return self.size_pa * np.exp(-(t_s - self.start_s) / self.time_s)


def fit_tail(middle_s: FloatArray, means_pa: FloatArray, run: tuple[int, int] | None) -> Tail | None:
    """The rest of the settling next to the settled blocks `run`, or over the later part where nothing settled.

    None where there is none to see, or where it does not tell where it was going.
    """
    if run is not None:
        first, last = _reached_back(means_pa, *run), run[1]
        if first >= run[0] or last - first + 1 < LEAST_BLOCKS:
            return None
        fitted = _fit(middle_s[first : last + 1], means_pa[first : last + 1])
        return None if fitted is None else Tail(*fitted[:3], 0.0, *run)
    return _unsettled(middle_s, means_pa)


def _reached_back(means_pa: FloatArray, first: int, last: int) -> int:
    """The block from which the level comes steadily nearer to that of blocks `first` to `last`."""
    level = float(np.mean(means_pa[(first + last) // 2 : last + 1]))
    scatter = float(np.median(np.abs(np.diff(means_pa[first : last + 1])))) if last > first else 0.0
    off = means_pa - level
    side = np.sign(off[first - 1]) if first > 0 else 0.0
    at = first
    while at > 0 and off[at - 1] * side > 0 and abs(off[at - 1]) < NEAR_SHARE * abs(level):
        if abs(off[at - 1]) < abs(off[at]) - 2.0 * scatter:
            break
        at -= 1
    return at


def _unsettled(middle_s: FloatArray, means_pa: FloatArray) -> Tail | None:
    n = len(means_pa)
    last = n - 1 - max(1, round(1.2 / max(float(np.median(np.diff(middle_s))), 1e-6)))
    best: Tail | None = None
    for first in range(0, max(last - LEAST_BLOCKS, 0), 2):
        fitted = _fit(middle_s[first : last + 1], means_pa[first : last + 1])
        if fitted is None:
            continue
        size, start, time_s, u, level, fit_quality = fitted
        span = float(middle_s[last] - start)
        left = abs(size) * math.exp(-span / time_s)
        if abs(size) > NEAR_SHARE * abs(level) or left > FARTHEST_SHARE * abs(level) or time_s > span:
            continue
        if fit_quality > 2.0 or u > RELATIVE_U * abs(level):
            continue
        best = Tail(size, start, time_s, u, first, last)
        break
    return best


def _fit(t: FloatArray, y: FloatArray) -> tuple[float, float, float, float, float, float] | None:
    """(size, start, time constant, u of the level, level, misfit): least squares over a grid of time constants."""
    n, span = len(t), float(t[-1] - t[0])
    if n < 5 or span <= 0:
        return None
    times = span * _TIMES
    shape = np.exp(-(t - t[0])[None, :] / times[:, None])
    centred = shape - shape.mean(axis=1, keepdims=True)
    spread = np.sum(centred**2, axis=1)
    sizes = centred @ y / spread
    levels = y.mean() - sizes * shape.mean(axis=1)
    squares = np.sum((y - levels[:, None] - sizes[:, None] * shape) ** 2, axis=1)
    k = int(np.argmin(squares))
    residual = y - levels[k] - sizes[k] * shape[k]
    variance = float(squares[k]) / max(n - 3, 1)
    # Blocks next to each other are alike where the level wanders: they count for fewer.
    alike = float(np.clip(np.sum(residual[1:] * residual[:-1]) / max(float(squares[k]), 1e-30), 0.0, 0.8))
    variance *= (1.0 + alike) / (1.0 - alike)
    within = np.exp(-0.5 * (squares - squares[k]) / max(variance, 1e-30))
    weight = within / within.sum()
    level = float(weight @ levels)
    own = variance * (1.0 / n + shape.mean(axis=1)[k] ** 2 / spread[k])
    u = math.sqrt(own + float(weight @ (levels - level) ** 2))
    steps = float(np.mean(np.diff(y - sizes[k] * shape[k]) ** 2)) / 2.0
    misfit = float(squares[k]) / max(n - 3, 1) / max(steps, 1e-30)
    return float(sizes[k]), float(t[0]), float(times[k]), u, float(levels[k]), misfit
