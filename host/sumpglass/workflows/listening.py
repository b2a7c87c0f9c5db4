"""From samples to what a screen shows: the one detector. Live and replay both use it."""

from __future__ import annotations

import numpy as np

from sumpglass.analysis.happenings.detector import HappeningDetector
from sumpglass.analysis.happenings.settings import DetectorSettings, LiveState
from sumpglass.records import FloatArray, Happening
from sumpglass.workflows.live import HappeningNow, LiveEvent, Pulses, Reading, Samples

PULSES_EVERY_S = 0.5


class Listener:
    """Feeds the detector; gives events in the order in which they are to be shown."""

    def __init__(self, settings: DetectorSettings) -> None:
        self.settings = settings
        self._detector = HappeningDetector(settings)
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
        now_s = float(t_s[-1])
        if now_s >= self._pulses_due_s:
            self._pulses_due_s = now_s + PULSES_EVERY_S
            events.append(self._pulses(state))
        return events

    def _pulses(self, state: LiveState) -> Pulses:
        return Pulses(state.firing_hz, state.rpm, state.rpm_u95, state.uneven, state.engine)


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
