"""From latent draws of the unknowns to the readings that they predict, within a limit on the work."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from sumpglass.faults.layout import Layout
from sumpglass.faults.network import Circuit, parameter_names, solve
from sumpglass.faults.network_steps import Work, cost_of_draw
from sumpglass.faults.normal import normal_cdf
from sumpglass.physics.gas import kg_s_from_lpm

FloatArray = npt.NDArray[np.float64]

TOLERANCE_PA = 0.05
"""How well the network is solved for the weighing: far inside the noise of any reading."""
FEWEST_DRAWS = 12
USUAL_ROUNDS = 9.0
"""Newton's rounds of a usual draw."""


class Ranges:
    """The ranges of all unknowns under each fault, and the way from latent draws to physical values."""

    def __init__(self, layout: Layout) -> None:
        names = parameter_names(layout)
        healthy = {edge.id: edge.cda_mm2 for edge in layout.edges} | {seal.id: seal.cda_mm2 for seal in layout.seals}
        healthy |= {"blow_by": layout.blow_by_lpm, "manifold": layout.manifold_vacuum_pa}
        low, high = np.empty((len(layout.faults), len(names))), np.empty((len(layout.faults), len(names)))
        for row, fault in enumerate(layout.faults):
            ranges = healthy | {change.target or change.kind: change.range for change in fault.changes}
            low[row], high[row] = zip(*(ranges[name] for name in names))
        self.low, self.span = low, high - low
        self.logarithmic = low > 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            self.log_low = np.where(self.logarithmic, np.log(np.where(self.logarithmic, low, 1.0)), 0.0)
            self.log_span = np.where(
                self.logarithmic, np.log(np.where(self.logarithmic, high, 1.0)) - self.log_low, 0.0
            )

    def values(self, fault: int, latent: FloatArray) -> FloatArray:
        """(parameters, draws) mm2, then L/min, then Pa of vacuum, from (draws, parameters) standard normal."""
        share = normal_cdf(latent)
        plain = self.low[fault] + self.span[fault] * share
        return np.where(self.logarithmic[fault], np.exp(self.log_low[fault] + self.log_span[fault] * share), plain).T


def predict_pa(circuits: Sequence[Circuit], values: FloatArray) -> FloatArray:
    """(draws, circuits) gauge pressure that each test reads; `values` as `Ranges.values` gives them."""
    return predict_within(circuits, values, None)[0]


def predict_within(
    circuits: Sequence[Circuit], values: FloatArray, work: Work | None
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """(draws, circuits) gauge pressure that each test reads, and (draws,) whether the work allowed did not solve it.

    Tests that differ only in where the gauge sits share one solution.
    """
    unsolved = np.zeros(values.shape[1], dtype=bool)
    areas, blow_by, manifold = values * 1e-6, kg_s_from_lpm(values[-2]), -values[-1]
    solved: dict[bytes, FloatArray] = {}
    columns = []
    for circuit in circuits:
        if circuit.alike not in solved:
            solution = solve(circuit, areas, blow_by, manifold, TOLERANCE_PA, work)
            solved[circuit.alike] = solution.pressure_pa
            unsolved[solution.unsolved] = True
        columns.append(solved[circuit.alike][circuit.tap])
    return np.stack(columns, axis=1), unsolved


def draws_for(circuits: Sequence[Circuit], share_of_work: float, most: int) -> int:
    """Draws that so much work solves in all these circuits, `most` at most and `FEWEST_DRAWS` at least."""
    each = sum({circuit.alike: cost_of_draw(circuit) for circuit in circuits}.values()) * USUAL_ROUNDS
    return most if each == 0.0 else min(most, max(FEWEST_DRAWS, int(share_of_work / each)))
