"""Readings with known openings made ready to fit: how much flux each asks for, and how far a model is from them.

Balance at each reading: Cd (A + A_k) flux(dp_k) = m0 g(dp_k), A the leak in units of bore area, A_k the known opening,
m0 the net draw at zero gauge pressure, g how the draw changes as the crankcase gets deeper (`source_models`). Under a
choked suction g is almost 1, so that 1/sqrt(dp) is a straight line in A_k; under a finite source it bends.

Likelihood of the readings in the vacuum itself (not in 1/sqrt(dp), where a small reading's error is skewed); a censored
reading ("deeper than") counts as what it is. References: Bates and Watts, Nonlinear Regression Analysis and Its
Applications (1988), chapter 6; Tobin, Econometrica 26 (1958) 24, for the censored likelihood.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from sumpglass.procedures.openings import (
    OPENING_CD,
    SET_BORE_U95_MM,
    ZERO_DRIFT_PA_S,
    ZERO_STEADY_S,
    Reading,
    Room,
    mean_flows_kg_s_m2,
    outflow_factor,
)
from sumpglass.procedures.source_models import BENT_MODELS, SourceModel
from sumpglass.records import FloatArray

CHI2_95 = 3.841458820694124
MM2 = 1e-6
SMALLEST_MM2, LARGEST_MM2 = 1e-3, 3e3
_TABLE = 500
_STEPS = 500
"""Points of a table of vacuum by the logarithm of demand."""
_PLACES = np.arange(_STEPS, dtype=float)
_RAMP = 1e-13 * np.arange(_TABLE)


class LeakProblem:
    """Readings made ready to fit: flux tables, whitened residuals. `zero_u_pa` is shared by all readings."""

    def __init__(
        self,
        readings: Sequence[Reading],
        room: Room,
        zero_u_pa: float = 0.0,
        cd: float = OPENING_CD,
        bore_u95_mm: float = SET_BORE_U95_MM,
        like: LeakProblem | None = None,
    ) -> None:
        """`like`: one whose tables of flows hold here too if only the errors or the gas that flows out differ."""
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
        self.shared_pa = np.zeros((len(self.exact), max((len(r.shared_pa) for r in self.exact), default=0)))
        for row, reading in zip(self.shared_pa, self.exact):
            row[: len(reading.shared_pa)] = reading.shared_pa
        self.drift_pa2 = _drift_pa2(np.array([r.zero_age_s for r in self.exact]))
        self.flows: list[tuple[FloatArray, FloatArray, FloatArray]]
        if like is not None and self._flows_alike(like):
            self.flows = like.flows
        else:
            self.flows = [self._flow_table(r) for r in self.readings]
        outward = outflow_factor(room)
        self.tables = [(vacuum, inflow - outward * outflow) for vacuum, inflow, outflow in self.flows]
        self.leak_mm2: float | None = None
        self._whiteners: dict[float, FloatArray] = {}

    def differs_in_errors_alone(self, other: LeakProblem) -> bool:
        """Are these the same readings, pulses and room?"""
        return self.room == other.room and self.cd == other.cd and self._flows_alike(other)

    def _flows_alike(self, other: LeakProblem) -> bool:
        """Are these the same readings and pulses in the same air, whatever the gas that flows out?"""
        return (
            replace(self.room, gas_k=None) == replace(other.room, gas_k=None)
            and len(self.readings) == len(other.readings)
            and all(a.shape_pa is b.shape_pa and a.opening_mm == b.opening_mm and a.vacuum_pa == b.vacuum_pa
                    for a, b in zip(self.readings, other.readings))
        )  # fmt: skip

    def _flow_table(self, reading: Reading) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Vacua with the mean flux inward and outward at each, all at the room's temperature."""
        swing = float(np.abs(reading.shape_pa).max())
        most = min(0.85 * self.room.pressure_pa, 6.0 * self.deepest_pa + 2.0 * swing + 2000.0)
        root = np.linspace(0.0, np.sqrt(most), _TABLE)
        vacuum = root**2
        return vacuum, *mean_flows_kg_s_m2(vacuum, reading.shape_pa, replace(self.room, gas_k=None))

    def whitener(self, roughness: float = 0.0) -> FloatArray:
        """What makes the residuals of readings that are not censored independent and of unit variance, under a source
        whose draw is known to `roughness` (`SourceModel`)."""
        if roughness not in self._whiteners:
            covariance = self._covariance(self.leak_mm2)
            if roughness > 0:
                # The vacuum goes with the square of the draw, which wanders from its family's as the vacuum deepens.
                vacuum = np.maximum(self.vacuum_pa, 0.0)
                together = np.minimum(vacuum[:, None], vacuum) / self.deepest_pa
                covariance = covariance + 4.0 * roughness**2 * together * vacuum[:, None] * vacuum
            self._whiteners[roughness] = np.linalg.inv(np.linalg.cholesky(covariance))
        return self._whiteners[roughness]

    def log_size(self, roughness: float = 0.0) -> float:
        """Logarithm of the density at the peak of the readings' errors, but for a constant."""
        return float(np.log(np.diag(self.whitener(roughness))).sum())

    def _covariance(self, leak_mm2: float | None) -> FloatArray:
        variance = self.u_pa**2
        if leak_mm2 is not None:
            # dp goes with (A + A_k)**-2 and A_k with the square of the bore.
            n = len(self.exact)
            bores = np.array([r.opening_mm for r in self.exact])
            share = np.pi / 2.0 * bores * self.bore_u_mm / np.maximum(leak_mm2 + self.known_mm2[:n], 1e-9)
            variance = variance + (2.0 * np.maximum(self.vacuum_pa, self.u_pa) * share) ** 2
        shared = np.einsum("ik,jk->ij", self.shared_pa, self.shared_pa)
        return np.diag(variance) + shared + self.drift_pa2 + self.zero_u_pa**2

    def reading_u_pa(self, leak_mm2: float) -> FloatArray:
        """Standard uncertainties of the readings that are not censored, with bores and zero, at about this leak."""
        return np.sqrt(np.diag(self._covariance(leak_mm2)))

    def count_bores(self, leak_mm2: float) -> None:
        """Add to the covariance what uncertain bores do to the readings, at a leak of about this size."""
        self.leak_mm2 = leak_mm2
        self._whiteners = {}

    def residuals(self, vacuum: FloatArray, slope: FloatArray, roughness: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Standardised residuals (m, n) of modelled vacua, and their slopes, under sources of these roughnesses (m,);
        censored readings give root deviances."""
        n = len(self.exact)
        off, steep = vacuum[:, :n] - self.vacuum_pa, slope[:, :n]
        smooth = self.whitener().T
        r, j = off @ smooth, steep @ smooth
        for rough in {model.roughness for model in BENT_MODELS} - {0.0}:
            rows = np.flatnonzero(roughness == rough)
            if len(rows):
                r[rows], j[rows] = off[rows] @ self.whitener(rough).T, steep[rows] @ self.whitener(rough).T
        if not self.censored:
            return r, j
        from scipy.special import log_ndtr

        u_pa = np.hypot(self.limit_u_pa, 2.0 * roughness[:, None] * self.limit_pa)
        z = (vacuum[:, n:] - self.limit_pa) / u_pa
        log_p = log_ndtr(z)
        root = np.sqrt(np.maximum(-2.0 * log_p, 1e-30))
        hazard = np.exp(-0.5 * z**2 - log_p) / np.sqrt(2.0 * np.pi)
        censored_slope = -hazard / np.maximum(root, 1e-12) * slope[:, n:] / u_pa
        return np.concatenate([r, root], axis=-1), np.concatenate([j, censored_slope], axis=-1)


def _drift_pa2(age_s: FloatArray) -> FloatArray:
    """Covariance (n, n) of what the zero has run away by at these ages: a steady rate and a random walk."""
    one, two = age_s[:, None], age_s[None, :]
    walk = np.where(one * two > 0, np.minimum(np.abs(one), np.abs(two)), 0.0)
    return ZERO_DRIFT_PA_S**2 * (one * two + ZERO_STEADY_S * walk)


@dataclass(frozen=True)
class Fitted:
    """Over rows (r,) of sources and their leak areas (r, a): least `deviance` over the draw, the logarithm of that
    draw, and half the second derivative of the deviance by it."""

    area_mm2: FloatArray
    deviance: FloatArray
    log_draw: FloatArray
    draw_curvature: FloatArray


class SourceRows:
    """Sources, each a family with a value of its nuisance, with what vacuum each makes of a demand at each reading.

    The demand is flux over the source's share, so that it equals m0/(Cd (A + A_k)).
    """

    def __init__(self, problem: LeakProblem, rows: Sequence[tuple[SourceModel, float]]) -> None:
        self.problem, self.rows = problem, tuple(rows)
        self.roughness = np.array([model.roughness for model, _ in self.rows])
        shape = (len(self.rows), len(problem.readings))
        self.first, self.step = np.empty(shape), np.empty(shape)
        self.log_vacuum = np.empty((*shape, _STEPS))
        for i, (vacuum, flux) in enumerate(problem.tables):
            log_pa = np.log(np.maximum(vacuum, 1e-9))
            shares = self._shares(vacuum)
            ends = np.argmax(shares <= 1e-3, axis=1)
            ends[ends == 0] = len(vacuum)
            # Where the demand falls again its highest so far stands; the ramp keeps it rising.
            log_flux = np.log(np.maximum(flux, 1e-12))
            demands = np.maximum.accumulate(log_flux - np.log(np.maximum(shares, 1e-12)), axis=1) + _RAMP
            last = demands[np.arange(shape[0]), ends - 1]
            # Demands under a hundredth of a pascal's matter to nobody.
            self.first[:, i] = np.maximum(demands[:, 0], last - 16.0)
            self.step[:, i] = (last - self.first[:, i]) / (_STEPS - 1)
            wanted = self.first[:, i, None] + self.step[:, i, None] * _PLACES
            for row, end in enumerate(ends):
                self.log_vacuum[row, i] = np.interp(wanted[row], demands[row, :end], log_pa[:end])
        self.log_demand = self._demands()

    def on(self, problem: LeakProblem) -> SourceRows:
        """The same rows for a problem that differs in its errors alone."""
        other = self.only(range(len(self.rows)))
        other.problem = problem
        return other

    def only(self, keep: Sequence[int]) -> SourceRows:
        """Some of the rows, without making their tables again."""
        part = object.__new__(SourceRows)
        keep = list(keep)
        part.problem, part.rows = self.problem, tuple(self.rows[i] for i in keep)
        part.first, part.step, part.log_vacuum = self.first[keep], self.step[keep], self.log_vacuum[keep]
        part.log_demand, part.roughness = self.log_demand[keep], self.roughness[keep]
        return part

    @property
    def log_size(self) -> FloatArray:
        """`LeakProblem.log_size` of each row (r,)."""
        sizes = {rough: self.problem.log_size(rough) for rough in set(self.roughness.tolist())}
        return np.array([sizes[rough] for rough in self.roughness.tolist()])

    @property
    def cost(self) -> FloatArray:
        """Deviance (r,) that rows have to make up for by their roughness, since it fits anything a little."""
        return 2.0 * (self.problem.log_size() - self.log_size)

    def modelled_pa(
        self, row: npt.NDArray[np.intp], log_draw: FloatArray, area_mm2: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Vacuum (m, n) that each reading should show for each of these rows, draws and leaks (m,), and its slope
        against ln m0."""
        p = self.problem
        wanted = log_draw[:, None] - np.log(p.cd * MM2 * (area_mm2[:, None] + p.known_mm2) + 1e-30)
        step = self.step[row]
        place = np.clip((wanted - self.first[row]) / step, 0.0, _STEPS - 1.001)
        whole = place.astype(np.intp)
        part = place - whole
        flat = self.log_vacuum.reshape(-1)
        n = self.log_vacuum.shape[1]
        base = (row[:, None] * n + np.arange(n)) * _STEPS + whole
        low = flat[base]
        rise = flat[base + 1] - low
        vacuum = np.exp(low + part * rise)
        return vacuum, vacuum * rise / step

    def fit(self, area_mm2: FloatArray, least_gain: float = 1e-5) -> Fitted:
        """Least deviance over the draw for each row and each of its areas (r, a), by damped Gauss-Newton, until a step
        gains less than `least_gain`."""
        areas, at = area_mm2.reshape(-1), np.repeat(np.arange(len(self.rows)), area_mm2.shape[1])
        log_draw = self._first_draws(area_mm2).reshape(-1)
        damping = np.zeros(areas.shape)
        best, best_draw, best_curvature = np.full(areas.shape, np.inf), log_draw.copy(), np.ones(areas.shape)
        going = np.arange(len(areas))
        for _ in range(16):
            vacuum, slope = self.modelled_pa(at[going], log_draw[going], areas[going])
            r, j = self.problem.residuals(vacuum, slope, self.roughness[at[going]])
            deviance = np.einsum("mi,mi->m", r, r)
            curvature = np.maximum(np.einsum("mi,mi->m", j, j), 1e-12)
            better = deviance < best[going]
            found = going[better]
            best[found], best_draw[found], best_curvature[found] = deviance[better], log_draw[found], curvature[better]
            damping[going] = np.where(better, damping[going] * 0.3, np.maximum(2.0 * damping[going], 1.0))
            gradient = np.einsum("mi,mi->m", r, j)
            newton = -gradient / (curvature * (1.0 + damping[going]))
            step = np.where(better, newton, 0.5 * (best_draw[going] - log_draw[going]))
            log_draw[going] += np.clip(step, -0.5, 0.5)
            # What the step would still gain; leaks that lie far outside any interval need not be exact.
            enough = np.maximum(least_gain, 0.01 * (best[going] - best.min() - 25.0))
            going = going[step**2 * curvature > enough]
            if not len(going):
                break
        shape = area_mm2.shape
        return Fitted(area_mm2, best.reshape(shape), best_draw.reshape(shape), best_curvature.reshape(shape))

    def _first_draws(self, area_mm2: FloatArray) -> FloatArray:
        """A weighted mean of the draws that the readings ask for one by one."""
        p = self.problem
        known = p.known_mm2[: len(p.exact)]
        weight = (2.0 * np.maximum(np.maximum(p.vacuum_pa, p.u_pa), 0.1) / p.u_pa) ** 2
        weight = weight / weight.sum()
        of_area = np.log(p.cd * MM2 * (area_mm2[..., None] + known + 1e-9)) @ weight
        return of_area + (self.log_demand @ weight)[:, None]

    def _shares(self, vacuum: FloatArray) -> FloatArray:
        """Share of the draw (r, k) that each row gives at these vacua (k,)."""
        p = self.problem
        found, at = [], 0
        while at < len(self.rows):
            model, end = self.rows[at][0], at
            while end < len(self.rows) and self.rows[end][0] is model:
                end += 1
            nuisance = np.array([[v] for _, v in self.rows[at:end]])
            found.append(np.broadcast_to(
                model.share(vacuum, nuisance, p.deepest_pa, p.room.pressure_pa), (end - at, len(vacuum))
            ))  # fmt: skip
            at = end
        return np.concatenate(found)

    def _demands(self) -> FloatArray:
        """Logarithm of the demand (r, n) that each row has at each reading that is not censored."""
        p = self.problem
        at = np.maximum(np.maximum(p.vacuum_pa, p.u_pa), 0.1)
        flux = np.array([max(float(np.interp(x, *table)), 1e-9) for x, table in zip(at, p.tables)])
        return np.log(flux) - np.log(np.maximum(self._shares(at), 0.02))
