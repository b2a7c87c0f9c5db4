"""How warm the gas is that strong pulses push out through the openings: the readings choose, where they can."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sumpglass.procedures.leak_answer import best_of_family
from sumpglass.procedures.leak_problem import CHI2_95, LeakProblem
from sumpglass.procedures.openings import Reading, Room, swing_shifts_pa

HOTTER_K = 25.0
"""Gas may be hotter than expected by this much; 95 degC is a hot engine's (common practice, no source)."""
GAS_DEVIANCE = 2.0
"""How much better another temperature of the gas must fit than the expected one to be taken instead."""


def with_swing(readings: Sequence[Reading], room: Room) -> list[Reading]:
    """The readings with what is not known of their pulses' shape counted in."""
    return [_with_swing(r, room) for r in readings]


def _with_swing(reading: Reading, room: Room) -> Reading:
    if reading.vacuum_pa is None or len(reading.shape_pa) == 1 or reading.recorded:
        return reading
    size_u, form = swing_shifts_pa(reading.vacuum_pa, float(np.sqrt(np.mean(reading.shape_pa**2))), room)
    return replace(reading, u_pa=math.hypot(reading.u_pa, size_u), shared_pa=form)


def gas_temperatures(
    readings: Sequence[Reading], room: Room, zero_u_pa: float, other_gas_k: float, bore_u95_mm: float
) -> list[float]:
    """The temperature to take for the gas that flows out, then the ends of what the readings allow besides it.

    Cold and hot gas bend the line differently, so that the readings often tell; where they do not, the expected one.
    """
    expected_k = room.temperature_k if room.gas_k is None else room.gas_k
    low, high = sorted((expected_k, other_gas_k))
    hottest = high + HOTTER_K
    deviances: dict[float, float] = {}
    like: LeakProblem | None = None

    def fitted(gas_k: float, area_mm2: float | None) -> tuple[float, float]:
        nonlocal like
        here = replace(room, gas_k=gas_k)
        problem = like = LeakProblem(with_swing(readings, here), here, zero_u_pa, bore_u95_mm=bore_u95_mm, like=like)
        if area_mm2 is not None:
            problem.count_bores(area_mm2)
        found = best_of_family(problem)
        return found.area_mm2, found.deviance

    first_mm2, _ = fitted(expected_k, None)
    for gas_k in (expected_k, other_gas_k, 0.5 * (low + high), hottest):
        deviances[gas_k] = fitted(gas_k, first_mm2)[1]
    best_k = min(deviances, key=deviances.__getitem__)
    if max(deviances.values()) > deviances[best_k] + GAS_DEVIANCE:
        for step in (HOTTER_K / 2.0, HOTTER_K / 4.0):
            for gas_k in (best_k - step, best_k + step):
                if low <= gas_k <= hottest and gas_k not in deviances:
                    deviances[gas_k] = fitted(gas_k, first_mm2)[1]
            best_k = min(deviances, key=deviances.__getitem__)
    least = deviances[best_k]
    taken_k = expected_k if deviances[expected_k] <= least + GAS_DEVIANCE else best_k
    # The hottest is only for readings that ask for it.
    allowed = [k for k in _reached(deviances, least + CHI2_95) if k <= high or best_k > high]
    return [taken_k, *(k for k in allowed if abs(k - taken_k) > 1.0)]


def _reached(deviances: dict[float, float], level: float) -> list[float]:
    """The lowest and the highest temperature at which the deviance, drawn through those looked at, is under `level`."""
    at = np.array(sorted(deviances))
    fine = np.linspace(at[0], at[-1], 200)
    inside = fine[np.interp(fine, at, [deviances[k] for k in at]) <= level]
    return [float(inside[0]), float(inside[-1])] if len(inside) else []
