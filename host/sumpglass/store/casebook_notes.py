"""What a casebook keeps beside recordings: the subject, rigs, calibrations, zeros, results and readings."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sumpglass.errors import DiskError, InputError, SumpglassError


@dataclass(frozen=True)
class Entry:
    """A row of results, calibrations, zeros or readings: its number, when, what, and the JSON body."""

    id: int
    at: str
    kind: str
    title: str
    recording_id: int | None
    body: dict[str, Any]


@contextlib.contextmanager
def told(path: str) -> Iterator[None]:
    """Turns SQLite's errors into one sentence: a full or failing disk, or a file that is no casebook."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        raise _in_words(path, error) from None
    except UnicodeEncodeError:
        raise InputError(f"{path}: found bytes that are no UTF-8 in a file's name: rename the file") from None
    except OSError as error:
        raise DiskError(
            f"{path}: cannot be written ({error.strerror}): free some space or choose another place"
        ) from None


def _in_words(path: str, error: sqlite3.DatabaseError) -> SumpglassError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return DiskError(f"{path}: the disk is full: what was recorded so far is kept; free some space and start again")
    if code in (sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return DiskError(f"{path}: the disk failed or may not be written ({error}): choose another place")
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return DiskError(f"{path}: another program is writing to this casebook: close it, or record to another file")
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return InputError(
            f"{path}: byte 0: found a damaged SQLite file ({error}), expected a whole casebook: "
            "copy it again, or ask for it again"
        )
    return InputError(
        f"{path}: found something unexpected in the casebook ({str(error)[:60]}), expected one made by this program"
    )


def now_utc() -> str:
    """This moment, UTC, ISO 8601 to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def to_json(body: dict[str, Any]) -> str:
    return json.dumps(body, ensure_ascii=False, allow_nan=False)


def from_json(path: str, text: str) -> dict[str, Any]:
    try:
        body = json.loads(text)
    except ValueError:
        raise InputError(
            f"{path}: found a note that is no JSON in the casebook, expected one made by this program"
        ) from None
    return body if isinstance(body, dict) else {}


class JobNotes:
    """The part of `Casebook` that holds notes rather than recordings."""

    path: str
    _db: sqlite3.Connection

    def _writing(self) -> AbstractContextManager[sqlite3.Connection]:
        raise NotImplementedError

    def subject(self) -> tuple[str, int | None]:
        """(words, cylinders) of the engine that this casebook is about."""
        with told(self.path):
            row = self._db.execute("SELECT words, cylinders FROM subject WHERE id = 1").fetchone()
        return (row[0], row[1]) if row else ("", None)

    def set_subject(self, words: str, cylinders: int | None = None) -> None:
        """Say which engine this is."""
        with self._writing() as db:
            db.execute(
                "INSERT INTO subject (id, words, cylinders) VALUES (1, ?, ?) ON CONFLICT (id) DO UPDATE "
                "SET words = excluded.words, cylinders = excluded.cylinders",
                (words, cylinders),
            )

    def add_result(self, kind: str, title: str, body: dict[str, Any], recording_id: int | None = None) -> int:
        """Keep a result with everything needed to compute it again; returns its number."""
        return self._add(
            "INSERT INTO result (at, kind, title, recording_id, body) VALUES (?, ?, ?, ?, ?)",
            (now_utc(), kind, title, recording_id, to_json(body)),
        )

    def results(self, kind: str | None = None) -> list[Entry]:
        """Results, oldest first."""
        rows = self._rows(
            "SELECT id, at, kind, title, recording_id, body FROM result WHERE ?1 IS NULL OR kind = ?1 ORDER BY id",
            (kind,),
        )
        return [Entry(row[0], row[1], row[2], row[3], row[4], from_json(self.path, row[5])) for row in rows]

    def add_calibration(self, board_id: str, channel: int, body: dict[str, Any]) -> int:
        """Add a calibration; none is ever changed or deleted."""
        return self._add(
            "INSERT INTO calibration (at, board_id, channel, body) VALUES (?, ?, ?, ?)",
            (now_utc(), board_id, channel, to_json(body)),
        )

    def calibrations(self, board_id: str | None = None, channel: int | None = None) -> list[Entry]:
        """Calibrations, oldest first; `kind` is the board's identity, `title` the channel."""
        rows = self._rows(
            "SELECT id, at, board_id, channel, body FROM calibration WHERE (?1 IS NULL OR board_id = ?1) "
            "AND (?2 IS NULL OR channel = ?2) ORDER BY id",
            (board_id, channel),
        )
        return [Entry(row[0], row[1], row[2], str(row[3]), None, from_json(self.path, row[4])) for row in rows]

    def add_zero(
        self, board_id: str, channel: int, pressure_pa: float, u95_pa: float, body: dict[str, Any] | None = None
    ) -> int:
        """Keep what the rig read when it was open to the room."""
        return self._add(
            "INSERT INTO zero (at, board_id, channel, pressure_pa, u95_pa, body) VALUES (?, ?, ?, ?, ?, ?)",
            (now_utc(), board_id, channel, pressure_pa, u95_pa, to_json(body or {})),
        )

    def zeros(self) -> list[Entry]:
        """Zeros, oldest first; the body has `pressure_pa` and `u95_pa`."""
        rows = self._rows("SELECT id, at, board_id, channel, pressure_pa, u95_pa, body FROM zero ORDER BY id", ())
        return [
            Entry(
                r[0], r[1], r[2], str(r[3]), None, {**from_json(self.path, r[6]), "pressure_pa": r[4], "u95_pa": r[5]}
            )
            for r in rows
        ]

    def set_rig(self, board_id: str, channel: int, part: str, body: dict[str, Any]) -> int:
        """Keep the rig as it is now."""
        return self._add(
            "INSERT INTO rig (at, board_id, channel, part, body) VALUES (?, ?, ?, ?, ?)",
            (now_utc(), board_id, channel, part, to_json(body)),
        )

    def rigs(self) -> list[Entry]:
        """Rigs as they were, oldest first; `kind` is the board's identity, `title` the part."""
        rows = self._rows("SELECT id, at, board_id, part, body FROM rig ORDER BY id", ())
        return [Entry(r[0], r[1], r[2], r[3], None, from_json(self.path, r[4])) for r in rows]

    def add_reading(
        self, test: str, pressure_pa: float | None, u95_pa: float | None, body: dict[str, Any] | None = None,
        layout: str = "", recording_id: int | None = None,
    ) -> int:  # fmt: skip
        """Keep one reading of a test; a bound (`deeper_than_pa`, `above_pa`) goes into the body."""
        return self._add(
            "INSERT INTO reading (at, layout, test, pressure_pa, u95_pa, recording_id, body) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (now_utc(), layout, test, pressure_pa, u95_pa, recording_id, to_json(body or {})),
        )

    def readings(self, layout: str | None = None) -> list[Entry]:
        """Readings, oldest first; the body has `pressure_pa` and `u95_pa`, `kind` is the layout, `title` the test."""
        rows = self._rows(
            "SELECT id, at, layout, test, recording_id, body, pressure_pa, u95_pa FROM reading "
            "WHERE ?1 IS NULL OR layout = ?1 ORDER BY id",
            (layout,),
        )
        return [
            Entry(r[0], r[1], r[2], r[3], r[4], {**from_json(self.path, r[5]), "pressure_pa": r[6], "u95_pa": r[7]})
            for r in rows
        ]

    def _add(self, statement: str, values: Sequence[Any]) -> int:
        with self._writing() as db:
            return int(db.execute(statement, values).lastrowid or 0)

    def _rows(self, statement: str, values: Sequence[Any]) -> list[tuple]:
        with told(self.path):
            return self._db.execute(statement, values).fetchall()
