"""Leak and net draw from readings with known openings ("standard addition").

Balance at each reading: Cd (A + A_k) flux(dp_k) = m0 g(dp_k), A the leak in units of bore area, A_k the known opening,
m0 the net draw at zero gauge pressure, g how the draw changes as the crankcase gets deeper. Under a choked suction g
is almost 1, so that 1/sqrt(dp) is a straight line in A_k; under a finite source it bends.

Likelihood of the readings in the vacuum itself (not in 1/sqrt(dp), where a small reading's error is skewed), profiled
over everything but the leak; intervals by the likelihood ratio, so they are as lopsided as the data make them, and a
censored reading ("deeper than") counts as what it is. References: Bates and Watts, Nonlinear Regression Analysis and
Its Applications (1988), chapter 6, for the profile; Tobin, Econometrica 26 (1958) 24, for the censored likelihood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sumpglass.procedures.openings import BORE_U95_MM, OPENING_CD, Reading, Room, mean_flux_kg_s_m2
from sumpglass.procedures.source_models import SourceModel
from sumpglass.records import FloatArray

CHI2_95 = 3.841458820694124
MM2 = 1e-6
SMALLEST_MM2, LARGEST_MM2 = 1e-3, 3e3
NARROWING = ((40, 13), (40, 13), (40, 13), (90, 13))
"""Passes of the narrowing: areas, and values of the nuisance of each family."""
_TABLE = 500


@dataclass(frozen=True)
class Profile:
    """Over leak areas (a,): least `deviance` over all else, and at that place the logarithm of the draw, the nuisance,
    and half the second derivative of the deviance by the logarithm of the draw."""

    area_mm2: FloatArray
    deviance: FloatArray
    log_draw: FloatArray
    nuisance: FloatArray
    draw_curvature: FloatArray
    model: str
    by_nuisance: FloatArray
    """Least deviance over the areas, for each value of the nuisance that was tried."""


@dataclass(frozen=True)
class SourceFit:
    """One family of sources fitted: best values, their intervals, and how well it fits."""

    model: str
    nuisance: float
    """Depth of vacuum, Pa, at which the source gives nothing more (inf if it never does), for the bent families."""
    area_mm2: float
    area_lo95_mm2: float
    area_hi95_mm2: float
    draw_kg_s: float
    draw_lo95_kg_s: float
    draw_hi95_kg_s: float
    deviance: float


class LeakProblem:
    """Readings made ready to fit: flux tables, whitened residuals. `zero_u_pa` is shared by all readings."""

    def __init__(
        self,
        readings: Sequence[Reading],
        room: Room,
        zero_u_pa: float = 0.0,
        cd: float = OPENING_CD,
        bore_u95_mm: float = BORE_U95_MM,
    ) -> None:
        self.room, self.cd, self.zero_u_pa = room, cd, zero_u_pa
        self.exact = [r for r in readings if r.vacuum_pa is not None]
        self.censored = [r for r in readings if r.vacuum_pa is None]
        self.readings = [*self.exact, *self.censored]
        self.known_mm2 = np.array([r.area_mm2 for r in self.readings])
        self.vacuum_pa = np.array([r.vacuum_pa for r in self.exact], dtype=float)
        self.u_pa = np.array([r.u_pa for r in self.exact], dtype=float)
        self.limit_pa = np.array([r.deeper_than_pa for r in self.censored], dtype=float)
        self.limit_u_pa = np.array([max(r.u_pa, 0.002 * abs(r.deeper_than_pa or 0.0), 0.5) for r in self.censored])
        self.deepest_pa = float(max([*self.vacuum_pa, *self.limit_pa]))
        self.bore_u_mm = bore_u95_mm / 1.96
        self._cache: dict[tuple[str, float], list[tuple[FloatArray, FloatArray, FloatArray]]] = {}
        self.tables = [self._flux_table(r) for r in self.readings]
        self.whitener = np.linalg.inv(np.linalg.cholesky(self._covariance(None)))

    def _flux_table(self, reading: Reading) -> tuple[FloatArray, FloatArray]:
        swing = float(np.abs(reading.shape_pa).max())
        most = min(0.85 * self.room.pressure_pa, 6.0 * self.deepest_pa + 2.0 * swing + 2000.0)
        root = np.linspace(0.0, np.sqrt(most), _TABLE)
        vacuum = root**2
        return vacuum, mean_flux_kg_s_m2(vacuum, reading.shape_pa, self.room)

    def _covariance(self, leak_mm2: float | None) -> FloatArray:
        variance = self.u_pa**2
        if leak_mm2 is not None:
            # dp goes with (A + A_k)**-2 and A_k with the square of the bore.
            n = len(self.exact)
            bores = np.array([r.opening_mm for r in self.exact])
            share = np.pi / 2.0 * bores * self.bore_u_mm / np.maximum(leak_mm2 + self.known_mm2[:n], 1e-9)
            variance = variance + (2.0 * np.maximum(self.vacuum_pa, self.u_pa) * share) ** 2
        return np.diag(variance) + self.zero_u_pa**2

    def count_bores(self, leak_mm2: float) -> None:
        """Add to the covariance what uncertain bores do to the readings, at a leak of about this size."""
        self.whitener = np.linalg.inv(np.linalg.cholesky(self._covariance(leak_mm2)))

    def modelled_pa(
        self, model: SourceModel, nuisance: float, log_draw: FloatArray, leak_mm2: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Vacuum (a, n) that each reading should show, and its slope against ln m0, for leaks (a,) and draws (a,)."""
        shape = (len(leak_mm2), len(self.readings))
        vacuum, slope = np.empty(shape), np.empty(shape)
        for i, (log_demand, log_vacuum, steepness) in enumerate(self._demands(model, nuisance)):
            wanted = log_draw - np.log(self.cd * MM2 * (leak_mm2 + self.known_mm2[i]) + 1e-30)
            # Between points of the table logarithms of both keep a square-root law exact.
            k = np.clip(np.searchsorted(log_demand, wanted), 1, len(log_demand) - 1)
            share = np.clip((wanted - log_demand[k - 1]) / (log_demand[k] - log_demand[k - 1]), 0.0, 1.0)
            vacuum[:, i] = np.exp(log_vacuum[k - 1] + share * (log_vacuum[k] - log_vacuum[k - 1]))
            slope[:, i] = steepness[k - 1] + share * (steepness[k] - steepness[k - 1])
        return vacuum, slope

    def _demands(self, model: SourceModel, nuisance: float) -> list[tuple[FloatArray, FloatArray, FloatArray]]:
        """For each reading, in rising order: ln of flux over the source's share, ln vacuum, d vacuum/d ln(that)."""
        key = (model.name, nuisance)
        if key not in self._cache:
            made = []
            for table_pa, flux in self.tables:
                share = model.share(table_pa, nuisance, self.deepest_pa, self.room.pressure_pa)
                keep = share > 1e-3
                log_demand = np.log(np.maximum(flux[keep], 1e-12) / share[keep])
                rising = np.concatenate([[True], np.diff(np.maximum.accumulate(log_demand)) > 1e-12])
                log_demand, x = log_demand[rising], table_pa[keep][rising]
                made.append((log_demand, np.log(np.maximum(x, 1e-9)), np.gradient(x, log_demand)))
            self._cache[key] = made
        return self._cache[key]

    def residuals(self, vacuum: FloatArray, slope: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Standardised residuals (a, n) of modelled vacua, and their slopes; censored readings give root deviances."""
        n = len(self.exact)
        r = (vacuum[:, :n] - self.vacuum_pa) @ self.whitener.T
        j = slope[:, :n] @ self.whitener.T
        if not self.censored:
            return r, j
        from scipy.special import log_ndtr

        z = (vacuum[:, n:] - self.limit_pa) / self.limit_u_pa
        log_p = log_ndtr(z)
        root = np.sqrt(np.maximum(-2.0 * log_p, 1e-30))
        hazard = np.exp(-0.5 * z**2 - log_p) / np.sqrt(2.0 * np.pi)
        censored_slope = -hazard / np.maximum(root, 1e-12) * slope[:, n:] / self.limit_u_pa
        return np.hstack([r, root]), np.hstack([j, censored_slope])

    def profile(self, model: SourceModel, nuisances: Sequence[float], leaks_mm2: FloatArray) -> Profile:
        """Least deviance over draw and `nuisances` for each leak."""
        deviances, draws, curvatures = [], [], []
        for nuisance in nuisances:
            deviance, log_draw, curvature = self._over_draws(model, nuisance, leaks_mm2)
            deviances.append(deviance + model.penalty(nuisance))
            draws.append(log_draw)
            curvatures.append(curvature)
        stack = np.array(deviances)
        best = np.argmin(stack, axis=0)
        at = np.arange(len(leaks_mm2))
        return Profile(
            leaks_mm2,
            stack[best, at],
            np.array(draws)[best, at],
            np.asarray(nuisances)[best],
            np.array(curvatures)[best, at],
            model.name,
            stack.min(axis=1),
        )

    def _over_draws(
        self, model: SourceModel, nuisance: float, leaks_mm2: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        log_draw = self._first_draws(model, nuisance, leaks_mm2)
        damping = np.zeros(len(leaks_mm2))
        best = np.full(len(leaks_mm2), np.inf)
        best_draw, best_curvature = log_draw.copy(), np.ones(len(leaks_mm2))
        for _ in range(14):
            vacuum, slope = self.modelled_pa(model, nuisance, log_draw, leaks_mm2)
            r, j = self.residuals(vacuum, slope)
            deviance = np.sum(r**2, axis=1)
            curvature = np.maximum(np.sum(j**2, axis=1), 1e-12)
            better = deviance < best
            best = np.where(better, deviance, best)
            best_draw = np.where(better, log_draw, best_draw)
            best_curvature = np.where(better, curvature, best_curvature)
            damping = np.where(better, damping * 0.3, np.maximum(2.0 * damping, 1.0))
            gradient = np.sum(r * j, axis=1)
            step = np.where(better, -gradient / (curvature * (1.0 + damping)), 0.5 * (best_draw - log_draw))
            log_draw = log_draw + np.clip(step, -0.5, 0.5)
            # What the step would still gain; leaks that lie far outside any interval need not be exact.
            if float(np.max(np.where(best < best.min() + 25.0, step**2 * curvature, 0.0))) < 1e-5:
                break
        return best, best_draw, best_curvature

    def _first_draws(self, model: SourceModel, nuisance: float, leaks_mm2: FloatArray) -> FloatArray:
        n = len(self.exact)
        draws, weights = [], []
        for i in range(n):
            table_pa, flux = self.tables[i]
            x = max(float(self.vacuum_pa[i]), float(self.u_pa[i]), 0.1)
            share = model.share(np.array([x]), nuisance, self.deepest_pa, self.room.pressure_pa)[0]
            demand = float(np.interp(x, table_pa, flux)) / max(share, 0.02)
            draws.append(np.log(self.cd * MM2 * (leaks_mm2 + self.known_mm2[i] + 1e-9) * max(demand, 1e-9)))
            weights.append((2.0 * x / self.u_pa[i]) ** 2)
        return np.average(np.array(draws), axis=0, weights=np.array(weights))


def fit_source(problem: LeakProblem, models: Sequence[SourceModel], threshold: float = CHI2_95) -> SourceFit:
    """Fit the families `models` together: the interval covers whatever any of them allows.

    `threshold` is the rise of the deviance at the ends of the interval (chi-square with one degree of freedom, or
    Student's t squared times the variance where the readings' uncertainty is itself estimated).
    """
    areas, grids = _narrowed(problem, models, threshold)
    while True:
        profiles = [problem.profile(model, values, areas) for model, values in grids]
        stack = np.array([p.deviance for p in profiles])
        joined = stack.min(axis=0)
        k = int(np.argmin(joined))
        least = float(joined[k])
        # The narrowing looked at some nuisances only: if the interval goes on past its end, so do the areas.
        if joined[-1] <= least + threshold and areas[-1] < LARGEST_MM2:
            areas = np.concatenate([areas, areas[-1] * np.geomspace(1.02, 1.6, 20)])
        elif joined[0] <= least + threshold and areas[0] > SMALLEST_MM2:
            areas = np.concatenate([areas[0] * np.geomspace(0.6, 0.98, 20), areas])
        else:
            break
    area = _vertex(areas, joined, k) if len(models) == 1 else _middle(areas, joined - least)
    winner = profiles[int(np.argmin(stack[:, k]))]
    lo, hi = _crossings(areas, joined, k, least + threshold)
    draw_lo, draw_hi = np.inf, -np.inf
    for p in profiles:
        inside = p.deviance <= least + threshold
        if not inside.any():
            continue
        reach = np.sqrt((least + threshold - p.deviance[inside]) / p.draw_curvature[inside])
        draw_lo = min(draw_lo, float(np.min(p.log_draw[inside] - reach)))
        draw_hi = max(draw_hi, float(np.max(p.log_draw[inside] + reach)))
    log_draw = float(np.interp(area, areas, winner.log_draw))
    return SourceFit(
        winner.model,
        float(winner.nuisance[k]),
        area,
        lo,
        hi,
        float(np.exp(log_draw)),
        float(np.exp(draw_lo)),
        float(np.exp(draw_hi)),
        least,
    )


Grids = list[tuple[SourceModel, tuple[float, ...]]]


def _narrowed(problem: LeakProblem, models: Sequence[SourceModel], threshold: float) -> tuple[FloatArray, Grids]:
    """Areas, and values of each family's nuisance, close together wherever the deviance is near its least.

    Both are narrowed in turns: a deep reading of small uncertainty fixes the depth at which the draw ends so closely
    that no fixed grid would meet it. Families that are far from fitting are dropped.
    """
    areas = np.concatenate([[0.0], np.geomspace(SMALLEST_MM2, LARGEST_MM2, 100)])
    grids: Grids = [(model, model.values) for model in models]
    for points, count in NARROWING if any(len(m.values) > 1 and m.prior is None for m in models) else NARROWING[2:]:
        profiles = [problem.profile(model, values, areas) for model, values in grids]
        joined = np.min([p.deviance for p in profiles], axis=0)
        least = float(joined.min())
        # A coarse grid may miss the valley: what counts as near it is wide as long as nothing fits.
        margin = 2.0 * threshold + 4.0 + 0.5 * max(0.0, least - 3.0 * len(problem.readings))
        areas = _near_areas(areas, joined, least + margin, points)
        grids = [
            (model, _near_values(model, values, p.by_nuisance, least + margin, count))
            for (model, values), p in zip(grids, profiles)
            if p.deviance.min() <= least + margin + 20.0
        ]
    return areas, grids


def _near_values(
    model: SourceModel, values: tuple[float, ...], deviance: FloatArray, level: float, count: int
) -> tuple[float, ...]:
    if model.prior is not None or len(values) == 1:
        return values
    near = np.flatnonzero(deviance <= max(level, float(deviance.min())))
    low = values[max(int(near[0]) - 1, 0)]
    last = int(near[-1]) + 1
    high = values[last] if last < len(values) else 1.0 - 0.3 * (1.0 - values[-1])
    return model.between(low, high, count)


def _near_areas(areas: FloatArray, joined: FloatArray, level: float, points: int) -> FloatArray:
    near = np.flatnonzero(joined <= level)
    first, last = max(int(near[0]) - 1, 0), min(int(near[-1]) + 1, len(areas) - 1)
    low, high = float(areas[first]), float(areas[last])
    if low > 0.0 and high / low <= 3.0:
        return np.linspace(low, high, points)
    least = max(low, high * 1e-4)
    return np.unique(np.concatenate([[low], np.linspace(low, high, points), np.geomspace(least, high, points // 2)]))


def _middle(areas: FloatArray, rise: FloatArray) -> float:
    """Median of the areas under the weight exp(-rise/2) of their logarithm: steadier than the best of several
    families."""
    keep = areas > 0
    logs, weight = np.log(areas[keep]), np.exp(-0.5 * rise[keep])
    pieces = 0.5 * (weight[1:] + weight[:-1]) * np.diff(logs)
    share = np.concatenate([[0.0], np.cumsum(pieces)])
    return float(np.exp(np.interp(0.5, share / share[-1], logs)))


def _vertex(x: FloatArray, y: FloatArray, k: int) -> float:
    """Place of the least of `y` near index k, by a parabola through three points."""
    if not 0 < k < len(x) - 1:
        return float(x[k])
    a, b, c = np.polyfit(x[k - 1 : k + 2] - x[k], y[k - 1 : k + 2], 2)
    if not a > 0:
        return float(x[k])
    return float(np.clip(x[k] - b / (2.0 * a), x[k - 1], x[k + 1]))


def _crossings(x: FloatArray, y: FloatArray, k: int, level: float) -> tuple[float, float]:
    """Where `y` crosses `level` to both sides of index k; the lower end is 0 and the upper infinite if it does not."""
    # The outermost crossing counts: a second valley inside the level belongs to the interval.
    above = y > level
    left = np.flatnonzero(above[:k])
    right = np.flatnonzero(above[k:])
    lo, hi = float(x[0]), np.inf
    if len(left) and above[0]:
        i = k - 1 - _outer(above[:k][::-1])
        lo = float(x[i] + (x[i + 1] - x[i]) * (y[i] - level) / (y[i] - y[i + 1]))
    if len(right) and above[-1]:
        i = k + _outer(above[k:])
        hi = float(x[i - 1] + (x[i] - x[i - 1]) * (level - y[i - 1]) / (y[i] - y[i - 1]))
    return lo, hi


def _outer(above: np.ndarray) -> int:
    """Index of the first point above the level that has no point under it further out."""
    under = np.flatnonzero(~np.asarray(above, dtype=bool))
    return int(under[-1] + 1) if len(under) else 0
