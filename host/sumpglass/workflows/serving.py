"""A second screen for the same rig: the first passes the stream on, the second watches by a session of its own."""

from __future__ import annotations

import dataclasses
from typing import Any

from sumpglass.errors import SumpglassError
from sumpglass.link.relay import RelayServer, RelaySource
from sumpglass.records import Mark
from sumpglass.workflows.live import LiveEvent, MarkNow, RigHealth
from sumpglass.workflows.session import Recorder, Session
from sumpglass_wire import layouts as wire


class RelayingRecorder:
    """Keeps what the session sees in `recorder`, if there is one, and passes it on."""

    def __init__(self, recorder: Recorder | None, relay: RelayServer) -> None:
        self._recorder = recorder
        self._relay = relay
        # None where nothing is written, which the screen shows as "not recorded".
        self.name: Any = recorder.name if recorder is not None else None

    def append(self, data: bytes, received_s: float) -> None:
        """Bytes as they came off the wire."""
        if self._recorder is not None:
            self._recorder.append(data, received_s)
        self._relay.append(data, received_s)

    def mark(self, key: str, mark: Mark, board_us: int | None) -> None:
        """A mark that was set or named."""
        if self._recorder is not None:
            self._recorder.mark(key, mark, board_us)
        self._relay.mark(key, mark, board_us)

    def trouble(self) -> SumpglassError | None:
        """Why the recorder stopped."""
        return self._recorder.trouble() if self._recorder is not None else None

    def free_bytes(self) -> int | None:
        """Room left on the disk."""
        return self._recorder.free_bytes() if self._recorder is not None else None

    def close(self) -> None:
        """Close both."""
        self._relay.close()
        if self._recorder is not None:
            self._recorder.close()


class ServedFeed:
    """The first screen's session with a relay: takes the marks that second screens ask for, counts who is watching."""

    def __init__(self, session: Session, marks_allowed: bool = False) -> None:
        self._session = session
        zero = session.source.facts.zero
        facts = {
            "name": session.source.facts.name,
            "mode": session.mode,
            "subject": session.subject,
            "cylinders": session.analysis.cylinders,
            "zero": None if zero is None else [zero.pressure_pa, zero.u95_pa, zero.age_s, zero.drift_pa_per_s],
        }
        self.relay = RelayServer(facts, marks_allowed, lambda: session.request(wire.IDENTIFY))
        session.recorder = RelayingRecorder(session.recorder, self.relay)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._session, name)

    def poll(self, wait_s: float = 0.0) -> list[LiveEvent]:
        """What came, with the number of second screens in the rig's health."""
        while self.relay.marks_asked:
            self._session.mark(self.relay.marks_asked.popleft())
        events = self._session.poll(wait_s)
        return [
            dataclasses.replace(event, watchers=self.relay.screens) if isinstance(event, RigHealth) else event
            for event in events
        ]


class FollowingSession(Session):
    """A second screen. Marks are asked of the first one, which may or may not allow it."""

    def __init__(self, source: RelaySource) -> None:
        super().__init__(source)
        self._relayed = source

    def poll(self, wait_s: float = 0.0) -> list[LiveEvent]:
        """What came, marks of the first screen among it."""
        events = super().poll(wait_s)
        timeline = self.analysis.interpreter.timeline
        while self._relayed.marks and timeline.started:
            told = self._relayed.marks.popleft()
            if not told["key"].startswith("board-"):
                t_s = told["t_s"] if told["board_us"] is None else timeline.t_s(told["board_us"])
                events.append(MarkNow(told["key"], Mark(t_s, told["text"], told["origin"])))
        return events

    def mark(self, text: str = "") -> None:
        """Ask for a mark now."""
        self._relayed.ask_mark(text)

    def name_mark(self, key: str, text: str) -> None:
        """Marks are named at the first screen."""


def follow(path: str) -> FollowingSession:
    """The second screen's feed. Raises DeviceError."""
    return FollowingSession(RelaySource(path))
