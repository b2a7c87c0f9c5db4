"""Steady flow through a ventilation network, for thousands of draws of its unknowns at once.

Every passage is an isentropic orifice that chokes. Gas drawn from the room is at 20 degC, all other at the layout's
gas temperature; every inner node leaks a little to the room, so that none is ever cut off. Newton's method
(`network_steps`) settles nearly all draws; the rest is tried again from a softened network, and what even then does
not settle is finished by a slow bracketed method that closes in from one side (`network_rescue`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sumpglass.faults.circuit import Circuit, circuit_for, parameter_names
from sumpglass.faults.network_rescue import CONTINUATION_PASSES, by_bracket, by_continuation
from sumpglass.faults.network_steps import FloatArray, Numbers, State, Work, newton
from sumpglass.units import STANDARD_ATMOSPHERE_PA

__all__ = ["Circuit", "Solution", "circuit_for", "parameter_names", "solve"]

_CHUNK = 2048
"""Draws that are solved together: the working arrays then stay in the processor's cache."""


@dataclass(frozen=True)
class Solution:
    """Pressures (nodes, draws) in Pa gauge and flows (elements, draws) in kg/s, `start` to `end` positive."""

    pressure_pa: FloatArray
    flow_kg_s: FloatArray
    rounds: int
    """Newton rounds that the slowest draw took."""
    bracketed: int
    """Draws that the bracketed method had to finish."""
    unsolved: npt.NDArray[np.intp]
    """Draws given up because the work allowed was used up: their pressures are the last ones tried."""


def solve(
    circuit: Circuit,
    areas_m2: FloatArray,
    blow_by_kg_s: FloatArray,
    manifold_pa: FloatArray,
    tolerance_pa: float = 1e-7,
    work: Work | None = None,
) -> Solution:
    """Steady state of each draw.

    `areas_m2` (parameters, draws) in the order of `parameter_names`, of which the last two rows (blow-by, manifold)
    are not looked at; `blow_by_kg_s` and `manifold_pa` (gauge, negative) are (draws,). A draw is done when a whole
    Newton step moves none of its pressures by more than `tolerance_pa` plus 1e-11 of an absolute pressure. With a
    limit in `work`, draws whose last resort would go beyond it stay unsolved and are named; without it none are.
    """
    draws = areas_m2.shape[1]
    pressure = np.empty((len(circuit.nodes), draws))
    flow = np.empty((len(circuit.start), draws))
    rounds = bracketed = 0
    unsettled: list[Numbers] = [np.empty(0, dtype=np.intp)]
    for first in range(0, draws, _CHUNK):
        part = slice(first, min(first + _CHUNK, draws))
        area = circuit.areas(areas_m2[:, part])
        state = _start(circuit, area, manifold_pa[part])
        took, rest = newton(circuit, area, blow_by_kg_s[part], state, tolerance_pa, np.arange(area.shape[1]), 1.0, work)
        pressure[:, part], flow[:, part] = state
        rounds = max(rounds, took)
        unsettled.append(rest + first)
    rest = np.concatenate(unsettled)
    given_up = np.empty(0, dtype=np.intp)
    if len(rest):
        area = circuit.areas(areas_m2[:, rest])
        state = pressure[:, rest], flow[:, rest]
        left, bracketed = _rescue(circuit, area, blow_by_kg_s[rest], state, tolerance_pa, work)
        pressure[:, rest], flow[:, rest] = state
        given_up = rest[left]
        lowest, highest = np.minimum(manifold_pa[given_up], 0.0), 10.0 * STANDARD_ATMOSPHERE_PA
        pressure[:, given_up] = np.clip(np.nan_to_num(pressure[:, given_up]), lowest, highest)
    _balance(circuit, flow, blow_by_kg_s)
    return Solution(pressure, flow, rounds, bracketed, given_up)


def _balance(circuit: Circuit, flow: FloatArray, blow_by: FloatArray) -> None:
    """Give what rounding leaves over at each inner node to the node's leak to the room.

    That is far below what any pressure answers to, but where next to nothing flows through wide passages the rounding
    of Newton's last step is not small beside the flows themselves.
    """
    net = np.zeros((circuit.inner, flow.shape[1]))
    if circuit.source >= 0:
        net[circuit.source] = blow_by
    for element, (a, b) in enumerate(zip(circuit.start.tolist(), circuit.end.tolist())):
        if a < circuit.inner:
            net[a] -= flow[element]
        if b < circuit.inner:
            net[b] += flow[element]
    leaks = (circuit.end == circuit.inner) & (circuit.fixed_area_m2 > 0.0) & ~circuit.one_way
    for leak in np.flatnonzero(leaks):
        flow[leak] += net[circuit.start[leak]]


def _rescue(
    circuit: Circuit, area: FloatArray, blow_by: FloatArray, state: State, tolerance_pa: float, work: Work | None
) -> tuple[Numbers, int]:
    """Solve in place what Newton's method left; returns the draws given up, and how many were bracketed."""
    draws = np.arange(area.shape[1])
    if work is None or not work.limited:
        left = by_continuation(circuit, area, blow_by, state, draws, tolerance_pa)
        by_bracket(circuit, area, blow_by, state, left, tolerance_pa)
        return draws[:0], len(left)
    paid = work.affords(circuit, CONTINUATION_PASSES)
    if paid == 0:
        return draws, 0
    before = work.spent
    left = by_continuation(circuit, area, blow_by, state, draws[:paid], tolerance_pa, work)
    work.rescue_left -= work.spent - before
    return np.concatenate([left, draws[paid:]]), 0


def _start(circuit: Circuit, area: FloatArray, manifold_pa: FloatArray) -> State:
    """A first guess: all inner nodes a little below the room, flows as at 1 kPa (choked from the manifold)."""
    pressure = np.zeros((len(circuit.nodes), len(manifold_pa)))
    pressure[-1] = manifold_pa
    pressure[: circuit.inner] = -np.arange(1, circuit.inner + 1)[:, None] * 1.0
    flow = area * np.sqrt(circuit.forward_factor[:, None] * STANDARD_ATMOSPHERE_PA * 300.0)
    return pressure, flow
