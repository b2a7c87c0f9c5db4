"""One answer out of all families of sources: leak and draw with their intervals, and whether the line bends.

The families compete by prior chance and likelihood (`leak_posterior`). A line is called bent when a source that is not
choked is the likelier one and fits better; either way the intervals are those of all families together, so that a bend
too weak to be seen is counted in them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from sumpglass.procedures.leak_posterior import Mixture, Sources, fit_sources, mixture_of
from sumpglass.procedures.leak_problem import CHI2_95, LARGEST_MM2, SMALLEST_MM2, LeakProblem, SourceRows
from sumpglass.procedures.source_models import BENT_MODELS, CHOKED, SourceModel
from sumpglass.records import FloatArray

CHOKED_CHANCE, CHOKED_CHANCE_RECORDED = 0.5, 0.8
"""Prior chance of a choked suction. Where readings stand in a table nothing is known of the source; a recording has
errors of its own kind (pulses, settling), which look like a bend more often than not."""
BEND_GAIN, BEND_GAIN_RECORDED = 1.0, 6.634896601021213
"""Deviance by which a bent source has to fit better before a line is called bent. In a table it keeps
readings that tell nothing, and leave the chance at what it was before, from being called bent; about 4 % of straight
lines are then (tests/benchmarks/bench_procedures.py). In a recording it is the 1 % point of chi-square."""
STATED_FREEDOM = 4.0
"""Where the readings' uncertainty is assumed and not stated, it counts as known to so many degrees of freedom."""


@dataclass(frozen=True)
class Answer:
    """Leak areas in mm2 and draws in kg/s with 95 % intervals; `area_hi95_mm2` inf where the readings set no end.

    `log_evidence` is the logarithm of the readings' chance under all families, to a constant that only depends on which
    openings were in. `bent` is None where there are too few openings to tell. `deviance` is that of the choked line
    with its prior, `bend_gain` how much better the best bent source fits. `nuisance` is the best source's.
    """

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
    log_evidence: float


def answer_of(problem: LeakProblem, uncertainty_stated: bool) -> Answer:
    """Weigh the families. Fewer than three openings cannot tell a bend: then the suction is taken as choked."""
    distinct = len({round(float(a), 6) for a in problem.known_mm2})
    tells_bends = distinct >= 3 and (uncertainty_stated or len(problem.exact) >= 4)
    models: tuple[SourceModel, ...] = (CHOKED, *BENT_MODELS) if tells_bends else (CHOKED,)
    recorded = any(r.recorded for r in problem.readings)
    choked, least_gain = (CHOKED_CHANCE_RECORDED, BEND_GAIN_RECORDED) if recorded else (CHOKED_CHANCE, BEND_GAIN)
    chances = {CHOKED.name: choked} | {m.name: (1.0 - choked) * m.weight for m in BENT_MODELS}
    sources = fit_sources(problem, models)
    likelihood, scale = _likelihood(len(problem.exact), uncertainty_stated)
    mixture = mixture_of(problem, sources, chances, likelihood)
    straight_rows, bent_rows = sources.of([CHOKED.name]), sources.of([m.name for m in BENT_MODELS])
    penalised = [float(sources.least[i]) + _penalty(*sources.rows[i]) for i in straight_rows]
    deviance = min(penalised)
    bend_gain = max(0.0, deviance - min(float(sources.least[i]) for i in bent_rows)) if bent_rows else 0.0
    bent = mixture.straight < 0.5 and bend_gain > least_gain if tells_bends else None
    chosen = bent_rows if bent else straight_rows
    best = chosen[int(np.argmin(penalised))] if not bent else min(chosen, key=lambda i: float(sources.least[i]))
    widened = math.sqrt(scale(float(sources.least[best])))
    area, draw = _middle(problem, sources, mixture, chances, likelihood, chosen)
    low, high = mixture.area_quantiles((0.025, 0.975))
    draw_low, draw_high = _draws(mixture, widened)
    low, high = _ends(problem, sources, likelihood, chosen, low, high)
    return Answer(
        area, min(low, area), max(high, area), draw, min(draw_low, draw), max(draw_high, draw), bent,
        1.0 - mixture.straight, deviance, bend_gain, sources.rows[best][0].name, sources.rows[best][1],
        float(np.logaddexp.reduce(list(mixture.log_evidence.values())) + np.log(np.diag(problem.whitener)).sum()),
    )  # fmt: skip


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


class _Profile:
    """Least deviance of one family as a function of the leak, the readings' uncertainties taken as stated."""

    def __init__(self, problem: LeakProblem, model: SourceModel) -> None:
        sources = fit_sources(problem, [model])
        self.source = SourceRows(problem, sources.rows)
        self.penalties = np.array([_penalty(*row) for row in sources.rows])
        self.middle = math.log(float(sources.best_mm2[int(np.argmin(sources.least + self.penalties))]))

    def at(self, log_area: float) -> tuple[float, float]:
        """(deviance, logarithm of the draw) at a leak area."""
        found = self.source.fit(np.full((len(self.penalties), 1), math.exp(log_area)))
        row = int(np.argmin(found.deviance[:, 0] + self.penalties))
        return float(found.deviance[row, 0] + self.penalties[row]), float(found.log_draw[row, 0])

    def best(self) -> FamilyBest:
        from scipy.optimize import minimize_scalar

        found = minimize_scalar(
            lambda x: self.at(x)[0],
            bounds=(self.middle - 0.05, self.middle + 0.05), method="bounded", options={"xatol": 1e-7},
        )  # fmt: skip
        return FamilyBest(math.exp(float(found.x)), math.exp(self.at(float(found.x))[1]), float(found.fun))


def best_of_family(problem: LeakProblem, model: SourceModel = CHOKED) -> FamilyBest:
    """Fit one family alone."""
    return _Profile(problem, model).best()


def fit_family(problem: LeakProblem, model: SourceModel = CHOKED) -> FamilyFit:
    """Fit one family alone, with the interval by the likelihood ratio."""
    from scipy.optimize import brentq

    profile = _Profile(problem, model)
    best = profile.best()

    def above(log_area: float) -> float:
        return profile.at(log_area)[0] - best.deviance - CHI2_95

    at, low, high = math.log(best.area_mm2), math.log(SMALLEST_MM2), math.log(LARGEST_MM2)
    return FamilyFit(
        best.area_mm2,
        best.draw_kg_s,
        best.deviance,
        area_lo95_mm2=math.exp(brentq(above, low, at, xtol=1e-6)) if above(low) > 0 else 0.0,
        area_hi95_mm2=math.exp(brentq(above, at, high, xtol=1e-6)) if above(high) > 0 else math.inf,
    )


def _penalty(model: SourceModel, nuisance: float) -> float:
    """Deviance that the prior of a nuisance adds."""
    return 0.0 if model.prior is None else ((nuisance - model.prior[0]) / model.prior[1]) ** 2


def _likelihood(readings: int, stated: bool) -> tuple[Callable[[FloatArray], FloatArray], Callable[[float], float]]:
    """(log likelihood of a deviance, variance factor at a deviance). An assumed uncertainty is integrated out: the
    readings then follow Student's distribution (Bernardo and Smith, Bayesian Theory, 1994, 5.2)."""
    if stated:
        return (lambda deviance: -0.5 * deviance), (lambda _: 1.0)
    total = STATED_FREEDOM + readings

    def log_likelihood(deviance: FloatArray) -> FloatArray:
        return -0.5 * total * np.log1p(deviance / STATED_FREEDOM)

    return log_likelihood, lambda deviance: (STATED_FREEDOM + deviance) / max(total - 2.0, 1.0)


def _middle(
    problem: LeakProblem, sources: Sources, mixture: Mixture, chances: dict[str, float],
    likelihood: Callable[[FloatArray], FloatArray], chosen: Sequence[int],
) -> tuple[float, float]:  # fmt: skip
    """Medians of leak and draw over the chosen families alone."""
    names = {sources.rows[i][0].name for i in chosen}
    only = {name: chance for name, chance in chances.items() if name in names}
    part = mixture_of(problem, sources, only, likelihood) if len(only) < len(chances) else mixture
    return part.area_quantiles((0.5,))[0], part.draw_quantiles((0.5,))[0]


def _draws(mixture: Mixture, widened: float) -> tuple[float, float]:
    from dataclasses import replace

    low, high = replace(mixture, draw_sd=mixture.draw_sd * widened).draw_quantiles((0.025, 0.975))
    return low, high


def _ends(
    problem: LeakProblem, sources: Sources, likelihood: Callable[[FloatArray], FloatArray], chosen: Sequence[int],
    low: float, high: float,
) -> tuple[float, float]:  # fmt: skip
    """0 for a leak that cannot be told from none, and inf where no leak is too large, by the likelihood ratio."""
    fitted = sources.fitted
    rows = list(chosen)
    penalty = np.array([_penalty(*sources.rows[i]) for i in rows])[:, None]
    log = likelihood(fitted.deviance[rows] + penalty)
    top = float(log.max())
    areas = fitted.area_mm2[rows]
    none = float(log[areas <= 1.5 * SMALLEST_MM2].max(initial=-math.inf))
    endless = float(log[areas >= LARGEST_MM2 / 1.5].max(initial=-math.inf))
    return (
        0.0 if top - none < 0.5 * CHI2_95 else low,
        math.inf if top - endless < 0.5 * CHI2_95 else high,
    )
