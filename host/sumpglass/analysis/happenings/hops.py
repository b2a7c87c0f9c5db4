"""Samples of any chunking gathered into hops: short bins of about 10 ms, bound to absolute time.

A hop is closed by the first sample beyond it, so what a hop holds does not depend on how the samples arrived.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.records import FloatArray

HOP_S = 0.01
RATE_SAMPLES = 32
"""Samples that are held back to learn the rate when the source does not tell it."""


@dataclass(frozen=True)
class Hops:
    """Closed hops in a row, from absolute hop number `first`; arrays are (hops,)."""

    first: int
    count: FloatArray
    """Valid samples in each hop; 0 where there are none."""
    mean_pa: FloatArray
    """Mean of each hop; the last known mean where a hop is empty."""
    square_pa2: FloatArray
    """Sum of squares of each hop's valid samples."""
    low_pa: FloatArray
    high_pa: FloatArray


class HopGatherer:
    """Turns samples into `Hops`. Constant memory: holds only the samples of the open hop."""

    def __init__(self, rate_hz: float) -> None:
        samples = max(1, round(HOP_S * rate_hz))
        self.hop_s = samples / rate_hz
        self.period_s = 1.0 / rate_hz
        self.start_s = 0.0
        self._next = 0
        self._last_mean = 0.0
        self._started = False
        self._open_t = np.empty(0)
        self._open_p = np.empty(0)

    def restart(self, t_s: float, hop: int) -> None:
        """Begin anew after a long silence: the sample at `t_s` opens hop number `hop`."""
        self.start_s = t_s - hop * self.hop_s
        self._next = hop
        self._started = True
        self._open_t = np.empty(0)
        self._open_p = np.empty(0)

    @property
    def open_samples(self) -> int:
        """Samples waiting in the open hop."""
        return len(self._open_t)

    def end_of(self, hop: int) -> float:
        """Time in seconds at which hop number `hop` ends."""
        return self.start_s - 0.5 * self.period_s + (hop + 1) * self.hop_s

    def push(self, t_s: FloatArray, pressure_pa: FloatArray, close: bool = False) -> Hops | None:
        """Take samples (n,); returns the hops that are now closed, if any. `close`: the open one too."""
        if not self._started and len(t_s):
            self.restart(float(t_s[0]), 0)
        if len(self._open_t):
            t_s = np.concatenate([self._open_t, t_s])
            pressure_pa = np.concatenate([self._open_p, pressure_pa])
        if not len(t_s):
            return None
        number = ((t_s - (self.start_s - 0.5 * self.period_s)) / self.hop_s + 1e-6).astype(np.int64)
        last = int(number[-1]) + (1 if close else 0)
        if last <= self._next:
            self._open_t, self._open_p = np.array(t_s), np.array(pressure_pa)
            return None
        cut = len(number) if close else int(np.searchsorted(number, last))
        self._open_t, self._open_p = np.array(t_s[cut:]), np.array(pressure_pa[cut:])
        return self._close(number[:cut], pressure_pa[:cut], last)

    def _close(self, number: np.ndarray, pressure_pa: FloatArray, last: int) -> Hops:
        first, total = self._next, last - self._next
        self._next = last
        values = pressure_pa.astype(np.float64)
        bad = np.isnan(values)
        if bad.any():
            values, number = values[~bad], number[~bad]
        count = np.zeros(total)
        mean, square, low, high = (np.full(total, np.nan) for _ in range(4))
        if len(values):
            starts = np.concatenate([[0], np.flatnonzero(np.diff(number)) + 1])
            where = number[starts] - first
            count[where] = np.diff(np.concatenate([starts, [len(values)]]))
            mean[where] = np.add.reduceat(values, starts) / count[where]
            square[where] = np.add.reduceat(values * values, starts)
            low[where] = np.minimum.reduceat(values, starts)
            high[where] = np.maximum.reduceat(values, starts)
        empty = count == 0
        if empty.any():
            source = np.maximum.accumulate(np.where(empty, -1, np.arange(total)))
            mean = np.where(source >= 0, mean[np.maximum(source, 0)], self._last_mean)
            square[empty] = 0.0
            low[empty], high[empty] = mean[empty], mean[empty]
        self._last_mean = float(mean[-1])
        return Hops(first, count, mean, square, low, high)
