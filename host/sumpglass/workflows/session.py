"""Watching: a source in, typed events out. The dashboard, `record` and replay all look through this one window.

Live: chunks are written to the casebook as they came, then decoded, scaled and fed to the causal detector. Replay: the
same from the decoder on, so it shows what live showed.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Protocol

from sumpglass.errors import SumpglassError
from sumpglass.link.replay_source import ReplaySource
from sumpglass.link.source import Arrival, Chunk, Connection, End, Readings, Source
from sumpglass.records import Mark, Zero
from sumpglass.workflows.live import Ended, LiveEvent, MarkNow, Playing, Restarted, RigHealth, Samples
from sumpglass.workflows.live_analysis import LiveAnalysis
from sumpglass_wire import layouts as wire

READING_EVERY_S = 0.1
"""A reading is told at least so often, so that its age shows."""
HEALTH_EVERY_S = 0.5
ECHO_EVERY_S, FIRST_ECHOES_S, LATER_ECHO_EVERY_S = 1.0, 15.0, 5.0
"""Time echoes: one a second in the first seconds, then fewer."""
SILENT_S, SILENT_BLOCKS, RESTART_EVERY_S = 1.2, 3.0, 3.0
"""A stream that was silent so long, and for so many blocks, has stopped: the board is started again."""
IDENTITY_EVERY_S = 2.0
"""How often the board is asked who it is while its samples cannot be read for want of it."""


class Recorder(Protocol):
    """Where a live session keeps what it sees; never blocks. `store.casebook_recorder.CasebookRecorder` is one."""

    name: str
    """The file, for a person."""

    def append(self, data: bytes, received_s: float) -> None:
        """Keep bytes as they came off the wire, with the host's monotonic time."""

    def mark(self, key: str, mark: Mark, board_us: int | None) -> None:
        """Keep a mark, or name an earlier one with the same key. `board_us` is the board's time of it."""

    def trouble(self) -> SumpglassError | None:
        """Why it stopped keeping anything (a full disk); None while all is well."""

    def free_bytes(self) -> int | None:
        """Room left on the disk."""

    def close(self) -> None:
        """Write what is left and close the file. Raises DiskError if that fails."""


@dataclass
class _Link:
    """What is known of the link between polls."""

    opened_s: float
    connected: bool = True
    answerless: bool = False
    """The port is there, but nobody answers."""
    trouble: str | None = None
    last_data_s: float | None = None
    next_echo_s: float = 0.0
    next_identify_s: float = 0.0
    next_restart_s: float = 0.0
    block_s: float = 0.0
    """Longest distance between blocks so far: a slow rate is no silence."""
    ended: bool = False


class Session:
    """A `Feed` over any `Source`. `poll` is called on one thread, as often as one likes (20 times a second is plenty).

    `channel` is the one that is shown; None takes the first that measures a differential pressure. `zero` overrides
    the zero that the board holds. `poll` raises nothing of its own: trouble is told in `RigHealth.trouble`.
    """

    def __init__(
        self,
        source: Source,
        recorder: Recorder | None = None,
        *,
        cylinders: int | None = None,
        zero: Zero | None = None,
        channel: int | None = None,
        subject: str = "",
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.source = source
        self.recorder = recorder
        self.mode = source.facts.mode
        self.subject = subject or source.facts.subject
        self._cylinders = cylinders if cylinders is not None else source.facts.cylinders
        self._zero = zero if zero is not None else source.facts.zero
        self._channel = channel
        self._clock = clock
        self._link = _Link(clock())
        self._marks: dict[str, Mark] = {}
        self._marks_made = 0
        self._pending: list[LiveEvent] = []
        self._health_due_s = self._reading_due_s = -1.0
        self.analysis = self._anew()

    def _anew(self) -> LiveAnalysis:
        return LiveAnalysis(self.source.facts, self._cylinders, self._zero, self._channel)

    def poll(self, wait_s: float = 0.0) -> list[LiveEvent]:
        """What came since the last call; waits up to `wait_s` for the source."""
        events = self._pending
        self._pending = []
        for arrival in self.source.poll(wait_s):
            self._take(arrival, events)
        now = self._clock()
        self._keep_in_touch(now)
        if events or now >= self._reading_due_s:
            self._reading_due_s = now + READING_EVERY_S
            events.append(self.analysis.reading(self._age_s(now), self._link.connected))
        if now >= self._health_due_s:
            self._health_due_s = now + HEALTH_EVERY_S
            pulses = self.analysis.pulses()
            if pulses is not None:
                events.append(pulses)
            events.append(self.health())
        if isinstance(self.source, ReplaySource):
            replay = self.source
            events.append(Playing(replay.position_s, replay.duration_s, replay.speed, replay.paused))
        return events

    @property
    def now_s(self) -> float:
        """The present moment in seconds of the recording."""
        if isinstance(self.source, ReplaySource):
            return self.source.position_s
        timeline, fit = self.analysis.interpreter.timeline, self.analysis.clock.fit()
        if fit is not None and timeline.started:
            return max(0.0, timeline.t_s(round(fit.board_s(self._clock()) * 1e6)))
        if self.analysis.last_t_s is None or self._link.last_data_s is None:
            return 0.0
        return self.analysis.last_t_s + self._clock() - self._link.last_data_s

    def mark(self, text: str = "") -> None:
        """Set a mark now; it comes back as an event at the next poll."""
        self._marks_made += 1
        self._set_mark(f"host-{self._marks_made}", Mark(self.now_s, text or "note", "host"))

    def name_mark(self, key: str, text: str) -> None:
        """Name an earlier mark; it comes back as an event with the same key. An unknown key is ignored."""
        if key in self._marks:
            old = self._marks[key]
            self._set_mark(key, Mark(old.t_s, text or "note", old.origin))

    def request(self, kind: int, fields: dict[str, Any] | None = None) -> int | None:
        """Send the board a request (`sumpglass_wire.layouts`); its answer comes in `analysis.last_answer`."""
        return self.source.request(kind, fields)

    def close(self) -> None:
        """Let go of the source and close the recording."""
        self.source.close()
        if self.recorder is not None:
            self.recorder.close()

    def pause(self, paused: bool = True) -> None:
        """Hold a replay still, or go on. Nothing happens live."""
        if isinstance(self.source, ReplaySource):
            self.source.pause(paused)

    def step(self, seconds: float = 0.1) -> None:
        """Hold a replay still, that much further on."""
        if isinstance(self.source, ReplaySource):
            self.source.step(seconds)

    def set_speed(self, speed: float) -> None:
        """Speed of a replay. Raises InputError for one that is no positive number."""
        if isinstance(self.source, ReplaySource):
            self.source.set_speed(speed)

    def seek(self, t_s: float) -> None:
        """Go to a moment of a replay; what is shown there is what was shown live."""
        if isinstance(self.source, ReplaySource) and self.source.seek(t_s):
            self.analysis = self._anew()
            self._link.ended = False
            self._pending = [Restarted()]

    def health(self) -> RigHealth:
        """How the rig is."""
        analysis, counts = self.analysis, self.analysis.decoder.counts
        status = analysis.interpreter.status
        zero = analysis.zero
        age = None if zero is None or zero.age_s is None else zero.age_s + (analysis.last_t_s or 0.0)
        recorder = self.recorder
        return RigHealth(
            source=self.source.facts.name,
            rate_hz=analysis.scale.rate_hz if analysis.scale is not None else self.source.facts.rate_hz,
            frames_lost=counts.lost,
            frames_damaged=counts.damaged,
            samples_late=status.fields["late_samples"] if status else 0,
            samples_overrun=status.fields["overruns"] if status else 0,
            clipped_share=analysis.clipped / analysis.samples if analysis.samples else 0.0,
            zero_age_s=age,
            zero_known=zero is not None,
            recording=recorder.name if recorder is not None and recorder.trouble() is None else None,
            disk_free_bytes=recorder.free_bytes() if recorder is not None else None,
            trouble=self._trouble(),
        )

    def _trouble(self) -> str | None:
        failed = self.recorder.trouble() if self.recorder is not None else None
        if failed is not None:
            return str(failed)
        return self._link.trouble or self.analysis.decoder.refusal

    def _take(self, arrival: Arrival, events: list[LiveEvent]) -> None:
        if isinstance(arrival, Chunk):
            if self.recorder is not None and arrival.received_s is not None:
                self.recorder.append(arrival.data, arrival.received_s)
            before = len(events)
            self.analysis.feed(arrival.data, arrival.received_s, events)
            if len(events) > before:
                self._note_data(events[before:], arrival.received_s)
                self._remember_marks(events[before:])
        elif isinstance(arrival, Readings):
            self._link.last_data_s = self._clock()
            self.analysis.feed_readings(arrival, events)
        elif isinstance(arrival, Mark):
            key = f"{arrival.origin}-{arrival.t_s:.6f}-{arrival.text}"
            self._marks[key] = arrival
            events.append(MarkNow(key, arrival))
        elif isinstance(arrival, Connection):
            self._link.connected, self._link.trouble = arrival.connected, arrival.sentence
            self._link.answerless = not arrival.connected and not arrival.gone
            if arrival.fresh:
                self.analysis.decoder.reconnect()
        elif isinstance(arrival, End) and not self._link.ended:
            self._link.ended = True
            self.analysis.finish(events)
            events.append(Ended(arrival.sentence))

    def _note_data(self, events: list[LiveEvent], received_s: float | None) -> None:
        """When readings came last, and how long a block of them takes."""
        times = [event.t_s for event in events if isinstance(event, Samples)]
        if not times:
            return
        self._link.last_data_s = received_s if received_s is not None and self.mode != "REPLAY" else self._clock()
        if len(times[-1]) > 1:
            span = float(times[-1][-1] - times[-1][0]) * len(times[-1]) / (len(times[-1]) - 1)
            self._link.block_s = max(self._link.block_s, min(span, 60.0))

    def _remember_marks(self, events: list[LiveEvent]) -> None:
        """Board marks can be named later, too: keep them where host marks are kept."""
        for event in events:
            if isinstance(event, MarkNow):
                self._marks[event.key] = event.mark
                if self.recorder is not None:
                    self.recorder.mark(event.key, event.mark, self._board_us(event.mark.t_s))

    def _set_mark(self, key: str, mark: Mark) -> None:
        self._marks[key] = mark
        self._pending.append(MarkNow(key, mark))
        if self.recorder is not None:
            self.recorder.mark(key, mark, self._board_us(mark.t_s))

    def _board_us(self, t_s: float) -> int | None:
        timeline = self.analysis.interpreter.timeline
        return timeline.board_us(t_s) if timeline.started else None

    def _age_s(self, now: float) -> float | None:
        if self._link.last_data_s is None:
            return None
        if isinstance(self.source, ReplaySource):
            # A replay is never old: where the recording has a gap, the gap shows in its own time.
            last = self.analysis.last_t_s
            return 0.0 if last is None else max(0.0, self.source.position_s - last)
        return max(0.0, now - self._link.last_data_s)

    def _keep_in_touch(self, now: float) -> None:
        """Time echoes, asking who the board is while its samples cannot be read, starting it when it fell silent."""
        if self.mode == "REPLAY":
            return
        last = self._link.last_data_s if self._link.last_data_s is not None else self._link.opened_s
        silent = now - last > max(SILENT_S, SILENT_BLOCKS * self._link.block_s)
        if silent and now >= self._link.next_restart_s and (self._link.connected or self._link.answerless):
            self._link.next_restart_s = now + RESTART_EVERY_S
            self.source.restart()
        if not self._link.connected:
            return
        if now >= self._link.next_echo_s:
            early = now - self._link.opened_s < FIRST_ECHOES_S
            self._link.next_echo_s = now + (ECHO_EVERY_S if early else LATER_ECHO_EVERY_S)
            self.source.request(wire.TIME_ECHO, {"token": time.monotonic_ns() // 1000})
        if self.analysis.interpreter.identity is None and now >= self._link.next_identify_s:
            self._link.next_identify_s = now + IDENTITY_EVERY_S
            self.source.request(wire.IDENTIFY)
