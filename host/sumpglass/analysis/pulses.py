"""Engine speed and evenness from the pulses in crankcase pressure, four-stroke, one to eight cylinders.

Lines are found by `pulse_lines`, explained by `engine_comb` and weighed by `speed_claim`; `order_tracking` makes them
sharp where the speed moves. Here the speed is refined and told.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.analysis.engine_comb import TOLERANCE, Hearing
from sumpglass.analysis.evenness import UNEVEN_LIMITS, evenness
from sumpglass.analysis.order_tracking import by_phase, course_of_speed, in_crank_angle
from sumpglass.analysis.pulse_lines import (
    FALSE_CLAIM,
    Lines,
    significant_lines,
    smeared_share,
    sounds_evenly,
    with_mains,
)
from sumpglass.analysis.spectrum import Spectrum, exceeded_by_chance, hann, noise_floor, powers_at, welch
from sumpglass.analysis.speed_claim import likeliest_engine, too_faint
from sumpglass.analysis.statistics import lag_one, student_95
from sumpglass.records import FloatArray

SEGMENT_S = 4.0
SHORT_SEGMENT_S = 1.25
"""Where segments of the first length show no speed, shorter ones may: lines that wander then stay in one bin, and more
of them are averaged."""
MOST_PIECES = 48
OVERLAPPED = 1.0 / 3.0
"""Memory from piece to piece that halves the number of independent ones."""
SMEARED, FOLLOWED_S = 0.03, 30.0
"""Where more than this part of what stands out of the noise is in no sharp line the speed may have moved, and is
followed for so long."""
STRAIGHT = 0.7
"""Share of the pieces' variance that a straight run of the speed has to explain."""
MOVING = 0.02
"""Change of speed within a stretch (relative) that is told."""
SUCTION_PA, SUCTION_SHARE = 50.0, 3.0
FALLING_OFF = 0.2
"""A level deeper than this, and than so many times the strongest line, says that an engine draws; one that falls off by
such a share from the first half to the second may be what an engine that stopped has left."""


@dataclass(frozen=True)
class PulseReading:
    """Pulses of one stretch; None where they cannot be told."""

    firing_hz: float | None = None
    rpm: float | None = None
    rpm_u95: float | None = None
    """Of the speed that the engine hunts about, of which its mean over the stretch is a sample."""
    half_order_pa: float | None = None
    half_order_ratio: float | None = None
    uneven: bool | None = None
    rms_pa: float | None = None
    strongest_hz: float | None = None
    ends_at: float = 1.0
    """Speed at the end of the stretch over that told, which is the mean."""
    warnings: tuple[str, ...] = ()


def find_pulses(
    pressure_pa: FloatArray,
    rate_hz: float,
    cylinders: int | None = None,
    line_gain: Callable[[FloatArray], FloatArray] | None = None,
    expected_hz: float | None = None,
) -> PulseReading:
    """Read the pulses of one evenly sampled stretch (n,); where its speed moves the mean, with a warning, and its end.

    `line_gain`: callable hz (k,) -> gain (k,) of the hose between port and sensor.
    `expected_hz`: firing frequency of the same engine in stretches where it is heard better.
    """
    heard = _find_steady(pressure_pa, rate_hz, cylinders, line_gain, expected_hz)
    reading = heard.reading
    if heard.smeared > SMEARED and (reading.firing_hz is None or reading.warnings):
        followed = _followed(pressure_pa[: int(FOLLOWED_S * rate_hz)], rate_hz, cylinders, line_gain, expected_hz)
        if followed.reading.firing_hz is not None and followed.lead > heard.lead:
            return followed.reading
    n = len(pressure_pa)
    if reading.firing_hz is None and n >= 3 * SHORT_SEGMENT_S * rate_hz:
        short = _find_steady(pressure_pa, rate_hz, cylinders, line_gain, expected_hz, SHORT_SEGMENT_S).reading
        if short.firing_hz is not None or reading.strongest_hz is None:
            reading = short
    return reading


@dataclass(frozen=True)
class _Heard:
    reading: PulseReading = PulseReading()
    lead: float = -math.inf
    """Log odds over the next explanation."""
    smeared: float = 1.0
    """Share of what stands out of the noise that is in no sharp line."""


def _followed(
    pressure_pa: FloatArray,
    rate_hz: float,
    cylinders: int | None,
    line_gain: Callable[[FloatArray], FloatArray] | None,
    expected_hz: float | None,
) -> _Heard:
    """Pulses of a stretch (n,) whose speed moves, read in equal steps of crank angle."""
    n = len(pressure_pa)
    flat = _without_slope(pressure_pa)
    course = course_of_speed(flat, rate_hz)
    if course is None:
        return _Heard()
    angular = in_crank_angle(flat, course)
    spectrum = welch(angular, rate_hz, int(min(SEGMENT_S * rate_hz, n / 1.5)))
    lines = significant_lines(spectrum, noise_floor(spectrum), 0.49 * rate_hz)
    if not len(lines):
        return _Heard()
    turned = np.cumsum(course)
    fine = by_phase(angular, rate_hz, float(lines.hz[0]))
    course = course * np.interp(turned * ((n - 1) / turned[-1]), np.arange(n), fine)
    course /= course.mean()
    angular = in_crank_angle(flat, course)
    heard = _find_steady(angular, rate_hz, cylinders, line_gain, expected_hz)
    told = heard.reading
    if told.firing_hz is None:
        return heard
    pieces = course[:: max(1, int(0.5 * rate_hz))]
    u95 = told.rpm_u95
    if told.rpm is not None and u95 is not None:
        u95 = math.hypot(u95, told.rpm * _hunting_u95(pieces))
    warnings = told.warnings
    if float(np.ptp(pieces)) > MOVING:
        warnings = (*warnings, "the speed is not the same throughout: its mean is told")
    return replace(heard, reading=replace(told, rpm_u95=u95, ends_at=float(pieces[-1]), warnings=warnings))


def _find_steady(
    pressure_pa: FloatArray,
    rate_hz: float,
    cylinders: int | None,
    line_gain: Callable[[FloatArray], FloatArray] | None,
    expected_hz: float | None,
    segment_s: float = SEGMENT_S,
) -> _Heard:
    """Pulses of a stretch (n,) at one speed."""
    n = len(pressure_pa)
    segment = int(min(segment_s * rate_hz, n))
    if segment < max(32, int(0.8 * rate_hz)) or not np.ptp(pressure_pa) > 0:
        return _Heard(smeared=0.0)
    if n < 1.5 * segment:
        segment = max(int(0.8 * rate_hz), int(n / 1.5))
    halves_pa = [abs(float(half.mean())) for half in (pressure_pa[: n // 2], pressure_pa[n // 2 :])]
    level_pa = abs(float(pressure_pa.mean()))
    pressure_pa = _without_slope(pressure_pa)
    spectrum = welch(pressure_pa, rate_hz, segment)
    floor = noise_floor(spectrum)
    lines = significant_lines(spectrum, floor, 0.49 * rate_hz)
    smeared = smeared_share(spectrum, floor, lines)
    lines = with_mains(lines, pressure_pa, rate_hz, spectrum, floor)
    if not len(lines.hz) or too_faint(lines, spectrum, floor, level_pa, pressure_pa, rate_hz):
        return _Heard(smeared=smeared)
    suction = level_pa > max(SUCTION_PA, SUCTION_SHARE * float(lines.amplitude_pa[0]))
    suction = suction and halves_pa[1] > (1.0 - FALLING_OFF) * halves_pa[0]
    hearing = _hearing(spectrum, floor, rate_hz, suction)
    hearing = replace(hearing, level_pa=level_pa, short=segment_s < SEGMENT_S)
    nothing = _Heard(PulseReading(strongest_hz=float(lines.hz[0])), smeared=smeared)
    best, lead, sure = likeliest_engine(lines, hearing, cylinders, expected_hz)
    if best is None or best.cycle_hz is None:
        return nothing
    if not sounds_evenly(pressure_pa, rate_hz, float(lines.hz[int(np.argmin(lines.mains))])):
        return nothing
    count = best.count
    cycle_hz, u_hz, ends_at = _refined(pressure_pa, rate_hz, segment, best.cycle_hz, lines, spectrum.bin_hz)
    warnings = []
    if not sure:
        warnings.append(
            "the pulses fit more than one speed, of which the likeliest is given: the strongest line may be the "
            "firing, or in a twin or a single twice or four times rpm/120, or one line alone is all there is"
        )
    even = evenness(spectrum, floor, lines, cycle_hz, count, cylinders, line_gain)
    reading = PulseReading(
        firing_hz=cycle_hz * count,
        rpm=None if cylinders is None else 120.0 * cycle_hz,
        rpm_u95=None if cylinders is None else 120.0 * 2.0 * u_hz,
        strongest_hz=float(lines.hz[0]),
        ends_at=ends_at,
        warnings=tuple(warnings),
        **even,
    )
    return _Heard(reading, lead, smeared)


def _without_slope(pressure_pa: FloatArray) -> FloatArray:
    """A level that still creeps would leak into every line of a short stretch."""
    n = len(pressure_pa)
    x = np.arange(n) - 0.5 * (n - 1)
    x *= -12.0 * float(x @ pressure_pa) / (n * (n * n - 1.0))
    x += pressure_pa
    return x


def _hearing(spectrum: Spectrum, floor: FloatArray, rate_hz: float, suction: bool) -> Hearing:
    width = spectrum.noise_bandwidth_bins * spectrum.bin_hz
    limit = 1.5 * exceeded_by_chance(spectrum.averages, FALSE_CLAIM / max(1, len(floor)))
    noise_pa = float(np.sqrt(floor.sum() * spectrum.bin_hz))
    return Hearing(spectrum.bin_hz, rate_hz, spectrum.hz, np.sqrt(2.0 * limit * floor * width), noise_pa, suction)


def _refined(
    pressure_pa: FloatArray, rate_hz: float, segment: int, cycle_hz: float, lines: Lines, bin_hz: float
) -> tuple[float, float, float]:
    """Cycle frequency averaged over pieces, its standard uncertainty, and that at the end over the average, from the
    strongest line that fits."""
    fits = [hz for hz in lines.hz if abs(hz - round(hz / cycle_hz) * cycle_hz) < TOLERANCE * hz + 0.6 * bin_hz]
    teeth = [max(1, round(hz / cycle_hz)) for hz in fits[:3]]
    if not teeth:
        return cycle_hz, 0.5 * bin_hz, 1.0
    tooth = teeth[0]
    length = max(int(0.8 * rate_hz), int(min(segment, 8 / (tooth * cycle_hz) * rate_hz * 3)))
    length = min(length, len(pressure_pa))
    starts = np.arange(0, len(pressure_pa) - length + 1, max(1, length // 2))
    if len(starts) > MOST_PIECES:
        starts = starts[np.linspace(0, len(starts) - 1, MOST_PIECES).astype(int)]
    wanted = tooth * cycle_hz
    step = rate_hz / (1 << int(np.ceil(np.log2(2 * length))))
    lo, hi = int(wanted * 0.95 / step), int(wanted * 1.05 / step) + 2
    parts = np.lib.stride_tricks.sliding_window_view(pressure_pa, length)[starts]
    power = powers_at(parts - parts.mean(axis=1)[:, None], hann(length), np.arange(lo, hi) * (step / rate_hz))
    top = np.argmax(power, axis=1)
    rows = np.flatnonzero((top > 0) & (top < power.shape[1] - 1))
    top = top[rows]
    a, b, c = (np.log(power[rows, top + side] + 1e-30) for side in (-1, 0, 1))
    bend = a - 2 * b + c
    values = (lo + top + np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, 1.0), 0.0)) * (step / tooth)
    if len(values) < 2:
        return (float(values[0]) if len(values) else cycle_hz), 0.1 * bin_hz, 1.0
    middle = float(np.median(values))
    near = np.abs(values - middle) < 0.04 * middle
    close = values[near]
    ends_at = _end_over_mean((starts[rows[near]] + 0.5 * length) / len(pressure_pa), close)
    return float(close.mean()), math.hypot(_hunting_u95(close) / 2.0, 0.02 * bin_hz / tooth), ends_at


def _end_over_mean(at: FloatArray, pieces_hz: FloatArray) -> float:
    """Where a straight line through pieces (n,) at `at` (n,), as parts of the stretch, ends, over their mean; 1 where
    they scatter more than they run."""
    if len(at) < 4:
        return 1.0
    mean, away = float(pieces_hz.mean()), at - at.mean()
    slope = float(away @ pieces_hz) / float(away @ away)
    explained = slope * slope * float(away @ away)
    if explained < STRAIGHT * float(((pieces_hz - mean) ** 2).sum()):
        return 1.0
    return 1.0 + slope * (1.0 - float(at.mean())) / mean


def _hunting_u95(pieces_hz: FloatArray) -> float:
    """Half-width within which the speed that an engine hunts about lies of the mean of its pieces (n,), which overlap
    by half. A hunt of a second or more is seen a few times only, so the pieces' memory (of order one, its estimate
    put right for short series: Kendall 1954) and Student's factor count; a speed farther off than all the pieces are
    apart was never seen."""
    n = len(pieces_hz)
    seen = lag_one(pieces_hz) if n > 3 and np.ptp(pieces_hz) > 0 else 0.0
    memory = min(0.95, max(OVERLAPPED, seen + (1.0 + 3.0 * seen) / n))
    effective = max(2.0, n * (1.0 - memory) / (1.0 + memory))
    u = float(pieces_hz.std()) / math.sqrt(effective - 1.0)
    return min(student_95(effective - 1.0) * u, float(np.ptp(pieces_hz)))


__all__ = ["UNEVEN_LIMITS", "PulseReading", "find_pulses"]
