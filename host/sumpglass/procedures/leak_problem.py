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
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sumpglass.procedures.openings import (
    BORE_U95_MM,
    OPENING_CD,
    ZERO_DRIFT_PA_S,
    ZERO_STEADY_S,
    Reading,
    Room,
    mean_flux_kg_s_m2,
)
from sumpglass.procedures.source_models import SourceModel
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
        bore_u95_mm: float = BORE_U95_MM,
        like: LeakProblem | None = None,
    ) -> None:
        """`like`: one whose flux tables hold here too if only what is known of the errors differs."""
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
        self.tables: list[tuple[FloatArray, FloatArray]]
        if like is not None and self.differs_in_errors_alone(like):
            self.tables = like.tables
        else:
            self.tables = [self._flux_table(r) for r in self.readings]
        self.whitener = np.linalg.inv(np.linalg.cholesky(self._covariance(None)))

    def differs_in_errors_alone(self, other: LeakProblem) -> bool:
        """Are these the same readings, pulses and room?"""
        return (
            self.room == other.room
            and self.cd == other.cd
            and len(self.readings) == len(other.readings)
            and all(a.shape_pa is b.shape_pa and a.opening_mm == b.opening_mm and a.vacuum_pa == b.vacuum_pa
                    for a, b in zip(self.readings, other.readings))
        )  # fmt: skip

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
        shared = np.einsum("ik,jk->ij", self.shared_pa, self.shared_pa)
        return np.diag(variance) + shared + self.drift_pa2 + self.zero_u_pa**2

    def reading_u_pa(self, leak_mm2: float) -> FloatArray:
        """Standard uncertainties of the readings that are not censored, with bores and zero, at about this leak."""
        return np.sqrt(np.diag(self._covariance(leak_mm2)))

    def count_bores(self, leak_mm2: float) -> None:
        """Add to the covariance what uncertain bores do to the readings, at a leak of about this size."""
        self.whitener = np.linalg.inv(np.linalg.cholesky(self._covariance(leak_mm2)))

    def residuals(self, vacuum: FloatArray, slope: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Standardised residuals (..., n) of modelled vacua, and their slopes; censored readings give root
        deviances."""
        n = len(self.exact)
        r = (vacuum[..., :n] - self.vacuum_pa) @ self.whitener.T
        j = slope[..., :n] @ self.whitener.T
        if not self.censored:
            return r, j
        from scipy.special import log_ndtr

        z = (vacuum[..., n:] - self.limit_pa) / self.limit_u_pa
        log_p = log_ndtr(z)
        root = np.sqrt(np.maximum(-2.0 * log_p, 1e-30))
        hazard = np.exp(-0.5 * z**2 - log_p) / np.sqrt(2.0 * np.pi)
        censored_slope = -hazard / np.maximum(root, 1e-12) * slope[..., n:] / self.limit_u_pa
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
        shape = (len(self.rows), len(problem.readings))
        self.first, self.step = np.empty(shape), np.empty(shape)
        self.log_vacuum = np.empty((*shape, _STEPS))
        for i, (vacuum, flux) in enumerate(problem.tables):
            log_flux = np.log(np.maximum(flux, 1e-12))
            log_pa = np.log(np.maximum(vacuum, 1e-9))
            for row, share in enumerate(self._shares(vacuum)):
                end = int(np.argmax(share <= 1e-3)) or len(share)
                # Where the demand falls again its highest so far stands; the ramp keeps it rising.
                demand = np.maximum.accumulate(log_flux[:end] - np.log(share[:end])) + _RAMP[:end]
                # Demands under a hundredth of a pascal's matter to nobody.
                start = max(float(demand[0]), float(demand[-1]) - 16.0)
                step = (float(demand[-1]) - start) / (_STEPS - 1)
                self.first[row, i], self.step[row, i] = start, step
                self.log_vacuum[row, i] = np.interp(start + step * _PLACES, demand, log_pa[:end])
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
        part.log_demand = self.log_demand[keep]
        return part

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
            r, j = self.problem.residuals(vacuum, slope)
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
