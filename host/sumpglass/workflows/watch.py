"""Watching a rig: which source, which file is written meanwhile, and what to tell when there is no rig."""

from __future__ import annotations

import dataclasses
import os
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sumpglass.errors import DeviceError, SumpglassError
from sumpglass.link.source import Source
from sumpglass.records import Zero
from sumpglass.workflows.live import Ended, LiveEvent
from sumpglass.workflows.session import Recorder, Session
from sumpglass.workflows.watch_request import WatchRequest

GIVEN_ZERO_U95_PA = 5.0
"""Half-width taken for a zero that was given as a bare number."""


@dataclass(frozen=True)
class PortTold:
    """A port that was seen, and why it was not taken."""

    path: str
    why: str


@dataclass(frozen=True)
class DemoTrace:
    """A recording that comes with the program."""

    name: str
    title: str
    path: str
    cylinders: int | None = None


def watch(request: WatchRequest) -> Any:
    """Open what was asked for and begin to record; returns a `Feed`. Raises DeviceError, DiskError, InputError,
    VersionError."""
    session = _watch(request)
    if request.serve is None:
        return session
    from sumpglass.workflows.serving import ServedFeed

    return ServedFeed(session, request.serve_marks)


def _watch(request: WatchRequest) -> Session:
    if request.scenario is not None:
        return watch_virtual(request)
    from sumpglass.link.serial_port import SerialSource
    from sumpglass.workflows.sources import find_rig

    path = request.port or find_rig().path
    source = SerialSource(path, rate_hz=request.rate_hz).start()
    return _session(source, request, request.subject or f"rig at {path}")


def watch_virtual(request: WatchRequest) -> Session:
    """The built-in rig: real firmware on a board that is a program, or the bare simulator where that cannot run."""
    from sumpglass.simulate.orchard import scenario_named

    scenario = scenario_named(request.scenario or "leak-test")
    source, board = open_built_in(scenario, request.seed)
    cylinders = request.cylinders if request.cylinders is not None else scenario.engine.cylinders
    asked = dataclasses.replace(request, cylinders=cylinders)
    session = _session(source, asked, request.subject or scenario.title, Scripted if board is not None else Session)
    if board is not None:
        session.follow(board, scenario)  # type: ignore[attr-defined]
    return session


def open_built_in(scenario: Any, seed: int) -> tuple[Source, Any]:
    """A source, and its virtual board or None where the simulator stands in for it."""
    from sumpglass.workflows.sources import open_virtual

    try:
        source = open_virtual(scenario, seed)
    except DeviceError:
        from sumpglass.link.simulated import SimulatedSource

        return SimulatedSource(scenario, seed), None
    source.facts = dataclasses.replace(source.facts, name="virtual rig")
    return source, getattr(source, "board", None)


class Scripted(Session):
    """A session with a virtual board whose script sets marks, and begins again when it has come to its end."""

    def follow(self, board: Any, scenario: Any) -> None:
        """Tell the script's marks as they happen."""
        self._board, self._scenario = board, scenario
        self._steps = [step for step in scenario.steps if step.t_s > 0]
        self._round_s = 0.0
        self._next = 0

    def poll(self, wait_s: float = 0.0) -> list[LiveEvent]:
        """What came, with the script's marks."""
        self._follow_script()
        return super().poll(wait_s)

    def _follow_script(self) -> None:
        now_s = self._board.true_time_s - self._round_s
        while self._next < len(self._steps) and self._steps[self._next].t_s <= now_s:
            step = self._steps[self._next]
            self._next += 1
            if step.mark:
                self.mark(step.mark)
        if now_s >= self._scenario.duration_s and self._steps:
            self._round_s += self._scenario.duration_s
            self._next = 0
            for step in self._steps:
                self._board.apply(dataclasses.replace(step, t_s=step.t_s + self._round_s, mark=""))


def _session(source: Source, request: WatchRequest, subject: str, kind: type[Session] = Session) -> Session:
    zero = None if request.zero_pa is None else Zero(request.zero_pa, GIVEN_ZERO_U95_PA)
    try:
        recorder = open_recorder(request, source.facts.name, subject) if request.record else None
    except SumpglassError:
        source.close()
        raise
    return kind(source, recorder, cylinders=request.cylinders, zero=zero, subject=subject)


def open_recorder(request: WatchRequest, source: str, subject: str) -> Recorder:
    """A casebook: the one that was named, or a new one in the current folder, or in the person's data folder where
    nothing can be written here. Raises DiskError, InputError."""
    from sumpglass.store.casebook_recorder import CasebookRecorder

    path = request.out or default_casebook()
    return CasebookRecorder(path, source=source, cylinders=request.cylinders, subject=subject)


def default_casebook() -> str:
    """A new name in the current folder, or in the data folder if the current one cannot be written."""
    folder = Path.cwd()
    if not os.access(folder, os.W_OK):
        import platformdirs

        folder = Path(platformdirs.user_data_dir("sumpglass", appauthor=False))
        folder.mkdir(parents=True, exist_ok=True)
    stem = f"sumpglass-{datetime.now():%Y-%m-%d-%H%M%S}"
    name = folder / f"{stem}.casebook"
    number = 2
    while name.exists():
        name = folder / f"{stem}-{number}.casebook"
        number += 1
    return str(name.relative_to(Path.cwd())) if folder == Path.cwd() else str(name)


def ports_seen() -> list[PortTold]:
    """Every port of this computer with the reason why it was not taken. Opens none."""
    from sumpglass.link.ports import list_ports

    return [PortTold(port.path, port.reason) for port in list_ports()]


def rig_is_there(port: str | None = None) -> bool:
    """True when the named port is there, or exactly one port looks like a rig."""
    if port is not None:
        return os.path.exists(port) or any(seen.path == port for seen in ports_seen())
    from sumpglass.workflows.sources import find_rig

    try:
        find_rig()
    except DeviceError:
        return False
    return True


def demo_traces() -> list[DemoTrace]:
    """The recordings that come with the program, in the order of their names."""
    for folder in _trace_folders():
        found = [_trace(path) for path in sorted(folder.glob("*.toml"))]
        traces = [trace for trace in found if trace is not None]
        if traces:
            return traces
    return []


def _trace_folders() -> list[Path]:
    import sumpglass

    here = Path(sumpglass.__file__).resolve().parent
    return [here / "demo_traces", here.parents[1] / "demo_traces"]


def _trace(path: Path) -> DemoTrace | None:
    """The trace that a TOML file tells of, if its recording is there."""
    try:
        facts = tomllib.loads(path.read_text("utf-8"))
    except (OSError, ValueError):
        return None
    captures = [other for other in path.parent.glob(f"{path.stem}.*") if other.suffix != ".toml"]
    if not captures:
        return None
    title, cylinders = facts.get("title"), facts.get("cylinders")
    return DemoTrace(
        path.stem,
        title if isinstance(title, str) else path.stem,
        str(captures[0]),
        cylinders if isinstance(cylinders, int) and 1 <= cylinders <= 8 else None,
    )


def replay(spec: str, speed: float = 1.0, **more: Any) -> Session:
    """A recording as it was shown live. `more`: `cylinders`, `zero_pa`, `range_pa`, `at_s`,
    `calibration` (`BOOK` or `BOOK#NUMBER`, told in the subject). Raises InputError.

    What a TOML file of the same name tells of a capture (its title, the engine's cylinders) is taken where nobody says.
    """
    from sumpglass.workflows.sources import open_replay

    source = open_replay(spec, speed, more.get("calibration"))
    facts = source.facts
    range_pa, zero_pa = more.get("range_pa"), more.get("zero_pa")
    if range_pa is not None and facts.sensor is not None:
        sensor = dataclasses.replace(facts.sensor, range_low_pa=-range_pa, range_high_pa=range_pa)
        source.facts = dataclasses.replace(facts, sensor=sensor)
    zero = None if zero_pa is None else Zero(zero_pa, GIVEN_ZERO_U95_PA)
    told = _trace(Path(spec).with_suffix(".toml"))
    cylinders, subject = more.get("cylinders"), facts.subject or Path(spec).name
    if told is not None and os.path.exists(spec) and os.path.samefile(told.path, spec):
        cylinders, subject = cylinders if cylinders is not None else told.cylinders, told.title
    if more.get("calibration"):
        subject += f" (under calibration {Path(more['calibration']).name})"
    session = Session(source, cylinders=cylinders, zero=zero, subject=subject)
    if more.get("at_s"):
        session.seek(more["at_s"])
    return session


def everything_up_to(session: Session, at_s: float) -> list[LiveEvent]:
    """All events of a replay up to `at_s`, at once, for a picture; the session then stands there."""
    session.seek(at_s)
    session.pause(True)
    events: list[LiveEvent] = []
    while True:
        events += session.poll()
        if not session.source.behind:  # type: ignore[attr-defined]
            break
    return [event for event in events if not isinstance(event, Ended)]


Opener = Callable[[], Session]
