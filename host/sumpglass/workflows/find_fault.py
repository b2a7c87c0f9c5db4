"""Finding the fault: from files, from the casebook's guided tests, or as a conversation that keeps what was read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sumpglass.errors import InputError
from sumpglass.faults.finding import Finding, fields_of, find_fault
from sumpglass.faults.layout import Layout
from sumpglass.faults.layout_file import built_in_names, load_layout
from sumpglass.faults.next_test import RANGE_PA, Span
from sumpglass.faults.reading import Reading
from sumpglass.faults.readings_file import checked_tests, parse_readings, reading_fields, readings_from
from sumpglass.store.casebook import Casebook, is_sqlite
from sumpglass.store.casebook_notes import Entry

LARGEST_FILE_BYTES = 1_000_000
KIND = "find-fault"
"""Kind of the casebook's entries that hold a search with its readings."""
GUIDED_OPENING_MM = 3.0
"""The layouts' blow-by test is that of the guided one with a plug of this bore; with another it is not taken over."""

__all__ = [
    "Finding",
    "Search",
    "built_in_names",
    "find_fault_from_files",
    "keep_reading",
    "keep_search",
    "load_layout",
    "load_readings",
    "readings_in_casebook",
    "withdraw_reading",
]


@dataclass
class Search:
    """A conversation: readings and refusals so far, on one layout. `weigh` may run on any thread."""

    layout: Layout
    readings: list[Reading] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)
    seed: int = 0
    range_pa: Span = RANGE_PA
    """Of the sensor that the next tests will be read with."""

    def take(self, reading: Reading) -> None:
        """Add a reading, instead of an earlier one of the same test."""
        self.readings = [old for old in self.readings if old.test != reading.test] + [reading]

    def refuse(self, test: str) -> None:
        """Leave a test out: it cannot be made here."""
        if test not in self.refused:
            self.refused.append(test)

    def undo(self) -> str | None:
        """Take back the last reading, or else the last refusal; returns its test."""
        if self.readings:
            return self.readings.pop().test
        return self.refused.pop() if self.refused else None

    def weigh(self) -> Finding:
        """The finding as it stands."""
        return find_fault(self.layout, list(self.readings), list(self.refused), self.seed, self.range_pa)


def find_fault_from_files(
    layout_name: str, readings_file: str | None, refused: Sequence[str] = (), seed: int = 0
) -> Finding:
    """What `sumpglass find-fault` answers. Raises InputError."""
    layout = load_layout(layout_name)
    readings = [] if readings_file is None else load_readings(readings_file, layout)
    return find_fault(layout, readings, checked_tests(layout, refused, "--refuse"), seed)


def load_readings(path: str | Path, layout: Layout) -> list[Reading]:
    """Readings from a JSON file, or from a casebook. Raises InputError that names the line or the entry."""
    file = Path(path)
    if not file.is_file():
        found = "is not a plain file" if file.exists() else "does not exist"
        raise InputError(f"{path}: {found}, expected readings as JSON, or a casebook")
    if is_sqlite(str(path)):
        return readings_in_casebook(str(path), layout)
    try:
        if file.stat().st_size > LARGEST_FILE_BYTES:
            raise InputError(f"{path}: is larger than {LARGEST_FILE_BYTES} bytes, expected readings as JSON")
        text = file.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}), expected readings as JSON") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}, byte {error.start}: is not UTF-8, expected readings as JSON") from error
    return parse_readings(text, layout, str(path))


def readings_in_casebook(path: str, layout: Layout) -> list[Reading]:
    """Readings of guided tests that are tests of this layout, and those taken for it; the newest of each test."""
    with Casebook.open(path) as book:
        guided = [(entry.at, _guided_readings(entry.body, layout), None) for entry in book.results()]
        taken = [(entry.at, *_taken_reading(entry, layout, path)) for entry in book.readings(layout.name)]
    newest: dict[str, Reading] = {}
    for _, readings, withdrawn in sorted([*guided, *taken], key=lambda part: part[0]):
        if withdrawn is not None:
            newest.pop(withdrawn, None)
        for reading in readings:
            newest.pop(reading.test, None)
            newest[reading.test] = reading
    return list(newest.values())


def keep_reading(path: str, layout: Layout, reading: Reading) -> int:
    """Write one reading into the casebook `path`."""
    fields = reading_fields(reading)
    body: dict[str, Any] = {key: fields[key] for key in ("deeper_than_pa", "above_pa") if key in fields}
    with Casebook.open(path, writable=True) as book:
        return book.add_reading(reading.test, reading.pressure_pa, reading.u95_pa, body, layout.name)


def withdraw_reading(path: str, layout: Layout, test: str) -> int:
    """Say in the casebook that the last reading of `test` does not hold; it is not erased."""
    with Casebook.open(path, writable=True) as book:
        return book.add_reading(test, None, None, {"withdrawn": True}, layout.name)


def _taken_reading(entry: Entry, layout: Layout, path: str) -> tuple[list[Reading], str | None]:
    if entry.body.get("withdrawn"):
        return [], entry.title
    fields = {**entry.body, "test": entry.title}
    return readings_from([fields], layout, f"{path}, reading {entry.id}"), None


def _guided_readings(body: dict[str, Any], layout: Layout) -> list[Reading]:
    state = body.get("state")
    if not isinstance(state, dict) or not isinstance(state.get("taken"), list):
        return []
    known = {test.guided: test.id for test in layout.tests if test.guided}
    found = []
    for taken in state["taken"]:
        test = known.get(f"{state.get('test')}/{taken.get('name')}") if isinstance(taken, dict) else None
        level = taken.get("mean_pa") if test else None
        if test is None or not isinstance(level, (int, float)) or not _same_opening(state, taken):
            continue
        bound = taken.get("bound")
        if bound == "deeper" and level <= 0:
            found.append(Reading(test, deeper_than_pa=float(level)))
        elif bound == "above" and level >= 0:
            found.append(Reading(test, above_pa=float(level)))
        elif not bound:
            found.append(Reading(test, pressure_pa=float(level), u95_pa=max(1.96 * float(taken.get("u_pa", 0.0)), 1.0)))
    return found


def _same_opening(state: dict[str, Any], taken: dict[str, Any]) -> bool:
    values = taken.get("values")
    if state.get("test") != "blow-by" or not isinstance(values, dict):
        return True
    return bool(values.get("opening_mm", GUIDED_OPENING_MM) == GUIDED_OPENING_MM)


def keep_search(path: str, search: Search, finding: Finding) -> int:
    """Write the search into the casebook `path`, readings and all; returns its number."""
    first, p = finding.ranking[0]
    label = next(fault.label for fault in search.layout.faults if fault.id == first)
    outcome = "fault" if finding.is_fault else "good"
    body = {
        **fields_of(finding),
        "sentence": f"{search.layout.title}: {label} ({100 * p:.0f} %)",
        "verdict": outcome if finding.settled and not finding.unexplained else "undecided",
        "layout": search.layout.name,
        "readings": [reading_fields(reading) for reading in search.readings],
        "refused": list(search.refused),
        "seed": search.seed,
    }
    with Casebook.open(path, writable=True) as book:
        return book.add_result(KIND, "Finding the fault", body)
