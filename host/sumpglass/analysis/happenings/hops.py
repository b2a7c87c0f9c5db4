"""Samples of any chunking gathered into hops: short bins of about 10 ms, bound to absolute time.

A hop is closed by the first sample beyond it, so what a hop holds does not depend on how the samples arrived.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.records import FloatArray

HOP_S = 0.01
LATELY_HOPS, SILENT_HOPS = 100, 10
"""So many hops before a silence tell the level that is taken to have gone on through it; a silence is so many."""
RATE_SAMPLES = 32
"""Samples that are held back to learn the rate when the source does not tell it."""


EVEN_FROM = 2048
"""From so many samples on it pays to look whether hops are all full, and then to take their samples side by side."""
MOST_SIDE_BY_SIDE = 64


@dataclass(frozen=True)
class Hops:
    """Closed hops in a row, from absolute hop number `first`; arrays are (hops,)."""

    first: int
    count: FloatArray
    """Valid samples in each hop; 0 where there are none."""
    mean_pa: FloatArray
    """Mean of each hop; the last known mean where a hop is empty, that of a second before where many are."""
    square_pa2: FloatArray
    """Sum of squares of each hop's valid samples."""
    low_pa: FloatArray
    high_pa: FloatArray


class HopGatherer:
    """Turns samples into `Hops`. Constant memory: holds only the samples of the open hop."""

    def __init__(self, rate_hz: float) -> None:
        self._samples = samples = max(1, round(HOP_S * rate_hz))
        self.hop_s = samples / rate_hz
        self.period_s = 1.0 / rate_hz
        self.start_s = 0.0
        self._next = 0
        self._last_mean = 0.0
        self._lately = np.empty(0)
        self._started = False
        self._open_t = np.empty(0)
        self._open_p = np.empty(0)

    def restart(self, t_s: float, hop: int) -> None:
        """Begin anew after a long silence: the sample at `t_s` opens hop number `hop`."""
        self.start_s = t_s - hop * self.hop_s
        self._next = hop
        self._started = True
        self._lately = np.empty(0)
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
        full = self._full_hops(t_s, pressure_pa, close) if len(t_s) >= EVEN_FROM else None
        if full is not None:
            return full
        number = self._number(t_s)
        last = int(number[-1]) + (1 if close else 0)
        if last <= self._next:
            self._open_t, self._open_p = np.array(t_s), np.array(pressure_pa)
            return None
        cut = len(number) if close else int(np.searchsorted(number, last))
        self._open_t, self._open_p = np.array(t_s[cut:]), np.array(pressure_pa[cut:])
        return self._close(number[:cut], pressure_pa[:cut], last)

    def _number(self, t_s: FloatArray) -> np.ndarray:
        """Numbers (n,) of the hops that samples at `t_s` belong to."""
        return ((t_s - (self.start_s - 0.5 * self.period_s)) / self.hop_s + 1e-6).astype(np.int64)

    def _full_hops(self, t_s: FloatArray, pressure_pa: FloatArray, close: bool) -> Hops | None:
        """`push` where every hop that is closed has all its samples; None where it is not so, and nothing was done."""
        size = self._samples
        # The last full row may be the open hop, or the rest may belong to it: it waits with the rest.
        rows = (len(t_s) - 1) // size
        if close or not 1 < size <= MOST_SIDE_BY_SIDE:
            return None
        cut = rows * size
        number = self._number(t_s[:cut:size])
        beyond = int(self._number(t_s[cut : cut + 1])[0])
        # Times increase: a row whose first and last sample are of one hop holds none of another.
        if (
            (number != self._number(t_s[size - 1 : cut : size])).any()
            or (np.diff(number) < 1).any()
            or not self._next <= number[0]
            or not number[-1] < beyond
            or beyond != int(self._number(t_s[-1:])[0])
            or bool(np.isnan(pressure_pa[:cut].sum()))
        ):
            return None
        self._open_t, self._open_p = np.array(t_s[cut:]), np.array(pressure_pa[cut:])
        values = np.ascontiguousarray(pressure_pa[:cut].reshape(rows, size).T, np.float64)
        where = number - self._next
        first, total = self._next, beyond - self._next
        self._next = beyond
        count = np.zeros(total)
        mean, square, low, high = (np.full(total, np.nan) for _ in range(4))
        count[where] = size
        mean[where] = sum_as_reduceat(values) / size
        low[where], high[where] = values.min(axis=0), values.max(axis=0)
        square[where] = sum_as_reduceat(values * values)
        return self._filled(first, count, mean, square, low, high)

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
        return self._filled(first, count, mean, square, low, high)

    def _filled(
        self, first: int, count: FloatArray, mean: FloatArray, square: FloatArray, low: FloatArray, high: FloatArray
    ) -> Hops:
        """Hops from number `first` on; where one is empty the last known mean stands, or the level before a silence."""
        empty = count == 0
        if empty.any():
            source = np.maximum.accumulate(np.where(empty, -1, np.arange(len(count))))
            mean = np.where(source >= 0, mean[np.maximum(source, 0)], self._last_mean)
            # Held through a silence, the last hop of a pulsing signal would be a level that never was.
            edges = np.flatnonzero(np.diff(np.concatenate([[False], empty, [False]])))
            for begin, end in edges.reshape(-1, 2):
                before = np.concatenate([self._lately, mean[max(0, begin - LATELY_HOPS) : begin]])[-LATELY_HOPS:]
                if end - begin >= SILENT_HOPS and len(before):
                    mean[begin:end] = before.mean()
            square[empty] = 0.0
            low[empty], high[empty] = mean[empty], mean[empty]
        self._last_mean = float(mean[-1])
        self._lately = np.concatenate([self._lately, mean[-LATELY_HOPS:]])[-LATELY_HOPS:]
        return Hops(first, count, mean, square, low, high)


def sum_as_reduceat(rows: FloatArray) -> FloatArray:
    """Sums (n,) over the first axis of (2 to 64, n), to the last digit those of numpy's `add.reduceat` over (n, ...).

    To the first it adds the sum of the others, which run in eight lanes that are added in pairs; what is left over
    comes last. So a hop's mean does not depend on how many came with it.
    """
    others = rows[1:]
    lanes = len(others) // 8 * 8
    if lanes:
        part = others[:8].copy()
        for at in range(8, lanes, 8):
            part += others[at : at + 8]
        part = part[0::2] + part[1::2]
        part = part[0::2] + part[1::2]
        total = part[0] + part[1]
    else:
        total = others[0].copy()
        lanes = 1
    for row in others[lanes:]:
        total += row
    return rows[0] + total
