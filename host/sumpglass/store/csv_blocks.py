"""Blocks of a recording's CSV read by array operations, where nothing about them is unusual."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from sumpglass.records import FloatArray, Mark
from sumpglass.store.csv_numbers import PAD, Bytes, Indices, parse_decimals
from sumpglass.store.csv_table import CsvHeader

LARGEST_TIME_S = 1e12
LARGEST_PRESSURE_PA = 1e9


@dataclass(frozen=True)
class Columns:
    """Which columns hold what, and what turns their numbers into seconds and pascals."""

    time_name: str
    time: int
    per_second: float
    pressure_name: str
    pressure: int
    pascals: float
    mark: int | None


@dataclass
class Rows:
    """What has been read so far, block by block."""

    t_s: FloatArray = field(default_factory=lambda: np.empty(0))
    pressure_pa: FloatArray = field(default_factory=lambda: np.empty(0))
    count: int = 0
    marks: list[Mark] = field(default_factory=list)
    last_t_s: float = -np.inf
    expected: int = 0
    """Rows that the whole file will hold, going by the first block: room for them is made once."""

    def keep(self, t_s: FloatArray, pressure_pa: FloatArray) -> None:
        """Append samples (n,)."""
        stop = self.count + len(t_s)
        if stop > len(self.t_s):
            room = max(stop, self.expected, len(self.t_s) * 3 // 2)
            self.t_s, self.pressure_pa = (_with_room(old, self.count, room) for old in (self.t_s, self.pressure_pa))
        self.t_s[self.count : stop] = t_s
        self.pressure_pa[self.count : stop] = pressure_pa
        self.count = stop
        self.last_t_s = float(t_s[-1])


def _with_room(old: FloatArray, count: int, room: int) -> FloatArray:
    new = np.empty(room)
    new[:count] = old[:count]
    return new


def take_block(block: bytes, header: CsvHeader, columns: Columns, rows: Rows) -> int:
    """Read a block of whole lines by array operations; 0, with nothing kept, if anything about it is unusual.

    Returns the number of lines.
    """
    if not block.endswith(b"\n"):
        block += b"\n"
    padded = np.frombuffer(b"," * PAD + block + b"," * PAD, np.uint8)
    bounds = _fields_of(padded, block, header)
    if bounds is None:
        return 0
    starts, ends = bounds
    t_s, pressure = _numbers_of(padded, starts, ends, columns)
    if t_s is None or pressure is None:
        return 0
    if not _in_order(t_s, rows.last_t_s) or not _in_bounds(t_s, pressure):
        return 0
    if columns.mark is not None:
        first, last = starts[:, columns.mark], ends[:, columns.mark]
        for i in np.flatnonzero(last > first).tolist():
            keep_mark(rows, float(t_s[i]), padded[first[i] : last[i]].tobytes().decode("utf-8"))
    rows.keep(t_s, pressure)
    return len(t_s)


def _fields_of(padded: Bytes, block: bytes, header: CsvHeader) -> tuple[Indices, Indices] | None:
    """(starts, ends) of all fields, (lines, columns) each, where every line has as many fields as the header."""
    width = len(header.names)
    inner = padded[PAD:-PAD]
    newline = inner == 10
    at = np.flatnonzero(newline | (inner == ord(header.delimiter)))
    if len(at) % width:
        return None
    at += PAD
    ends = at.reshape(-1, width)
    if int(np.count_nonzero(newline)) != len(ends) or not bool((padded[ends[:, -1]] == 10).all()):
        return None
    starts = np.empty_like(at)
    starts[0] = PAD
    np.add(at[:-1], 1, out=starts[1:])
    if b"\r" in block:
        returns = padded[ends[:, -1] - 1] == 13
        if block.count(b"\r") != int(np.count_nonzero(returns)):
            return None
        ends[:, -1] -= returns
    return starts.reshape(-1, width), ends


def _numbers_of(
    padded: Bytes, starts: Indices, ends: Indices, columns: Columns
) -> tuple[FloatArray | None, FloatArray | None]:
    """Times in seconds and pressures in pascals, None where a field is no plain decimal."""
    if bool((ends[:, columns.time] <= starts[:, columns.time]).any()):
        return None, None
    points = np.flatnonzero(padded == 46)
    # The usual file: one point in each of the two numbers and none elsewhere.
    both = points.reshape(-1, 2) if len(points) == 2 * len(ends) else None
    side = 0 if columns.time < columns.pressure else 1

    def parsed(column: int, place: int) -> FloatArray | None:
        first, last = np.ascontiguousarray(starts[:, column]), np.ascontiguousarray(ends[:, column])
        return parse_decimals(padded, first, last, None if both is None else both[:, place])

    t_s, pressure = parsed(columns.time, side), parsed(columns.pressure, 1 - side)
    if t_s is not None and columns.per_second != 1.0:
        t_s = t_s / columns.per_second
    if pressure is not None and columns.pascals != 1.0:
        pressure = pressure * columns.pascals
    return t_s, pressure


def _in_order(t_s: FloatArray, last_t_s: float) -> bool:
    return t_s[0] > last_t_s and bool((t_s[1:] > t_s[:-1]).all())


def _in_bounds(t_s: FloatArray, pressure_pa: FloatArray) -> bool:
    return bool(abs(t_s[0]) < LARGEST_TIME_S and abs(t_s[-1]) < LARGEST_TIME_S) and bool(
        max(pressure_pa.max(), -pressure_pa.min()) < LARGEST_PRESSURE_PA
    )


def keep_mark(rows: Rows, t_s: float, text: str) -> None:
    """Keep the text of a mark column, unless it is blank."""
    if text.strip():
        rows.marks.append(Mark(t_s, text.strip(), "file"))
