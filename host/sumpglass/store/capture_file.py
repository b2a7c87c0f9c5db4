"""Raw captures on disk: the byte stream as it came off the wire, nothing else."""

from __future__ import annotations

from collections.abc import Iterator

from sumpglass.store.plain_file import open_plain

PIECE_BYTES = 1 << 20


def read_capture(path: str) -> Iterator[bytes]:
    """The bytes of the capture in pieces; a file of any length in constant memory. Raises InputError."""
    with open_plain(path) as file:
        while piece := file.read(PIECE_BYTES):
            yield piece
