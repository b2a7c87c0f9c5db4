"""Finding the fault: a layout and a file of readings in, one finding out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sumpglass.errors import InputError
from sumpglass.faults.finding import Finding, find_fault
from sumpglass.faults.layout import Layout
from sumpglass.faults.layout_file import load_layout
from sumpglass.faults.ranking import Reading
from sumpglass.faults.readings import checked_tests, parse_readings

LARGEST_FILE_BYTES = 1_000_000


def find_fault_from_files(
    layout_name: str, readings_file: str | None, refused: Sequence[str] = (), seed: int = 0
) -> Finding:
    """What `sumpglass find-fault` answers. Raises InputError."""
    layout = load_layout(layout_name)
    readings = [] if readings_file is None else load_readings(readings_file, layout)
    return find_fault(layout, readings, checked_tests(layout, refused, "--refuse"), seed)


def load_readings(path: str | Path, layout: Layout) -> list[Reading]:
    """Readings from a JSON file, as the contract gives them. Raises InputError that names the line or the entry."""
    file = Path(path)
    if not file.is_file():
        found = "is not a plain file" if file.exists() else "does not exist"
        raise InputError(f"{path}: {found}, expected readings as JSON")
    try:
        if file.stat().st_size > LARGEST_FILE_BYTES:
            raise InputError(f"{path}: is larger than {LARGEST_FILE_BYTES} bytes, expected readings as JSON")
        text = file.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}), expected readings as JSON") from error
    except UnicodeDecodeError as error:
        raise InputError(f"{path}, byte {error.start}: is not UTF-8, expected readings as JSON") from error
    return parse_readings(text, layout, str(path))
