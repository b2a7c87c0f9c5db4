"""Leak size from a table of readings or from a recording with `opening D mm` and `closed` marks."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from sumpglass.errors import InputError
from sumpglass.procedures.bores import SET_BORE_U95_MM
from sumpglass.procedures.leak_recording import readings_of
from sumpglass.procedures.leak_size import LeakSize, size_leak
from sumpglass.procedures.leak_ways import WIDE_ZERO_U_PA
from sumpglass.procedures.openings import WARM_GAS_K, Reading, Room, sine_shape_pa
from sumpglass.records import Recording
from sumpglass.store.csv_table import CsvTable, read_header, read_table
from sumpglass.workflows.load_recording import load_recording

LARGEST_OPENING_MM = 50.0
LARGEST_PRESSURE_PA = 90_000.0
DOUBTFUL_P = 0.01
"""Readings on a straight line that fit together worse than this are no ground for a size."""
_COLUMNS = ("opening_mm", "pressure_pa", "u95_pa", "ac_rms_pa", "deeper_than_pa")


@dataclass(frozen=True)
class LeakInput:
    """What a file gave: the readings, whether their uncertainty is stated or assumed, and what to say of them.

    `warm_gas`: the readings are a rig's own, so the engine was warm and so is the gas that its pulses push out. Of a
    table or a CSV recording nothing is known, and the gas is taken to be at the room's temperature.
    """

    readings: tuple[Reading, ...]
    uncertainty_stated: bool
    zero_u_pa: float
    warnings: tuple[str, ...]
    warm_gas: bool = False
    zero_unknown: bool = False
    """The zero was assumed and the rig tells nothing of its own."""


def size_leak_of_file(
    path: str,
    room: Room | None = None,
    zero_pa: float | None = None,
    range_pa: float | None = None,
    bore_u95_mm: float = SET_BORE_U95_MM,
) -> tuple[LeakSize, LeakInput]:
    """Leak size from `path`, a table CSV or a recording. Raises InputError."""
    if is_table(path):
        given = readings_in_table(path, zero_pa)
    else:
        recording = load_recording(path)
        try:
            return size_leak_of_recording(recording, room, zero_pa, range_pa, bore_u95_mm)
        except InputError as error:
            raise InputError(f"{path}: {error}") from None
    try:
        return _sized(given, room, bore_u95_mm), given
    except InputError as error:
        raise InputError(f"{path}: {error}") from None


def size_leak_of_recording(
    recording: Recording,
    room: Room | None = None,
    zero_pa: float | None = None,
    range_pa: float | None = None,
    bore_u95_mm: float = SET_BORE_U95_MM,
) -> tuple[LeakSize, LeakInput]:
    """Leak size from the marked stretches of a recording. Raises InputError."""
    taken = readings_of(recording, zero_pa, range_pa)
    bare = recording.source == "csv"
    given = LeakInput(
        taken.readings, True, taken.zero_u_pa, taken.warnings, not bare, zero_unknown=bare and taken.zero_assumed
    )
    return _sized(given, room, bore_u95_mm), given


def readings_agree(leak: LeakSize) -> bool:
    """Whether the readings agree with a straight line, or bend away from it: what a report may claim a size from."""
    return bool(leak.bent) or leak.p_value is None or leak.p_value >= DOUBTFUL_P


def _sized(given: LeakInput, room: Room | None, bore_u95_mm: float) -> LeakSize:
    room = room or Room()
    other_gas_k = None
    if room.gas_k is None:
        warm = dataclasses.replace(room, gas_k=WARM_GAS_K)
        room, other_gas_k = (warm, room.temperature_k) if given.warm_gas else (room, WARM_GAS_K)
    return size_leak(
        given.readings, room, given.zero_u_pa, given.uncertainty_stated, bore_u95_mm, other_gas_k=other_gas_k,
        wide_zero_u_pa=WIDE_ZERO_U_PA if given.zero_unknown else None,
    )  # fmt: skip


def is_table(path: str) -> bool:
    """Does the file look like a table of readings with openings? Files that are no CSV are left to others to refuse."""
    try:
        return "opening_mm" in read_header(path, (*_COLUMNS, "t_s", "mark")).names
    except InputError:
        return False


def readings_in_table(path: str, zero_pa: float | None = None) -> LeakInput:
    """Readings of a table CSV, one a row. Raises InputError that names the line."""
    optional = ("u95_pa", "ac_rms_pa", "deeper_than_pa")
    table = read_table(path, ("opening_mm", "pressure_pa"), optional, may_be_empty=("pressure_pa", *optional))
    u95 = table.numbers.get("u95_pa", np.full(len(table), np.nan))
    warnings = []
    _check_table(path, table)
    exact = np.isfinite(table.numbers["pressure_pa"])
    stated = bool(exact.any() and np.isfinite(u95[exact]).all())
    if not stated:
        warnings.append(
            "The readings do not all state their uncertainty (u95_pa): 5 Pa and 2 % of the reading were assumed, "
            "and scaled by how well the readings agree."
        )
    if "ac_rms_pa" not in table.numbers:
        warnings.append("There is no column ac_rms_pa: pulses were taken as none.")
    elif not np.isfinite(table.numbers["ac_rms_pa"][exact]).all():
        warnings.append("Some rows have no ac_rms_pa: their pulses were taken as none.")
    offset = zero_pa or 0.0
    readings = tuple(_row(table, i, offset, u95, stated) for i in range(len(table)))
    return LeakInput(readings, stated, 0.0, tuple(warnings))


def _row(table: CsvTable, i: int, offset: float, u95: np.ndarray, stated: bool) -> Reading:
    opening = float(table.numbers["opening_mm"][i])
    pressure = float(table.numbers["pressure_pa"][i])
    name = f"line {table.lines[i]}"
    if not math.isfinite(pressure):
        limit = -(float(table.numbers["deeper_than_pa"][i]) - offset)
        u = float(u95[i]) / 1.96 if math.isfinite(u95[i]) else 0.0
        return Reading(opening, None, u, limit, name=name)
    swing = float(table.numbers["ac_rms_pa"][i]) if "ac_rms_pa" in table.numbers else 0.0
    u = float(u95[i]) / 1.96 if stated else math.hypot(2.5, 0.01 * pressure)
    shape = sine_shape_pa(swing if math.isfinite(swing) else 0.0)
    return Reading(opening, -(pressure - offset), u, shape_pa=shape, name=name)


def _check_table(path: str, table: CsvTable) -> None:
    empty = np.full(len(table), np.nan)
    limits = table.numbers.get("deeper_than_pa", empty)
    for i, line in enumerate(table.lines):
        cells = {name: float(values[i]) for name, values in table.numbers.items()}
        pressure, limit = cells["pressure_pa"], float(limits[i])
        wrong = None
        if not 0.0 <= cells["opening_mm"] <= LARGEST_OPENING_MM:
            wrong = f"opening_mm {cells['opening_mm']:g}, expected 0 (closed) to {LARGEST_OPENING_MM:g}"
        elif math.isfinite(pressure) and abs(pressure) > LARGEST_PRESSURE_PA:
            wrong = f"pressure_pa {pressure:g}, expected a gauge pressure within ± {LARGEST_PRESSURE_PA:g}"
        elif not math.isfinite(pressure) and not math.isfinite(limit):
            wrong = "neither pressure_pa nor deeper_than_pa, expected one of them"
        elif math.isfinite(pressure) and math.isfinite(limit):
            wrong = "both pressure_pa and deeper_than_pa, expected one of them"
        elif math.isfinite(limit) and not -LARGEST_PRESSURE_PA <= limit < 0:
            wrong = f"deeper_than_pa {limit:g}, expected a vacuum, which is negative"
        elif math.isfinite(cells.get("u95_pa", math.nan)) and not 0 < cells["u95_pa"] <= LARGEST_PRESSURE_PA:
            wrong = f"u95_pa {cells['u95_pa']:g}, expected more than 0"
        elif math.isfinite(cells.get("ac_rms_pa", math.nan)) and not 0 <= cells["ac_rms_pa"] <= LARGEST_PRESSURE_PA:
            wrong = f"ac_rms_pa {cells['ac_rms_pa']:g}, expected 0 or more"
        if wrong:
            raise InputError(f"{path}: line {line}: found {wrong}")
