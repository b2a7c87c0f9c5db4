"""One answer out of all families of sources: leak and draw with their intervals, and whether the line bends.

The families compete by prior chance and likelihood (`leak_posterior`). A line is called bent when sources that are not
choked have a fair chance together and one of them fits better; either way the intervals are those of all families
together, so that a bend too weak to be seen is counted in them. How well bends can be recognised at all:
`tests/benchmarks/leak_oracle.py`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.procedures.leak_posterior import Sources, Weighed, fit_sources, mixture_of, weighed
from sumpglass.procedures.leak_problem import CHI2_95, LARGEST_MM2, SMALLEST_MM2, LeakProblem
from sumpglass.procedures.leak_rows import SourceRows
from sumpglass.procedures.source_models import BENT_MODELS, CHOKED, SourceModel
from sumpglass.records import FloatArray

CHOKED_CHANCE = 0.6
"""Prior chance of a choked suction: at idle the manifold is deep enough for it, if nothing is worn or sprung (a
judgement, no source)."""
BENT_FROM = 0.28
"""Chance from which a line counts as bent: a bend that is missed misleads more than a straight line that is called
bent, whose leak and interval stay right. Nine bends of ten are then recognised, and one straight line of seven is
called bent (tests/benchmarks/bench_procedures.py, bench_size_leak_recordings.py); of tables whose openings hardly
change the vacuum, three of ten."""
BENT_FROM_WARM = 0.4
"""The same where nobody told how warm the gas is that strong pulses push out: other gas bends the line as well."""
BEND_GAIN = 0.2
"""Deviance by which a bent source has to fit better before a line is called bent. It keeps readings that tell nothing,
and leave the chance at what it was before, from being called bent."""
STATED_FREEDOM = 4.0
"""Where the readings' uncertainty is assumed and not stated, it counts as known to so many degrees of freedom."""


@dataclass(frozen=True)
class Answer:
    """Leak areas in mm2 and draws in kg/s with 95 % intervals; `area_hi95_mm2` inf where the readings set no end.

    `problem` is the likeliest way to read the series. `bent` is None where there are too few openings to tell.
    `deviance` is that of the choked line with its prior, `bend_gain` how much better the best bent source fits.
    `nuisance` is the best source's.
    """

    problem: LeakProblem
    area_mm2: float
    area_lo95_mm2: float
    area_hi95_mm2: float
    draw_kg_s: float
    draw_lo95_kg_s: float
    draw_hi95_kg_s: float
    bent: bool | None
    bent_chance: float
    deviance: float
    bend_gain: float
    model: str
    nuisance: float


def weigh(problem: LeakProblem, uncertainty_stated: bool, chance: float = 1.0, like: Sources | None = None) -> Weighed:
    """Weigh the families of sources under one way to read the series, which has this chance before the readings.

    `like` are the sources of another way, if there is one: it saves time.

    Fewer than three openings cannot tell a bend: then the suction is taken as choked.
    """
    chances = {CHOKED.name: CHOKED_CHANCE} | {m.name: (1.0 - CHOKED_CHANCE) * m.weight for m in BENT_MODELS}
    models = (CHOKED, *BENT_MODELS) if _tells_bends(problem, uncertainty_stated) else (CHOKED,)
    likelihood = _likelihood(len(problem.exact), uncertainty_stated)
    part = weighed(problem, models, chances, likelihood, math.log(chance), like)
    if uncertainty_stated:
        return part
    # An assumed uncertainty is as large as the readings say.
    freedom = max(STATED_FREEDOM + len(problem.exact) - 2.0, 1.0)
    widened = math.sqrt((STATED_FREEDOM + float(part.sources.least.min())) / freedom)
    return replace(part, draw_sd=part.draw_sd * widened)


def answer_of(parts: Sequence[Weighed], uncertainty_stated: bool = True) -> Answer:
    """One answer from all the ways to read the series."""
    taken = max(parts, key=lambda part: part.log_evidence)
    whole = mixture_of(parts)
    straight, bent_names = mixture_of(parts, [CHOKED.name]), [m.name for m in BENT_MODELS]
    straight_chance = math.exp(straight.log_evidence - whole.log_evidence)
    deviance, _ = _best_row(taken, [CHOKED.name])
    bend_gain, bent = 0.0, None
    if _tells_bends(taken.problem, uncertainty_stated):
        bend_gain = max(0.0, _least(parts, [CHOKED.name]) - _least(parts, bent_names))
        needed = BENT_FROM if len({part.problem.room for part in parts}) == 1 else BENT_FROM_WARM
        bent = straight_chance < 1.0 - needed and bend_gain > BEND_GAIN
    names = bent_names if bent else [CHOKED.name]
    # Called bent it may still be straight: its leak lies between, by the chance of each.
    chosen = whole if bent else straight
    area, draw = chosen.area_quantiles((0.5,))[0], chosen.draw_quantiles((0.5,))[0]
    low, high = _ends(parts, names, uncertainty_stated, *whole.area_quantiles((0.025, 0.975)))
    draw_low, draw_high = whole.draw_quantiles((0.025, 0.975))
    if _best_row(taken, names)[1] < 0:
        taken = min(parts, key=lambda part: _best_row(part, names)[0])
    best = taken.sources.rows[_best_row(taken, names)[1]]
    return Answer(
        taken.problem, area, min(low, area), max(high, area), draw, min(draw_low, draw), max(draw_high, draw), bent,
        1.0 - straight_chance, deviance, bend_gain, best[0].name, best[1],
    )  # fmt: skip


def _tells_bends(problem: LeakProblem, uncertainty_stated: bool) -> bool:
    distinct = len({round(float(a), 6) for a in problem.known_mm2})
    return distinct >= 3 and (uncertainty_stated or len(problem.exact) >= 4)


def _best_row(part: Weighed, names: Sequence[str]) -> tuple[float, int]:
    """(least deviance with the nuisance's prior and what roughness costs, its row) among these families; inf where none
    of them fits at all."""
    sources, rows = part.sources, part.sources.of(names)
    roughness = 2.0 * (part.problem.log_size() - sources.log_size[rows])
    total = sources.least[rows] + sources.penalty[rows] + roughness
    return min(zip(total.tolist(), rows), default=(math.inf, -1))


def _least(parts: Sequence[Weighed], names: Sequence[str]) -> float:
    """Least deviance among these families over all ways, each with what its own size of errors costs."""
    return min(_best_row(part, names)[0] - 2.0 * (part.problem.log_size() + part.log_chance) for part in parts)


@dataclass(frozen=True)
class FamilyBest:
    """The likeliest leak and draw under one family of sources."""

    area_mm2: float
    draw_kg_s: float
    deviance: float


@dataclass(frozen=True)
class FamilyFit(FamilyBest):
    """The same, with the leak's 95 % interval under that family alone."""

    area_lo95_mm2: float
    area_hi95_mm2: float


def best_of_family(problem: LeakProblem, model: SourceModel = CHOKED) -> FamilyBest:
    """Fit one family alone, to a few thousandths of the leak."""
    sources = fit_sources(problem, [model])
    penalised = sources.least + sources.penalty
    row = int(np.argmin(penalised))
    area = float(sources.best_mm2[row])
    log_draw = float(np.interp(math.log(area), np.log(sources.fitted.area_mm2[row]), sources.fitted.log_draw[row]))
    return FamilyBest(area, math.exp(log_draw), float(penalised[row]))


def fit_family(problem: LeakProblem, model: SourceModel = CHOKED) -> FamilyFit:
    """Fit one family alone exactly, the readings' uncertainties taken as stated; the interval by the likelihood
    ratio."""
    from scipy.optimize import brentq, minimize_scalar

    sources = fit_sources(problem, [model])
    source = SourceRows(problem, sources.rows)
    penalties = sources.penalty
    middle = math.log(float(sources.best_mm2[int(np.argmin(sources.least + penalties))]))

    def fitted(log_area: float) -> tuple[float, float]:
        """(deviance, logarithm of the draw) at a leak area."""
        found = source.fit(np.full((len(penalties), 1), math.exp(log_area)))
        row = int(np.argmin(found.deviance[:, 0] + penalties))
        return float(found.deviance[row, 0] + penalties[row]), float(found.log_draw[row, 0])

    best = minimize_scalar(
        lambda x: fitted(x)[0], bounds=(middle - 0.05, middle + 0.05), method="bounded", options={"xatol": 1e-7}
    )
    at, least = float(best.x), float(best.fun)

    def above(log_area: float) -> float:
        return fitted(log_area)[0] - least - CHI2_95

    low, high = math.log(SMALLEST_MM2), math.log(LARGEST_MM2)
    return FamilyFit(
        math.exp(at),
        math.exp(fitted(at)[1]),
        least,
        area_lo95_mm2=math.exp(brentq(above, low, at, xtol=1e-6)) if above(low) > 0 else 0.0,
        area_hi95_mm2=math.exp(brentq(above, at, high, xtol=1e-6)) if above(high) > 0 else math.inf,
    )


def _likelihood(readings: int, stated: bool) -> Callable[[FloatArray], FloatArray]:
    """Logarithm of the likelihood of a deviance. An assumed uncertainty is integrated out: the readings then follow
    Student's distribution (Bernardo and Smith, Bayesian Theory, 1994, 5.2)."""
    if stated:
        return lambda deviance: -0.5 * deviance
    total = STATED_FREEDOM + readings
    return lambda deviance: -0.5 * total * np.log1p(deviance / STATED_FREEDOM)


def _ends(
    parts: Sequence[Weighed], names: Sequence[str], uncertainty_stated: bool, low: float, high: float
) -> tuple[float, float]:
    """0 for a leak that cannot be told from none, and inf where no leak is too large, by the likelihood ratio."""
    top = none = endless = -math.inf
    for part in parts:
        rows = part.sources.of(names)
        if not rows:
            continue
        likelihood = _likelihood(len(part.problem.exact), uncertainty_stated)
        penalty = part.sources.penalty[rows][:, None]
        own = part.sources.log_size[rows][:, None] + part.log_chance
        log = likelihood(part.sources.fitted.deviance[rows] + penalty) + own
        areas = part.sources.fitted.area_mm2[rows]
        top = max(top, float(log.max()))
        none = max(none, float(log[areas <= 1.5 * SMALLEST_MM2].max(initial=-math.inf)))
        endless = max(endless, float(log[areas >= LARGEST_MM2 / 1.5].max(initial=-math.inf)))
    return (
        0.0 if top - none < 0.5 * CHI2_95 else low,
        math.inf if top - endless < 0.5 * CHI2_95 else high,
    )
