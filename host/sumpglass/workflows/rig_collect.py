"""What a board logged while it was alone, brought to this computer: resumable, verified, erased only when it is safe.

Each segment becomes one raw capture, `BOARD-NUMBER.capture`. It is fetched into a `.part` beside it, written through to
the disk, renamed; only then is the board asked to erase, with the CRC-32 of what is on the disk: the board computes
its own over its flash and refuses when they differ. Cut short anywhere, the next call goes on where this one ended.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from zlib import crc32

from sumpglass.decode.stream import StreamDecoder
from sumpglass.errors import DeviceError, DiskError
from sumpglass.store.capture_file import read_capture
from sumpglass.store.casebook import Casebook
from sumpglass.workflows.rig_talk import RequestRefused, RigTalk
from sumpglass_wire import layouts as wire


@dataclass(frozen=True)
class Fetching:
    """Progress: bytes of this segment, and which of how many."""

    segment: int
    number: int
    segments: int
    bytes_there: int
    bytes_in_all: int


@dataclass(frozen=True)
class Collected:
    """One segment, now on the disk."""

    segment: int
    path: str
    size_bytes: int
    frames: int
    damaged: int
    """Frames that do not agree with their checksum: 1 is the usual torn end after a power cut."""
    erased: bool


@dataclass(frozen=True)
class Collection:
    """What came of it all."""

    board_id: str
    segments: tuple[Collected, ...]
    bytes_lost: int
    """Of old segments that the board gave up because its flash was full, since it was new."""
    warnings: tuple[str, ...] = ()


def collect(talk: RigTalk, folder: str, keep: bool = False) -> Iterator[Fetching | Collected | Collection]:
    """Fetch every segment of the board's journal into `folder`; `keep` leaves them on the board.

    Raises DeviceError, DiskError; what is there is kept, and nothing is erased that is not.
    """
    listing = talk.ask(wire.JOURNAL_LIST)["answer"]
    numbers = _present(talk, listing)
    _make_folder(folder)
    done: list[Collected] = []
    for at, segment in enumerate(numbers, 1):
        path = Path(folder) / f"{talk.board_id}-{segment:08d}.capture"
        if not path.exists():
            yield from _fetch(talk, segment, path, at, len(numbers))
        one = _finish(talk, segment, path, keep)
        done.append(one)
        yield one
    warnings = []
    if listing["bytes_lost"]:
        warnings.append(
            f"the board gave up {listing['bytes_lost']} bytes of its oldest segments for want of room: collect more "
            "often, or raise journal.limit_kb"
        )
    if any(one.damaged > 1 for one in done):
        warnings.append("some segments hold damaged frames beyond a torn end: the flash may be worn")
    yield Collection(talk.board_id, tuple(done), listing["bytes_lost"], tuple(warnings))


def _present(talk: RigTalk, listing: dict[str, int]) -> list[int]:
    """Numbers of the segments that are there; between oldest and newest some may have been erased."""
    if not listing["segments"]:
        return []
    found = []
    for segment in range(listing["oldest"], listing["newest"] + 1):
        with contextlib.suppress(RequestRefused):
            talk.ask(wire.JOURNAL_READ, {"segment": segment, "offset": 0})
            found.append(segment)
        if len(found) == listing["segments"]:
            break
    if len(found) < listing["segments"]:
        raise DeviceError(
            f"{talk.source.facts.name}: the rig says that it holds {listing['segments']} segments and gave "
            f"{len(found)}: repeat the command"
        )
    return found


def _fetch(talk: RigTalk, segment: int, path: Path, at: int, segments: int) -> Iterator[Fetching]:
    part = path.with_suffix(".part")
    with _told(str(part)), part.open("ab") as file:
        offset = file.tell()
        while True:
            answer = talk.ask(wire.JOURNAL_READ, {"segment": segment, "offset": offset})
            facts, data = answer["answer"], bytes(answer["data"])
            if facts["segment"] != segment or facts["offset"] != offset:
                raise DeviceError(f"{talk.source.facts.name}: the rig answered another question: repeat the command")
            if offset > facts["length"]:
                # Longer than the segment: of another segment with this number, from before the board was wiped.
                file.truncate(0)
                offset = 0
                continue
            file.write(data)
            offset += len(data)
            yield Fetching(segment, at, segments, offset, facts["length"])
            if offset >= facts["length"] or not data:
                break
        file.flush()
        os.fsync(file.fileno())
    with _told(str(path)):
        part.replace(path)
        _sync_folder(path.parent)


def _finish(talk: RigTalk, segment: int, path: Path, keep: bool) -> Collected:
    decoder, check, size = StreamDecoder(), 0, 0
    for piece in read_capture(str(path)):
        decoder.feed(piece)
        check, size = crc32(piece, check), size + len(piece)
    erased = False
    if not keep:
        try:
            talk.ask(wire.JOURNAL_ERASE, {"segment": segment, "crc": check})
            erased = True
        except RequestRefused as error:
            # Not what the board has: put aside, to be fetched anew; nothing is thrown away on either side.
            aside = path.with_suffix(".differs")
            with _told(str(aside)):
                path.replace(aside)
            raise DeviceError(
                f"segment {segment}: the board did not erase it ({error}); what was fetched is kept as {aside.name}, "
                "repeat the command to fetch it again"
            ) from None
    torn = decoder.counts.damaged + (1 if decoder.pending else 0)
    return Collected(segment, str(path), size, decoder.counts.frames, torn, erased)


def into_casebook(book_path: str, collection: Collection) -> int | None:
    """One recording of all collected segments in a casebook; its number, None when there were none."""
    if not collection.segments:
        return None
    first, last = collection.segments[0].segment, collection.segments[-1].segment
    with Casebook.create(book_path) as book:
        number = book.begin_recording(f"journal {first} to {last}", source=f"board {collection.board_id}")
        for one in collection.segments:
            for piece in read_capture(one.path):
                book.append_frames(number, [(piece, float("nan"))])
        book.end_recording(number)
    return number


def _make_folder(folder: str) -> None:
    with _told(folder):
        os.makedirs(folder, exist_ok=True)


def _sync_folder(folder: Path) -> None:
    """The rename too has to survive a power cut of this computer."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def _told(path: str) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise DiskError(
            f"{path}: cannot be written ({error.strerror}): free some space or choose another folder; nothing was "
            "erased on the board that is not here"
        ) from None
