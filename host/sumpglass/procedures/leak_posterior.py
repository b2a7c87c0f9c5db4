"""What the readings say of the leak and the draw, over all families of sources together.

Given a source, the readings are a straight-line problem in leak and draw with a single best place; so each source (a
family with one value of its nuisance) gets leak areas of its own around its best, the draw is integrated out by
Laplace's approximation, and the sources are mixed by prior chance and likelihood. Intervals are quantiles of that
mixture: where the readings cannot tell a bent source from a straight one, both count (model averaging: Hoeting and
others, Statistical Science 14 (1999) 382).

Prior of the leak: even in its bore up to the largest opening, beyond that even in 1/area, as a slope that cannot be
told from zero is.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from sumpglass.procedures.leak_grids import ABOUT_AS_WELL, COARSE, FAR_OFF, FINE, Grids, moved, narrowed, rows_of
from sumpglass.procedures.leak_problem import LARGEST_MM2, SMALLEST_MM2, LeakProblem
from sumpglass.procedures.leak_rows import Fitted, SourceRows
from sumpglass.procedures.source_models import SourceModel
from sumpglass.records import FloatArray

_NODES = np.concatenate([np.linspace(-4.5, -2.0, 8, endpoint=False), np.linspace(-2.0, 2.0, 19)])
_NODES = np.concatenate([_NODES, -_NODES[7::-1]])
_TAIL = 7
_START_MM2 = np.geomspace(0.02, 900.0, 45)
LEAST_GAIN = 1e-3
"""Deviance that does not matter to a chance."""
_REACH = 25.0
"""Deviance above the least at which a source no longer counts."""


@dataclass(frozen=True)
class Sources:
    """Sources fitted, each with its own areas (r, a): `best_mm2`, `least` deviance and `log_size` of
    the errors (`LeakProblem`) of each (r,).

    `grids`, `near_mm2` and `looked_at` are the sources looked at and where each was best, before those that fit far too
    badly were left out, with the deviance `looked_at_dear` of each.
    """

    rows: tuple[tuple[SourceModel, float], ...]
    best_mm2: FloatArray
    least: FloatArray
    log_size: FloatArray
    fitted: Fitted
    grids: Grids
    near_mm2: FloatArray
    looked_at: SourceRows
    looked_at_dear: FloatArray

    @property
    def dear(self) -> FloatArray:
        """Least deviance (r,) of each row with what its roughness costs (`SourceRows.cost`)."""
        return self.least + 2.0 * (self.looked_at.problem.log_size() - self.log_size)

    @property
    def penalty(self) -> FloatArray:
        """Deviance (r,) that the prior of each row's nuisance adds."""
        return np.array([model.penalty(nuisance) for model, nuisance in self.rows])

    def of(self, names: Sequence[str]) -> list[int]:
        """Indices of the rows of these families."""
        return [i for i, (model, _) in enumerate(self.rows) if model.name in names]


def fit_sources(problem: LeakProblem, models: Sequence[SourceModel], like: Sources | None = None) -> Sources:
    """Fit every family over its nuisance, close together wherever the readings allow it.

    `like` are the sources of another way to read the same series: the same values of the nuisance are looked at, unless
    these readings fit much better or reach beyond them.
    """
    if like is not None:
        found = _fitted(problem, like.grids, like.near_mm2, like.looked_at)
        if found.dear.min() > like.dear.min() - ABOUT_AS_WELL:
            for margin in (ABOUT_AS_WELL, FAR_OFF):
                grids, near = moved(found.grids, found.near_mm2, found.looked_at_dear, margin)
                if grids is not found.grids:
                    found = _fitted(problem, grids, near)
            return found
    grids = [(model, np.array(model.values)) for model in models]
    best: FloatArray | None = None
    if any(model.prior is None for model in models):
        for count in (COARSE, FINE):
            rows = SourceRows(problem, rows_of(grids))
            near, least = _best_areas(rows, best)
            grids, best = narrowed(grids, near, least + rows.cost, len(problem.readings), count)
    return _fitted(problem, grids, best)


def _fitted(problem: LeakProblem, grids: Grids, near_mm2: FloatArray | None, like: SourceRows | None = None) -> Sources:
    if like is not None and problem.differs_in_errors_alone(like.problem):
        source = like.on(problem)
    else:
        source = SourceRows(problem, rows_of(grids))
    areas, least = _best_areas(source, near_mm2)
    dear = least + source.cost
    keep = [i for i, (m, _) in enumerate(source.rows) if dear[i] <= dear.min() + _REACH or m.prior is not None]
    part = source.only(keep)
    fitted = part.fit(_nodes(part, areas[keep]), LEAST_GAIN)
    return Sources(part.rows, areas[keep], least[keep], part.log_size, fitted, grids, areas, source, dear)


def _best_areas(source: SourceRows, guess: FloatArray | None) -> tuple[FloatArray, FloatArray]:
    """Best area and least deviance of each row: looked for in ever closer steps."""
    count = len(source.rows)
    if guess is None:
        areas = np.tile(_START_MM2, (count, 1))
        ratio = float(_START_MM2[1] / _START_MM2[0])
    else:
        ratio = 1.25
        areas = guess[:, None] * ratio ** np.arange(-6, 7)
    for _ in range(4):
        deviance = source.fit(areas, LEAST_GAIN).deviance
        k = np.argmin(deviance, axis=1)
        at = np.arange(count)
        middle, least = areas[at, k], deviance[at, k]
        # A best at the end of what was looked at is gone after with steps as wide.
        edge = bool(np.any(((k == 0) | (k == areas.shape[1] - 1)) & (middle > SMALLEST_MM2) & (middle < LARGEST_MM2)))
        steps = np.linspace(-1.0, 1.0, 9) * (4.0 if edge else 1.0)
        areas = np.clip(middle[:, None] * ratio**steps, SMALLEST_MM2, LARGEST_MM2)
        ratio = ratio if edge else ratio**0.25
    return middle, least


def _nodes(source: SourceRows, best_mm2: FloatArray) -> FloatArray:
    """Areas (r, a) around the best of each row, by how closely its readings fix it, with tails to the ends."""
    p = source.problem
    fitted = source.fit(best_mm2[:, None], LEAST_GAIN)
    vacuum, slope = source.modelled_pa(np.arange(len(source.rows)), fitted.log_draw[:, 0], best_mm2)
    share = best_mm2[:, None] / (best_mm2[:, None] + p.known_mm2)
    _, by_draw = p.residuals(vacuum, slope, source.roughness)
    _, by_area = p.residuals(vacuum, -slope * share, source.roughness)
    mm = np.sum(by_draw**2, axis=1)
    am = np.sum(by_draw * by_area, axis=1)
    aa = np.sum(by_area**2, axis=1)
    sd = 1.0 / np.sqrt(np.maximum(aa - am**2 / np.maximum(mm, 1e-12), 1e-6))
    sd = np.clip(sd, 1e-4, 0.7)
    log_area = np.log(best_mm2)[:, None] + sd[:, None] * _NODES
    low, high = np.log(SMALLEST_MM2), np.log(LARGEST_MM2)
    # Towards none a leak is seen by its area, not its logarithm: the lower tail reaches all the way.
    steps = np.linspace(0.0, 1.0, _TAIL, endpoint=False)
    down = low + (np.maximum(log_area[:, :1], low + 0.1) - low) * np.sqrt(steps)
    up = high - (high - np.minimum(log_area[:, -1:], high - 0.1)) * steps[::-1]
    return np.exp(np.sort(np.clip(np.hstack([down, log_area, up]), low, high), axis=1))


@dataclass(frozen=True)
class Weighed:
    """One way to read the series, its sources with the logarithm of the chance (r, a) of each and of its areas.

    The chances of ways of the same readings may be compared: that of the way itself and the size of its errors are in
    them. `draw_sd` (r, a) is the spread of each draw's logarithm.
    """

    problem: LeakProblem
    sources: Sources
    log_weight: FloatArray
    draw_sd: FloatArray
    log_chance: float

    @property
    def log_evidence(self) -> float:
        """Logarithm of the chance of the readings, this way."""
        return float(np.logaddexp.reduce(self.log_weight, axis=None))

    def times(self, share: float) -> Weighed:
        """The same with this share of its chance before the readings."""
        log_share = math.log(share)
        return replace(self, log_weight=self.log_weight + log_share, log_chance=self.log_chance + log_share)


@dataclass(frozen=True)
class Mixture:
    """Leak areas and draws with the weight of each (n,), summing to 1; rising areas. The draw of a node is spread
    log-normally by `draw_sd`. `log_evidence` is the logarithm of all the weight that was there."""

    area_mm2: FloatArray
    weight: FloatArray
    log_draw: FloatArray
    draw_sd: FloatArray
    log_evidence: float

    def area_quantiles(self, chances: Sequence[float]) -> list[float]:
        """Areas below which the leak lies with these chances."""
        reached = np.cumsum(self.weight) - 0.5 * self.weight
        return [float(np.exp(np.interp(c, reached, np.log(self.area_mm2)))) for c in chances]

    def draw_quantiles(self, chances: Sequence[float]) -> list[float]:
        """Draws, kg/s, below which the draw lies with these chances."""
        from scipy.special import ndtr

        keep = self.weight > 1e-6 * self.weight.max()
        weight, middle, sd = self.weight[keep] / self.weight[keep].sum(), self.log_draw[keep], self.draw_sd[keep]
        grid = np.unique(
            np.concatenate([np.quantile(middle, np.linspace(0.0, 1.0, 120)), middle.min() - 4 * sd.max() * _ROUND])
        )

        @cache
        def reached(k: int) -> float:
            return float(ndtr((grid[k] - middle) / sd) @ weight)

        found = []
        for chance in chances:
            # The chance rises along the grid, so that halving finds the step in which it is reached.
            below, above = 0, len(grid) - 1
            while above - below > 1:
                k = (below + above) // 2
                below, above = (k, above) if reached(k) <= chance else (below, k)
            found.append(float(np.exp(np.interp(chance, [reached(below), reached(above)], grid[[below, above]]))))
        return found


_ROUND = np.linspace(0.0, 1.0, 5)


def weighed(
    problem: LeakProblem,
    models: Sequence[SourceModel],
    chances: dict[str, float],
    likelihood: Callable[[FloatArray], FloatArray],
    log_chance: float = 0.0,
    like: Sources | None = None,
) -> Weighed:
    """Weigh sources; `chances` are the prior chances of the families, `likelihood` gives the logarithm of that of a
    deviance, `log_chance` is that of this way to read the series."""
    sources = fit_sources(problem, models, like)
    fitted = sources.fitted
    log_area = np.log(fitted.area_mm2)
    width = np.gradient(log_area, axis=1)
    turn = max(float(problem.known_mm2.max()), 1.0)
    # Even in the bore is area**-1/2 a unit of area, +1/2 a unit of its logarithm.
    prior = 0.5 * log_area - 1.5 * np.log1p(fitted.area_mm2 / turn)
    log_weight = (
        likelihood(fitted.deviance)
        - 0.5 * np.log(fitted.draw_curvature)
        + prior
        + np.log(np.maximum(width, 1e-300))
        + np.log(np.maximum(_row_chances(sources.rows, chances), 1e-300))[:, None]
        + sources.log_size[:, None]
        + log_chance
    )
    return Weighed(problem, sources, log_weight, 1.0 / np.sqrt(fitted.draw_curvature), log_chance)


def mixture_of(parts: Sequence[Weighed], names: Sequence[str] | None = None) -> Mixture:
    """Mix the ways, of all families of sources or of these alone."""
    columns: list[list[FloatArray]] = [[], [], [], []]
    for part in parts:
        rows = slice(None) if names is None else part.sources.of(names)
        fitted = part.sources.fitted
        for column, values in zip(columns, (fitted.area_mm2, part.log_weight, fitted.log_draw, part.draw_sd)):
            column.append(values[rows].reshape(-1))
    area, log_weight, log_draw, draw_sd = (np.concatenate(column) for column in columns)
    order = np.argsort(area)
    total = float(np.logaddexp.reduce(log_weight))
    return Mixture(area[order], np.exp(log_weight[order] - total), log_draw[order], draw_sd[order], total)


def _row_chances(rows: Sequence[tuple[SourceModel, float]], chances: dict[str, float]) -> FloatArray:
    """Prior chance of each row (r,)."""
    found = np.zeros(len(rows))
    for model in {model.name: model for model, _ in rows}.values():
        mine = [k for k, (other, _) in enumerate(rows) if other is model]
        found[mine] = chances.get(model.name, 0.0) * model.chances(np.array([rows[k][1] for k in mine]))
    return found
