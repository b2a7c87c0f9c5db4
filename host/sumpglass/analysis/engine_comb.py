"""Which engine speed explains the lines of a spectrum: a likelihood over speeds and layouts, against there being none.

Everything that an engine does repeats once per cycle, so its lines are teeth of a comb of rpm/120. How strong each
tooth may be follows from the layout: pistons move the gas volume with the first and second order of the crank, summed
over the cranks' angles; blow-by comes once per firing, summed over the firing angles, and what the crankcase gathers of
it falls with the order; cylinders that differ leave a little on every tooth; the gauge hose takes the high teeth away.
Shares between these parts are unknown and the likeliest is taken (a profile likelihood). Teeth beyond half the rate are
looked for where sampling folds them to. A line off the comb must come from elsewhere: mains hum is sharp and known, a
whistle or a shaken rig is neither, and each costs the odds of its being there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.analysis.engine_layouts import COUNT_SHARES, LAYOUTS, TEETH, templates, typical, usual_strength
from sumpglass.analysis.pulse_lines import HIGHEST_RPM, LOWEST_RPM, Lines
from sumpglass.records import FloatArray

HIGHEST_TOOTH = 96
"""Up to which the firing's multiples are looked for."""
HIGH_COST, HIGH_SHARE = 1.5, 0.3
"""Cost of a line among those higher multiples, which is no longer one of the strongest."""
FOLDED_TEETH = 16
SAME_CYCLE = 0.0005
"""Combs nearer than this (relative) are tried once."""
TOLERANCE = 0.006
"""How far a line may lie from its tooth, relative, besides half a bin."""
PLACE, PLACE_BINS = 0.002, 0.3
"""Scatter of a line's place about its tooth, relative and in bins, once the comb has been fitted to its lines."""
SPREAD_LOG = 0.7
"""Scatter of a tooth's amplitude about its layout's (log), for hoses, ports and openings that nobody knows."""
WORST, WORST_STRONG, WORST_UNSEEN = 3.5, 3.0, 4.0
"""Most that one tooth may cost, seen, the strongest of all so much more, and unseen (beyond the firing tooth less and
less): something unforeseen strengthens or hides a faint line now and then, and seldom makes the strongest."""
CORNERS_HZ = (1e6, 100.0, 40.0, 12.0)
CORNER_ODDS = (-2.4, -0.8, -1.0, -3.1)
OFFSETS = (-0.7, 0.0, 0.7)
"""Scale of the comb against its strongest tooth (log)."""
ROUGH_BY = 12.0
"""Speeds that a rough look finds this much less likely than the likeliest are given up."""
NO_ENGINE = -5.0
"""Log odds of a recording without a running engine."""
HUM_COST, TONE_COST, FAINT_COST = 2.5, 8.0, 4.6
COINCIDENCE, SUCTION = 3.0, 3.0
LOUD_HUM, LOUD_COST = 5.0, 1.5
SKIRT_COST, CLEAR_LOG = 0.7, 1.0
TONE_HZ, TONE_PER_E = 40.0, 2.0
"""Costs of reading a line as hum, as a tone of other origin (a faint one less, and less the higher it stands above
`TONE_HZ`: drawn air whistles and hoses ring there), of an engine whose lines fall on the mains and are as sharp, and
of no engine although something draws, of hum (per e) that is louder than so many times the noise, and
of a faint line beside a much stronger one; a line that is not `CLEAR_LOG` above the noise counts for less."""
USUAL_RPM, RPM_LOG = 1200.0, 1.2
SLOW_RPM, SLOW_COST = 550.0, 3.0
"""Speeds at which engines are tested: log normal, and seldom below idle (common practice, no source)."""
KNOWN = 3.0
"""Log odds for the speed of the same engine's other stretches."""
FOLDED_COST = 4.5
"""Whoever chose the rate mostly kept it above the pulses; and hoses weaken what lies higher."""
BEYOND_COST = 1.0
"""Cost of a firing beyond half the rate of which other, unfolded lines are the strongest."""


@dataclass(frozen=True)
class Hearing:
    """What of the spectrum matters besides its lines."""

    bin_hz: float
    rate_hz: float
    hz: FloatArray
    """(bins,)"""
    least_pa: FloatArray
    """Amplitude (bins,) that a line would need to be seen."""
    noise_pa: float = 0.0
    """RMS of what lies under the lines."""
    suction: bool = False
    """Whether the level says that something draws."""
    level_pa: float = 0.0
    """How far the level is from zero."""
    short: bool = False
    """Whether it comes from short segments."""


@dataclass(frozen=True)
class Trial:
    """One explanation: rpm/120 (None: no engine), cylinders, log likelihood."""

    score: float
    cycle_hz: float | None
    count: int
    folded: bool = False
    hum: bool = True
    """Whether lines that may be mains hum were taken for hum."""


def trials(lines: Lines, hearing: Hearing, cylinders: int | None, expected_hz: float | None = None) -> list[Trial]:
    """Every explanation of `lines`, the likeliest first; that there is no engine is among them.

    `expected_hz`: firing frequency that the same engine had in better heard stretches.
    """
    cost = _stray_costs(lines, hearing)
    found = [Trial(NO_ENGINE - float(cost.sum()) - SUCTION * hearing.suction, None, 0)]
    found += _engines(lines, hearing, cylinders, expected_hz, cost, -_louder_hum(lines))
    if lines.mains.any():
        # Lines on the mains may be an engine's all the same.
        plain = Lines(lines.hz, lines.amplitude_pa, np.zeros(len(lines), bool))
        same = _engines(plain, hearing, cylinders, expected_hz, _stray_costs(plain, hearing), -COINCIDENCE)
        found += [replace(trial, hum=False) for trial in same]
    return sorted(found, key=lambda trial: -trial.score)


def _louder_hum(lines: Lines) -> float:
    """Cost of hum that drowns the pulses: leads pick up some, not many times what the sensor gives."""
    if not lines.mains.any() or lines.mains.all():
        return 0.0
    return 2.0 * float(np.log(max(1.0, lines.amplitude_pa[lines.mains].max() / lines.amplitude_pa[~lines.mains].max())))


def _engines(
    lines: Lines, hearing: Hearing, cylinders: int | None, expected_hz: float | None, cost: FloatArray, odds: float
) -> list[Trial]:
    """Explanations by an engine; lines that may be hum count as nothing but a cost."""
    found: list[Trial] = []
    best = -math.inf
    for count, share in {cylinders: 1.0}.items() if cylinders is not None else COUNT_SHARES.items():
        cycles, folded = _candidates(lines, hearing, count)
        if not len(cycles):
            continue
        cycles = _fitted(lines, hearing, cycles, count)
        seen, least, gone, strange = _on_comb(lines, hearing, cycles, count, cost)
        rpm = 120.0 * cycles
        prior = np.log(share) - 0.5 * (np.log(rpm / USUAL_RPM) / RPM_LOG) ** 2 - FOLDED_COST * folded + odds
        prior = prior - BEYOND_COST * (~folded & (cycles * count > 0.5 * hearing.rate_hz))
        prior = prior - SLOW_COST * np.maximum(0.0, np.log(SLOW_RPM / rpm))
        if expected_hz is not None:
            prior = prior + KNOWN * (np.abs(np.log(cycles * count / expected_hz)) < 0.06)
        for number, layout in enumerate(LAYOUTS[count]):
            rough = _fit(seen, least, gone, cycles, count, number, rough=True) + prior + strange
            kept = np.flatnonzero(rough > max(best, float(rough.max())) - ROUGH_BY)
            best = max(best, float(rough.max()))
            fits = _fit(seen[kept], least[kept], gone[kept], cycles[kept], count, number)
            fits = fits + (prior + strange)[kept] + np.log(layout.share)
            found += [Trial(float(f), float(cycles[k]), count, bool(folded[k])) for f, k in zip(fits, kept)]
    return found


def _stray_costs(lines: Lines, hearing: Hearing) -> FloatArray:
    share = lines.amplitude_pa / lines.amplitude_pa.max()
    tone = TONE_COST - TONE_PER_E * np.maximum(0.0, np.log(lines.hz / TONE_HZ))
    # What hardly stands out of the noise may belong to it.
    clear = np.log(lines.amplitude_pa / np.interp(lines.hz, hearing.hz, hearing.least_pa))
    other = FAINT_COST + np.maximum(tone - FAINT_COST, 0.0) * np.sqrt(share) * np.clip(clear / CLEAR_LOG, 0.0, 1.0)
    # Beside a much stronger line a faint one comes from its wandering.
    beside = np.abs(np.log(lines.hz[:, None] / lines.hz)) < 0.16
    skirt = (beside & (lines.amplitude_pa[:, None] < 0.12 * lines.amplitude_pa)).any(axis=1)
    loud = LOUD_COST * np.maximum(0.0, np.log(lines.amplitude_pa / (LOUD_HUM * hearing.noise_pa + 1e-9)))
    return np.where(lines.mains, HUM_COST * np.minimum(1.0, 0.2 + share) + loud, np.where(skirt, SKIRT_COST, other))


def _candidates(lines: Lines, hearing: Hearing, count: int) -> tuple[FloatArray, np.ndarray]:
    """Cycle frequencies (trials,) that put one of the strongest lines on a tooth, folded (trials,) or not."""
    cycles: list[float] = []
    folded: list[bool] = []
    for k in np.flatnonzero(~lines.mains)[:3]:
        hz = float(lines.hz[k])
        for real in (hz, hearing.rate_hz - hz, hearing.rate_hz + hz):
            for order in range(1, 2 * count + 3):
                cycle = real / order
                if not LOWEST_RPM <= 120 * cycle <= HIGHEST_RPM or (real != hz and order > max(4, count)):
                    continue
                tried = [other for other, fold in zip(cycles, folded) if fold == (real != hz)]
                if all(abs(cycle - other) > SAME_CYCLE * cycle for other in tried):
                    cycles.append(cycle)
                    folded.append(real != hz)
    return np.array(cycles), np.array(folded, bool)


def _placed(cycles: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Per trial and tooth: frequency, where sampling shows it, and which way (+1 or -1) that moves with it."""
    real = np.outer(cycles, np.arange(1, TEETH + 1))
    off = real - rate_hz * np.round(real / rate_hz)
    return real, np.abs(off), np.where(off < 0, -1.0, 1.0)


def _fitted(lines: Lines, hearing: Hearing, cycles: FloatArray, count: int) -> FloatArray:
    """Cycle frequencies (trials,) moved to where their teeth fit all their lines best, the low teeth first: a comb laid
    through one low line misses the places of its high and folded teeth."""
    usual = usual_strength(count)
    k = np.arange(1, TEETH + 1)
    for highest in (TEETH // 4, TEETH):
        real, place, way = _placed(cycles, hearing.rate_hz)
        sigma = PLACE * real + PLACE_BINS * hearing.bin_hz
        off = (lines.hz - place[:, :, None]) * way[:, :, None]
        off[:, :, lines.mains] = np.inf
        worth = np.where(np.abs(off) <= (TOLERANCE * real + 0.6 * hearing.bin_hz)[:, :, None], usual[:, None], -np.inf)
        worth[:, highest:] = -np.inf
        tooth = worth.argmax(axis=1)
        there = np.take_along_axis(worth, tooth[:, None, :], axis=1)[:, 0] > -np.inf
        away = np.where(there, np.take_along_axis(off, tooth[:, None, :], axis=1)[:, 0], 0.0)
        weight = k[tooth] * there / np.take_along_axis(sigma, tooth, axis=1) ** 2
        cycles = cycles + (weight * away).sum(axis=1) / np.maximum((weight * k[tooth]).sum(axis=1), 1e-9)
    return cycles


def _on_comb(
    lines: Lines, hearing: Hearing, cycles: FloatArray, count: int, cost: FloatArray
) -> tuple[FloatArray, FloatArray, np.ndarray, FloatArray]:
    """Per trial and tooth: log amplitude seen (NaN: none), log amplitude needed, teeth not to be judged; and per trial
    the cost of lines off the comb and of lines off their places on it."""
    real, folded, _ = _placed(cycles, hearing.rate_hz)
    reach = TOLERANCE * real + 0.6 * hearing.bin_hz
    away = np.abs(folded[:, :, None] - lines.hz)
    on = away <= reach[:, :, None]
    # Of several teeth in one place the line is that of the tooth which is strongest in most engines.
    misplaced = 0.5 * (away / (PLACE * real + PLACE_BINS * hearing.bin_hz)[:, :, None]) ** 2
    worth = np.where(on, usual_strength(count)[:, None] - misplaced, -np.inf)
    first = worth.argmax(axis=1)
    taken = on.any(axis=1) & ~lines.mains
    seen = np.full(real.shape, np.nan)
    logs = np.log(lines.amplitude_pa)
    for line in range(len(lines) - 1, -1, -1):
        rows = np.flatnonzero(taken[:, line])
        seen[rows, first[rows, line]] = logs[line]
    # Of what lies higher only the firing's multiples are looked for, and nothing is made of their sizes.
    higher = np.outer(cycles * count, np.arange(TEETH // count + 1, HIGHEST_TOOTH // count + 1))
    near = np.minimum(TOLERANCE * higher + 0.6 * hearing.bin_hz, 0.1 * count * cycles[:, None])
    also = (np.abs(higher[:, :, None] - lines.hz) <= near[:, :, None]).any(axis=1) & ~lines.mains & ~taken
    also &= lines.amplitude_pa < HIGH_SHARE * lines.amplitude_pa.max()
    off_place = np.minimum(np.take_along_axis(misplaced, first[:, None, :], axis=1)[:, 0], cost)
    strange = -np.where(taken, off_place, np.where(also, HIGH_COST, cost)).sum(axis=1)
    least = np.log(np.interp(folded, hearing.hz, hearing.least_pa))
    # Close to nought the wander hides lines; a tooth that shares its place with hum or with another cannot be told.
    gone = (folded < 2.5) | (on.any(axis=2) & np.isnan(seen))
    return seen, least, gone, strange


def _fit(
    seen: FloatArray,
    least: FloatArray,
    gone: np.ndarray,
    cycles: FloatArray,
    count: int,
    number: int,
    rough: bool = False,
) -> FloatArray:
    """Log likelihood (trials,) of the teeth's amplitudes, summed over mixes, corners and scales; a few if `rough`."""
    if not len(cycles):
        return np.empty(0)
    rows, odds = templates(count, number)
    offsets: tuple[float, ...] = OFFSETS
    if rough:
        rows, odds, offsets = rows[typical()], odds[typical()], OFFSETS[1:2]
    real = np.outer(cycles, np.arange(1, TEETH + 1))
    strongest = np.nanmax(np.where(np.isnan(seen), -np.inf, seen), axis=1)
    present = ~np.isnan(seen)
    strong = np.exp(0.5 * np.where(present, seen - strongest[:, None], 0.0))
    unseen = WORST_UNSEEN * np.minimum(1.0, (count + 1.0) / np.arange(1, TEETH + 1))
    most = np.where(present, WORST + WORST_STRONG * strong, unseen)
    most = np.where(gone, 0.0, most)[:, None, :]
    # A tooth that is seen costs by how far it is off either way; an unseen one only where it should have been seen.
    told = (np.where(present, seen, least) - strongest[:, None])[:, None, :]
    nearest = np.where(present, -np.inf, 0.0)[:, None, :]
    ones, scale = np.ones(TEETH), float(np.sqrt(0.5)) / SPREAD_LOG
    judged = 0.4 * (present & ~gone).sum(axis=1)
    fits = []
    for corner, odd in zip(CORNERS_HZ, CORNER_ODDS):
        shape = rows[None] - 0.5 * np.log1p((real / corner) ** 4)[:, None, :]
        shape -= shape.max(axis=2, keepdims=True)
        shape -= told
        shape *= scale
        for offset in offsets:
            worse = shape + offset * scale
            np.maximum(worse, nearest, out=worse)
            worse *= worse
            np.minimum(worse, most, out=worse)
            fits.append(odds + (odd - 0.5 * (offset / 0.7) ** 2) - worse @ ones)
    every = np.concatenate(fits, axis=1)
    best = every.max(axis=1)
    return np.asarray(best + np.log(np.exp(every - best[:, None]).sum(axis=1)) - judged)


def explained_share(lines: Lines, hearing: Hearing, cycle_hz: float) -> float:
    """Share of the power of all lines but hum that lies on the comb of `cycle_hz`, the lowest teeth folded among it."""
    real = cycle_hz * np.arange(1, HIGHEST_TOOTH + 1)
    place = np.abs(real - hearing.rate_hz * np.round(real / hearing.rate_hz))
    place[FOLDED_TEETH:] = real[FOLDED_TEETH:]
    near = np.minimum(TOLERANCE * real + 0.6 * hearing.bin_hz, np.where(place == real, 0.25, 0.05) * cycle_hz)
    at = np.abs(place[:, None] - lines.hz) <= near[:, None]
    # A tooth so high that nothing is known of its size is never one of the strongest.
    on = at[:TEETH].any(axis=0) | (at.any(axis=0) & (lines.amplitude_pa < HIGH_SHARE * lines.amplitude_pa.max()))
    power = np.where(lines.mains, 0.0, lines.amplitude_pa**2)
    return float(power[on].sum() / power.sum()) if power.sum() > 0 else 1.0
