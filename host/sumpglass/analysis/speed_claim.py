"""Whether the likeliest explanation of a spectrum's lines is told as an engine's speed, and how surely.

`engine_comb` weighs the speeds; the leads asked for here were set by how often a speed so far ahead was right, over
engines of six makers: where one claim in a hundred is wrong, three in ten clean firing lines sampled below 300 Hz are
passed over, and where two are, half as many. The second is taken, and a claim in doubt is told with a warning.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sumpglass.analysis.engine_comb import TOLERANCE, Hearing, Trial, explained_share, trials
from sumpglass.analysis.pulse_lines import Lines, keeps_time
from sumpglass.analysis.spectrum import Spectrum
from sumpglass.records import FloatArray

ENGINE_BY, LEAST_BY, SURE_BY = 1.5, 2.0, 5.0
"""Lead (log odds) over there being no engine, and over the next speed, for a speed to be told at all; and for it to be
told without a warning."""
LEAST_BLIND = 0.8
"""The same where the number of cylinders is not told, and the firing frequency is the likeliest at best."""
LINES_BY, LINES = 1.2, 4
"""How much more lead a speed needs with every e-fold that its lines are fewer than so many, and less if they are more:
the fewer there are, the more often an engine that no layout foresees looks like another."""
FOLDED_BY, FOLDED_DOUBT = 2.4, 1.0
"""How much more lead a speed needs whose strongest line sampling has folded, and how much more such a rival counts."""
SLOW_RATE_HZ, SLOW_BY = 160.0, 1.0
"""Sampled so slowly the pulses' upper lines fold among the lower ones, and a speed needs so much more lead."""
SHORT_BY = 2.0
"""Short segments tell tones of other origin apart less well, and a speed needs so much more lead."""
NATURAL_BY, LONE_BY = 2.3, 0.5
"""How much less lead a few lines need of which the strongest is the firing, and how much one such line alone needs."""
STRANGE_SHARE, STRANGE_BY = 0.95, 1.5
"""An explanation of less than so much of the lines' power needs so much more lead."""
LEAST_SHARE, UNEXPLAINED_BY, MOST_RIVALS = 0.75, 2.0, 8
"""An explanation that leaves more than the rest of the lines' power to other sources is none, and counts so much less
as a rival of another; the likeliest rivals are looked at."""
LONE_HZ, LONE_RATE_HZ, LONE_BY_NOISE = 80.0, 90.0, 2.0
LONE_LEVEL_PA, LONE_SHARE = 100.0, 0.4
"""One line alone that is higher may as well be a whistle of the drawn air or a ringing hose, and where sampling is
slower it may have folded; one that is lower, and so many times all noise, is told with a warning. So is one of any
height that is more than such a share of a level deeper than this: pistons swing so far, whistles do not."""
DRAWN_BY_NOISE = 0.3
"""Times all noise that is enough, at any height, there and for the firing among few lines, where the level says that an
engine draws: that something turns is known."""
QUIET_PA, FAINT_SHARE, STEADY_SHARE, MANY = 30.0, 2.0, 6.0, 5
"""Within so much of zero, fewer lines than `MANY` below so many times the noise are no engine's; nor are they below the
second where they keep time as the shaft of an electric motor does."""


QUIET_BY = 1.5
"""How much more lead a speed needs there whose lines are below the second, for nothing else says that anything runs."""


def too_faint(
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


def likeliest_engine(
    lines: Lines, hearing: Hearing, cylinders: int | None, expected_hz: float | None
) -> tuple[Trial | None, float, bool]:
    """(likeliest engine, its lead beyond what is asked for, sure); None where no engine is likelier than there being
    none, or none stands out of those that are possible."""
    if lines.mains.all() and not hearing.suction:
        return None, 0.0, False
    found = trials(lines, hearing, cylinders, expected_hz)
    none = next(trial.score for trial in found if trial.cycle_hz is None)
    engines = [trial for trial in found if trial.cycle_hz is not None]
    if not engines or engines[0].score < none + ENGINE_BY:
        return None, 0.0, False
    best = engines[0]
    # Trials of nearly the same firing rate are one explanation.
    firing = np.log([trial.cycle_hz * trial.count for trial in engines if trial.cycle_hz is not None])
    scores = np.array([trial.score + FOLDED_DOUBT * (trial.folded and not best.folded) for trial in engines])
    rivals = np.flatnonzero(np.abs(firing - firing[0]) > 0.02)
    rivals = rivals[np.argsort(-scores[rivals])][:MOST_RIVALS]
    for k in rivals:
        share = explained_share(_as_read(lines, engines[k]), hearing, engines[k].cycle_hz or 1.0)
        scores[k] -= UNEXPLAINED_BY * (share < LEAST_SHARE)
    lead = best.score - float(scores[rivals].max(initial=none))
    # Where nothing draws, only lines off the mains can say that those on them are an engine's.
    share = explained_share(lines, hearing, best.cycle_hz or 1.0)
    if not best.hum and hearing.level_pa < QUIET_PA and (lines.mains.all() or share < STRANGE_SHARE):
        return None, 0.0, False
    lines = _as_read(lines, best)
    share = explained_share(lines, hearing, best.cycle_hz or 1.0)
    heard = int((~lines.mains).sum())
    if best.cycle_hz is None or share < LEAST_SHARE:
        return None, 0.0, False
    least = LEAST_BY if cylinders is not None else LEAST_BLIND
    least += FOLDED_BY * best.folded + SLOW_BY * (hearing.rate_hz < SLOW_RATE_HZ) + SHORT_BY * hearing.short
    least += LINES_BY * math.log(LINES / max(1, heard)) + STRANGE_BY * (share < STRANGE_SHARE)
    faint = float(lines.amplitude_pa[0]) < STEADY_SHARE * hearing.noise_pa
    least += QUIET_BY * (faint and hearing.level_pa < QUIET_PA)
    natural = _firing_is_strongest(lines, hearing, best.cycle_hz * best.count)
    if natural and heard < LINES:
        least -= NATURAL_BY
    if heard == 1:
        if not natural or not _may_be_alone(lines, hearing):
            return None, 0.0, False
        least = LONE_BY if cylinders is not None else LEAST_BLIND
    if lead <= least:
        return None, 0.0, False
    return best, lead - least, lead > SURE_BY and heard > 1 and not hearing.short


def _as_read(lines: Lines, trial: Trial) -> Lines:
    """Lines with those marked that `trial` takes for mains hum."""
    return lines if trial.hum else replace(lines, mains=np.zeros(len(lines), bool))


def _firing_is_strongest(lines: Lines, hearing: Hearing, firing_hz: float) -> bool:
    """Whether the strongest line is the firing, sampled fast enough, and louder than all noise: what most engines show,
    and the first thing that anyone would take it for."""
    if lines.mains.all():
        return False
    hz, amplitude_pa = (float(of[~lines.mains][0]) for of in (lines.hz, lines.amplitude_pa))
    near = abs(hz - firing_hz) < TOLERANCE * hz + 0.6 * hearing.bin_hz
    loud = amplitude_pa > (DRAWN_BY_NOISE if hearing.suction else 1.0) * hearing.noise_pa
    return near and loud and hearing.rate_hz >= LONE_RATE_HZ


def _may_be_alone(lines: Lines, hearing: Hearing) -> bool:
    """Whether the one line there is besides hum may be an engine's."""
    hz, amplitude_pa = (float(of[~lines.mains][0]) for of in (lines.hz, lines.amplitude_pa))
    if hearing.rate_hz < LONE_RATE_HZ:
        return False
    if hearing.level_pa > LONE_LEVEL_PA and amplitude_pa > LONE_SHARE * hearing.level_pa:
        return True
    by_noise = DRAWN_BY_NOISE if hearing.suction else LONE_BY_NOISE
    clear = amplitude_pa > by_noise * hearing.noise_pa and hearing.level_pa > QUIET_PA
    return clear and (hz < LONE_HZ or hearing.suction) and not hearing.short
