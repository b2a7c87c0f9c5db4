"""How well a zero that nobody took is known: the readings say, where it matters."""

from __future__ import annotations

import math
from collections.abc import Sequence

from sumpglass.procedures.leak_answer import answer_of, best_of_family
from sumpglass.procedures.leak_gas import with_swing
from sumpglass.procedures.leak_problem import LeakProblem
from sumpglass.procedures.openings import Reading, Room

WIDE_ZERO_U_PA = 40.0
"""Standard uncertainty of the zero of a rig that was never zeroed: about a hundredth of the span of a common part."""
WIDE_CHANCE = 0.25
"""Chance, before the readings, that a recording without a zero is of such a rig (an assumption)."""
SURE = 0.95
ILL_FITTING = 4.0
"""Deviance above the degrees of freedom of a straight line from which the zero is asked about."""


def zero_uncertainties_pa(
    readings: Sequence[Reading], room: Room, zero_u_pa: float, wide_u_pa: float, bore_u95_mm: float
) -> list[float]:
    """The standard uncertainty of the zero to take, then the other one where the readings do not rule it out.

    A zero that is off bends the line at small vacua, a source that is not choked at deep ones: all families are
    weighed under either (Kass and Raftery, Journal of the American Statistical Association 90 (1995) 773).
    """

    def problem_with(zero_pa: float) -> LeakProblem:
        return LeakProblem(with_swing(readings, room), room, zero_pa, bore_u95_mm=bore_u95_mm)

    problem = problem_with(zero_u_pa)
    straight = best_of_family(problem)
    if wide_u_pa <= zero_u_pa or straight.deviance <= len(problem.exact) - 2 + ILL_FITTING:
        return [zero_u_pa]
    evidence = []
    for u_pa in (zero_u_pa, wide_u_pa):
        problem = problem_with(u_pa)
        problem.count_bores(best_of_family(problem).area_mm2)
        evidence.append(answer_of(problem, True).log_evidence)
    odds = math.exp(min(evidence[1] - evidence[0], 50.0)) * WIDE_CHANCE / (1.0 - WIDE_CHANCE)
    wide = odds / (1.0 + odds)
    ways = [(1.0 - wide, zero_u_pa), (wide, wide_u_pa)]
    return [u_pa for chance, u_pa in sorted(ways, reverse=True) if chance > 1.0 - SURE]
