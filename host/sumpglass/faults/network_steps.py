"""Newton's method for the network, flows and pressures together, and the law of its elements.

The unknowns are the flows of the elements *and* the pressures of the nodes (Todini and Pilati's gradient method of
water networks, carried over to compressible flow). With the flow's square as the quantity that is linearised, Newton's
method does not meet the infinite slope of an orifice at zero difference, and every iterate satisfies the mass balance
to rounding.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from sumpglass.faults.circuit import Circuit
from sumpglass.physics.gas import GAMMA_AIR
from sumpglass.units import STANDARD_ATMOSPHERE_PA

FloatArray = npt.NDArray[np.float64]
State = tuple[FloatArray, FloatArray]
"""Pressures (nodes, draws), Pa gauge, and flows (elements, draws), kg/s."""
Numbers = npt.NDArray[np.intp]

NEWTON_ROUNDS = 30
PASS_OVERHEAD = 3000.0
"""Fixed cost of one evaluation of a circuit, in elements times draws."""
CLOSED_SHARE = 1e-9
"""A closed check valve lets back this share of what it passes forward: every flow then answers to a pressure."""
_POWER = (GAMMA_AIR - 1.0) / GAMMA_AIR
_CHOKED = np.log(2.0 / (GAMMA_AIR + 1.0))
"""Natural logarithm of the temperature ratio at which the flow chokes (5/6 for gamma 1.4)."""


class Work:
    """What solving may cost, counted in elements times draws evaluated: the same input always stops at the same place.

    A clock would make the answer depend on how busy the machine is.
    """

    def __init__(self, rescue: float = float("inf")) -> None:
        self.spent = 0.0
        self.rescue_left = rescue
        """What the methods of last resort may still cost, of `spent`."""

    def add(self, circuit: Circuit, draws: int, passes: float = 1.0) -> None:
        """Count `passes` evaluations of all elements for `draws`; each has a fixed cost beside that of its draws."""
        self.spent += passes * (cost_of_draw(circuit) * draws + PASS_OVERHEAD)

    @property
    def limited(self) -> bool:
        """False where every draw is to be solved, whatever it costs."""
        return self.rescue_left != float("inf")

    def affords(self, circuit: Circuit, passes: float) -> int:
        """Draws for which so many passes of a method of last resort can be paid."""
        return max(0, int((self.rescue_left / passes - PASS_OVERHEAD) / cost_of_draw(circuit)))


def cost_of_draw(circuit: Circuit) -> float:
    """Cost of one evaluation for one draw, in elements: those, and the elimination of the inner nodes."""
    return len(circuit.start) + circuit.inner**2 / 4.0


def newton(
    circuit: Circuit,
    area: FloatArray,
    blow_by: FloatArray,
    state: State,
    tolerance_pa: float,
    active: Numbers,
    part: float = 1.0,
    work: Work | None = None,
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
    floor = still_flow(q)
    for taken in range(1, NEWTON_ROUNDS + 1):
        if work is not None:
            work.add(circuit, len(active))
        with np.errstate(over="ignore", invalid="ignore"):  # a draw that runs away is taken up by the continuation
            step, q, mismatch = newton_step(circuit, square, source, p, q, floor)
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


def newton_step(
    circuit: Circuit, square: FloatArray, source: FloatArray, p: FloatArray, q: FloatArray, floor: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Steps of the inner pressures (inner, draws), the flows after them, which balance at every inner node, and by how
    many Pa (draws,) the worst of those flows misses what the pressures after the step drive."""
    signed, slope_start, slope_end = squared_flow(circuit, p)
    if circuit.one_way.any():
        # The state of a check valve follows from its flow, not from the pressures, which are not yet consistent with
        # it; a valve that closed starts again from what the pressures say, else its flow would only halve each round.
        closed = circuit.one_way[:, None] & (q < 0.0)
        square = np.where(closed & (signed <= 0.0), square * CLOSED_SHARE**2, square)
        q = np.where(closed, np.sign(signed) * np.sqrt(square * np.abs(signed)), q)
    size = np.abs(q)
    inverse = 1.0 / (2.0 * np.maximum(size, floor))
    constant = q - q * size * inverse + (inverse * square) * signed
    inverse *= square
    gain_start, gain_end = inverse * slope_start, inverse * slope_end
    step = balance_step(circuit, source, constant, gain_start, gain_end)
    whole = np.zeros_like(p)
    whole[: circuit.inner] = step
    flow = constant + gain_start * whole[circuit.start] - gain_end * whole[circuit.end]
    # To first order the square of a flow is off by the square of the flow's own step; steps too small to matter apart.
    moved = np.abs(flow - q)
    moved[moved <= 1e-9 * np.max(np.abs(flow), axis=0)] = 0.0
    return step, flow, np.max(np.square(moved) / (square * np.maximum(slope_start, slope_end)), axis=0)


def balance_step(
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


def squared_flow(circuit: Circuit, p: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
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


def law_flow(circuit: Circuit, area: FloatArray, p: FloatArray) -> FloatArray:
    """(elements, draws) flow that the pressures drive, kg/s."""
    signed, _, _ = squared_flow(circuit, p)
    if circuit.one_way.any():
        area = np.where(circuit.one_way[:, None] & (signed < 0.0), CLOSED_SHARE * area, area)
    return np.sign(signed) * area * np.sqrt(np.abs(signed))


def still_flow(flow: FloatArray) -> FloatArray:
    """(draws,) flow below which an element counts as still."""
    return np.asarray(1e-9 * np.max(np.abs(flow), axis=0) + 1e-30)
