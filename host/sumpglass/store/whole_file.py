"""Files that take their name only when they are complete."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from typing import IO, Any

from sumpglass.errors import DiskError


@contextlib.contextmanager
def whole_file(path: str, mode: str) -> Iterator[IO[Any]]:
    """A file that takes its name only when it is complete. Raises DiskError."""
    folder = os.path.dirname(os.path.abspath(path))
    try:
        handle, temporary = tempfile.mkstemp(prefix=".sumpglass-", dir=folder)
    except OSError as error:
        raise DiskError(f"{path}: cannot be written ({error.strerror}): choose another place") from None
    try:
        text: dict[str, Any] = {} if "b" in mode else {"encoding": "utf-8", "newline": ""}
        with open(handle, mode, **text) as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o666 & ~_umask())
        os.replace(temporary, path)
    except OSError as error:
        raise DiskError(
            f"{path}: cannot be written ({error.strerror}): free some space or choose another place"
        ) from None
    finally:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(temporary)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
