"""Readings with known openings out of a recording whose marks say which opening was in."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.errors import InputError
from sumpglass.procedures.clipping import BARELY, clipped_share, resting_end_pa
from sumpglass.procedures.marks import Stretch, stretches_of
from sumpglass.procedures.openings import Reading
from sumpglass.procedures.settled import SettledLevel, settled_level, wander_factor
from sumpglass.procedures.unknown_hose import at_port_pa, unknown_hose_shapes_pa
from sumpglass.records import FloatArray, Recording
from sumpglass.units import in_words

ZERO_GIVEN_U95_PA = 1.0
"""What a zero typed by hand is taken to be known to."""
ZERO_LARGEST_PA = 300.0
ZERO_LARGEST_SWING_PA = 30.0
"""A stretch with the engine off that swings by more than this (RMS) is none."""


@dataclass(frozen=True)
class RigZero:
    """The zero to subtract, its standard uncertainty, and where it is from."""

    pressure_pa: float
    u_pa: float
    words: str
    assumed: bool = False
    t_s: float = 0.0
    """When it was taken."""


@dataclass(frozen=True)
class TakenReadings:
    """Readings in the order of time with what to tell of them. `zero_u_pa` is common to all; `zero_assumed`: nobody
    took a zero."""

    readings: tuple[Reading, ...]
    zero_u_pa: float
    warnings: tuple[str, ...]
    zero_assumed: bool = False


def readings_of(recording: Recording, zero_pa: float | None = None, range_pa: float | None = None) -> TakenReadings:
    """The settled readings of each marked opening. Raises InputError if no mark names one."""
    t_s = np.asarray(recording.t_s, dtype=float)
    pressure = np.asarray(recording.pressure_pa, dtype=float)
    stretches = stretches_of(recording.marks, float(t_s[-1]) if len(t_s) else 0.0)
    wanted = [s for s in stretches if s.state.kind in ("opening", "closed")]
    if not wanted:
        raise InputError("no mark says `opening D mm` or `closed`, expected them in a recording for the size of a leak")
    zero = rig_zero(recording, stretches, zero_pa)
    end_pa = -range_pa if range_pa else recording.sensor.range_low_pa
    if end_pa is None:
        end_pa = resting_end_pa(pressure)
    readings, levels = [], []
    warnings = [zero.words, *recording.warnings]
    at_port = port_pressure_pa(recording, pressure)
    for stretch in wanted:
        what = "closed" if stretch.state.kind == "closed" else f"opening {stretch.state.value:g} mm"
        where = f"{what} from {stretch.t0_s:.1f} s"
        level = settled_level(t_s, at_port, stretch.t0_s, stretch.t1_s)
        censored = _censored(t_s, pressure, stretch, end_pa, zero, level)
        if censored is not None:
            readings.append(censored)
            share = _share(t_s, pressure, stretch, end_pa or 0.0)
            warnings.append(
                f"{where}: {100 * share:.0f} % of the samples rest on the end of the range, so the reading only says "
                f"deeper than {censored.deeper_than_pa:.0f} Pa."
            )
        elif level is None:
            warnings.append(f"{where}: it never settled, so it was left out.")
        else:
            levels.append(level)
            readings.append(_reading(recording, stretch, level, zero))
    if recording.line is None:
        warnings.append(_hose_words(readings))
    return TakenReadings(tuple(_alike(readings, wander_factor(levels))), zero.u_pa, tuple(warnings), zero.assumed)


def _hose_words(readings: list[Reading]) -> str:
    words = "Nothing is known of the hose to the sensor"
    if not any(len(r.hose_shapes_pa) for r in readings):
        return words + ", so the pulses were taken as the sensor shows them."
    return words + (
        ": what hoses of up to 2 m would make of the pulses is in the intervals, as far as the readings allow it. Tell "
        "the hose, or damp the pulses at the port."
    )


def port_pressure_pa(recording: Recording, pressure_pa: FloatArray) -> FloatArray:
    """Pressure (n,) at the port from that at the sensor, where the hose between them is known: its response undone.

    Pulses above half the sampling rate stay as they are seen. The mean does not change.
    """
    good = np.isfinite(pressure_pa)
    if recording.line is None or recording.rate_hz is None or len(pressure_pa) < 64 or not good.any():
        return pressure_pa
    n = len(pressure_pa)
    whole = np.interp(np.arange(n), np.flatnonzero(good), pressure_pa[good])
    return np.where(good, at_port_pa(whole, recording.rate_hz, recording.line), pressure_pa)


def _reading(recording: Recording, stretch: Stretch, level: SettledLevel, zero: RigZero) -> Reading:
    opening = 0.0 if stretch.state.kind == "closed" else stretch.state.value
    vacuum = -(level.mean_pa - zero.pressure_pa)
    known = recording.line is not None
    shapes = np.zeros((0, 0)) if known else unknown_hose_shapes_pa(level, recording.rate_hz, vacuum)
    return Reading(
        opening,
        vacuum,
        math.hypot(level.root_u_pa(zero.pressure_pa), _code_u_pa(level)),
        shape_pa=-level.swing_pa,
        name=f"recorded {level.t0_s:.1f} to {level.t1_s:.1f} s",
        hose_shapes_pa=shapes,
        zero_age_s=0.5 * (level.t0_s + level.t1_s) - zero.t_s,
    )


def _code_u_pa(level: SettledLevel) -> float:
    """Standard uncertainty from the converter's step: noise and pulses wash it out (Widrow, Kollar, Quantization Noise,
    2008: the error of the mean falls as exp(-2 pi^2 (sd/step)^2))."""
    told = np.unique(level.pressure_pa[: 1 << 15] if not level.u_settling_pa else level.pressure_pa[:1])
    if len(told) < 2:
        return 0.02
    step = float(np.median(np.diff(told)[:200]))
    spread = math.hypot(level.noise_pa, level.swing_rms_pa)
    return max(0.02, min(0.29 * step, 0.23 * step * math.exp(-2.0 * math.pi**2 * min((spread / step) ** 2, 50.0))))


def _alike(readings: list[Reading], factor: float) -> list[Reading]:
    """Uncertainties times `factor` for wander; none much better than the others of the same engine: a reading's own
    scatter tells little of it."""
    readings = [r if r.vacuum_pa is None else replace(r, u_pa=r.u_pa * factor) for r in readings]
    exact = [r for r in readings if r.vacuum_pa is not None and r.vacuum_pa > 0]
    if len(exact) < 2:
        return readings
    usual = float(np.median([r.u_pa / (r.vacuum_pa or 1.0) for r in exact]))
    return [
        r if r.vacuum_pa is None else replace(r, u_pa=max(r.u_pa, min(0.6 * usual, 0.02) * abs(r.vacuum_pa)))
        for r in readings
    ]


def _share(t_s: FloatArray, pressure: FloatArray, stretch: Stretch, end_pa: float) -> float:
    first, last = np.searchsorted(t_s, [stretch.t0_s, stretch.t1_s])
    part = pressure[first + (last - first) // 3 : last]
    part = part[np.isfinite(part)]
    return clipped_share(part, end_pa, 0.0) if len(part) else 0.0


def _censored(
    t_s: FloatArray,
    pressure: FloatArray,
    stretch: Stretch,
    end_pa: float | None,
    zero: RigZero,
    level: SettledLevel | None,
) -> Reading | None:
    """A censored reading where the later two thirds of the stretch rest on the end of the range."""
    if end_pa is None or end_pa >= 0:
        return None
    if level is not None:
        first, last = np.searchsorted(t_s, [level.t0_s, level.t1_s])
        part = pressure[first:last]
    else:
        first, last = np.searchsorted(t_s, [stretch.t0_s, stretch.t1_s])
        part = pressure[first + (last - first) // 3 : last]
    part = part[np.isfinite(part)]
    if len(part) == 0:
        return None
    noise = level.noise_pa if level is not None else 0.0
    share = clipped_share(part, end_pa, min(noise, 0.01 * abs(end_pa)))
    if share < BARELY:
        return None
    # Cut pulses can only have been deeper: the mean of what is left is a bound.
    bound = -(float(part.mean()) - zero.pressure_pa)
    opening = 0.0 if stretch.state.kind == "closed" else stretch.state.value
    u = max(0.002 * abs(bound), level.u_pa if level is not None else 0.0)
    return Reading(opening, None, u, bound, name=f"recorded {stretch.t0_s:.1f} s, clipped")


def rig_zero(recording: Recording, stretches: tuple[Stretch, ...], zero_pa: float | None) -> RigZero:
    """The zero: as given, else from a settled stretch with the engine off, else the recording's own, else assumed."""
    if zero_pa is not None:
        return RigZero(
            zero_pa,
            ZERO_GIVEN_U95_PA / 1.96,
            f"Zero as given, {in_words(zero_pa, 'Pa', 1)}, taken as known to ± {ZERO_GIVEN_U95_PA:g} Pa.",
        )
    t_s = np.asarray(recording.t_s, dtype=float)
    pressure = np.asarray(recording.pressure_pa, dtype=float)
    for stretch in stretches:
        if stretch.state.kind != "engine_off":
            continue
        level = settled_level(t_s, pressure, stretch.t0_s, stretch.t1_s)
        if level is not None and abs(level.mean_pa) < ZERO_LARGEST_PA and level.swing_rms_pa < ZERO_LARGEST_SWING_PA:
            return RigZero(
                level.mean_pa,
                math.hypot(level.u_pa, 0.1),
                f"Zero from the engine off at {level.t0_s:.1f} to {level.t1_s:.1f} s: {level.mean_pa:.1f} Pa.",
                t_s=0.5 * (level.t0_s + level.t1_s),
            )
    if recording.zero is not None:
        return RigZero(recording.zero.pressure_pa, recording.zero.u95_pa / 1.96, "Zero as taken before the recording.")
    u95 = recording.sensor.offset_u95_pa
    return RigZero(0.0, u95 / 1.96, f"No zero was given: it was taken as 0 to ± {u95:g} Pa (an assumption).", True)
