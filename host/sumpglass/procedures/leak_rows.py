"""Sources fitted to readings with known openings: many families and nuisances at once, over many leak areas.

Each row is a source; its draw is fitted by damped Gauss-Newton at every leak area (Bates and Watts, Nonlinear
Regression Analysis and Its Applications (1988), chapter 2).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sumpglass.procedures.leak_problem import MM2, TABLE, LeakProblem
from sumpglass.procedures.source_models import SourceModel
from sumpglass.records import FloatArray

_STEPS = 500
"""Points of a table of vacuum by the logarithm of demand."""
_PLACES = np.arange(_STEPS, dtype=float)
_RAMP = 1e-13 * np.arange(TABLE)


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
