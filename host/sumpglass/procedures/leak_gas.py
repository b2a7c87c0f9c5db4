"""How warm the gas is that strong pulses push out through the openings: the readings choose, where they can."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sumpglass.procedures.leak_answer import best_of_family
from sumpglass.procedures.leak_problem import CHI2_95, LeakProblem
from sumpglass.procedures.openings import Reading, Room, swing_shifts_pa
from sumpglass.procedures.source_models import FINITE_LINEAR

HOTTER_K = 25.0
"""Gas may be hotter than expected by this much; 95 degC is a hot engine's (common practice, no source)."""
GAS_DEVIANCE = 2.0
"""How much better another temperature of the gas must fit than the expected one to be taken instead."""
APART_K = 8.0
"""Temperatures closer than this count as one."""
_BENT = replace(FINITE_LINEAR, prior=(0.5, 5.0))
"""A bent source: were every line taken as straight, its bend would be laid to the gas. (The prior, which is as good as
none, keeps the first grid of the nuisance: that is close enough here, and quick.)"""


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
) -> list[tuple[float, float]]:
    """Temperatures of the gas that flows out, each with its chance before the readings: the one to take for a straight
    line first, then the ends of what the readings allow under straight and under bent lines.

    Cold and hot gas bend the line differently, so that the readings often tell; where they do not, the expected one.
    The chance is even over what is allowed: each temperature stands for what is nearest to it.
    """
    expected_k = room.temperature_k if room.gas_k is None else room.gas_k
    low, high = sorted((expected_k, other_gas_k))
    hottest = high + HOTTER_K
    straight: dict[float, float] = {}
    bent: dict[float, float] = {}
    like: LeakProblem | None = None

    def problem_at(gas_k: float) -> LeakProblem:
        nonlocal like
        here = replace(room, gas_k=gas_k)
        like = LeakProblem(with_swing(readings, here), here, zero_u_pa, bore_u95_mm=bore_u95_mm, like=like)
        return like

    first_mm2 = best_of_family(problem_at(expected_k)).area_mm2

    def look_at(*gases_k: float) -> None:
        for gas_k in gases_k:
            if low <= gas_k <= hottest and gas_k not in straight:
                problem = problem_at(gas_k)
                problem.count_bores(first_mm2)
                straight[gas_k] = best_of_family(problem).deviance
                bent[gas_k] = best_of_family(problem, _BENT).deviance

    look_at(expected_k, other_gas_k, 0.5 * (low + high), hottest)
    best_k = min(straight, key=straight.__getitem__)
    if max(straight.values()) > straight[best_k] + GAS_DEVIANCE:
        for step in (HOTTER_K / 2.0, HOTTER_K / 4.0):
            look_at(best_k - step, best_k + step)
            best_k = min(straight, key=straight.__getitem__)
    taken_k = expected_k if straight[expected_k] <= straight[best_k] + GAS_DEVIANCE else best_k
    found = [taken_k]
    for deviances in (straight, bent):
        likeliest_k = min(deviances, key=deviances.__getitem__)
        for gas_k in _reached(deviances, deviances[likeliest_k] + CHI2_95):
            # The hottest is only for readings that ask for it.
            wanted = gas_k <= high or likeliest_k > high
            if wanted and all(abs(gas_k - other) > APART_K for other in found):
                found.append(gas_k)
    return list(zip(found, _shares(found)))


def _shares(values: Sequence[float]) -> list[float]:
    """Share of the range of these values that is nearest to each."""
    if len(values) == 1:
        return [1.0]
    order = np.argsort(values)
    rising = np.asarray(values)[order]
    middles = 0.5 * (rising[1:] + rising[:-1])
    widths = np.diff(np.concatenate([rising[:1], middles, rising[-1:]])) / (rising[-1] - rising[0])
    shares = np.empty(len(rising))
    shares[order] = widths
    return shares.tolist()


def _reached(deviances: dict[float, float], level: float) -> list[float]:
    """The lowest and the highest temperature at which the deviance, drawn through those looked at, is under `level`."""
    at = np.array(sorted(deviances))
    fine = np.linspace(at[0], at[-1], 200)
    inside = fine[np.interp(fine, at, [deviances[k] for k in at]) <= level]
    return [float(inside[0]), float(inside[-1])] if len(inside) else []
