"""Which drilled opening to fit next, so that the leak is known best."""

from __future__ import annotations

import math

import numpy as np

from sumpglass.procedures.leak_answer import Answer
from sumpglass.procedures.leak_problem import MM2, LeakProblem
from sumpglass.procedures.openings import flux_kg_s_m2

DRILLS_MM = (1.0, 1.2, 1.5, 2.0, 2.5, 3.2, 4.0, 5.0)
"""Openings from which the next one is recommended."""


def next_opening_mm(problem: LeakProblem, answer: Answer, limit_pa: float) -> float | None:
    """The drill that would narrow the leak's interval most, among those that keep the vacuum within `limit_pa`.

    Fisher information of the logarithms of leak and draw under the fitted model; the new reading is taken to be as
    uncertain as the present ones, interpolated in the vacuum.
    """
    area = max(answer.area_mm2, 0.01)
    order = np.argsort(problem.vacuum_pa)
    known_u = problem.reading_u_pa(area)

    def information(opening_mm2: float, vacuum: float, u: float) -> np.ndarray:
        # vacuum ~ (m0 / (A + A_k))**2, so its slopes by ln A and ln m0 are these.
        share = area / (area + opening_mm2)
        slope = np.array([-2.0 * share, 2.0]) * vacuum / u
        return np.outer(slope, slope)

    total = sum(
        information(float(a), max(float(v), 0.1), float(u))
        for a, v, u in zip(problem.known_mm2, problem.vacuum_pa, known_u)
    )
    best, best_drill = math.inf, None
    grid = np.geomspace(1.0, 0.8 * problem.room.pressure_pa, 400)
    flux = flux_kg_s_m2(grid, problem.room)
    for drill in DRILLS_MM:
        opening = math.pi / 4.0 * drill**2
        vacuum = float(np.interp(answer.draw_kg_s / (problem.cd * MM2 * (area + opening)), flux, grid))
        if vacuum > limit_pa:
            continue
        u = float(np.interp(vacuum, problem.vacuum_pa[order], known_u[order]))
        spread = np.linalg.pinv(total + information(opening, vacuum, max(u, 1e-6)))[0, 0]
        if spread < best * 0.98:
            best, best_drill = float(spread), drill
    return best_drill
