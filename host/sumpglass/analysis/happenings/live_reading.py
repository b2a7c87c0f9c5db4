"""Engine speed and evenness of the last seconds, for the live screen. Nothing in the detector depends on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sumpglass.analysis.happenings.history import SampleHistory
from sumpglass.analysis.pulses import PulseReading, find_pulses
from sumpglass.records import FloatArray

SPEED_S = 4.0
QUICK_S = 1.5
"""While the speed moves, the last moments count and not the mean of four seconds."""
EVERY_S = 0.5
MOVED_SHARE = 0.02


class LivePulses:
    """Reads the pulses at most every `EVERY_S` of signal time, however often it is asked."""

    def __init__(
        self, rate_hz: float, cylinders: int | None, line_gain: Callable[[FloatArray], FloatArray] | None = None
    ) -> None:
        self._rate_hz = rate_hz
        self._cylinders = cylinders
        self._line_gain = line_gain
        self._read_s = -np.inf
        self._reading = PulseReading()

    def read(self, samples: SampleHistory, now_s: float) -> PulseReading:
        """Pulses of the last seconds up to `now_s`; empty where there are none, or too few samples."""
        if 0 <= now_s - self._read_s < EVERY_S:
            return self._reading
        self._read_s = now_s
        self._reading = self._newest(samples, now_s)
        return self._reading

    def _newest(self, samples: SampleHistory, now_s: float) -> PulseReading:
        t, p = samples.between(now_s - SPEED_S, now_s + 1.0)
        if len(t) < 0.8 * QUICK_S * self._rate_hz:
            return PulseReading()
        even = np.interp(np.arange(t[0], t[-1], 1.0 / self._rate_hz), t, p)
        whole = find_pulses(even, self._rate_hz, self._cylinders, self._line_gain)
        quick = find_pulses(even[-int(QUICK_S * self._rate_hz) :], self._rate_hz, self._cylinders, self._line_gain)
        if quick.firing_hz is None:
            # Pulses in the first seconds but none in the last: the engine has just stopped.
            return PulseReading() if whole.firing_hz is None or _died(even, self._rate_hz) else whole
        if whole.firing_hz is None:
            return _at_its_end(quick)
        if abs(whole.ends_at - 1.0) > MOVED_SHARE:
            return _at_its_end(whole)
        moved = (quick.strongest_hz or 1.0) / (whole.strongest_hz or 1.0)
        return _at_its_end(quick if abs(moved - 1.0) > MOVED_SHARE else whole)


def _at_its_end(reading: PulseReading) -> PulseReading:
    """Reading of a stretch whose speed moved, with the speed at which it ended."""
    firing_hz = None if reading.firing_hz is None else reading.firing_hz * reading.ends_at
    return replace(reading, firing_hz=firing_hz, rpm=None if reading.rpm is None else reading.rpm * reading.ends_at)


def _died(pressure_pa: FloatArray, rate_hz: float) -> bool:
    part = int(QUICK_S * rate_hz / 2)
    return float(pressure_pa[-part:].std()) < 0.4 * float(pressure_pa[:part].std())
