"""Least, greatest and mean of the last minutes, in bins tied to absolute time, so that an old column never changes.

Base bins are 25 ms long and counted from the start of the recording; a column of the chart is a whole number of them.
Memory is constant: a ring holds a little over the longest window.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

BASE_S = 0.025
"""Seconds of one base bin."""
KEPT_BINS = 32768
"""Base bins kept: 13.6 minutes."""

Floats = npt.NDArray[np.floating]


class History:
    """Ring of base bins. `add` takes blocks in order of time; `columns` reads whole columns back."""

    def __init__(self, kept_bins: int = KEPT_BINS) -> None:
        self._kept = kept_bins
        self._low = np.full(kept_bins, np.inf)
        self._high = np.full(kept_bins, -np.inf)
        self._sum = np.zeros(kept_bins)
        self._count = np.zeros(kept_bins)
        self.first = 0
        """Oldest base bin that may hold data."""
        self.last = -1
        """Base bin of the newest sample; -1 before the first."""

    def clear(self) -> None:
        """Forget everything (a seek backwards, another source)."""
        self._forget(0, self._kept)
        self.first, self.last = 0, -1

    def add(
        self, t_s: Floats, pressure_pa: Floats, low_pa: Floats | None = None, high_pa: Floats | None = None
    ) -> None:
        """Take samples (n,) in; NaN (sensor at fault) leaves a gap; what is too old or out of order is skipped."""
        if not len(t_s):
            return
        # A thousandth of a bin of slack: a sample due exactly on an edge must not fall to either side by rounding.
        bins = np.floor(t_s / BASE_S + 1e-3).astype(np.int64)
        latest = np.maximum.accumulate(bins)
        newest = int(max(latest[-1], self.last))
        begun = self.last >= 0
        oldest = max(self.first if begun else 0, newest + 1 - self._kept)
        if newest < 0:
            return
        keep = np.isfinite(pressure_pa) & (bins >= oldest) & (bins == latest)
        if not keep.all():
            bins, pressure_pa = bins[keep], pressure_pa[keep]
            low_pa = None if low_pa is None else low_pa[keep]
            high_pa = None if high_pa is None else high_pa[keep]
        # Time goes on even where the sensor was at fault: the strip then shows a gap, it does not stand still.
        self._forget(max(self.last + 1, oldest), newest + 1)
        self.first = max(self.first if begun else int(latest[0]), oldest)
        self.last = newest
        if not len(bins):
            return
        edges = np.flatnonzero(np.concatenate(([True], bins[1:] != bins[:-1])))
        slots = bins[edges] % self._kept
        lows = np.minimum.reduceat(pressure_pa if low_pa is None else low_pa, edges)
        highs = np.maximum.reduceat(pressure_pa if high_pa is None else high_pa, edges)
        self._low[slots] = np.minimum(self._low[slots], lows)
        self._high[slots] = np.maximum(self._high[slots], highs)
        self._sum[slots] += np.add.reduceat(pressure_pa, edges)
        self._count[slots] += np.diff(np.append(edges, len(bins)))

    def _forget(self, start: int, end: int) -> None:
        slots = np.arange(start, end) % self._kept
        self._low[slots], self._high[slots] = np.inf, -np.inf
        self._sum[slots], self._count[slots] = 0.0, 0.0

    def columns(self, first: int, count: int, width: int) -> tuple[Floats, Floats, Floats]:
        """Least, greatest and mean (count,) of columns from `first` on, `width` base bins each; NaN where none."""
        bins = np.arange(first * width, (first + count) * width)
        held = (bins >= self.first) & (bins <= self.last)
        slots = bins % self._kept
        shape = (count, width)
        low = np.where(held, self._low[slots], np.inf).reshape(shape).min(axis=1)
        high = np.where(held, self._high[slots], -np.inf).reshape(shape).max(axis=1)
        total = np.where(held, self._sum[slots], 0.0).reshape(shape).sum(axis=1)
        number = np.where(held, self._count[slots], 0.0).reshape(shape).sum(axis=1)
        empty = number == 0
        low[empty] = high[empty] = np.nan
        mean = np.divide(total, number, out=np.full(count, np.nan), where=~empty)
        return low, high, mean
