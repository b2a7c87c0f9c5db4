"""One kind of recording into another, without losing a sample, a mark or a time where both kinds can hold it."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from sumpglass.errors import InputError
from sumpglass.records import Recording
from sumpglass.store.capture_file import read_capture
from sumpglass.store.casebook import ARRIVAL, Casebook
from sumpglass.store.csv_writer import write_csv
from sumpglass.store.whole_file import whole_file
from sumpglass.workflows.load_recording import kind_of_file, load_recording, split_spec
from sumpglass.workflows.record import CAPTURE_ENDINGS, CASEBOOK_ENDINGS

Loader = Callable[[], Recording]


@dataclass(frozen=True)
class Converted:
    """What was written."""

    path: str
    kind: str
    samples: int
    marks: int
    warnings: tuple[str, ...] = ()


def convert(
    spec: str, out: str, *, overwrite: bool = False, channel: int | None = None, calibration: str | None = None
) -> Converted:
    """Turn the recording `spec` (`FILE` or `FILE#RECORDING`) into `out`, whose ending says the kind.

    `calibration` (`BOOK` or `BOOK#NUMBER`) reads it under one of a casebook, into CSV or Parquet alone: a casebook and
    a raw capture keep what the board sent.
    A casebook that is there gets one more recording; any other file that is there is refused unless `overwrite`.
    Raises InputError, DiskError; a file that could not be finished is not left behind.
    """
    ending = os.path.splitext(out)[1].lower()
    kinds = {".csv": _to_csv, ".parquet": _to_parquet, **dict.fromkeys(CASEBOOK_ENDINGS, _to_casebook)}
    kinds |= dict.fromkeys(CAPTURE_ENDINGS, _to_capture)
    if ending not in kinds:
        raise InputError(
            f"{out}: found the ending {ending or '(none)'!r}, expected .csv, .parquet, .casebook or .capture"
        )
    source = split_spec(spec)[0]
    if os.path.exists(out):
        if os.path.exists(source) and os.path.samefile(source, out):
            raise InputError(f"{out}: is the file that is to be converted, expected another name")
        if ending not in CASEBOOK_ENDINGS and not overwrite:
            raise InputError(f"{out}: is there already, expected a new name, or --overwrite")
    if calibration is None:
        return kinds[ending](spec, out, lambda: load_recording(spec, channel=channel))
    if ending not in (".csv", ".parquet"):
        raise InputError(f"{out}: keeps what the board sent, expected .csv or .parquet under a calibration")
    from sumpglass.workflows.calibrated import load_calibrated

    return kinds[ending](spec, out, lambda: load_calibrated(spec, calibration, channel=channel))


def _to_csv(spec: str, out: str, load: Loader) -> Converted:
    recording = load()
    with whole_file(out, "w") as file:
        warnings = write_csv(recording, file)
    return Converted(out, "csv", len(recording.t_s), len(recording.marks), (*recording.warnings, *warnings))


def _to_parquet(spec: str, out: str, load: Loader) -> Converted:
    try:
        from sumpglass.store.parquet_writer import write_parquet
    except ImportError:
        raise InputError(f"{out}: Parquet needs pyarrow: install it with `pip install 'sumpglass[table]'`") from None
    recording = load()
    with whole_file(out, "wb") as file:
        write_parquet(recording, file)
    return Converted(out, "parquet", len(recording.t_s), len(recording.marks), recording.warnings)


def _to_casebook(spec: str, out: str, load: Loader) -> Converted:
    recording = load()
    path, which = split_spec(spec)
    kind = kind_of_file(path)
    with Casebook.create(out) as book:
        if kind == "capture":
            _copy_capture(path, book)
        elif kind == "csv" or not _copy_frames(path, which, book):
            _copy_samples(recording, book)
    return Converted(out, "casebook", len(recording.t_s), len(recording.marks), recording.warnings)


def _copy_capture(path: str, book: Casebook) -> None:
    number = book.begin_recording(os.path.basename(path), "frames", os.path.basename(path))
    for piece in read_capture(path):
        book.append_frames(number, [(piece, float("nan"))])
    book.end_recording(number)


def _copy_frames(path: str, which: str | None, book: Casebook) -> bool:
    """Copy a recording of frames from one casebook to another; False if it holds samples."""
    with Casebook.open(path) as source:
        entry = source.find_recording(which)
        if entry.kind != "frames":
            return False
        words, cylinders = source.subject()
        if words and not book.subject()[0]:
            book.set_subject(words, cylinders)
        number = book.begin_recording(entry.name, "frames", entry.source, entry.cylinders, entry.body)
        for data, arrivals in source.frames(entry.id):
            book.append_frames(number, _chunks(data, arrivals))
        for stored in source.marks(entry.id):
            book.set_mark(number, stored.key, stored.mark, stored.board_us)
        book.end_recording(number)
    return True


def _chunks(data: bytes, arrivals: bytes) -> list[tuple[bytes, float]]:
    chunks, at = [], 0
    for length, received_s in ARRIVAL.iter_unpack(arrivals[: len(arrivals) // ARRIVAL.size * ARRIVAL.size]):
        chunks.append((data[at : at + length], received_s))
        at += length
    return chunks


def _copy_samples(recording: Recording, book: Casebook) -> None:
    body: dict[str, Any] = {
        "sensor": asdict(recording.sensor),
        "line": asdict(recording.line) if recording.line else None,
        "zero": asdict(recording.zero) if recording.zero else None,
    }
    number = book.begin_recording(recording.name, "samples", recording.source, recording.cylinders, body)
    book.append_samples(number, recording.t_s, np.asarray(recording.pressure_pa, np.float64))
    for count, mark in enumerate(recording.marks):
        book.set_mark(number, f"{mark.origin}-{count + 1}", mark, None)
    book.end_recording(number)


def _to_capture(spec: str, out: str, load: Loader) -> Converted:
    recording = load()
    path, which = split_spec(spec)
    kind = kind_of_file(path)
    warnings = list(recording.warnings)
    with whole_file(out, "wb") as file:
        if kind == "capture":
            for piece in read_capture(path):
                file.write(piece)
        elif kind == "casebook":
            with Casebook.open(path) as book:
                entry = book.find_recording(which)
                if entry.kind != "frames":
                    raise InputError(
                        f"{spec}: found readings that never were frames, expected a recording from a board"
                    )
                for data, _ in book.frames(entry.id):
                    file.write(data)
        else:
            raise InputError(f"{spec}: found CSV, expected a recording from a board: CSV never was frames")
    typed = [mark for mark in recording.marks if mark.origin != "board"]
    if typed:
        warnings.append(
            f"{len(typed)} marks typed at the host have no place in a raw capture; the casebook keeps them."
        )
    if kind == "casebook":
        warnings.append("The times of arrival have no place in a raw capture; the casebook keeps them.")
    return Converted(out, "capture", len(recording.t_s), len(recording.marks) - len(typed), tuple(warnings))
