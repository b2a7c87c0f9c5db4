"""Tables of numbers in CSV, as people and spreadsheets write them: header by name, `,` or `;` or tab, strict numbers.

`read_table` is for short tables (readings with known openings); recordings have a faster way in `csv_recording`.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from sumpglass.errors import InputError
from sumpglass.records import FloatArray
from sumpglass.store.csv_numbers import plain_decimal
from sumpglass.store.plain_file import name_of_kind, open_plain, shown

DELIMITERS = (",", ";", "\t")
LONGEST_HEADER = 1 << 16
LONGEST_TABLE = 1 << 24
BYTE_ORDER_MARK = b"\xef\xbb\xbf"


@dataclass(frozen=True)
class CsvHeader:
    """First line of a CSV file: names in their order (stripped, lower case), delimiter, bytes before the first row."""

    names: tuple[str, ...]
    delimiter: str
    length: int


@dataclass(frozen=True)
class CsvTable:
    """Columns of a table. `numbers[name]` is (n,) float64, NaN where the cell is empty; `lines[i]` is row i's line."""

    numbers: dict[str, FloatArray]
    texts: dict[str, tuple[str, ...]]
    lines: tuple[int, ...]

    def __len__(self) -> int:
        return len(self.lines)


def read_header(path: str, wanted: Sequence[str]) -> CsvHeader:
    """The header of `path`. `wanted` are names that a file of this use may have; they settle what the delimiter is.

    Raises InputError for an empty file, one that is no text, a first line without any of `wanted`, or the same column
    twice.
    """
    with open_plain(path) as file:
        start = file.read(LONGEST_HEADER)
    if not start.removeprefix(BYTE_ORDER_MARK).strip():
        raise InputError(
            f"{path}: line 1: the file is empty, expected a header such as {','.join(dict.fromkeys(wanted[:3]))}"
        )
    skip = len(BYTE_ORDER_MARK) if start.startswith(BYTE_ORDER_MARK) else 0
    end = start.find(b"\n")
    line = start[skip:] if end < 0 else start[skip:end]
    check_text(path, start[: end + 1] if end >= 0 else start, 0)
    text = line.decode("utf-8").rstrip("\r")
    expected = f"expected a CSV header with {' and '.join(wanted[:2])}"
    if "\r" in text:
        raise InputError(f"{path}: line 1: found a bare carriage return, expected lines that end in LF or CRLF")
    best: tuple[int, int, CsvHeader] | None = None
    for delimiter in DELIMITERS:
        try:
            fields = next(csv.reader([text], delimiter=delimiter, strict=True), [])
        except (csv.Error, StopIteration):
            continue
        names = tuple(field.strip().lower() for field in fields)
        score = (len(set(names) & set(wanted)), len(names))
        if best is None or score > best[:2]:
            best = (*score, CsvHeader(names, delimiter, len(start) if end < 0 else end + 1))
    if best is None or best[0] == 0:
        kind = name_of_kind(start)
        found = f"{kind}" if kind else shown(text)
        raise InputError(f"{path}: line 1: found {found}, {expected}")
    header = best[2]
    for name in header.names:
        if name and header.names.count(name) > 1:
            raise InputError(f"{path}: line 1: found the column {shown(name)} twice, expected it once")
    return header


def check_text(path: str, block: bytes, offset: int) -> None:
    """Raise InputError, with the byte's place in the file, if `block` (which begins at `offset`) is not UTF-8 text."""
    at = block.find(0)
    if at >= 0:
        what = (name_of_kind(block) if offset == 0 else None) or "a NUL byte"
        raise InputError(
            f"{path}: byte {offset + at}: found {what}, expected a casebook, a raw capture or CSV in UTF-8"
        )
    if block.isascii():
        return
    try:
        block.decode("utf-8")
    except UnicodeDecodeError as error:
        at = error.start
        found = name_of_kind(block) if offset == 0 else None
        what = found or f"byte 0x{block[at]:02x}"
        raise InputError(f"{path}: byte {offset + at}: found {what}, expected UTF-8 text") from None


def read_rows(
    path: str, header: CsvHeader, lines: Iterable[str], first_line: int, begin: Callable[[], None] | None = None
) -> Iterator[tuple[int, list[str]]]:
    """(line, fields) of each row that is not blank. `lines` keep their ends; `begin` is called before each record.

    Raises InputError for broken quoting and for rows longer than the header.
    """
    reader = csv.reader(lines, delimiter=header.delimiter, strict=True)
    line = first_line
    while True:
        if begin is not None:
            begin()
        try:
            fields = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise InputError(
                f"{path}: line {line}: found a field that cannot be read ({error}), expected CSV"
            ) from None
        if fields:
            if len(fields) > len(header.names):
                raise InputError(
                    f"{path}: line {line}: found {len(fields)} fields, expected {len(header.names)} as in the header"
                )
            yield line, fields
        line = first_line + reader.line_num


def number_in(path: str, line: int, name: str, fields: Sequence[str], column: int) -> float:
    """The plain decimal in `fields[column]`, else InputError that names line, column, what was found and expected."""
    if column >= len(fields):
        raise InputError(f"{path}: line {line}: found no {name}, expected a plain decimal number such as -412.5")
    value = plain_decimal(fields[column])
    if value is None:
        found = shown(fields[column]) if fields[column].strip() else "an empty cell"
        comma = plain_decimal(fields[column].replace(",", ".", 1)) is not None
        expected = "a decimal point, not a comma, as in -412.5" if comma else "a plain decimal number such as -412.5"
        raise InputError(f"{path}: line {line}: found {found} as {name}, expected {expected}")
    return value


def read_table(
    path: str,
    required: Sequence[str],
    optional: Sequence[str] = (),
    texts: Sequence[str] = (),
    may_be_empty: Sequence[str] = (),
) -> CsvTable:
    """Read a whole table with the number columns `required` and `optional` and the text columns `texts`.

    Cells of `may_be_empty` columns may be empty (NaN). Columns that the file lacks are left out of the result. Raises
    InputError as the contract has it: missing column, no rows, a cell that is no plain decimal, too many fields.
    """
    header = read_header(path, (*required, *optional, *texts))
    for name in required:
        if name not in header.names:
            raise InputError(f"{path}: line 1: found no column {name}, expected {', '.join(required)}")
    with open_plain(path) as file:
        file.seek(header.length)
        body = file.read(LONGEST_TABLE + 1)
    if len(body) > LONGEST_TABLE:
        raise InputError(f"{path}: byte {LONGEST_TABLE}: the table goes on, expected at most {LONGEST_TABLE >> 20} MB")
    check_text(path, body, header.length)
    numbers: dict[str, list[float]] = {name: [] for name in (*required, *optional) if name in header.names}
    words: dict[str, list[str]] = {name: [] for name in texts if name in header.names}
    places = {name: header.names.index(name) for name in (*numbers, *words)}
    lines: list[int] = []
    for line, fields in read_rows(path, header, io.StringIO(body.decode("utf-8"), newline=""), 2):
        if not any(field.strip() for field in fields):
            continue
        lines.append(line)
        for name, values in numbers.items():
            column = places[name]
            empty = column >= len(fields) or not fields[column].strip()
            values.append(np.nan if empty and name in may_be_empty else number_in(path, line, name, fields, column))
        for name, cells in words.items():
            cells.append(fields[places[name]].strip() if places[name] < len(fields) else "")
    if not lines:
        raise InputError(f"{path}: line 2: found a header alone, expected rows below it")
    return CsvTable(
        {name: np.array(values, np.float64) for name, values in numbers.items()},
        {name: tuple(cells) for name, cells in words.items()},
        tuple(lines),
    )
