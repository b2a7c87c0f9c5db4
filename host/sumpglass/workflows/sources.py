"""Opening what a person names: a port, the virtual rig, or a recording of any kind to be replayed."""

from __future__ import annotations

import functools
from typing import Any

import numpy as np

from sumpglass.errors import DeviceError
from sumpglass.link.capture import pieces_of
from sumpglass.link.ports import PortSeen, list_ports
from sumpglass.link.replay_source import Cue, ReplaySource
from sumpglass.link.source import Arrival, Chunk, Readings, Source, SourceFacts
from sumpglass.records import Recording
from sumpglass.store.capture_file import read_capture
from sumpglass.store.casebook import Casebook
from sumpglass.workflows.load_recording import ARRIVALS, kind_of_file, load_recording, split_spec

DEFAULT_SCENARIO = "leak-test"
READINGS_S = 0.05
"""Length of the pieces in which readings that never were frames are replayed."""


def open_source(spec: str | None, *, virtual: bool = False, speed: float = 1.0, **options: Any) -> Source:
    """The source that `spec` names: a port (`/dev/...`, `COM3`), `virtual`, a recording's file, or None for the rig.

    None takes the one port that shows itself as a rig. `options` go to the port (`rate_hz`, `decimation`) or to the
    virtual board (`scenario`, `seed`). Raises DeviceError, InputError, VersionError.
    """
    if virtual or spec == "virtual":
        return open_virtual(**options)
    if spec is None:
        spec = find_rig().path
    return open_rig(spec, **options) if is_port(spec) else open_replay(spec, speed)


def open_rig(port: str, **options: Any) -> Source:
    """The rig on a port, streaming. Raises DeviceError, VersionError."""
    from sumpglass.link.serial_port import SerialSource

    return SerialSource(port, **options).start()


def is_port(spec: str) -> bool:
    """True for the name of a serial port."""
    return spec.startswith(("/dev/", "COM", "socket://", "rfc2217://", "loop://"))


def find_rig() -> PortSeen:
    """The one port that may be a rig. Raises DeviceError that says what was seen and what to do."""
    likely = [port for port in list_ports() if port.kind]
    if len(likely) == 1:
        return likely[0]
    if likely:
        paths = ", ".join(port.path for port in likely)
        raise DeviceError(f"more than one port may be the rig ({paths}): name one with --port")
    raise DeviceError("no rig is plugged in: plug it in, name its port with --port, or try the virtual rig (--virtual)")


def open_virtual(scenario: Any = None, seed: int = 0, speed: float = 1.0, **options: Any) -> Source:
    """The virtual rig: real firmware on a board that is a program.

    `scenario` is a `simulate.script.Scenario`, the name of one, or None for the leak test.
    """
    del speed
    if scenario is None or isinstance(scenario, str):
        from sumpglass.simulate.orchard import scenario_named

        scenario = scenario_named(scenario or DEFAULT_SCENARIO)
    from sumpglass.link.serial_port import SerialSource
    from sumpglass.link.virtual_board import VirtualBoard

    board_options = {name: options.pop(name) for name in ("settings", "drift_ppm", "mangle") if name in options}
    board = VirtualBoard(scenario, seed, **board_options)
    board.__enter__()
    try:
        source = SerialSource(
            board.port, mode="VIRTUAL", on_close=functools.partial(board.__exit__, None, None, None), **options
        )
        source.board = board  # type: ignore[attr-defined]
        return source.start()
    except BaseException:
        board.__exit__(None, None, None)
        raise


def open_replay(spec: str, speed: float = 1.0, calibration: str | None = None) -> ReplaySource:
    """A recording as a source; under a calibration its readings alone, without its frames.

    Raises InputError for anything that `load_recording` would refuse.
    """
    path, which = split_spec(spec)
    if calibration is not None:
        from sumpglass.workflows.calibrated import load_calibrated

        return _replay_readings(load_calibrated(spec, calibration), path, speed)
    kind = kind_of_file(path)
    if kind == "casebook":
        return _replay_casebook(path, which, speed)
    if kind == "capture" and which is None:
        data = b"".join(read_capture(path))
        facts = SourceFacts(path, "REPLAY")
        cues = [Cue(p.t_s, functools.partial(_chunk, data, p.start, p.stop, None)) for p in pieces_of(data)]
        return ReplaySource(cues, facts, speed)
    return _replay_readings(load_recording(spec), path, speed)


def _chunk(data: bytes, start: int, stop: int, received_s: float | None) -> Arrival:
    return Chunk(data[start:stop], received_s)


def _same(arrival: Arrival) -> Arrival:
    return arrival


def _replay_casebook(path: str, which: str | None, speed: float) -> ReplaySource:
    with Casebook.open(path) as book:
        entry = book.find_recording(which)
        words, cylinders = book.subject()
        if entry.kind == "samples":
            return _replay_readings(load_recording(f"{path}#{entry.id}"), path, speed)
        pieces = list(book.frames(entry.id))
        marks = [stored for stored in book.marks(entry.id) if not stored.key.startswith("board-")]
    data = b"".join(piece for piece, _ in pieces)
    table = np.concatenate([np.frombuffer(a[: len(a) // 12 * 12], ARRIVALS) for _, a in pieces]) if pieces else None
    facts = SourceFacts(f"{path}#{entry.id}", "REPLAY", cylinders=entry.cylinders or cylinders, subject=words)
    if table is None or not np.isfinite(table["received_s"]).all():
        cues = [Cue(p.t_s, functools.partial(_chunk, data, p.start, p.stop, None)) for p in pieces_of(data)]
    else:
        stops = np.cumsum(table["length"], dtype=np.int64)
        received = table["received_s"]
        cues = [
            Cue(max(0.0, at - received[0]), functools.partial(_chunk, data, stop - length, stop, at))
            for at, stop, length in zip(received.tolist(), stops.tolist(), table["length"].tolist(), strict=True)
        ]
    cues += [Cue(max(0.0, m.mark.t_s), functools.partial(_same, m.mark)) for m in marks]
    cues.sort(key=lambda cue: cue.t_s)
    return ReplaySource(cues, facts, speed)


def _replay_readings(recording: Recording, path: str, speed: float) -> ReplaySource:
    """Readings in pieces of 50 ms, each due when its last reading was taken; times count from the first."""
    facts = SourceFacts(
        path, "REPLAY", recording.sensor, recording.zero, recording.cylinders, recording.name, recording.rate_hz
    )
    t_s = recording.t_s
    number = np.floor((t_s - t_s[0]) / READINGS_S)
    firsts = np.flatnonzero(np.diff(number, prepend=-1.0))
    stops = np.append(firsts[1:], len(t_s))
    cues = [
        Cue(float(t_s[b - 1] - t_s[0]), functools.partial(_readings, recording, a, b))
        for a, b in zip(firsts.tolist(), stops.tolist(), strict=True)
    ]
    cues += [Cue(max(0.0, mark.t_s - float(t_s[0])), functools.partial(_same, mark)) for mark in recording.marks]
    cues.sort(key=lambda cue: cue.t_s)
    return ReplaySource(cues, facts, speed)


def _readings(recording: Recording, start: int, stop: int) -> Arrival:
    return Readings(recording.t_s[start:stop], recording.pressure_pa[start:stop])
