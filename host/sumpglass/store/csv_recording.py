"""Recordings in CSV: times, pressures and marks, read strictly and in memory that is linear in the samples.

Blocks without quotes are read by array operations; a block that they cannot take (quotes, blank lines, anything
wrong) is read again row by row, which either takes it or says what is wrong on which line.
"""

from __future__ import annotations

import io
import os
from typing import BinaryIO

import numpy as np

from sumpglass.decode.timing import timing_of
from sumpglass.errors import InputError
from sumpglass.records import Recording
from sumpglass.store.csv_blocks import LARGEST_PRESSURE_PA, LARGEST_TIME_S, Columns, Rows, keep_mark, take_block
from sumpglass.store.csv_table import CsvHeader, check_text, number_in, read_header, read_rows
from sumpglass.store.plain_file import open_plain, shown
from sumpglass.units import COLUMN_UNITS

TIME_COLUMNS: dict[str, float] = {"t_s": 1.0, "t_ms": 1e3, "t_us": 1e6}
"""Names of time columns with their number in a second."""

BLOCK_BYTES = 1 << 17
LONGEST_RECORD = 1 << 20


def read_csv_recording(path: str) -> Recording:
    """The recording in the CSV file `path`, as the contract's "Input files" has it. Raises InputError."""
    header = read_header(path, ("t_s", "pressure_pa", *TIME_COLUMNS, *COLUMN_UNITS, "mark"))
    columns = _columns_of(path, header)
    rows = Rows()
    with open_plain(path) as file:
        file.seek(header.length)
        _read_blocks(path, file, header, columns, rows)
    if not rows.count:
        raise InputError(f"{path}: line 2: found a header alone, expected samples below it")
    t_s, pressure_pa = rows.t_s[: rows.count], rows.pressure_pa[: rows.count]
    timing = timing_of(t_s)
    warnings = []
    if len(t_s) == 1:
        warnings.append("The recording is a single sample, so it has no rate.")
    if timing.missing:
        warnings.append(
            f"{timing.missing} samples are missing in {timing.gaps} gap{'s' if timing.gaps > 1 else ''}; the longest "
            f"is {timing.longest_gap_s:.4g} s at {timing.longest_gap_at_s:.4g} s."
        )
    return Recording(
        t_s=t_s,
        pressure_pa=pressure_pa,
        marks=tuple(rows.marks),
        rate_hz=timing.rate_hz,
        missing=timing.missing,
        name=os.path.basename(path),
        source="csv",
        warnings=tuple(warnings),
    )


def _columns_of(path: str, header: CsvHeader) -> Columns:
    def one_of(what: str, known: dict[str, float], usual: str) -> str:
        found = [name for name in header.names if name in known]
        if not found:
            seen = shown(", ".join(header.names), 80)
            raise InputError(
                f"{path}: line 1: found no {what} column in {seen}, expected {usual} or one of {', '.join(known)}"
            )
        if len(found) > 1:
            raise InputError(f"{path}: line 1: found the {what} columns {' and '.join(found)}, expected one of them")
        return found[0]

    time_name = one_of("time", TIME_COLUMNS, "t_s")
    pressure_name = one_of("pressure", COLUMN_UNITS, "pressure_pa")
    return Columns(
        time_name,
        header.names.index(time_name),
        TIME_COLUMNS[time_name],
        pressure_name,
        header.names.index(pressure_name),
        COLUMN_UNITS[pressure_name],
        header.names.index("mark") if "mark" in header.names else None,
    )


def _read_blocks(path: str, file: BinaryIO, header: CsvHeader, columns: Columns, rows: Rows) -> None:
    offset, line, rest = header.length, 2, b""
    while True:
        fresh = file.read(BLOCK_BYTES)
        block = rest + fresh
        if not block:
            return
        end = len(block) if not fresh else block.rfind(b"\n") + 1
        if end == 0:
            if len(block) > LONGEST_RECORD:
                raise InputError(
                    f"{path}: line {line}: the line goes on for over {LONGEST_RECORD} bytes, expected a row"
                )
            rest = block
            continue
        whole, rest = block[:end], block[end:]
        check_text(path, whole, offset)
        taken = 0 if b'"' in whole else take_block(whole, header, columns, rows)
        if not taken:
            lines = _Lines(whole, rest, file)
            try:
                line = _take_rows(path, lines, offset, line, header, columns, rows)
            except UnicodeDecodeError:
                check_text(path, b"".join(lines.used), offset)
                raise
            whole, rest = b"".join(lines.used), lines.rest
        else:
            line += taken
        offset += len(whole)
        if not rows.expected:
            size = os.fstat(file.fileno()).st_size
            rows.expected = int(1.02 * rows.count * (size - header.length) / max(len(whole), 1)) + 1


class _Lines:
    """Text lines of a block; once it is used up, lines from behind it, but only to end a quoted field begun in it."""

    def __init__(self, block: bytes, rest: bytes, file: BinaryIO) -> None:
        self.used = [block]
        self.rest = rest
        self._file = file
        self._lines = iter(io.StringIO(block.decode("utf-8"), newline="\n"))
        self._within_record = False

    def begin_record(self) -> None:
        """To be called before each record is asked for."""
        self._within_record = False

    def __iter__(self) -> _Lines:
        return self

    def __next__(self) -> str:
        line = next(self._lines, None)
        if line is None:
            if not self._within_record:
                raise StopIteration
            line = self._from_behind()
        self._within_record = True
        return line

    def _from_behind(self) -> str:
        while (end := self.rest.find(b"\n") + 1) == 0:
            fresh = self._file.read(BLOCK_BYTES)
            if not fresh:
                end = len(self.rest)
                break
            self.rest += fresh
        raw, self.rest = self.rest[:end], self.rest[end:]
        if not raw:
            raise StopIteration
        self.used.append(raw)
        return raw.decode("utf-8", "strict")


def _take_rows(
    path: str, lines: _Lines, offset: int, first_line: int, header: CsvHeader, columns: Columns, rows: Rows
) -> int:
    """Read a block row by row, or say what is wrong with it. Returns the line after the last one used."""
    times: list[float] = []
    pressures: list[float] = []
    for line, fields in read_rows(path, header, lines, first_line, lines.begin_record):
        if not any(cell.strip() for cell in fields) and len(fields) <= 1:
            continue
        t_s = number_in(path, line, columns.time_name, fields, columns.time) / columns.per_second
        if t_s <= rows.last_t_s:
            wrong = (
                "the same time again" if t_s == rows.last_t_s else f"the time {t_s:.9g} s after {rows.last_t_s:.9g} s"
            )
            raise InputError(f"{path}: line {line}: found {wrong}, expected times that increase")
        pressure = number_in(path, line, columns.pressure_name, fields, columns.pressure) * columns.pascals
        if abs(t_s) >= LARGEST_TIME_S or abs(pressure) >= LARGEST_PRESSURE_PA:
            raise InputError(
                f"{path}: line {line}: found {t_s:.6g} s and {pressure:.6g} Pa, expected a size under "
                f"{LARGEST_TIME_S:g} s and {LARGEST_PRESSURE_PA:g} Pa"
            )
        rows.last_t_s = t_s
        times.append(t_s)
        pressures.append(pressure)
        if columns.mark is not None and columns.mark < len(fields):
            keep_mark(rows, t_s, fields[columns.mark])
    if times:
        rows.keep(np.array(times), np.array(pressures))
    used = b"".join(lines.used)
    if len(lines.used) > 1:
        check_text(path, used, offset)
    return first_line + used.count(b"\n")
