"""Where a reading rests on the end of the sensor's range: then it says "deeper than", not a level."""

from __future__ import annotations

import numpy as np

from sumpglass.records import FloatArray

BARELY = 0.002
"""Share of clipped samples below which the bias of the mean does not matter."""


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
    return deepest if count >= 3 * max(runs, 1) else None
