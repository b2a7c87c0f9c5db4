"""What finishes the draws on which Newton's method does not settle: check valves that flutter, mostly."""

from __future__ import annotations

import numpy as np

from sumpglass.faults.circuit import Circuit
from sumpglass.faults.network_steps import (
    CLOSED_SHARE,
    FloatArray,
    Numbers,
    State,
    Work,
    balance_step,
    law_flow,
    newton,
    newton_step,
    squared_flow,
    still_flow,
)
from sumpglass.units import STANDARD_ATMOSPHERE_PA

SWEEPS = 40
MOST_TRIES = 8
CONTINUATION_PASSES = 300.0
"""Evaluations that the continuation takes at most."""


def by_continuation(
    circuit: Circuit,
    area: FloatArray,
    blow_by: FloatArray,
    state: State,
    draws: Numbers,
    tolerance_pa: float,
    work: Work | None = None,
) -> Numbers:
    """Try `draws` again, in place, from networks whose orifices are nearly laminar and are sharpened step by step.

    Returns those that even so have not settled. Damped Newton steps in the pressures: a step that does not lessen the
    greatest imbalance of a draw is halved.
    """
    work = work or Work()
    pressure, flow = state
    draws = newton(circuit, area, blow_by, state, tolerance_pa, draws, 0.5, work)[1]
    if not len(draws):
        return draws
    part, source = area[:, draws], blow_by[draws]
    p = pressure[:, draws]
    p[: circuit.inner] = 0.0
    lowest = np.minimum(p[-1], 0.0)
    for softness in 10.0 ** np.arange(6.0, -5.0, -2.0):
        for _ in range(6):
            work.add(circuit, len(draws), 2.0)
            constant, gain_start, gain_end = _soft_flow(circuit, part, p, softness)
            with np.errstate(over="ignore", invalid="ignore"):  # a step without bounds is clipped to them below
                step = np.nan_to_num(balance_step(circuit, source, constant, gain_start, gain_end))
            if np.all(np.abs(step) < 0.1):
                break
            before, worst = p.copy(), _imbalance(circuit, source, constant)
            highest = 4.0 * (before[: circuit.inner] + STANDARD_ATMOSPHERE_PA) - STANDARD_ATMOSPHERE_PA
            scale = np.ones(len(draws))
            for _ in range(8):
                p[: circuit.inner] = np.clip(before[: circuit.inner] + scale * step, lowest, highest)
                worse = _imbalance(circuit, source, _soft_flow(circuit, part, p, softness)[0]) > worst
                if not worse.any():
                    break
                scale = np.where(worse, 0.5 * scale, scale)
    softened, driven = pressure.copy(), flow.copy()
    softened[:, draws], driven[:, draws] = p, law_flow(circuit, part, p)
    rest = draws
    for share in (1.0, 0.5, 0.25, 0.1):
        pressure[:, rest], flow[:, rest] = softened[:, rest], driven[:, rest]
        rest = newton(circuit, area, blow_by, state, tolerance_pa, rest, share, work)[1]
        if not len(rest):
            break
    return rest


def _soft_flow(
    circuit: Circuit, area: FloatArray, p: FloatArray, softness: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Flow of orifices that are laminar where the squared flow per squared area is below `softness`, and its slopes."""
    signed, slope_start, slope_end = squared_flow(circuit, p)
    passes = np.where(circuit.one_way[:, None] & (signed < 0.0), CLOSED_SHARE * area, area)
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


def by_bracket(
    circuit: Circuit, area: FloatArray, blow_by: FloatArray, state: State, draws: Numbers, tolerance_pa: float
) -> None:
    """Finish `draws` by node-wise bisection from below, with a try of Newton's method after every `SWEEPS`; in place.

    The net inflow of a node falls with its own pressure and rises with its neighbours': starting with every inner
    node at the lowest pressure there is, each sweep raises the pressures towards the solution and never past it.
    Alone it is slow where wide passages join nodes.
    """
    pressure, flow = state
    inner = circuit.inner
    if len(draws):
        pressure[:inner, draws] = np.minimum(pressure[-1, draws], 0.0)
    for _ in range(MOST_TRIES):
        if not len(draws):
            return
        p, settled = _swept(circuit, area[:, draws], blow_by[draws], pressure[:, draws], tolerance_pa)
        law = law_flow(circuit, area[:, draws], p)
        pressure[:, draws], flow[:, draws] = p, law
        rest = newton(circuit, area, blow_by, state, tolerance_pa, draws, 0.5)[1]
        if settled:
            # Pressures that no sweep moves any more stand; one Newton step puts the flows' balance right.
            at = np.isin(draws, rest)
            with np.errstate(over="ignore", invalid="ignore"):
                balanced = newton_step(
                    circuit, np.square(area[:, rest]), blow_by[rest], p[:, at], law[:, at], still_flow(law[:, at])
                )[1]
            pressure[:, rest], flow[:, rest] = p[:, at], np.where(np.isfinite(balanced), balanced, law[:, at])
            return
        pressure[:, rest] = p[:, np.isin(draws, rest)]
        draws = rest


def _swept(
    circuit: Circuit, area: FloatArray, source: FloatArray, p: FloatArray, tolerance_pa: float
) -> tuple[FloatArray, bool]:
    """`p` after at most `SWEEPS` sweeps, and whether the last of them moved nothing."""
    inner = circuit.inner
    touching = [np.flatnonzero((circuit.start == i) | (circuit.end == i)) for i in range(inner)]
    for _ in range(SWEEPS):
        before = p[:inner].copy()
        for i in range(inner):
            inflow = source if circuit.source == i else np.zeros(p.shape[1])
            p[i] = _balanced(circuit, area, p, i, touching[i], inflow)
        if np.all(np.abs(p[:inner] - before) <= 0.01 * tolerance_pa + 1e-11 * (p[:inner] + STANDARD_ATMOSPHERE_PA)):
            return p, True
    return p, False


def _balanced(
    circuit: Circuit, area: FloatArray, p: FloatArray, node: int, touching: Numbers, inflow: FloatArray
) -> FloatArray:
    """Pressure of `node` at which its flows balance, the other pressures held; bisection in the gauge pressure."""
    sign = np.where(circuit.end[touching] == node, 1.0, -1.0)[:, None]
    trial = p.copy()

    def excess(value: FloatArray) -> FloatArray:
        trial[node] = value
        return np.sum(sign * law_flow(circuit, area, trial)[touching], axis=0) + inflow

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
