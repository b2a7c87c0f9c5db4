"""Engine speed and evenness from the pulses in crankcase pressure, four-stroke, one to eight cylinders.

Lines are found by `pulse_lines` and explained by `engine_comb`; here the explanation is weighed, refined and told.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.analysis.engine_comb import TOLERANCE, Hearing, Trial, explained_share, trials
from sumpglass.analysis.evenness import UNEVEN_LIMITS, evenness
from sumpglass.analysis.pulse_lines import FALSE_CLAIM, Lines, keeps_time, significant_lines, sounds_evenly, with_mains
from sumpglass.analysis.spectrum import Spectrum, exceeded_by_chance, hann, noise_floor, powers_at, welch
from sumpglass.analysis.statistics import lag_one, student_95
from sumpglass.records import FloatArray

SEGMENT_S = 4.0
SHORT_SEGMENT_S, SHORT_BY = 1.25, 2.0
"""Where segments of the first length show no speed, shorter ones may: lines that wander then stay in one bin, and more
of them are averaged. They tell tones of other origin apart less well, and a speed needs so much more lead."""
MOST_PIECES = 48
OVERLAPPED = 1.0 / 3.0
"""Memory from piece to piece that halves the number of independent ones."""
PART_S = 6.0
"""Where a stretch shows lines but no one speed, its halves are heard if they are so long."""
ENGINE_BY, LEAST_BY, SURE_BY = 1.5, 1.0, 4.0
"""Lead (log odds) over there being no engine, and over the next speed, for a speed to be told at all; and for it to be
told without a warning."""
LEAST_BLIND = 0.2
"""The same where the number of cylinders is not told, and the firing frequency is the likeliest at best."""
FOLDED_BY, FOLDED_DOUBT = 1.0, 1.0
"""How much more lead a speed needs whose strongest line sampling has folded, and how much more such a rival counts."""
SLOW_RATE_HZ, SLOW_BY = 160.0, 1.0
"""Sampled so slowly the pulses' upper lines fold among the lower ones, and a speed needs so much more lead."""
LEAST_SHARE = 0.75
"""An explanation that leaves more than the rest of the lines' power to other sources is none."""
LONE_HZ = 80.0
LONE_LEVEL_PA, LONE_SHARE = 100.0, 0.4
"""One line alone that is higher may as well be a whistle of the drawn air or a ringing hose, and where sampling is slow
it may have folded; one that is lower is told with a warning. So is one of any height that is more than such a share of
a level deeper than this: pistons swing so far, whistles do not."""
QUIET_PA, FAINT_SHARE, STEADY_SHARE, MANY = 30.0, 2.0, 6.0, 5
"""Within so much of zero, fewer lines than `MANY` below so many times the noise are no engine's; nor are they below the
second where they keep time as the shaft of an electric motor does."""
SUCTION_PA, SUCTION_SHARE = 50.0, 3.0
"""A level deeper than this, and than so many times the strongest line, says that an engine draws."""


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
    warnings: tuple[str, ...] = ()


def find_pulses(
    pressure_pa: FloatArray,
    rate_hz: float,
    cylinders: int | None = None,
    line_gain: Callable[[FloatArray], FloatArray] | None = None,
    expected_hz: float | None = None,
) -> PulseReading:
    """Read the pulses of one evenly sampled stretch (n,); of a half of it, with a warning, where the speed changes.

    `line_gain`: callable hz (k,) -> gain (k,) of the hose between port and sensor.
    `expected_hz`: firing frequency of the same engine in stretches where it is heard better.
    """
    reading = _find_steady(pressure_pa, rate_hz, cylinders, line_gain, expected_hz)
    n = len(pressure_pa)
    if reading.firing_hz is None and n >= 3 * SHORT_SEGMENT_S * rate_hz:
        short = _find_steady(pressure_pa, rate_hz, cylinders, line_gain, expected_hz, SHORT_SEGMENT_S)
        if short.firing_hz is not None or reading.strongest_hz is None:
            reading = short
    if reading.firing_hz is not None or reading.strongest_hz is None or n < 2 * PART_S * rate_hz:
        return reading
    for part in (pressure_pa[: n // 2], pressure_pa[n // 2 :]):
        told = _find_steady(part, rate_hz, cylinders, line_gain, expected_hz)
        if told.firing_hz is not None and not told.warnings:
            return replace(told, warnings=("the speed is not the same throughout: that of a half is told",))
    return reading


def _find_steady(
    pressure_pa: FloatArray,
    rate_hz: float,
    cylinders: int | None,
    line_gain: Callable[[FloatArray], FloatArray] | None,
    expected_hz: float | None,
    segment_s: float = SEGMENT_S,
) -> PulseReading:
    """Pulses of a stretch (n,) at one speed."""
    n = len(pressure_pa)
    segment = int(min(segment_s * rate_hz, n))
    if segment < max(32, int(0.8 * rate_hz)) or not np.ptp(pressure_pa) > 0:
        return PulseReading()
    if n < 1.5 * segment:
        segment = max(int(0.8 * rate_hz), int(n / 1.5))
    level_pa = abs(float(pressure_pa.mean()))
    pressure_pa = _without_slope(pressure_pa)
    spectrum = welch(pressure_pa, rate_hz, segment)
    floor = noise_floor(spectrum)
    lines = significant_lines(spectrum, floor, 0.49 * rate_hz)
    lines = with_mains(lines, pressure_pa, rate_hz, spectrum, floor)
    if not len(lines.hz) or _too_faint(lines, spectrum, floor, level_pa, pressure_pa, rate_hz):
        return PulseReading()
    suction = level_pa > max(SUCTION_PA, SUCTION_SHARE * float(lines.amplitude_pa[0]))
    hearing = _hearing(spectrum, floor, rate_hz, suction)
    hearing = replace(hearing, level_pa=level_pa, short=segment_s < SEGMENT_S)
    best, sure = _explained(lines, hearing, cylinders, expected_hz)
    if best is None or best.cycle_hz is None:
        return PulseReading(strongest_hz=float(lines.hz[0]))
    if not sounds_evenly(pressure_pa, rate_hz, float(lines.hz[int(np.argmin(lines.mains))])):
        return PulseReading(strongest_hz=float(lines.hz[0]))
    count = best.count
    cycle_hz, u_hz = _refined(pressure_pa, rate_hz, segment, best.cycle_hz, lines, spectrum.bin_hz)
    warnings = []
    if not sure:
        warnings.append(
            "the pulses fit more than one speed, of which the likeliest is given: the strongest line may be the "
            "firing, or in a twin or a single twice or four times rpm/120, or one line alone is all there is"
        )
    even = evenness(spectrum, floor, lines, cycle_hz, count, cylinders, line_gain)
    return PulseReading(
        firing_hz=cycle_hz * count,
        rpm=None if cylinders is None else 120.0 * cycle_hz,
        rpm_u95=None if cylinders is None else 120.0 * 2.0 * u_hz,
        strongest_hz=float(lines.hz[0]),
        warnings=tuple(warnings),
        **even,
    )


def _too_faint(
    lines: Lines, spectrum: Spectrum, floor: FloatArray, level_pa: float, pressure_pa: FloatArray, rate_hz: float
) -> bool:
    """Whether no engine is claimed on lines so faint: hum of the mains alone under the noise, or, where the level does
    not say that anything draws, tones of whatever runs in the room (a fan, a pump) that hardly stand out of it."""
    noise_pa = float(np.sqrt(floor.sum() * spectrum.bin_hz))
    strongest_pa, hz = float(lines.amplitude_pa[0]), float(lines.hz[0])
    if strongest_pa < noise_pa and lines.mains.all():
        return True
    if level_pa >= QUIET_PA or strongest_pa >= STEADY_SHARE * noise_pa or len(lines) >= MANY:
        return False
    if strongest_pa < FAINT_SHARE * noise_pa:
        return True
    return keeps_time(pressure_pa, rate_hz, hz, float(np.interp(hz, spectrum.hz, floor)))


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


def _explained(
    lines: Lines, hearing: Hearing, cylinders: int | None, expected_hz: float | None
) -> tuple[Trial | None, bool]:
    """(likeliest engine, sure); None where no engine is likelier, or nothing stands out of what is possible."""
    if lines.mains.all() and not hearing.suction:
        return None, False
    found = trials(lines, hearing, cylinders, expected_hz)
    none = next(trial.score for trial in found if trial.cycle_hz is None)
    engines = [trial for trial in found if trial.cycle_hz is not None]
    if not engines or engines[0].score < none + ENGINE_BY:
        return None, False
    best = engines[0]
    # Trials of nearly the same firing rate are one explanation.
    firing = np.log([trial.cycle_hz * trial.count for trial in engines if trial.cycle_hz is not None])
    scores = np.array([trial.score + FOLDED_DOUBT * (trial.folded and not best.folded) for trial in engines])
    rivals = np.abs(firing - firing[0]) > 0.02
    lead = best.score - float(scores[rivals].max(initial=none))
    least = LEAST_BY if cylinders is not None else LEAST_BLIND
    least += FOLDED_BY * best.folded + SLOW_BY * (hearing.rate_hz < SLOW_RATE_HZ) + SHORT_BY * hearing.short
    if lead <= least or best.cycle_hz is None or explained_share(lines, hearing, best.cycle_hz) < LEAST_SHARE:
        return None, False
    alone = int((~lines.mains).sum()) == 1
    if alone and not _may_be_alone(lines, hearing):
        return None, False
    return best, lead > SURE_BY and not alone and not hearing.short


def _may_be_alone(lines: Lines, hearing: Hearing) -> bool:
    """Whether the one line there is besides hum may be an engine's."""
    hz, amplitude_pa = (float(of[~lines.mains][0]) for of in (lines.hz, lines.amplitude_pa))
    if hearing.level_pa > LONE_LEVEL_PA and amplitude_pa > LONE_SHARE * hearing.level_pa:
        return True
    return hz < LONE_HZ and hearing.rate_hz >= SLOW_RATE_HZ and not hearing.short


def _refined(
    pressure_pa: FloatArray, rate_hz: float, segment: int, cycle_hz: float, lines: Lines, bin_hz: float
) -> tuple[float, float]:
    """Cycle frequency averaged over pieces, and its standard uncertainty, from the strongest line that fits."""
    fits = [hz for hz in lines.hz if abs(hz - round(hz / cycle_hz) * cycle_hz) < TOLERANCE * hz + 0.6 * bin_hz]
    teeth = [max(1, round(hz / cycle_hz)) for hz in fits[:3]]
    if not teeth:
        return cycle_hz, 0.5 * bin_hz
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
        return (float(values[0]) if len(values) else cycle_hz), 0.1 * bin_hz
    middle = float(np.median(values))
    close = values[np.abs(values - middle) < 0.04 * middle]
    return float(close.mean()), math.hypot(_hunting_u95(close) / 2.0, 0.02 * bin_hz / tooth)


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
