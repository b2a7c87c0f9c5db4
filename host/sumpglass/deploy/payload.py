"""The firmware as files for a board: found beside the program without importing a line of it, with one digest.

The digest is SHA-256 over one line a file, `path NUL sha256-hex LF`, in order of path, of the two packages. The board
computes the same over its own files and tells the first 8 bytes in IDENTITY, so that the host can say that a board is
out of date.
"""

from __future__ import annotations

import hashlib
import importlib.util
from dataclasses import dataclass
from pathlib import Path

from sumpglass import __version__
from sumpglass.errors import InputError

PACKAGES = ("sumpglass_board", "sumpglass_wire")
SUFFIXES = (".py", ".mpy")


@dataclass(frozen=True)
class BoardFile:
    """One file; `path` is relative to the folder that the version gets on the board, with forward slashes."""

    path: str
    content: bytes

    @property
    def sha256(self) -> str:
        """Of the content, hexadecimal."""
        return hashlib.sha256(self.content).hexdigest()


@dataclass(frozen=True)
class Payload:
    """One version of the firmware."""

    version: str
    files: tuple[BoardFile, ...]
    main: bytes
    """What `main.py` on the board does, apart from choosing the folder."""

    @property
    def digest(self) -> str:
        """SHA-256 over all files, hexadecimal; see the module."""
        lines = "".join(f"{f.path}\0{f.sha256}\n" for f in sorted(self.files, key=lambda file: file.path))
        return hashlib.sha256(lines.encode()).hexdigest()

    @property
    def short_digest(self) -> str:
        """The part of it that a board tells: 8 bytes, hexadecimal."""
        return self.digest[:16]

    @property
    def size_bytes(self) -> int:
        """Of all files together."""
        return sum(len(file.content) for file in self.files)


def find_payload() -> Payload:
    """The firmware that came with this program. Raises InputError when the installation lacks it."""
    files = [file for package in PACKAGES for file in _package_files(package)]
    return Payload(__version__, tuple(sorted(files, key=lambda file: file.path)), _main_file().read_bytes())


def _package_folder(package: str) -> Path:
    spec = importlib.util.find_spec(package)
    places = list(spec.submodule_search_locations or []) if spec else []
    if not places:
        raise InputError(f"this installation lacks the firmware package {package}: install sumpglass again")
    return Path(places[0])


def _package_files(package: str) -> list[BoardFile]:
    folder = _package_folder(package)
    found = sorted(p for p in folder.rglob("*") if p.suffix in SUFFIXES and "__pycache__" not in p.parts)
    if not found:
        raise InputError(f"the firmware package {package} in this installation is empty: install sumpglass again")
    return [BoardFile(f"{package}/{p.relative_to(folder).as_posix()}", p.read_bytes()) for p in found]


def _main_file() -> Path:
    """In an installed program beside it, in a checkout beside the firmware."""
    host = importlib.util.find_spec("sumpglass")
    beside = [Path(place) / "board_root" for place in (host.submodule_search_locations or [])] if host else []
    for folder in (*beside, _package_folder("sumpglass_board").parent / "board_root"):
        if (folder / "main.py").is_file():
            return folder / "main.py"
    raise InputError("this installation lacks board_root/main.py: install sumpglass again")
