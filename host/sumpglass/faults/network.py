"""Steady flow through a ventilation network, for thousands of draws of its unknowns at once.

Every passage is an isentropic orifice that chokes. Gas drawn from the room is at 20 degC, all other at the layout's
gas temperature; every inner node leaks a little to the room, so that none is ever cut off.

The unknowns of the iteration are the flows of the elements *and* the pressures of the nodes (Todini and Pilati's
gradient method of water networks, carried over to compressible flow). With the flow's square as the quantity that is
linearised, Newton's method does not meet the infinite slope of an orifice at zero difference, and every iterate
satisfies the mass balance to rounding. Draws that have not settled after `NEWTON_ROUNDS` are finished by a bracketed
method that cannot fail (`_by_bracket`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sumpglass.faults.layout import CRANKCASE, FIXED_NODES, MANIFOLD, ROOM, Layout, LayoutTest
from sumpglass.physics.gas import GAMMA_AIR, R_AIR_J_KG_K
from sumpglass.units import REFERENCE_TEMPERATURE_K, STANDARD_ATMOSPHERE_PA, ZERO_CELSIUS_K

FloatArray = npt.NDArray[np.float64]
State = tuple[FloatArray, FloatArray]
Numbers = npt.NDArray[np.intp]

INNER_LEAK_MM2 = 0.0001
"""Every inner node leaks this to the room."""
NEWTON_ROUNDS = 30
_POWER = (GAMMA_AIR - 1.0) / GAMMA_AIR
_CHOKED = np.log(2.0 / (GAMMA_AIR + 1.0))
"""Natural logarithm of the temperature ratio at which the flow chokes (5/6 for gamma 1.4)."""
_SMALLEST_AREA_M2 = 1e-18
"""A passage of area 0 is counted as this: 1e-8 of the leak of a node, and no division by zero."""
_CLOSED_SHARE = 1e-9
"""A closed check valve lets back this share of what it passes forward: every flow then answers to a pressure."""
_CHUNK = 2048
"""Draws that are solved together: the working arrays then stay in the processor's cache."""


@dataclass(frozen=True)
class Circuit:
    """What is left of a layout during one test: the part that is connected with the tap, parallel passages merged.

    Nodes are numbered: the inner ones first, then the room, then the manifold.
    """

    nodes: tuple[str, ...]
    tap: int
    start: npt.NDArray[np.intp]
    end: npt.NDArray[np.intp]
    one_way: npt.NDArray[np.bool_]
    members: npt.NDArray[np.float64]
    """(elements, parameters) 1 where the element contains that edge or seal."""
    fixed_area_m2: FloatArray
    """(elements,) area that is the same in all draws: openings and the leaks of the inner nodes."""
    forward_factor: FloatArray
    """(elements,) 2 gamma/((gamma-1) R T) of the gas that enters at `start`."""
    backward_factor: FloatArray
    """(elements,) the same of gas that enters at `end`."""
    source: int
    """Number of the node where blow-by enters; -1 where the crankcase is not in this part."""

    @property
    def alike(self) -> bytes:
        """The same for circuits that differ only in the tap."""
        arrays = (self.start, self.end, self.one_way, self.members, self.fixed_area_m2)
        return repr((self.nodes, self.source)).encode() + b"".join(array.tobytes() for array in arrays)

    @property
    def inner(self) -> int:
        """Number of nodes whose pressure has to be found."""
        return len(self.nodes) - 2


@dataclass(frozen=True)
class Solution:
    """Pressures (nodes, draws) in Pa gauge and flows (elements, draws) in kg/s, `start` to `end` positive."""

    pressure_pa: FloatArray
    flow_kg_s: FloatArray
    rounds: int
    """Newton rounds that the slowest draw took."""
    bracketed: int
    """Draws that the bracketed method had to finish."""


def parameter_names(layout: Layout) -> list[str]:
    """Order of the unknowns: edges, seals, then "blow_by" and "manifold"."""
    return [edge.id for edge in layout.edges] + [seal.id for seal in layout.seals] + ["blow_by", "manifold"]


def circuit_for(layout: Layout, test: LayoutTest) -> Circuit:
    """The circuit that `test` makes of `layout`."""
    names = parameter_names(layout)
    passages = _passages(layout, test)
    reached = _reached(test.tap, [(a, b) for a, b, _, _, _ in passages])
    nodes = (*(node for node in layout.inner_nodes if node in reached), ROOM, MANIFOLD)
    number = {node: index for index, node in enumerate(nodes)}
    merged: dict[tuple[str, str, object], tuple[list[str], float]] = {}
    for position, (a, b, one_way, name, area) in enumerate(passages):
        if (a in number and b in number) and not (a in FIXED_NODES and b in FIXED_NODES):
            if not one_way and number[a] > number[b]:
                a, b = b, a
            ids, fixed = merged.get((a, b, position if one_way else None), ([], 0.0))
            merged[(a, b, position if one_way else None)] = ([*ids, *([name] if name else [])], fixed + area * 1e-6)
    members = np.zeros((len(merged), len(names)))
    for row, (ids, _) in enumerate(merged.values()):
        for name in ids:
            members[row, names.index(name)] = 1.0
    gas, room = _temperature_factor(layout.gas_c + ZERO_CELSIUS_K), _temperature_factor(REFERENCE_TEMPERATURE_K)
    return Circuit(
        nodes=nodes,
        tap=number[test.tap],
        start=np.array([number[a] for a, _, _ in merged], dtype=np.intp),
        end=np.array([number[b] for _, b, _ in merged], dtype=np.intp),
        one_way=np.array([key is not None for _, _, key in merged], dtype=bool),
        members=members,
        fixed_area_m2=np.array([fixed for _, fixed in merged.values()]),
        forward_factor=np.array([room if a == ROOM else gas for a, _, _ in merged]),
        backward_factor=np.array([room if b == ROOM else gas for _, b, _ in merged]),
        source=number.get(CRANKCASE, -1),
    )


def _passages(layout: Layout, test: LayoutTest) -> list[tuple[str, str, bool, str, float]]:
    """(from, to, one way, parameter or "", fixed area in mm2) of all that passes gas during the test."""
    found = [(edge.start, edge.end, edge.one_way, edge.id, 0.0) for edge in layout.edges if edge.id not in test.stopped]
    found += [(seal.node, ROOM, False, seal.id, 0.0) for seal in layout.seals if seal.id not in test.stopped]
    found += [(opening.node, ROOM, False, "", opening.cda_mm2) for opening in test.open if opening.node != ROOM]
    found += [(node, ROOM, False, "", INNER_LEAK_MM2) for node in layout.inner_nodes]
    return found


def _reached(tap: str, pairs: list[tuple[str, str]]) -> set[str]:
    """Nodes joined with the tap by passages that do not lead through manifold or room, and those two."""
    reached = {tap}
    grown = True
    while grown and tap not in FIXED_NODES:
        grown = False
        for a, b in pairs:
            for here, there in ((a, b), (b, a)):
                if here in reached and here not in FIXED_NODES and there not in reached:
                    reached.add(there)
                    grown = True
    return reached | set(FIXED_NODES)


def _temperature_factor(kelvin: float) -> float:
    return 2.0 * GAMMA_AIR / ((GAMMA_AIR - 1.0) * R_AIR_J_KG_K * kelvin)


def solve(
    circuit: Circuit,
    areas_m2: FloatArray,
    blow_by_kg_s: FloatArray,
    manifold_pa: FloatArray,
    tolerance_pa: float = 1e-7,
) -> Solution:
    """Steady state of each draw.

    `areas_m2` (parameters, draws) in the order of `parameter_names`, of which the last two rows (blow-by, manifold)
    are not looked at; `blow_by_kg_s` and `manifold_pa` (gauge, negative) are (draws,). A draw is done when a whole
    Newton step moves none of its pressures by more than `tolerance_pa` plus 1e-11 of an absolute pressure.
    """
    draws = areas_m2.shape[1]
    pressure = np.empty((len(circuit.nodes), draws))
    flow = np.empty((len(circuit.start), draws))
    rounds = bracketed = 0
    unsettled: list[Numbers] = [np.empty(0, dtype=np.intp)]
    for first in range(0, draws, _CHUNK):
        part = slice(first, min(first + _CHUNK, draws))
        area = _areas(circuit, areas_m2[:, part])
        state = _start(circuit, area, manifold_pa[part])
        took, rest = _newton(circuit, area, blow_by_kg_s[part], state, tolerance_pa, np.arange(area.shape[1]))
        pressure[:, part], flow[:, part] = state
        rounds = max(rounds, took)
        unsettled.append(rest + first)
    rest = np.concatenate(unsettled)
    if len(rest):
        area = _areas(circuit, areas_m2[:, rest])
        state = pressure[:, rest], flow[:, rest]
        left = _by_continuation(circuit, area, blow_by_kg_s[rest], state, np.arange(len(rest)), tolerance_pa)
        _by_bracket(circuit, area, blow_by_kg_s[rest], state, left)
        pressure[:, rest], flow[:, rest] = state
        bracketed = len(left)
    return Solution(pressure, flow, rounds, bracketed)


def _areas(circuit: Circuit, areas_m2: FloatArray) -> FloatArray:
    return np.maximum(circuit.members @ areas_m2 + circuit.fixed_area_m2[:, None], _SMALLEST_AREA_M2)


def _start(circuit: Circuit, area: FloatArray, manifold_pa: FloatArray) -> State:
    """A first guess: all inner nodes a little below the room, flows as at 1 kPa (choked from the manifold)."""
    pressure = np.zeros((len(circuit.nodes), len(manifold_pa)))
    pressure[-1] = manifold_pa
    pressure[: circuit.inner] = -np.arange(1, circuit.inner + 1)[:, None] * 1.0
    flow = area * np.sqrt(circuit.forward_factor[:, None] * STANDARD_ATMOSPHERE_PA * 300.0)
    return pressure, flow


def _newton(
    circuit: Circuit,
    area: FloatArray,
    blow_by: FloatArray,
    state: State,
    tolerance_pa: float,
    active: Numbers,
    part: float = 1.0,
) -> tuple[int, Numbers]:
    """Improve the `active` draws of `state` in place; returns the rounds taken and the draws that have not settled.

    Each pressure goes `part` of the Newton step: less than all of it ends the flutter of a valve that barely opens.
    """
    pressure, flow = state
    inner = circuit.inner
    if inner == 0:
        flow[:] = 0.0
        return 0, np.empty(0, dtype=np.intp)
    p, q, square, source = pressure[:, active], flow[:, active], np.square(area[:, active]), blow_by[active]
    floor = _still(q)
    for taken in range(1, NEWTON_ROUNDS + 1):
        with np.errstate(over="ignore", invalid="ignore"):  # a draw that runs away is taken up by the continuation
            step, q, mismatch = _newton_step(circuit, square, source, p, q, floor)
        before = p[:inner]
        absolute = before + STANDARD_ATMOSPHERE_PA
        # No pressure can lie below the manifold's; and none may grow to more than four times its value in one step.
        highest = absolute * 4.0 - STANDARD_ATMOSPHERE_PA
        np.clip(before + part * step, np.minimum(p[-1], 0.0), highest, out=p[:inner])
        done = np.all(np.abs(step) <= tolerance_pa + 1e-11 * absolute, axis=0) & (mismatch <= 10.0 * tolerance_pa)
        count = np.count_nonzero(done)
        if count == len(active) or (count > 0 and taken % 3 == 0):
            pressure[:, active[done]], flow[:, active[done]] = p[:, done], q[:, done]
            keep = ~done
            active, p, q = active[keep], p[:, keep], q[:, keep]
            square, source, floor = square[:, keep], source[keep], floor[keep]
            if not len(active):
                return taken, active
    pressure[:, active], flow[:, active] = p, q
    return NEWTON_ROUNDS, active


def _newton_step(
    circuit: Circuit, square: FloatArray, source: FloatArray, p: FloatArray, q: FloatArray, floor: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Steps of the inner pressures (inner, draws), the flows after them, which balance at every inner node, and by how
    many Pa (draws,) the worst of those flows misses what the pressures after the step drive."""
    signed, slope_start, slope_end = _squared_flow(circuit, p)
    if circuit.one_way.any():
        # The state of a check valve follows from its flow, not from the pressures, which are not yet consistent with
        # it; a valve that closed starts again from what the pressures say, else its flow would only halve each round.
        closed = circuit.one_way[:, None] & (q < 0.0)
        square = np.where(closed & (signed <= 0.0), square * _CLOSED_SHARE**2, square)
        q = np.where(closed, np.sign(signed) * np.sqrt(square * np.abs(signed)), q)
    size = np.abs(q)
    inverse = 1.0 / (2.0 * np.maximum(size, floor))
    constant = q - q * size * inverse + (inverse * square) * signed
    inverse *= square
    gain_start, gain_end = inverse * slope_start, inverse * slope_end
    step = _balance_step(circuit, source, constant, gain_start, gain_end)
    whole = np.zeros_like(p)
    whole[: circuit.inner] = step
    flow = constant + gain_start * whole[circuit.start] - gain_end * whole[circuit.end]
    # To first order the square of a flow is off by the square of the flow's own step; steps too small to matter apart.
    moved = np.abs(flow - q)
    moved[moved <= 1e-9 * np.max(np.abs(flow), axis=0)] = 0.0
    return step, flow, np.max(np.square(moved) / (square * np.maximum(slope_start, slope_end)), axis=0)


def _balance_step(
    circuit: Circuit, source: FloatArray, constant: FloatArray, gain_start: FloatArray, gain_end: FloatArray
) -> FloatArray:
    """(inner, draws) steps s of the pressures that balance the flows constant + gain_start s_start - gain_end s_end."""
    inner, draws = circuit.inner, constant.shape[1]
    matrix: list[list[FloatArray | None]] = [[None] * inner for _ in range(inner)]
    right = np.zeros((inner, draws))
    if circuit.source >= 0:
        right[circuit.source] = source
    for e, (a, b) in enumerate(zip(circuit.start.tolist(), circuit.end.tolist())):
        if a < inner:
            right[a] -= constant[e]
            _add(matrix, a, a, gain_start[e])
        if b < inner:
            right[b] += constant[e]
            _add(matrix, b, b, gain_end[e])
        if a < inner and b < inner:
            _add(matrix, a, b, -gain_end[e])
            _add(matrix, b, a, -gain_start[e])
    return _eliminate(matrix, right)


def _squared_flow(circuit: Circuit, p: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Of each element: m|m| per squared area, its growth with the pressure at `start`, its fall with that at `end`.

    Isentropic orifice, m^2/A^2 = K p1^2 (u^5 - u^6) with u = (p2/p1)^(2/7) and K = 2 gamma/((gamma-1) R T1), for
    gamma 1.4; constant in p2 where u would lie below 5/6 (choked).
    """
    at_start, at_end = p[circuit.start], p[circuit.end]
    difference = at_start - at_end
    forward = difference >= 0.0
    upstream = np.maximum(at_start, at_end) + STANDARD_ATMOSPHERE_PA
    exponent = np.log1p(-np.minimum(np.abs(difference) / upstream, 0.999999))
    exponent *= _POWER
    np.maximum(exponent, _CHOKED, out=exponent)
    u = np.exp(exponent)
    drop = -np.expm1(exponent)
    factor = np.where(forward, circuit.forward_factor[:, None], circuit.backward_factor[:, None]) * upstream
    fifth = np.square(np.square(u)) * u
    signed = factor * upstream * fifth * drop
    up = factor * fifth * ((4.0 - 2.0 * u) / 7.0)
    down = factor * u * np.sqrt(u) * np.maximum((2.0 - 12.0 * drop) / 7.0, 0.0)
    return np.where(forward, signed, -signed), np.where(forward, up, down), np.where(forward, down, up)


def _add(matrix: list[list[FloatArray | None]], row: int, column: int, value: FloatArray) -> None:
    present = matrix[row][column]
    matrix[row][column] = value if present is None else present + value


def _eliminate(matrix: list[list[FloatArray | None]], right: FloatArray) -> FloatArray:
    """Gaussian elimination, all draws at once, skipping what is zero in all; no pivoting, as these are M-matrices."""
    size = len(matrix)
    order = sorted(range(size), key=lambda node: sum(entry is not None for entry in matrix[node]))
    for position, k in enumerate(order):
        pivot = matrix[k][k]
        if pivot is None:
            raise ArithmeticError("a node without any passage")
        pivot = np.maximum(pivot, 1e-300)
        matrix[k][k] = pivot
        later = order[position + 1 :]
        for i in later:
            entry = matrix[i][k]
            if entry is None:
                continue
            ratio = entry / pivot
            right[i] -= ratio * right[k]
            for j in later:
                across = matrix[k][j]
                if across is not None:
                    _add(matrix, i, j, -ratio * across)
    result = np.empty_like(right)
    for position in range(size - 1, -1, -1):
        k = order[position]
        total = right[k]
        for j in order[position + 1 :]:
            across = matrix[k][j]
            if across is not None:
                total = total - across * result[j]
        result[k] = total / matrix[k][k]
    return result


def _by_continuation(
    circuit: Circuit, area: FloatArray, blow_by: FloatArray, state: State, draws: Numbers, tolerance_pa: float
) -> Numbers:
    """Try `draws` again, in place, from networks whose orifices are nearly laminar and are sharpened step by step.

    Returns those that even so have not settled. Damped Newton steps in the pressures: a step that does not lessen the
    greatest imbalance of a draw is halved.
    """
    pressure, flow = state
    part, source = area[:, draws], blow_by[draws]
    p = pressure[:, draws]
    p[: circuit.inner] = 0.0
    lowest = np.minimum(p[-1], 0.0)
    for softness in 10.0 ** np.arange(6.0, -5.0, -2.0):
        for _ in range(6):
            constant, gain_start, gain_end = _soft_flow(circuit, part, p, softness)
            step = _balance_step(circuit, source, constant, gain_start, gain_end)
            if np.all(np.abs(step) < 0.1):
                break
            before, worst = p.copy(), _imbalance(circuit, source, constant)
            scale = np.ones(len(draws))
            for _ in range(8):
                p[: circuit.inner] = np.maximum(before[: circuit.inner] + scale * step, lowest)
                worse = _imbalance(circuit, source, _soft_flow(circuit, part, p, softness)[0]) > worst
                if not worse.any():
                    break
                scale = np.where(worse, 0.5 * scale, scale)
    pressure[:, draws] = p
    flow[:, draws] = _law_flow(circuit, part, p)
    rest = _newton(circuit, area, blow_by, state, tolerance_pa, draws)[1]
    return _newton(circuit, area, blow_by, state, tolerance_pa, rest, 0.4)[1] if len(rest) else rest


def _soft_flow(
    circuit: Circuit, area: FloatArray, p: FloatArray, softness: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Flow of orifices that are laminar where the squared flow per squared area is below `softness`, and its slopes."""
    signed, slope_start, slope_end = _squared_flow(circuit, p)
    passes = np.where(circuit.one_way[:, None] & (signed < 0.0), _CLOSED_SHARE * area, area)
    size = np.abs(signed)
    root = np.sqrt(size + softness)
    slope = passes * (0.5 * size + softness) / (root * (size + softness))
    return passes * signed / root, slope * slope_start, slope * slope_end


def _imbalance(circuit: Circuit, source: FloatArray, flow: FloatArray) -> FloatArray:
    """(draws,) greatest net inflow of any inner node, without sign."""
    net = np.zeros((len(circuit.nodes), flow.shape[1]))
    for e, (a, b) in enumerate(zip(circuit.start.tolist(), circuit.end.tolist())):
        net[a] -= flow[e]
        net[b] += flow[e]
    if circuit.source >= 0:
        net[circuit.source] += source
    return np.asarray(np.max(np.abs(net[: circuit.inner]), axis=0))


def _by_bracket(circuit: Circuit, area: FloatArray, blow_by: FloatArray, state: State, draws: Numbers) -> None:
    """Finish `draws` by node-wise bisection, sweep after sweep, from below; in place.

    The net inflow of a node falls with its own pressure and rises with its neighbours': starting with every inner
    node at the lowest pressure there is, each sweep raises the pressures towards the solution and never past it.
    """
    if not len(draws):
        return
    pressure, flow = state
    inner = circuit.inner
    part, source = area[:, draws], blow_by[draws]
    p = pressure[:, draws]
    p[:inner] = np.minimum(p[-1], 0.0)
    touching = [np.flatnonzero((circuit.start == i) | (circuit.end == i)) for i in range(inner)]
    for _ in range(1000):
        before = p[:inner].copy()
        for i in range(inner):
            inflow = source if circuit.source == i else np.zeros(len(draws))
            p[i] = _balanced(circuit, part, p, i, touching[i], inflow)
        if np.all(np.abs(p[:inner] - before) <= 1e-10 * (p[:inner] + STANDARD_ATMOSPHERE_PA)):
            break
    law = _law_flow(circuit, part, p)
    # The last digits of a pressure drive a flow through wide passages: one Newton step puts the balance right.
    with np.errstate(over="ignore", invalid="ignore"):
        balanced = _newton_step(circuit, np.square(part), source, p, law, _still(law))[1]
    pressure[:, draws] = p
    flow[:, draws] = np.where(np.isfinite(balanced), balanced, law)


def _still(flow: FloatArray) -> FloatArray:
    """(draws,) flow below which an element counts as still."""
    return np.asarray(1e-9 * np.max(np.abs(flow), axis=0) + 1e-30)


def _balanced(
    circuit: Circuit, area: FloatArray, p: FloatArray, node: int, touching: npt.NDArray[np.intp], inflow: FloatArray
) -> FloatArray:
    """Pressure of `node` at which its flows balance, the other pressures held; bisection in the gauge pressure."""
    sign = np.where(circuit.end[touching] == node, 1.0, -1.0)[:, None]
    trial = p.copy()

    def excess(value: FloatArray) -> FloatArray:
        trial[node] = value
        return np.sum(sign * _law_flow(circuit, area, trial)[touching], axis=0) + inflow

    low = p[node].copy()
    high = np.maximum(np.max(p, axis=0), 0.0)
    for _ in range(60):
        above = excess(high) > 0.0
        if not above.any():
            break
        high = np.where(above, 2.0 * high + STANDARD_ATMOSPHERE_PA, high)
    for _ in range(55):
        middle = 0.5 * (low + high)
        positive = excess(middle) > 0.0
        low, high = np.where(positive, middle, low), np.where(positive, high, middle)
    return low


def _law_flow(circuit: Circuit, area: FloatArray, p: FloatArray) -> FloatArray:
    """(elements, draws) flow that the pressures drive, kg/s."""
    signed, _, _ = _squared_flow(circuit, p)
    if circuit.one_way.any():
        area = np.where(circuit.one_way[:, None] & (signed < 0.0), _CLOSED_SHARE * area, area)
    return np.sign(signed) * area * np.sqrt(np.abs(signed))
