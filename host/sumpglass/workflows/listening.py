"""From samples to what a screen shows: the one detector, and now and then a spectrum. Live and replay both use it."""

from __future__ import annotations

import numpy as np

from sumpglass.analysis.happenings.detector import HappeningDetector
from sumpglass.analysis.happenings.settings import DetectorSettings, LiveState
from sumpglass.records import FloatArray, Happening
from sumpglass.workflows.live import HappeningNow, LiveEvent, Pulses, Reading, Samples

SPECTRUM_SAMPLES = 2048
SPECTRUM_EVERY_S = 0.5


class Listener:
    """Feeds the detector; gives events in the order in which they are to be shown."""

    def __init__(self, settings: DetectorSettings) -> None:
        self.settings = settings
        self._detector = HappeningDetector(settings)
        self._tail = np.empty(0)
        self._rate_hz = settings.rate_hz
        self._pulses_due_s = -np.inf

    def hear(
        self,
        t_s: FloatArray,
        pressure_pa: FloatArray,
        low_pa: FloatArray | None = None,
        high_pa: FloatArray | None = None,
    ) -> list[LiveEvent]:
        """Take samples (n,), the zero not yet subtracted."""
        if not len(t_s):
            return []
        zero = self.settings.zero_pa
        found = self._detector.feed(t_s, pressure_pa)
        level = np.asarray(pressure_pa, float) - zero
        low = None if low_pa is None else np.asarray(low_pa, float) - zero
        high = None if high_pa is None else np.asarray(high_pa, float) - zero
        events: list[LiveEvent] = [Samples(np.asarray(t_s, float), level, low, high)]
        events += happening_events(found)
        state = self._detector.state
        events.append(reading_of(state))
        self._tail = np.concatenate([self._tail, level])[-SPECTRUM_SAMPLES:]
        if self._rate_hz is None and len(t_s) > 1:
            self._rate_hz = float((len(t_s) - 1) / (t_s[-1] - t_s[0]))
        now_s = float(t_s[-1])
        if now_s >= self._pulses_due_s:
            self._pulses_due_s = now_s + SPECTRUM_EVERY_S
            events.append(self._pulses(state))
        return events

    def _pulses(self, state: LiveState) -> Pulses:
        spectrum, step_hz = small_spectrum(self._tail, self._rate_hz or 0.0)
        return Pulses(state.firing_hz, state.rpm, state.rpm_u95, state.uneven, state.engine, spectrum, step_hz)


def happening_events(found: list[Happening]) -> list[HappeningNow]:
    """One event for each, in the order of their raising."""
    return [HappeningNow(happening) for happening in sorted(found, key=lambda happening: happening.t_raised_s)]


def reading_of(state: LiveState) -> Reading:
    """The detector's state as the screen takes it."""
    return Reading(
        t_s=state.t_s,
        level_pa=state.level_pa,
        u95_pa=state.level_u95_pa,
        state=state.state,
        clipped=state.clipped,
        age_s=0.0,
    )


def small_spectrum(pressure_pa: FloatArray, rate_hz: float) -> tuple[tuple[float, ...], float]:
    """Amplitudes (Pa, Hann window corrected for its coherent gain of 0.5) and the step in Hz; empty if too short."""
    samples = len(pressure_pa)
    if samples < 256 or rate_hz <= 0 or not np.isfinite(pressure_pa).all():
        return (), 1.0
    window = np.hanning(samples + 1)[:-1]
    amplitudes = 2.0 * np.abs(np.fft.rfft((pressure_pa - pressure_pa.mean()) * window)) / window.sum()
    return tuple(amplitudes.tolist()), rate_hz / samples
