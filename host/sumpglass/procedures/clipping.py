"""Where a reading rests on the end of the sensor's range: then it says "deeper than", not a level."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from sumpglass.records import FloatArray

BARELY = 0.002
"""Share of clipped samples below which the bias of the mean does not matter."""
COMMON_ENDS_PA = (125.0, 250.0, 500.0, 1e3, 2e3, 2.5e3, 3.5e3, 5e3, 6e3, 7e3, 1e4, 2e4, 2.5e4, 5e4, 1e5)
"""Ends of the ranges of common parts."""
REST_RATIO = 1.2
"""Time for the last eighth of the way over that from a half to an eighth, from which a signal comes to rest by itself:
2 for an exponential approach seen in codes of a hundredth of the way, a third for one that is cut off."""
MOST_BEFORE = 20_000
"""Samples before the rest that are looked at."""


def clipped_share(pressure_pa: FloatArray, end_pa: float, noise_pa: float) -> float:
    """Share of samples within the noise of the range's end `end_pa` (signed)."""
    reach = max(3.0 * noise_pa, 1e-3 * abs(end_pa), 0.1)
    beyond = pressure_pa <= end_pa + reach if end_pa < 0 else pressure_pa >= end_pa - reach
    return float(np.mean(beyond))


def resting_end_pa(pressure_pa: FloatArray) -> float | None:
    """The deepest value of a recording if the signal rests on it, so that it looks like the end of the range.

    A pulse's own extreme is rounded and noisy: it does not hold one value for several samples again and again, nor
    does it hold four times as many samples as the next step above it.
    """
    p = pressure_pa[np.isfinite(pressure_pa)]
    if len(p) < 50:
        return None
    levels = np.unique(p)
    deepest = float(levels[0])
    if deepest >= 0 or len(levels) < 3:
        return deepest if deepest < 0 else None
    step = float(np.min(np.diff(levels[: min(len(levels), 2000)])))
    width = max(1.5 * step, 1e-6 * abs(deepest))
    at_end = p <= deepest + width
    count, following = int(at_end.sum()), int(((p > deepest + width) & (p <= deepest + 2.0 * width)).sum())
    if count < 20 or count < 0.002 * len(p) or count < 4 * following:
        return None
    runs = int(np.sum(np.diff(at_end.astype(int)) == 1)) + int(at_end[0])
    if count < 3 * max(runs, 1):
        return None
    return None if not _is_common_end(deepest) and _comes_to_rest(p, at_end, deepest, width) else deepest


def _is_common_end(pressure_pa: float) -> bool:
    """Is this where the range of a common part ends?"""
    return any(abs(abs(pressure_pa) - end) <= 0.003 * end for end in COMMON_ENDS_PA)


def _comes_to_rest(p: FloatArray, at_end: npt.NDArray[np.bool_], deepest: float, width: float) -> bool:
    """Does a quiet signal of coarse codes come to rest on its deepest one by itself, slower and slower?

    Filling comes near its end exponentially: the last eighth of the way takes longer than the way from a half to an
    eighth. What is cut off arrives at speed.
    """
    first = int(np.argmax(at_end))
    above = p[max(0, first - MOST_BEFORE) : first] - deepest
    if len(above) < 8:
        return False
    way = float(above.max())
    if way < 16.0 * width:
        return False
    start = int(np.flatnonzero(above >= 0.5 * way)[-1])
    eighth = start + int(np.argmax(above[start:] < 0.125 * way))
    return len(above) - eighth > REST_RATIO * max(eighth - start, 1)
