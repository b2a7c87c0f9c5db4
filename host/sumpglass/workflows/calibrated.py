"""Calibrations that a casebook keeps, and recordings read under one of them."""

from __future__ import annotations

import os
from dataclasses import replace

from sumpglass.analysis.calibration import (
    Calibration,
    apply_calibration,
    calibration_fields,
    calibration_from_fields,
)
from sumpglass.errors import DiskError, InputError
from sumpglass.records import Recording
from sumpglass.store.casebook import Casebook
from sumpglass.store.csv_writer import write_csv
from sumpglass.workflows.load_recording import load_recording, split_spec


def keep_calibration(path: str, calibration: Calibration) -> int:
    """Add it to a casebook, made if need be; returns its number. Never replaces an earlier one."""
    with Casebook.create(path) as book:
        return book.add_calibration(calibration.rig, calibration.channel, calibration_fields(calibration))


def find_calibration(spec: str) -> tuple[int, Calibration]:
    """`BOOK` (its latest) or `BOOK#NUMBER`. Raises InputError that says which there are."""
    path, which = split_spec(spec)
    with Casebook.open(path) as book:
        entries = book.calibrations()
    if not entries:
        raise InputError(f"{path}: found no calibration in this casebook, expected one: run `sumpglass rig calibrate`")
    for entry in reversed(entries):
        if which is None or which == str(entry.id):
            return entry.id, calibration_from_fields(entry.body)
    numbers = ", ".join(f"{entry.id} of {entry.at[:10]}" for entry in entries)
    raise InputError(f"{path}: found no calibration {which!a}, expected one of {numbers}")


def load_calibrated(spec: str, calibration: str, *, channel: int | None = None) -> Recording:
    """A recording of any kind, read under a calibration from a casebook; the recording's file stays as it is."""
    number, chosen = find_calibration(calibration)
    recording = apply_calibration(load_recording(spec, channel=channel), chosen)
    named = f"the calibration is number {number} of {os.path.basename(split_spec(calibration)[0])}"
    if chosen.rig:
        named += f", taken with rig {chosen.rig}"
    return replace(recording, warnings=(*recording.warnings, named))


def reread(spec: str, calibration: str, out: str) -> Recording:
    """Write a recording, read under a calibration, to a new CSV file. Raises InputError, DiskError."""
    if not out.lower().endswith(".csv"):
        raise InputError(f"{out}: found another ending, expected .csv")
    if os.path.lexists(out):
        raise InputError(f"{out}: is there already, expected a new name")
    recording = load_calibrated(spec, calibration)
    try:
        with open(out, "x", encoding="utf-8", newline="") as file:
            write_csv(recording, file)
    except OSError as error:
        raise DiskError(f"{out}: cannot be written ({error.strerror}): choose another place") from None
    return recording
