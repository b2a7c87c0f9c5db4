"""The casebook: one SQLite file for a job, readable while it is written, whole after a `kill -9`.

Write-ahead log, so a reader never waits for the writer; `application_id` and `user_version` say what the file is.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sumpglass.errors import InputError
from sumpglass.records import FloatArray, Mark
from sumpglass.store.casebook_file import MAGIC, VERSION, checked_version, connect, make, migrate
from sumpglass.store.casebook_notes import JobNotes, from_json, now_utc, to_json, told
from sumpglass.store.plain_file import open_plain

ARRIVAL = struct.Struct("<Id")
SAMPLES_A_PIECE = 1 << 16


@dataclass(frozen=True)
class RecordingEntry:
    """One recording of a casebook, without its data."""

    id: int
    name: str
    kind: str
    source: str
    started_at: str
    ended_at: str | None
    cylinders: int | None
    body: dict[str, Any]


@dataclass(frozen=True)
class StoredMark:
    """A mark as it was kept. `mark.t_s` is by the board's pace; `board_us` is its clock, None where there is none."""

    key: str
    mark: Mark
    board_us: int | None


def is_sqlite(path: str) -> bool:
    """True for a plain file that starts as SQLite files do. Raises InputError for what is no plain file."""
    with open_plain(path) as file:
        return file.read(len(MAGIC)) == MAGIC


class Casebook(JobNotes):
    """An open casebook. `Casebook.open(path)` for reading, `Casebook.create(path)` to make or extend one.

    One thread at a time. All methods raise InputError, DiskError or VersionError with one sentence.
    """

    def __init__(self, path: str, connection: sqlite3.Connection, writable: bool) -> None:
        self.path = path
        self.writable = writable
        self._db = connection

    # --- opening -------------------------------------------------------------------------------------------------

    @classmethod
    def open(cls, path: str, writable: bool = False) -> Casebook:
        """Open one that is there. An older version is migrated when `writable`, else read from a migrated copy."""
        if not is_sqlite(path):
            raise InputError(f"{path}: byte 0: found a file of another kind, expected a casebook")
        with told(path):
            # Looked at before anything is written: a file that is refused stays as it is, byte for byte.
            connection = connect(path, False)
            try:
                version = checked_version(path, connection)
                if writable:
                    connection.close()
                    connection = connect(path, True)
                elif version < VERSION:
                    copy = sqlite3.connect(":memory:", check_same_thread=False)
                    connection.backup(copy)
                    connection.close()
                    connection = copy
                migrate(connection, version)
            except BaseException:
                connection.close()
                raise
        return cls(path, connection, writable)

    @classmethod
    def create(cls, path: str) -> Casebook:
        """Open for writing, made first if it is not there. Raises InputError for a file of another kind."""
        if os.path.lexists(path) and (os.path.getsize(path) > 0 or not os.path.isfile(path)):
            return cls.open(path, writable=True)
        with told(path):
            make(path)
        return cls.open(path, writable=True)

    def close(self) -> None:
        """Close the file. A writer folds its log in and leaves a file that readers need nothing beside to open."""
        with told(self.path):
            if self.writable:
                # Refused while others read: then the last writer to close does it.
                with contextlib.suppress(sqlite3.OperationalError):
                    self._db.execute("PRAGMA busy_timeout = 200")
                    self._db.execute("PRAGMA journal_mode = DELETE")
            self._db.close()

    def __enter__(self) -> Casebook:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- recordings ----------------------------------------------------------------------------------------------

    def begin_recording(
        self, name: str, kind: str = "frames", source: str = "", cylinders: int | None = None,
        body: dict[str, Any] | None = None,
    ) -> int:  # fmt: skip
        """A new recording; returns its number. Bytes of a file's name that are no UTF-8 become replacement signs."""
        with self._writing() as db:
            name, source = (os.fsencode(text).decode("utf-8", "replace") for text in (name, source))
            row = db.execute(
                "INSERT INTO recording (name, kind, source, started_at, cylinders, body) VALUES (?, ?, ?, ?, ?, ?)",
                (name, kind, source, now_utc(), cylinders, to_json(body or {})),
            )
            return int(row.lastrowid or 0)

    def end_recording(self, recording_id: int) -> None:
        """Note that a recording was closed properly."""
        with self._writing() as db:
            db.execute("UPDATE recording SET ended_at = ? WHERE id = ?", (now_utc(), recording_id))

    def append_frames(self, recording_id: int, chunks: Sequence[tuple[bytes, float]]) -> None:
        """Keep chunks (bytes, host's monotonic seconds or NaN) in one commit."""
        arrivals = b"".join(ARRIVAL.pack(len(data), received_s) for data, received_s in chunks)
        with self._writing() as db:
            db.execute(
                "INSERT INTO frames_piece (recording_id, bytes, arrivals) VALUES (?, ?, ?)",
                (recording_id, b"".join(data for data, _ in chunks), arrivals),
            )

    def append_samples(self, recording_id: int, t_s: FloatArray, pressure_pa: FloatArray) -> None:
        """Keep readings (n,) that never were frames."""
        with self._writing() as db:
            for at in range(0, len(t_s), SAMPLES_A_PIECE):
                part = slice(at, at + SAMPLES_A_PIECE)
                db.execute(
                    "INSERT INTO samples_piece (recording_id, t_s, pressure_pa) VALUES (?, ?, ?)",
                    (recording_id, t_s[part].astype("<f8").tobytes(), pressure_pa[part].astype("<f8").tobytes()),
                )

    def set_mark(self, recording_id: int, key: str, mark: Mark, board_us: int | None = None) -> None:
        """Keep a mark; one with the same key is given the new text."""
        with self._writing() as db:
            db.execute(
                "INSERT INTO mark (recording_id, key, t_s, board_us, text, origin) VALUES (?, ?, ?, ?, ?, ?) "
                "ON CONFLICT (recording_id, key) DO UPDATE SET text = excluded.text",
                (recording_id, key, mark.t_s, board_us, mark.text, mark.origin),
            )

    def recordings(self) -> list[RecordingEntry]:
        """All recordings in the order in which they were begun."""
        with told(self.path):
            rows = self._db.execute(
                "SELECT id, name, kind, source, started_at, ended_at, cylinders, body FROM recording ORDER BY id"
            ).fetchall()
        return [
            RecordingEntry(number, name, kind, source, started, ended, cylinders, from_json(self.path, text))
            for number, name, kind, source, started, ended, cylinders, text in rows
        ]

    def find_recording(self, which: str | None) -> RecordingEntry:
        """The recording with that number or name; None: the last. Raises InputError if there is none."""
        entries = self.recordings()
        if not entries:
            raise InputError(f"{self.path}: found no recording in this casebook, expected at least one")
        if which is None:
            return entries[-1]
        for entry in reversed(entries):
            if which == entry.name or which == str(entry.id):
                return entry
        names = ", ".join(f"{entry.id} {entry.name!a}" for entry in entries[-8:])
        raise InputError(f"{self.path}: found no recording {which!a}, expected one of {names}")

    def frames(self, recording_id: int) -> Iterator[tuple[bytes, bytes]]:
        """(bytes, arrivals) of each piece in order; `arrivals` as in `schema.sql`."""
        with told(self.path):
            yield from self._db.execute(
                "SELECT bytes, arrivals FROM frames_piece WHERE recording_id = ? ORDER BY id", (recording_id,)
            )

    def samples(self, recording_id: int) -> tuple[FloatArray, FloatArray]:
        """(t_s, pressure_pa), (n,) each."""
        with told(self.path):
            rows = self._db.execute(
                "SELECT t_s, pressure_pa FROM samples_piece WHERE recording_id = ? ORDER BY id", (recording_id,)
            ).fetchall()
        times, pressures = b"".join(row[0] for row in rows), b"".join(row[1] for row in rows)
        if len(times) != len(pressures) or len(times) % 8:
            raise InputError(f"{self.path}: found a damaged piece of samples, expected as many times as pressures")
        return np.frombuffer(times, "<f8"), np.frombuffer(pressures, "<f8")

    def marks(self, recording_id: int) -> list[StoredMark]:
        """Marks of a recording by time."""
        with told(self.path):
            rows = self._db.execute(
                "SELECT key, t_s, text, origin, board_us FROM mark WHERE recording_id = ? ORDER BY t_s, id",
                (recording_id,),
            ).fetchall()
        return [StoredMark(row[0], Mark(row[1], row[2], row[3]), row[4]) for row in rows]

    # --- within --------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it or, after an error, nothing of it."""
        if not self.writable:
            raise InputError(f"{self.path}: was opened for reading, expected to be opened for writing")
        with told(self.path):
            try:
                self._db.execute("BEGIN IMMEDIATE")
                yield self._db
                self._db.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._db.execute("ROLLBACK")
                raise
