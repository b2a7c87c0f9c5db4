"""Is a built rig fit for use? Each check a figure against a limit, with the reason for the limit.

Two recordings are judged: one at rest, open to the room, for a minute or more, and one of finger taps on the open end
of the hose. What the board says of itself (STATUS, IDENTITY) is judged beside them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sumpglass.analysis.clipping import resolution_of
from sumpglass.analysis.zero import LEAST_S, check_rest, long_run_variance
from sumpglass.errors import InputError
from sumpglass.physics.sensor_parts import SENSOR_PARTS, SensorPart
from sumpglass.records import FloatArray, Recording

PASSED, FAILED, UNKNOWN = "passed", "failed", "not known"
RISE_TIMES_BANDWIDTH = math.log(9.0) / (2.0 * math.pi)
"""10 to 90 % rise time times the -3 dB frequency of one pole, 0.3497."""
NEEDED_BANDWIDTH_HZ = 40.0
FREE_MEMORY_BYTES = 60_000


@dataclass(frozen=True)
class Check:
    """One line of the acceptance page."""

    name: str
    outcome: str
    """PASSED, FAILED or UNKNOWN."""
    measured: str
    """Figure and unit, or why there is none."""
    limit: str
    reason: str
    """Why this limit, in one sentence."""
    value: float | None = None
    """The figure alone, for JSON, in the unit that `measured` names."""


@dataclass(frozen=True)
class BoardFacts:
    """What the board told of itself while it streamed; None where it did not say."""

    nominal_rate_hz: float | None = None
    late_samples: int | None = None
    overruns: int | None = None
    largest_lateness_s: float | None = None
    free_memory_bytes: int | None = None
    supply_v: float | None = None
    dropped_frames: int | None = None
    faults: tuple[str, ...] = ()


def find_part(name: str) -> SensorPart | None:
    """The table's entry for a part as a board names it ("MPXV7002DP" is MPXV7002 on the board's own converter)."""
    if name in SENSOR_PARTS:
        return SENSOR_PARTS[name]
    plain = name.upper()
    fits = [part for key, part in SENSOR_PARTS.items() if plain.startswith(key.upper().rsplit("-", 1)[0])]
    # On the same sensor the board's own converter promises less than the 16-bit one: judge by the looser.
    return max(fits, key=lambda part: part.noise_rms_pa, default=None)


def judge_rest(rest: Recording, board: BoardFacts) -> list[Check]:
    """Checks on a recording at rest, open to the room. Raises InputError when it is too short to judge."""
    pressure = np.asarray(rest.pressure_pa, dtype=np.float64)
    good = pressure[np.isfinite(pressure)]
    if rest.rate_hz is None or len(good) < max(64, LEAST_S * (rest.rate_hz or 0.0)):
        raise InputError(
            f"the recording at rest holds {len(good)} good samples, expected {LEAST_S:g} s or more: record longer"
        )
    part = find_part(rest.sensor.part)
    return [
        _noise(good, rest, part),
        _resolution(good, rest),
        _rest(good, rest.rate_hz),
        _zero(good, part),
        _drift(rest, part),
        *_timing(rest, board),
        _free_memory(board),
        _supply(board, part),
        _faults(rest, board),
    ]


def _check(name: str, value: float | None, unit: str, limit: float, reason: str, at_least: bool = False) -> Check:
    words = f"{'at least' if at_least else 'at most'} {limit:.4g} {unit}"
    if value is None:
        return Check(name, UNKNOWN, "the board does not say", words, reason)
    fits = value >= limit if at_least else value <= limit
    # Three digits are all that a person can use, and less than a thousandth of the limit is nothing.
    shown = 0.0 if not at_least and abs(value) < 1e-3 * limit else value
    return Check(name, PASSED if fits else FAILED, f"{shown:.3g} {unit}", words, reason, value)


def _noise(pressure: FloatArray, rest: Recording, part: SensorPart | None) -> Check:
    block = max(2, round(rest.rate_hz or 1.0))
    rows = pressure[: len(pressure) // block * block].reshape(-1, block)
    noise_pa = float(np.median(rows.std(axis=1))) if len(rows) else float(pressure.std())
    if part:
        limit, because = 3.0 * part.noise_rms_pa, "three times what this part should have; more is wiring or supply"
    else:
        limit, because = (
            10.0,
            "averaged over a second 10 Pa leave less than 1 Pa, a hundredth of the smallest level judged",
        )
    return _check("noise of one sample", noise_pa, "Pa", max(limit, 0.6 * resolution_of(pressure)), because)


def _resolution(pressure: FloatArray, rest: Recording) -> Check:
    step_pa = rest.sensor.resolution_pa or resolution_of(pressure) or None
    return _check("resolution", step_pa, "Pa", 10.0, "a tenth of the 100 Pa that a healthy crankcase may show")


def _rest(pressure: FloatArray, rate_hz: float) -> Check:
    found = check_rest(pressure[: round(30 * rate_hz)], rate_hz)
    return Check(
        "at rest", PASSED if found.at_rest else FAILED, found.reason or "no line, no wander, no knock",
        "no line in the spectrum, no wander, no knock", "a rig that moves by itself cannot be told from an engine",
    )  # fmt: skip


def _zero(pressure: FloatArray, part: SensorPart | None) -> Check:
    limit = part.offset_pa if part else 100.0
    because = "the datasheet's own limit of this part; more means a damaged sensor or a wrong supply" if part else (
        "more than a tenth of a kilopascal eats range and points to a wrong supply or a damaged sensor"
    )  # fmt: skip
    return _check("zero, size", abs(float(pressure.mean())), "Pa", limit, because)


def _drift(rest: Recording, part: SensorPart | None) -> Check:
    """Slope of block means over the whole recording; its uncertainty must be small enough to judge."""
    limit = max(2.0, 0.1 * part.zero_drift_pa) if part else 5.0
    because = (
        "a leak test takes ten minutes from zero to verdict: the zero must not move by more than its share of 50 Pa"
    )
    pressure = np.asarray(rest.pressure_pa, dtype=np.float64)
    t_s = np.asarray(rest.t_s, dtype=np.float64)
    finite = np.isfinite(pressure)
    if rest.duration_s < 45.0:
        return Check("drift", UNKNOWN, f"{rest.duration_s:.0f} s recorded", f"at most {limit:.4g} Pa/min",
                     "a drift shows in a minute or more: record longer")  # fmt: skip
    t_s, pressure = t_s[finite], pressure[finite]
    centred = t_s - t_s.mean()
    slope = float(centred @ (pressure - pressure.mean()) / (centred @ centred))
    noise = long_run_variance(pressure - pressure.mean() - slope * centred, rest.rate_hz or 1.0)
    u_slope = math.sqrt(noise / float(centred @ centred))
    check = _check("drift", abs(slope) * 60.0, "Pa/min", limit, because)
    if abs(abs(slope) * 60.0 - limit) < 2.0 * u_slope * 60.0:
        return Check("drift", UNKNOWN, f"{check.measured}, known to {120 * u_slope:.2g} Pa/min only", check.limit,
                     because, check.value)  # fmt: skip
    return check


def _timing(rest: Recording, board: BoardFacts) -> list[Check]:
    rate = rest.rate_hz or 0.0
    nominal = board.nominal_rate_hz or rate
    off = abs((len(rest.t_s) - 1) / rest.duration_s / nominal - 1.0) * 100.0 if rest.duration_s and nominal else None
    total = max(1, len(rest.t_s))
    late = None if board.late_samples is None else 100.0 * board.late_samples / total
    lateness = None if board.largest_lateness_s is None else board.largest_lateness_s * 1000.0
    lost = rest.losses.frames_lost + rest.losses.frames_damaged + (board.dropped_frames or 0)
    missing = 100.0 * (rest.missing + (board.overruns or 0)) / total
    return [
        _check("rate, off by", off, "%", 0.5, "engine speed is read from it and is to be right within half a percent"),
        _check("samples missing", missing, "%", 0.1, "a gap hides what happened in it"),
        _check("frames lost or damaged", float(lost), "frames", 0.0, "a good cable loses none: change cable or hub"),
        _check("samples late", late, "%", 0.1, "late by over a tenth of a period smears the pulses"),
        _check("largest lateness", lateness, "ms", 1000.0 / nominal if nominal else 1.0,
               "a whole period late and two samples stand for one moment"),
    ]  # fmt: skip


def _free_memory(board: BoardFacts) -> Check:
    free = None if board.free_memory_bytes is None else board.free_memory_bytes / 1000.0
    return _check("free memory on the board", free, "kB", FREE_MEMORY_BYTES / 1000.0,
                  "with less, memory is tidied so often that samples come late", at_least=True)  # fmt: skip


def _supply(board: BoardFacts, part: SensorPart | None) -> Check:
    because = "USB gives 4.75 to 5.25 V; a sensor that is not read ratiometrically errs as its supply does"
    if board.supply_v is None:
        return Check("supply", UNKNOWN, "the board does not say", "4.6 to 5.4 V", because)
    fits = 4.6 <= board.supply_v <= 5.4
    if not fits and part is not None and part.supply_v < 4.0 and board.supply_v > 3.1:
        fits = True
    return Check(
        "supply", PASSED if fits else FAILED, f"{board.supply_v:.2f} V", "4.6 to 5.4 V", because, board.supply_v
    )


def _faults(rest: Recording, board: BoardFacts) -> Check:
    told = sorted({fault.kind for fault in rest.sensor_faults} | set(board.faults))
    return Check("sensor faults", FAILED if told else PASSED, ", ".join(told).replace("_", " ") or "none", "none",
                 "a sensor that stumbles on the bench fails under the bonnet", float(len(told)))  # fmt: skip


@dataclass(frozen=True)
class TapResponse:
    """What taps of a finger on the open end of the hose show of the line."""

    taps: int
    rise_s: float
    """Fastest 10 to 90 % rise seen."""
    bandwidth_hz: float
    """The line passes at least this: the tap itself takes a moment too."""
    size_pa: float
    limited_by_rate: bool
    """The rise is no longer than two samples: sampling, not the line, sets it."""


def tap_response(recording: Recording) -> TapResponse | None:
    """Fastest rise among all taps of a recording, or None when nothing stands out of the noise (blocked, or no tap)."""
    pressure = np.asarray(recording.pressure_pa, dtype=np.float64)
    pressure = np.where(np.isfinite(pressure), pressure, np.nanmedian(pressure))
    rate_hz = recording.rate_hz
    if rate_hz is None or len(pressure) < 16:
        return None
    level = pressure - np.median(pressure)
    noise = 1.4826 * float(np.median(np.abs(level))) + 0.3 * resolution_of(pressure)
    size = np.abs(level)
    threshold = max(12.0 * noise, 15.0)
    above = size > threshold
    if not above.any():
        return None
    gap = max(1, round(0.15 * rate_hz))
    where = np.flatnonzero(above)
    groups = np.split(where, np.flatnonzero(np.diff(where) > gap) + 1)
    rises, sizes = [], []
    for group in groups:
        peak = int(group[np.argmax(size[group])])
        rise = _rise_s(level * np.sign(level[peak]), peak, rate_hz)
        if rise is not None:
            rises.append(rise)
            sizes.append(float(size[peak]))
    if not rises:
        return None
    best = float(min(rises))
    return TapResponse(len(rises), best, RISE_TIMES_BANDWIDTH / best, max(sizes), best <= 2.0 / rate_hz)


def _rise_s(level: FloatArray, peak: int, rate_hz: float) -> float | None:
    """10 to 90 % of the way up to `peak`, crossings interpolated; None when the start is not in the recording."""
    top = level[peak]
    crossings = []
    for share in (0.9, 0.1):
        k = peak
        while k > 0 and level[k] > share * top:
            k -= 1
        if level[k] > share * top:
            return None
        crossings.append(
            k + (share * top - level[k]) / (level[k + 1] - level[k]) if level[k + 1] != level[k] else float(k)
        )
    return max(crossings[0] - crossings[1], 0.3) / rate_hz


def judge_taps(recording: Recording) -> Check:
    """The line's response to finger taps, as a check."""
    because = (
        "a four at idle fires at 27 Hz: below 40 Hz its pulses arrive small and late; a slow rise is oil, a kink, or "
        "a snubber"
    )
    limit = f"at least {NEEDED_BANDWIDTH_HZ:.0f} Hz"
    found = tap_response(recording)
    if found is None:
        nothing = "no tap was seen: the line is blocked, off, or was not tapped"
        return Check("line response to taps", FAILED, nothing, limit, because)
    words = f"at least {found.bandwidth_hz:.0f} Hz, from a rise of {found.rise_s * 1000:.1f} ms in {found.taps} taps"
    outcome = PASSED if found.bandwidth_hz >= NEEDED_BANDWIDTH_HZ else FAILED
    if outcome == FAILED and found.limited_by_rate:
        outcome, words = UNKNOWN, words + "; sampling is too slow to tell more"
    return Check("line response to taps", outcome, words, limit, because, found.bandwidth_hz)
