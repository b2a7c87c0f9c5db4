"""Engine speed and evenness from the pulses in crankcase pressure, four-stroke, one to eight cylinders.

Everything that an engine does repeats once per cycle, so all its lines are multiples of rpm/120. Which multiple is the
strongest depends on the engine: the firing line in most, the second-order swing of the pistons (the same line) in an
inline four, twice the firing line in a single. The strongest lines are therefore tried as each multiple that an engine
of so many cylinders may put first, and the trial is scored by how well its comb explains the other lines: a line that
falls on a wide comb by chance is worth more than one on a narrow comb.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from sumpglass.analysis.spectrum import Spectrum, exceeded_by_chance, noise_floor, welch
from sumpglass.records import FloatArray

LOWEST_RPM, HIGHEST_RPM = 380.0, 6300.0
SEGMENT_S = 4.0
FALSE_CLAIM = 1e-4
"""Chance that noise alone shows a line somewhere in the spectrum."""
MOST_PEAKS = 12
MOST_PIECES = 48


@dataclass(frozen=True)
class CrankLayout:
    """How often, and at which multiples of rpm/120, an even engine of one layout shows lines."""

    share: float
    multiples: tuple[int, ...]
    """Teeth that are there at even cylinders, up to 24."""
    strongest: tuple[tuple[int, float], ...]
    """Which tooth is the strongest, and how often."""


def _every(step: int) -> tuple[int, ...]:
    return tuple(range(step, 25, step))


LAYOUTS: dict[int, tuple[CrankLayout, ...]] = {
    1: (CrankLayout(1.0, _every(1), ((2, 0.66), (1, 0.3), (4, 0.02))),),
    2: (
        CrankLayout(0.5, _every(2), ((2, 0.93), (4, 0.04))),
        CrankLayout(0.25, (1, 3, 4, 5, 7, 8, 9, 11, 12, 13, 16, 20), ((4, 0.7), (1, 0.12), (3, 0.15))),
        CrankLayout(0.25, (1, 2, 3, 5, 6, 7, 8, 9, 10, 11, 13, 14), ((2, 0.75), (3, 0.15), (1, 0.08))),
    ),
    3: (CrankLayout(1.0, _every(3), ((3, 0.93), (6, 0.04))),),
    4: (CrankLayout(1.0, _every(4), ((4, 0.95), (8, 0.03))),),
    5: (CrankLayout(1.0, _every(5), ((5, 0.93), (10, 0.04))),),
    6: (CrankLayout(0.8, _every(6), ((6, 0.93), (12, 0.03))), CrankLayout(0.2, _every(3), ((3, 0.8), (6, 0.18)))),
    7: (CrankLayout(1.0, _every(7), ((7, 0.93), (14, 0.04))),),
    8: (CrankLayout(0.9, _every(8), ((8, 0.93), (16, 0.02))), CrankLayout(0.1, _every(4), ((4, 0.8), (8, 0.18)))),
}
"""Which lines remain when the cylinders are alike, from the firing order and the crank throws of the usual layouts:
one cylinder; a twin with both pistons together, opposed (180 degrees) or at 90 degrees; even and odd-fire sixes."""
COUNT_SHARES = {1: 0.12, 2: 0.08, 3: 0.12, 4: 0.4, 5: 0.04, 6: 0.16, 7: 0.01, 8: 0.07}
"""How often an engine of unknown make has so many cylinders (a guess: it only breaks ties)."""
ODD_STRONGEST = 0.08
"""Chance that the strongest line is none of a layout's, because one cylinder differs much."""
MAINS_HZ = 0.15
HUM_COST = 2.0
WHISTLE_COST = 3.0
"""Log odds against taking lines for hum, and the strongest line for a tone of other origin."""
SLOW_RPM, SLOW_COST = 650.0, 8.0
"""Engines seldom run below this speed: log odds against a speed, per factor e below it (common practice, no source)."""
SURE_BY = 2.0
TOLERANCE = 0.006
"""How far a line may lie from its tooth, relative, besides half a bin."""


@dataclass(frozen=True)
class Lines:
    """Significant lines of a spectrum, strongest first; arrays (lines,)."""

    hz: FloatArray
    amplitude_pa: FloatArray


@dataclass(frozen=True)
class PulseReading:
    """Pulses of one stretch; None where they cannot be told."""

    firing_hz: float | None = None
    rpm: float | None = None
    rpm_u95: float | None = None
    half_order_pa: float | None = None
    half_order_ratio: float | None = None
    uneven: bool | None = None
    rms_pa: float | None = None
    strongest_hz: float | None = None
    warnings: tuple[str, ...] = ()


def significant_lines(spectrum: Spectrum, floor: FloatArray, highest_hz: float) -> Lines:
    """Local maxima that noise exceeds with a chance of `FALSE_CLAIM` over the whole spectrum."""
    p, hz = spectrum.density_pa2_hz, spectrum.hz
    limit = exceeded_by_chance(spectrum.averages, FALSE_CLAIM / max(1, len(p)))
    inner = np.arange(2, len(p) - 1)
    inner = inner[(hz[inner] > LOWEST_RPM / 120 * 0.95) & (hz[inner] < highest_hz)]
    top = inner[(p[inner] > p[inner - 1]) & (p[inner] >= p[inner + 1]) & (p[inner] > limit * 1.5 * floor[inner])]
    if not len(top):
        return Lines(np.empty(0), np.empty(0))
    order = top[np.argsort(p[top])[::-1][: MOST_PEAKS * 2]]
    kept: list[int] = []
    for k in order:
        if all(abs(k - other) > 3 for other in kept):
            kept.append(int(k))
    at = np.array(kept[:MOST_PEAKS])
    logs = np.log(p)
    left, middle, right = logs[at - 1], logs[at], logs[at + 1]
    curve = left - 2 * middle + right
    shift = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, 1.0), 0.0).clip(-0.5, 0.5)
    amplitude = np.array([line_amplitude(spectrum, floor, float(hz[k])) for k in at])
    return Lines((at + shift) * spectrum.bin_hz, amplitude)


def line_amplitude(spectrum: Spectrum, floor: FloatArray, hz: float, spread: float = 0.004) -> float:
    """Amplitude in pascals of the line at `hz`, the noise under it taken off; lines widen as the speed wanders."""
    half = 2.0 * spectrum.bin_hz + spread * hz
    near = np.abs(spectrum.hz - hz) <= half
    power = float((spectrum.density_pa2_hz[near] - floor[near]).sum()) * spectrum.bin_hz
    return float(np.sqrt(2.0 * max(power, 0.0)))


def find_pulses(
    pressure_pa: FloatArray,
    rate_hz: float,
    cylinders: int | None = None,
    line_gain: Callable[[FloatArray], FloatArray] | None = None,
) -> PulseReading:
    """Read the pulses of one steady, evenly sampled stretch (n,).

    `line_gain`: callable hz (k,) -> gain (k,) of the hose between port and sensor.
    """
    n = len(pressure_pa)
    segment = int(min(SEGMENT_S * rate_hz, n))
    if segment < max(32, int(0.8 * rate_hz)) or not np.ptp(pressure_pa) > 0:
        return PulseReading()
    if n < 1.5 * segment:
        segment = max(int(0.8 * rate_hz), int(n / 1.5))
    spectrum = welch(_without_slope(pressure_pa), rate_hz, segment)
    floor = noise_floor(spectrum)
    lines = significant_lines(spectrum, floor, 0.49 * rate_hz)
    if not len(lines.hz) or _hum_alone(lines, spectrum, floor):
        return PulseReading()
    cycle_hz, order, sure = _cycle(lines, spectrum.bin_hz, rate_hz, cylinders)
    if cycle_hz is None:
        return PulseReading(strongest_hz=float(lines.hz[0]))
    count = cylinders if cylinders is not None else order
    cycle_hz, u_hz = _refined(pressure_pa, rate_hz, segment, cycle_hz, lines, spectrum.bin_hz)
    warnings = []
    if not sure:
        warnings.append(
            "the pulses fit two speeds, of which the likelier is given: in a twin or a single the strongest line may "
            "be the firing, twice or four times rpm/120"
        )
    even = _evenness(spectrum, floor, lines, cycle_hz, count, cylinders, line_gain)
    return PulseReading(
        firing_hz=cycle_hz * count,
        rpm=None if cylinders is None else 120.0 * cycle_hz,
        rpm_u95=None if cylinders is None else 120.0 * 2.0 * u_hz,
        strongest_hz=float(lines.hz[0]),
        warnings=tuple(warnings),
        **even,
    )


def _without_slope(pressure_pa: FloatArray) -> FloatArray:
    """A level that still creeps would leak into every line of a short stretch."""
    n = len(pressure_pa)
    x = np.arange(n) - 0.5 * (n - 1)
    return pressure_pa - (12.0 * float(x @ pressure_pa) / (n * (n * n - 1.0))) * x


def _hum_alone(lines: Lines, spectrum: Spectrum, floor: FloatArray) -> bool:
    """Whether all there is are lines of the mains that are fainter than the noise: no engine is claimed on that."""
    noise_pa = float(np.sqrt(floor.sum() * spectrum.bin_hz))
    return bool(lines.amplitude_pa[0] < noise_pa and _of_the_mains(lines).all())


def _of_the_mains(lines: Lines) -> npt.NDArray[np.bool_]:
    mains = np.zeros(len(lines.hz), bool)
    for hum in (50.0, 60.0):
        mains |= (np.abs(lines.hz - hum * np.round(lines.hz / hum)) < MAINS_HZ) & (lines.hz > 45.0)
    return mains


def _cycle(lines: Lines, bin_hz: float, rate_hz: float, cylinders: int | None) -> tuple[float | None, int, bool]:
    """(rpm/120 or None, cylinders, sure) that explains the lines best, some of which may come from elsewhere."""
    trials: list[tuple[float, float, int]] = []
    for chosen, cost in _readings_of(lines):
        trials += [(score + cost, cycle, count) for score, cycle, count in _combs(chosen, bin_hz, rate_hz, cylinders)]
    if not trials:
        return None, 0, False
    trials.sort(reverse=True)
    best = trials[0]
    rivals = [t for t in trials[1:] if abs(np.log(t[1] * t[2] / (best[1] * best[2]))) > 0.02]
    return best[1], best[2], not rivals or best[0] - rivals[0][0] > SURE_BY


def _readings_of(lines: Lines) -> list[tuple[Lines, float]]:
    """The lines as they are, and without those that may be mains hum or a whistle of the drawn air, at a cost."""
    found = [(lines, 0.0)]
    mains = _of_the_mains(lines)
    rest = Lines(lines.hz[~mains], lines.amplitude_pa[~mains])
    if mains.any() and len(rest.hz):
        found.append((rest, -HUM_COST))
    for some, cost in list(found):
        if len(some.hz) > 2:
            found.append((Lines(some.hz[1:], some.amplitude_pa[1:]), cost - WHISTLE_COST))
    return found


def _combs(lines: Lines, bin_hz: float, rate_hz: float, cylinders: int | None) -> list[tuple[float, float, int]]:
    """(score, rpm/120, cylinders) of every comb on which the strongest line may lie."""
    trials = []
    for count, count_share in {cylinders: 1.0}.items() if cylinders is not None else COUNT_SHARES.items():
        for layout in LAYOUTS[count]:
            likely = dict(layout.strongest)
            for order in range(1, 2 * count + 3):
                cycle = float(lines.hz[0]) / order
                if not LOWEST_RPM <= 120 * cycle <= HIGHEST_RPM:
                    continue
                share = likely.get(order, ODD_STRONGEST * (1.0 if order == 1 else 0.3))
                score = float(np.log(share * layout.share * count_share))
                score -= SLOW_COST * max(0.0, float(np.log(SLOW_RPM / (120.0 * cycle))))
                trials.append((score + _pattern(lines, cycle, count, layout, bin_hz, rate_hz), cycle, count))
    return trials


def _pattern(lines: Lines, cycle_hz: float, count: int, layout: CrankLayout, bin_hz: float, rate_hz: float) -> float:
    """Log likelihood of the lines' pattern: strays off the comb, and what lies on teeth even cylinders lack."""
    strongest = float(lines.amplitude_pa[0])
    score, even, odd = 0.0, 1e-12, 0.0
    teeth: dict[int, float] = {}
    for hz, amplitude in zip(lines.hz, lines.amplitude_pa):
        tooth = _tooth(float(hz), cycle_hz, count, bin_hz, rate_hz)
        if tooth is None:
            score -= 4.0 * min(1.0, 0.3 + float(amplitude) / strongest)
            continue
        teeth[tooth] = float(amplitude)
        if tooth in layout.multiples or (tooth > 24 and tooth % count == 0):
            even += float(amplitude) ** 2
        else:
            odd += float(amplitude) ** 2
    unlike = np.sqrt(odd / (even + odd))
    score += np.log(0.9 * np.exp(-unlike / 0.1) + 0.03)
    highest = min(float(lines.hz.max()) / cycle_hz, 12.0)
    absent = sum(1 for tooth in layout.multiples if tooth < highest - 0.5 and tooth not in teeth)
    score -= 0.8 * min(absent, 5)
    if count <= 2 and 1 in layout.multiples and len(lines.hz) > 1 and not any(tooth % 2 for tooth in teeth):
        score -= 2.0
    present = [teeth[tooth] for tooth in layout.multiples if tooth in teeth]
    rises = sum(max(0.0, float(np.log(b / (1.3 * a)))) for a, b in zip(present[1:], present[2:]))
    score -= min(rises, 3.0)
    if count > 2 and odd > 0:
        # With one cylinder unlike the others every tooth is there, and the firing tooth stands out of its neighbours.
        beside = max(teeth.get(count - 1, 0.0), teeth.get(count + 1, 0.0), 0.05 * strongest)
        score += 1.5 * float(np.clip(np.log(max(teeth.get(count, 0.0), 0.02 * strongest) / beside), -1.5, 1.5))
    return float(score)


def _tooth(hz: float, cycle_hz: float, count: int, bin_hz: float, rate_hz: float) -> int | None:
    """Number of the tooth that a line lies on, also one folded at half the rate; None for none."""
    tooth = max(1, round(hz / cycle_hz))
    if abs(hz - tooth * cycle_hz) <= TOLERANCE * hz + 0.6 * bin_hz:
        return tooth
    mirrored = max(1, round((rate_hz - hz) / cycle_hz))
    beyond = mirrored * cycle_hz
    if (
        mirrored <= 4 * count
        and beyond > rate_hz / 2
        and abs(rate_hz - hz - beyond) <= TOLERANCE * beyond + 0.6 * bin_hz
    ):
        return mirrored
    return None


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
    found = []
    wanted = tooth * cycle_hz
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    size = 1 << int(np.ceil(np.log2(2 * length)))
    for s in starts:
        part = pressure_pa[s : s + length]
        power = np.abs(np.fft.rfft((part - part.mean()) * window, size)) ** 2
        step = rate_hz / size
        lo, hi = int(wanted * 0.95 / step), int(wanted * 1.05 / step) + 2
        k = lo + int(np.argmax(power[lo:hi]))
        if 0 < k < len(power) - 1 and lo < k < hi - 1:
            a, b, c = np.log(power[k - 1 : k + 2] + 1e-30)
            k_fine = k + 0.5 * (a - c) / (a - 2 * b + c) if a - 2 * b + c < 0 else float(k)
            found.append((k_fine * step / tooth, float(power[k])))
    if len(found) < 2:
        return (found[0][0] if found else cycle_hz), 0.1 * bin_hz
    values = np.array([f for f, _ in found])
    middle = float(np.median(values))
    close = values[np.abs(values - middle) < 0.04 * middle]
    mean = float(close.mean())
    independent = max(1.0, len(close) / 2)
    return mean, float(np.sqrt(close.var() / independent + (0.02 * bin_hz / tooth) ** 2))


UNEVEN_LIMITS = {2: 0.07, 3: 0.15, 4: 0.17, 5: 0.27, 6: 0.21, 7: 0.3, 8: 0.33}
"""Half-order ratio above which an engine of so many cylinders is called uneven: the 99 % point over even engines at
many speeds, lines and swings, whose cylinders differ by 4 % (bench_happenings.py prints the false calls). The more
cylinders, the weaker their common firing line, and the more of the pulses is chance difference."""


def _evenness(
    spectrum: Spectrum,
    floor: FloatArray,
    lines: Lines,
    cycle_hz: float,
    count: int,
    cylinders: int | None,
    line_gain: Callable[[FloatArray], FloatArray] | None,
) -> dict[str, Any]:
    gain = np.ones(len(spectrum.hz))
    if line_gain is not None:
        gain[1:] = np.clip(np.asarray(line_gain(spectrum.hz[1:])), 0.05, 50.0)
    corrected = Spectrum(spectrum.hz, spectrum.density_pa2_hz / gain**2, spectrum.bin_hz, spectrum.noise_bandwidth_bins,
                         spectrum.segments, spectrum.averages)  # fmt: skip
    under = floor / gain**2
    top = min(0.49 / spectrum.bin_hz * spectrum.bin_hz * 2 * spectrum.hz[-1], spectrum.hz[-1])
    teeth = np.arange(1, max(2, int(top / cycle_hz)) + 1) * cycle_hz
    power = sum(line_amplitude(corrected, under, float(hz)) ** 2 / 2 for hz in teeth[:64] if hz < spectrum.hz[-2])
    rms = float(np.sqrt(power))
    half = line_amplitude(corrected, under, cycle_hz)
    ratio = half / (np.sqrt(2.0) * rms) if rms > 0 else None
    near = np.abs(spectrum.hz - cycle_hz) <= 2.0 * spectrum.bin_hz + 0.004 * cycle_hz
    seen = float(spectrum.density_pa2_hz[near].max(initial=0.0)) > exceeded_by_chance(
        spectrum.averages, 0.01 / max(1, int(near.sum()))
    ) * float(floor[near].mean())
    uneven: bool | None = None
    if cylinders is not None and cylinders > 1 and ratio is not None:
        odd_twin = cylinders == 2 and abs(float(lines.hz[0]) / cycle_hz - 2.0) > 0.1
        uneven = None if odd_twin else bool(seen and ratio > UNEVEN_LIMITS[cylinders])
    return {"half_order_pa": half, "half_order_ratio": ratio, "uneven": uneven, "rms_pa": rms}
