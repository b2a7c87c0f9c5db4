"""A recording from any file that a person names: casebook, raw capture or CSV, told apart by content."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from sumpglass.decode.assemble import RecordingBuilder
from sumpglass.decode.clock import ClockFit, EchoClock, fit_arrivals
from sumpglass.decode.items import BoardReset, Item, Message, Samples
from sumpglass.decode.stream import StreamDecoder
from sumpglass.decode.timing import timing_of
from sumpglass.errors import InputError
from sumpglass.link.capture import looks_like_capture
from sumpglass.records import Mark, Recording, SensorFacts, SensorLine, Zero
from sumpglass.store.capture_file import read_capture
from sumpglass.store.plain_file import SQLITE_MAGIC, open_plain

if TYPE_CHECKING:
    from sumpglass.store.casebook import Casebook, RecordingEntry

SNIFFED_BYTES = 1 << 18
JOINED_BYTES = 1 << 20
Made = TypeVar("Made")
ARRIVALS = np.dtype([("length", "<u4"), ("received_s", "<f8")])


def split_spec(spec: str) -> tuple[str, str | None]:
    """`FILE#RECORDING` as (file, recording); a file whose own name has a # in it is taken as it stands."""
    if os.path.exists(spec) or "#" not in spec:
        return spec, None
    path, _, recording = spec.rpartition("#")
    return path, recording


def kind_of_file(path: str) -> str:
    """ "casebook", "capture" or "csv", by content. Raises InputError for what is no plain file."""
    with open_plain(path) as file:
        start = file.read(SNIFFED_BYTES)
        if start.startswith(SQLITE_MAGIC):
            return "casebook"
        if b"\x00" not in start:
            return "csv"
        while start:
            if looks_like_capture(start):
                return "capture"
            start = file.read(SNIFFED_BYTES)
    return "csv"


def load_recording(path: str, *, channel: int | None = None) -> Recording:
    """The recording in `path`, which is `FILE` or, for a casebook, `FILE#RECORDING`.

    `channel` is the board's channel; None takes the first that measures a differential pressure. Raises InputError
    (one sentence: file, line or byte, what was found, what was expected), or VersionError for data of a version that
    this program does not speak.
    """
    file, which = split_spec(path)
    kind = kind_of_file(file)
    if kind == "casebook":
        return _from_casebook(file, which, channel)
    if which is not None:
        raise InputError(
            f"{file}: found {'a raw capture' if kind == 'capture' else 'CSV'}, expected a casebook before #{which}"
        )
    if kind == "capture":
        return _from_capture(file, channel)
    from sumpglass.store.csv_recording import read_csv_recording

    return read_csv_recording(file)


def _from_capture(path: str, channel: int | None) -> Recording:
    decoder, builder = StreamDecoder(terse=True), RecordingBuilder(channel)
    for piece in read_capture(path):
        builder.add(decoder.feed(piece))
    return builder.build(path, decoder.counts, decoder.refusal, name=os.path.basename(path))


def _from_casebook(path: str, which: str | None, channel: int | None) -> Recording:
    from sumpglass.store.casebook import Casebook

    with Casebook.open(path) as book:
        entry = book.find_recording(which)
        others = len(book.recordings()) - 1
        if entry.kind == "frames":
            recording = _from_frames(path, book, entry, channel)
        else:
            recording = _from_samples(path, book, entry)
        cylinders = entry.cylinders if entry.cylinders is not None else book.subject()[1]
    warnings = list(recording.warnings)
    if which is None and others:
        warnings.append(f"The casebook holds {others + 1} recordings; this is the last, number {entry.id}.")
    values = {**vars(recording), "cylinders": cylinders, "warnings": tuple(warnings)}
    return Recording(**values)


def _from_frames(path: str, book: Casebook, entry: RecordingEntry, channel: int | None) -> Recording:
    decoder, builder, clock = StreamDecoder(), RecordingBuilder(channel), HostClock()
    for data, arrivals in _joined_frames(book, entry.id):
        items = decoder.feed(data)
        clock.follow(items, arrivals, len(data))
        builder.add(items, clock.last_received_s)
    timeline = builder.interpreter.timeline

    def placed(mark: Mark, board_us: int | None) -> Mark:
        if board_us is None or len(timeline.runs) != 1:
            return mark
        return Mark(timeline.t_s(board_us), mark.text, mark.origin)

    builder.finish()
    marks = [placed(m.mark, m.board_us) for m in book.marks(entry.id) if not m.key.startswith("board-")]
    named = {m.mark.t_s: m.mark.text for m in book.marks(entry.id) if m.key.startswith("board-")}
    return builder.build(
        f"{path}#{entry.id}", decoder.counts, decoder.refusal, clock.fit(), entry.name, "casebook", marks, named
    )


def _joined_frames(book: Casebook, recording_id: int) -> Iterator[tuple[bytes, bytes]]:
    """Pieces joined to about a megabyte: one call of the decoder for many commits."""
    data: list[bytes] = []
    arrivals: list[bytes] = []
    size = 0
    for piece, times in book.frames(recording_id):
        data.append(piece)
        arrivals.append(times)
        size += len(piece)
        if size >= JOINED_BYTES:
            yield b"".join(data), b"".join(arrivals)
            data, arrivals, size = [], [], 0
    if data:
        yield b"".join(data), b"".join(arrivals)


class HostClock:
    """The host's clock against the board's from stored arrivals: through time echoes, else under the arrivals."""

    def __init__(self) -> None:
        self.last_received_s: float | None = None
        self._echoes = EchoClock()
        self._echoes_of_runs: list[EchoClock] = [self._echoes]
        self._taken = 0
        self._board_s: list[float] = []
        self._host_s: list[float] = []

    def follow(self, items: list[Item], arrivals: bytes, length: int) -> None:
        """To be told of each piece: what it decoded to, the arrivals of its chunks, and its length in bytes."""
        table = np.frombuffer(arrivals[: len(arrivals) // ARRIVALS.itemsize * ARRIVALS.itemsize], ARRIVALS)
        ends = self._taken + np.cumsum(table["length"], dtype=np.int64)
        self._taken += length
        received = table["received_s"]
        if len(received) and math.isfinite(received[-1]):
            self.last_received_s = float(received[-1])
        last_block: Samples | None = None
        for item in items:
            if isinstance(item, Message) and item.name == "time_echo_answer" and len(ends):
                at = min(int(np.searchsorted(ends, item.end)), len(ends) - 1)
                if math.isfinite(received[at]):
                    fields = item.fields
                    sent_s = fields["token"] * 1e-6
                    self._echoes.add(sent_s, fields["received_us"], item.time_us, float(received[at]))
            elif isinstance(item, BoardReset):
                self._echoes = EchoClock()
                self._echoes_of_runs.append(self._echoes)
                self._board_s.clear()
                self._host_s.clear()
            elif isinstance(item, Samples):
                last_block = item
        if last_block is not None and self.last_received_s is not None:
            self._board_s.append(float(last_block.times_us[-1]) * 1e-6)
            self._host_s.append(self.last_received_s)

    def fit(self) -> ClockFit | None:
        """The line, None where nothing says how the clocks run. After resets: that of the run with most echoes."""
        best = max(self._echoes_of_runs, key=len)
        return best.fit() if len(best) >= 3 else fit_arrivals(self._board_s, self._host_s)


def _from_samples(path: str, book: Casebook, entry: RecordingEntry) -> Recording:
    t_s, pressure_pa = book.samples(entry.id)
    if not len(t_s):
        raise InputError(f"{path}#{entry.id}: found no samples in this recording, expected at least one")
    if not (np.isfinite(t_s).all() and (np.diff(t_s) > 0).all()):
        raise InputError(
            f"{path}#{entry.id}: found times that do not increase, expected a recording made by this program"
        )
    body = entry.body
    timing = timing_of(t_s)
    return Recording(
        t_s=t_s,
        pressure_pa=pressure_pa,
        marks=tuple(m.mark for m in book.marks(entry.id)),
        rate_hz=timing.rate_hz,
        missing=timing.missing + int(np.count_nonzero(np.isnan(pressure_pa))),
        sensor=_made(SensorFacts, body.get("sensor")) or SensorFacts(),
        line=_made(SensorLine, body.get("line")),
        zero=_made(Zero, body.get("zero")),
        name=entry.name,
        source="casebook",
        warnings=tuple(str(w) for w in body.get("warnings", ())),
    )


def _made(kind: type[Made], fields: object) -> Made | None:
    """`kind` from the JSON that was kept of it, None if there is none or it does not fit."""
    if not isinstance(fields, dict):
        return None
    try:
        return kind(**fields)
    except TypeError:
        return None
