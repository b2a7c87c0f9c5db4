"""Quantities that a script moves about: piecewise ramps, sampled block by block."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sumpglass.physics.gas import FloatArray


@dataclass(frozen=True)
class _Ramp:
    start_s: float
    end_s: float
    target: float | None
    """None: back to what stood when the last remembering ramp began."""
    remembers: bool = False


class Track:
    """One quantity over time. Ramps are added with `ramp` in any order of calls; `sample` must go forward in time."""

    def __init__(self, value: float) -> None:
        self.value = float(value)
        self._remembered = float(value)
        self._ramps: list[_Ramp] = []

    def ramp(self, t_s: float, seconds: float, target: float | None, remember: bool = False) -> None:
        """From `t_s` on go to `target` in `seconds`, from wherever the quantity stands then.

        With `remember` that place is kept, and a later ramp with target None goes back to it.
        """
        self._ramps.append(_Ramp(t_s, t_s + seconds, target, remember))
        self._ramps.sort(key=lambda entry: entry.start_s)

    def forget_after(self, t_s: float) -> None:
        """Drop ramps that have not begun by `t_s`: somebody else has taken the handle."""
        self._ramps = [entry for entry in self._ramps if entry.start_s < t_s]

    def sample(self, t_s: FloatArray) -> FloatArray:
        """Values at `t_s` (n,), increasing and later than all times asked before."""
        values = np.full(len(t_s), self.value)
        kept: list[_Ramp] = []
        for index, entry in enumerate(self._ramps):
            if entry.start_s > t_s[-1]:
                kept.extend(self._ramps[index:])
                break
            first = int(np.searchsorted(t_s, entry.start_s))
            level = float(values[first])
            if entry.remembers:
                self._remembered = level
            target = self._remembered if entry.target is None else entry.target
            length = entry.end_s - entry.start_s
            share = np.clip((t_s[first:] - entry.start_s) / length, 0.0, 1.0) if length > 0 else 1.0
            values[first:] = level + (target - level) * share
            if entry.end_s > t_s[-1]:
                # Unfinished: go on from the last value, with what is left of the time.
                kept.append(replace(entry, start_s=float(t_s[-1]), target=target, remembers=False))
        self._ramps = kept
        self.value = float(values[-1])
        return values
