"""The bounded past that the detector looks back on: hops as `Track` rows, and the samples themselves."""

from __future__ import annotations

import numpy as np

from sumpglass.analysis.happenings.tracks import HISTORY_S, TRACK_ARRAYS, Track
from sumpglass.records import FloatArray


class HopHistory:
    """The last `HISTORY_S` of hops before the newest piece, and that piece."""

    def __init__(self, hop_s: float) -> None:
        self.keep = round(HISTORY_S / hop_s)
        self.track: Track | None = None

    def clear(self) -> None:
        """Forget all."""
        self.track = None

    def append(self, new: Track) -> Track:
        """The past, cut to length, with `new` at its end."""
        old = self.track
        if old is None:
            self.track = new
            return new
        cut = max(0, len(old) - self.keep)
        joined = {name: np.concatenate([getattr(old, name)[cut:], getattr(new, name)]) for name in TRACK_ARRAYS}
        self.track = Track(old.first + cut, **joined)
        return self.track


class SampleHistory:
    """The last `HISTORY_S` of samples before the newest piece, and that piece; grows in place, shifts seldom."""

    def __init__(self) -> None:
        self._t = np.empty(4096)
        self._p = np.empty(4096)
        self._begin = 0
        self._end = 0

    def clear(self) -> None:
        """Forget all."""
        self._begin = self._end = 0

    def append(self, t_s: FloatArray, pressure_pa: FloatArray) -> None:
        """Add samples (n,) and drop those that are too old."""
        n = len(t_s)
        if not n:
            return
        self._begin += int(np.searchsorted(self._t[self._begin : self._end], float(t_s[0]) - HISTORY_S))
        if self._end + n > len(self._t):
            held = self._end - self._begin
            size = max(4096, 2 * (held + n))
            t, p = np.empty(size), np.empty(size)
            t[:held], p[:held] = self._t[self._begin : self._end], self._p[self._begin : self._end]
            self._t, self._p, self._begin, self._end = t, p, 0, held
        self._t[self._end : self._end + n] = t_s
        self._p[self._end : self._end + n] = pressure_pa
        self._end += n

    def between(self, t0_s: float, t1_s: float) -> tuple[FloatArray, FloatArray]:
        """Views of times and pressures with t0 <= t < t1."""
        t = self._t[self._begin : self._end]
        a, b = np.searchsorted(t, [t0_s, t1_s])
        return t[a:b], self._p[self._begin + a : self._begin + b]
