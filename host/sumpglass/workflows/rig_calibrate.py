"""Calibrating a rig against a water column, and zeros: taken live, and kept."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from sumpglass.analysis.calibration import (
    Calibration,
    CalibrationPoint,
    calibrate,
)
from sumpglass.analysis.clipping import resolution_of
from sumpglass.analysis.water_column import WaterColumn
from sumpglass.analysis.zero import ZeroTaken, check_rest, long_run_variance, take_zero
from sumpglass.errors import InputError, RefusedError
from sumpglass.records import Recording
from sumpglass.store.casebook import Casebook
from sumpglass.store.csv_table import read_table
from sumpglass.workflows.rig_talk import RigTalk
from sumpglass_wire import layouts as wire

POINT_S = 4.0
STEADY_FLOOR_PA = 3.0
"""Unsteadiness of a resting water column that a hand-read one always has: a third of a millimetre."""


@dataclass(frozen=True)
class RigFacts:
    """Whose calibration it is."""

    board_id: str = ""
    channel: int = 0
    part: str = ""
    scale_pa_per_count: float | None = None


def rig_facts(talk: RigTalk) -> RigFacts:
    """From the rig's identity."""
    fields = talk.channel_fields()
    scale = fields["scale"] if fields["transfer"] == 1 and math.isfinite(fields["scale"]) else None
    return RigFacts(talk.board_id, fields["channel"], fields["part"], scale)


def take_point(talk: RigTalk, reading_mm: float, seconds: float = POINT_S) -> CalibrationPoint:
    """One point: what the rig shows while the column stands at `reading_mm`. Raises RefusedError while it moves."""
    if not 0.5 <= seconds <= 600.0:
        raise InputError(f"found {seconds:g} s at each point, expected 0.5 to 600")
    return point_of(talk.record(seconds), reading_mm)


def point_of(recording: Recording, reading_mm: float) -> CalibrationPoint:
    """A point from a recording made while the column stood still. Raises RefusedError, InputError."""
    if not math.isfinite(reading_mm):
        raise InputError(f"found a reading of {reading_mm}, expected millimetres")
    pressure = np.asarray(recording.pressure_pa, dtype=np.float64)
    pressure = pressure[np.isfinite(pressure)]
    if len(pressure) < 32 or recording.rate_hz is None:
        raise InputError(f"only {len(pressure)} good samples came: check the sensor, then read the column again")
    rest = check_rest(pressure, recording.rate_hz)
    moves = max(rest.line_amplitude_pa if rest.line_amplitude_pa > rest.line_limit_pa else 0.0,
                rest.wander_pa if rest.wander_pa > rest.wander_limit_pa else 0.0)  # fmt: skip
    if moves > STEADY_FLOOR_PA:
        raise RefusedError(f"the column still moves ({moves:.1f} Pa): wait until it rests, then read it again")
    mean_u_pa = math.sqrt(long_run_variance(pressure, recording.rate_hz) / len(pressure))
    step_pa = recording.sensor.resolution_pa or resolution_of(pressure)
    quantum_u_pa = step_pa / math.sqrt(12.0) if rest.noise_pa < 0.5 * step_pa else 0.0
    u_pa = max(math.hypot(mean_u_pa, quantum_u_pa), rest.slow_pa / math.sqrt(8.0), 1e-3)
    return CalibrationPoint(reading_mm, float(pressure.mean()), u_pa)


def calibrate_points(points: list[CalibrationPoint], column: WaterColumn, rig: RigFacts) -> Calibration:
    """Fit and date it. Raises InputError."""
    return calibrate(
        points, column, date=datetime.now(UTC).isoformat(timespec="seconds"), rig=rig.board_id, part=rig.part,
        channel=rig.channel, scale_pa_per_count=rig.scale_pa_per_count,
    )  # fmt: skip


def read_points(path: str) -> list[CalibrationPoint]:
    """Points from a table CSV: `reading_mm`, `pressure_pa` as the rig showed it, and `u_pa` or none (then 1 Pa).

    Raises InputError with the line.
    """
    table = read_table(path, ("reading_mm", "pressure_pa"), ("u_pa",))
    uncertain = table.numbers.get("u_pa", np.ones(len(table)))
    for line, u_pa in zip(table.lines, uncertain):
        if not u_pa >= 0:
            raise InputError(f"{path}: line {line}: found u_pa {u_pa:g}, expected zero or more")
    rows = zip(table.numbers["reading_mm"], table.numbers["pressure_pa"], uncertain)
    return [CalibrationPoint(float(mm), float(pa), float(u)) for mm, pa, u in rows]


def zero_rig(talk: RigTalk, seconds: float, book_path: str | None = None, on_board: bool = True) -> ZeroTaken:
    """Take a zero from the rig open to the room; the board and a casebook keep it.

    Raises RefusedError when it is not at rest, or moved between this reading and the board's own.
    """
    taken = take_zero(talk.record(seconds))
    facts = rig_facts(talk)
    if on_board:
        _zero_on_board(talk, facts, taken)
    if book_path:
        with Casebook.create(book_path) as book:
            body = {"samples": taken.samples, "duration_s": taken.duration_s, "noise_pa": taken.rest.noise_pa}
            book.add_zero(facts.board_id, facts.channel, taken.zero.pressure_pa, taken.zero.u95_pa, body)
    return taken


def _zero_on_board(talk: RigTalk, facts: RigFacts, taken: ZeroTaken) -> None:
    """The board measures its own, keeps it over a restart and tells it with every recording; it never subtracts it."""
    fields = {"channel": facts.channel, "tenths_of_seconds": 20}
    answer = talk.ask(wire.MEASURE_ZERO, fields, wait_s=6.0)["answer"]
    if facts.scale_pa_per_count is None:
        return
    spread_pa = abs(answer["sd_counts"] * facts.scale_pa_per_count)
    if spread_pa > 2.0 * taken.rest.noise_pa + 2.0 * taken.resolution_pa + STEADY_FLOOR_PA:
        raise RefusedError(
            "it moved while the board took its own zero: keep hands off the hose and take the zero again"
        )
