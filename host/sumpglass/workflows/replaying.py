"""A recording played as it came: same detector, same events, at any speed, with pause, step and seek."""

from __future__ import annotations

import time

import numpy as np

from sumpglass.analysis.happenings.settings import DetectorSettings
from sumpglass.records import Recording
from sumpglass.workflows.listening import Listener
from sumpglass.workflows.live import Ended, LiveEvent, MarkNow, Playing, Restarted, RigHealth

BLOCK_S = 0.05
"""Recorded time handed over at once at normal speed, as the board sends it."""
STEP_S = 0.1
LEAST_SPEED, MOST_SPEED = 1 / 16, 64.0


class ReplayFeed:
    """Plays `recording`. A seek runs the detector from the start: it shows what live would show there."""

    mode = "REPLAY"

    def __init__(
        self,
        recording: Recording,
        settings: DetectorSettings,
        speed: float = 1.0,
        paused: bool = False,
        at_s: float = 0.0,
    ) -> None:
        self._recording = recording
        self._settings = settings
        self._speed = speed
        self._paused = paused
        self.subject = recording.name
        self._start_s = float(recording.t_s[0]) if len(recording.t_s) else 0.0
        self._end_s = float(recording.t_s[-1]) if len(recording.t_s) else 0.0
        self._ended = False
        self._to_tell: list[LiveEvent] = [self._health(), self._playing(0.0)]
        self._begin()
        if at_s > 0:
            self.seek(at_s)

    def _begin(self) -> None:
        self._listener = Listener(self._settings)
        self._next_sample = 0
        self._next_mark = 0
        self._position_s = self._start_s
        self._clock = time.monotonic()
        self._ended = False

    # Keys

    def pause(self, paused: bool = True) -> None:
        """Stand still, or go on; at the end, start again."""
        if self._ended:
            self.seek(0.0)
        self._paused = paused
        self._clock = time.monotonic()
        self._to_tell.append(self._playing())

    def set_speed(self, speed: float) -> None:
        """So many times as fast as it was recorded."""
        self._speed = min(MOST_SPEED, max(LEAST_SPEED, speed))
        self._to_tell.append(self._playing())

    def step(self) -> None:
        """A tenth of a second on, then stand still."""
        self._paused = True
        self._to_tell += self._advance_to(self._position_s + STEP_S)
        self._to_tell.append(self._playing())

    def seek(self, t_s: float) -> None:
        """To `t_s` seconds from the start of the recording."""
        target = min(self._end_s, max(self._start_s, self._start_s + t_s))
        if target < self._position_s or self._ended:
            self._begin()
            self._to_tell += [Restarted(), self._health()]
        self._to_tell += self._advance_to(target)
        self._clock = time.monotonic()
        self._to_tell.append(self._playing())

    # Feed

    def poll(self, wait_s: float = 0.0) -> list[LiveEvent]:
        """What is due by the clock."""
        events, self._to_tell = self._to_tell, []
        now = time.monotonic()
        elapsed = now - self._clock
        due_s = elapsed * self._speed
        if self._paused or self._ended or (due_s < BLOCK_S and self._position_s + due_s < self._end_s):
            return events
        self._clock = now
        events += self._advance_to(min(self._position_s + due_s, self._end_s))
        events.append(self._playing())
        if self._next_sample >= len(self._recording.t_s):
            self._ended = True
            events.append(Ended("end of the recording: space starts it again, q quits"))
        return events

    def _advance_to(self, target_s: float) -> list[LiveEvent]:
        """Events of the samples up to and with `target_s`, in blocks of the live length or, far ahead, of a second."""
        recording = self._recording
        events: list[LiveEvent] = []
        while self._position_s < target_s:
            ahead = target_s - self._position_s
            self._position_s = (
                target_s if ahead <= BLOCK_S else self._position_s + (1.0 if ahead > 5.0 else min(ahead, BLOCK_S))
            )
            end = int(np.searchsorted(recording.t_s, self._position_s + 1e-9, side="right"))
            part = slice(self._next_sample, end)
            low, high = recording.pressure_low_pa, recording.pressure_high_pa
            events += self._listener.hear(
                recording.t_s[part],
                recording.pressure_pa[part],
                None if low is None else low[part],
                None if high is None else high[part],
            )
            self._next_sample = end
            events += self._marks()
        return events

    def _marks(self) -> list[LiveEvent]:
        events: list[LiveEvent] = []
        marks = self._recording.marks
        while self._next_mark < len(marks) and marks[self._next_mark].t_s <= self._position_s:
            events.append(MarkNow(f"m{self._next_mark}", marks[self._next_mark]))
            self._next_mark += 1
        return events

    def _playing(self, position_s: float | None = None) -> Playing:
        position = self._position_s - self._start_s if position_s is None else position_s
        return Playing(position, self._end_s - self._start_s, self._speed, self._paused)

    def _health(self) -> RigHealth:
        recording = self._recording
        losses = recording.losses
        return RigHealth(
            source=recording.source,
            rate_hz=recording.rate_hz,
            frames_lost=losses.frames_lost,
            frames_damaged=losses.frames_damaged,
            samples_late=losses.samples_late,
            samples_overrun=losses.samples_overrun,
            zero_known=recording.zero is not None,
            zero_age_s=None if recording.zero is None else recording.zero.age_s,
        )

    def mark(self, text: str = "") -> None:
        """A recording is not changed by looking at it."""

    def name_mark(self, key: str, text: str) -> None:
        """A recording is not changed by looking at it."""

    def close(self) -> None:
        """Nothing is open."""


def settings_for(
    recording: Recording, cylinders: int | None, zero_pa: float | None, range_pa: float | None
) -> DetectorSettings:
    """Facts of the recording for the detector; what the caller says goes before what the file says."""
    sensor, zero = recording.sensor, recording.zero
    zero_u95 = zero.u95_pa if zero is not None and zero_pa is None else sensor.offset_u95_pa
    return DetectorSettings(
        rate_hz=recording.rate_hz,
        range_low_pa=sensor.range_low_pa if range_pa is None else -range_pa,
        range_high_pa=sensor.range_high_pa if range_pa is None else range_pa,
        resolution_pa=sensor.resolution_pa,
        zero_pa=zero_pa if zero_pa is not None else zero.pressure_pa if zero is not None else 0.0,
        zero_u95_pa=zero_u95,
        cylinders=cylinders if cylinders is not None else recording.cylinders,
    )
