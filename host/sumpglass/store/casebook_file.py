"""The file under a casebook: opened, made whole or not at all, checked, and brought up to date."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import urllib.parse
from importlib import resources

from sumpglass.errors import InputError, VersionError
from sumpglass.store.plain_file import SQLITE_MAGIC

APPLICATION_ID = 0x53554D50  # "SUMP"
VERSION = 2
MAGIC = SQLITE_MAGIC

MIGRATIONS: dict[int, str] = {
    1: """
        ALTER TABLE mark ADD COLUMN board_us INTEGER;
        CREATE TABLE reading (
            id INTEGER PRIMARY KEY, at TEXT NOT NULL, layout TEXT NOT NULL DEFAULT '', test TEXT NOT NULL,
            pressure_pa REAL, u95_pa REAL, recording_id INTEGER REFERENCES recording (id) ON DELETE SET NULL,
            body TEXT NOT NULL DEFAULT '{}'
        );
        """,
}
"""What turns a casebook of that version into one of the next."""


def connect(path: str, writable: bool) -> sqlite3.Connection:
    """A connection to the file, which must be there; `sqlite3` errors pass through."""
    quoted = urllib.parse.quote(os.path.abspath(path))
    if writable:
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=5.0)
        connection.execute("PRAGMA journal_mode = WAL")
        # FULL: a commit outlasts a power cut, not only the end of this program.
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        return connection
    connection = sqlite3.connect(f"file:{quoted}?mode=ro", uri=True, isolation_level=None, check_same_thread=False)
    try:
        connection.execute("SELECT 1 FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        # On a medium that may not be written there is no room for the shared index of the write-ahead log.
        connection.close()
        connection = sqlite3.connect(
            f"file:{quoted}?immutable=1", uri=True, isolation_level=None, check_same_thread=False
        )
    return connection


def make(path: str) -> None:
    """An empty casebook, which takes its name when it is complete: nobody ever meets half of one."""
    unfinished = f"{path}.{os.getpid()}.new"
    try:
        connection = sqlite3.connect(unfinished, isolation_level=None)
        try:
            schema = resources.files("sumpglass.store").joinpath("schema.sql").read_text("utf-8")
            connection.executescript(
                f"BEGIN; PRAGMA application_id = {APPLICATION_ID}; {schema} INSERT INTO subject (id) VALUES (1); "
                f"PRAGMA user_version = {VERSION}; COMMIT;"
            )
        finally:
            connection.close()
        os.replace(unfinished, path)
    finally:
        with contextlib.suppress(FileNotFoundError):
            os.unlink(unfinished)


def checked_version(path: str, connection: sqlite3.Connection) -> int:
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    if application != APPLICATION_ID:
        raise InputError(f"{path}: byte 68: found an SQLite database of another program, expected a casebook")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > VERSION:
        raise VersionError(
            f"{path}: this casebook is of version {version} and this program knows versions up to {VERSION}: "
            "update sumpglass to open it; nothing was changed"
        )
    if version < 1:
        raise InputError(f"{path}: byte 60: found a casebook of version {version}, expected 1 to {VERSION}")
    return version


def migrate(connection: sqlite3.Connection, version: int) -> None:
    for step in range(version, VERSION):
        connection.executescript(f"BEGIN IMMEDIATE; {MIGRATIONS[step]} PRAGMA user_version = {step + 1}; COMMIT;")
