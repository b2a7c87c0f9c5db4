"""Layout files: from a built-in name or a TOML file to a checked `Layout`."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path

from sumpglass.errors import InputError
from sumpglass.faults.layout import Layout
from sumpglass.faults.layout_check import LayoutChecker
from sumpglass.faults.toml_lines import lines_of

LARGEST_FILE_BYTES = 1_000_000


def built_in_names() -> list[str]:
    """Names of the layouts that come with the program, in alphabetical order."""
    folder = resources.files("sumpglass.faults") / "layouts"
    return sorted(item.name.removesuffix(".toml") for item in folder.iterdir() if item.name.endswith(".toml"))


def load_layout(name_or_file: str) -> Layout:
    """A built-in layout by name, or one from a TOML file. Raises InputError that names the line."""
    if name_or_file in built_in_names():
        text = (resources.files("sumpglass.faults") / "layouts" / f"{name_or_file}.toml").read_text("utf-8")
        return parse_layout(text, f"{name_or_file}.toml")
    path = Path(name_or_file)
    if not path.exists():
        raise InputError(
            f"{name_or_file}: no built-in layout and no file of that name, "
            f"expected a file or one of {', '.join(built_in_names())}"
        )
    if not path.is_file():
        raise InputError(f"{name_or_file}: is not a plain file, expected a layout as TOML")
    return parse_layout(_read_text(path), name_or_file)


def _read_text(path: Path) -> str:
    try:
        data = path.read_bytes() if path.stat().st_size <= LARGEST_FILE_BYTES else None
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}), expected a layout as TOML") from error
    if data is None:
        raise InputError(f"{path}: is larger than {LARGEST_FILE_BYTES} bytes, expected a layout as TOML")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{path}, byte {error.start}: is not UTF-8, expected a layout as TOML") from error


def parse_layout(text: str, origin: str) -> Layout:
    """`text` as a `Layout`; `origin` is what messages call it. Raises InputError that names the line."""
    text = text.replace("\r\n", "\n")
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        found = re.search(r"^(.*?) \(at line (\d+), column \d+\)$", str(error))
        where, what = (f", line {found[2]}", found[1]) if found else (", last line", str(error).split(" (at")[0])
        raise InputError(f"{origin}{where}: {what[:1].lower()}{what[1:]}, expected TOML") from error
    return LayoutChecker(document, lines_of(text), origin).layout()
