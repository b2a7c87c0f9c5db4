"""Opening files that a person named: plain files only, and one sentence for whatever else is there."""

from __future__ import annotations

import os
import stat
from typing import BinaryIO

from sumpglass.errors import InputError

_OTHER_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISSOCK, "a socket"),
)

SQLITE_MAGIC = b"SQLite format 3\0"
_MAGIC = (
    (SQLITE_MAGIC, "an SQLite database"),
    (b"\x1f\x8b", "gzip"),
    (b"PK\x03\x04", "a zip archive or spreadsheet"),
    (b"PAR1", "Parquet"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"%PDF", "PDF"),
    (b"\x7fELF", "a program"),
    (b"\x89MCAP", "MCAP"),
    (b"BZh", "bzip2"),
    (b"\xfd7zXZ", "xz"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
    (b"\xff\xfe", "UTF-16 text"),
    (b"\xfe\xff", "UTF-16 text"),
)


def shown(found: str | bytes, most: int = 40) -> str:
    """`found` as it may stand in an error line: quoted, escaped, cut."""
    text = found.decode("utf-8", "backslashreplace") if isinstance(found, bytes) else found
    return ascii(text if len(text) <= most else text[: most - 3] + "...")


def open_plain(path: str) -> BinaryIO:
    """Open a plain file for reading bytes. Raises InputError for anything else, without ever waiting on a pipe."""
    try:
        mode = os.stat(path).st_mode
        if not stat.S_ISREG(mode):
            kind = next((name for test, name in _OTHER_KINDS if test(mode)), "no file")
            raise InputError(f"{path}: found {kind}, expected a plain file")
        return open(path, "rb")
    except FileNotFoundError:
        raise InputError(f"{path}: there is no such file, expected a casebook, a raw capture or CSV") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(
            f"{shown(path, 200)}: cannot be read ({reason}), expected a plain file that may be read"
        ) from None


def name_of_kind(start: bytes) -> str | None:
    """What a file that starts with these bytes is commonly called, or None where its start is not known."""
    return next((name for magic, name in _MAGIC if start.startswith(magic)), None)
