"""The ways to read a series where nobody told its hose, its zero or how warm the gas is that pulses push out.

Each way is a set of readings in a room with a zero known so well, and has a chance before the readings. All families of
sources are weighed under every way (`leak_answer.weigh`), and the intervals are those of all ways together, each by
what the readings say of it (Kass and Raftery, Journal of the American Statistical Association 90 (1995) 773).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.procedures.leak_answer import best_of_family, weigh
from sumpglass.procedures.leak_gas import gas_temperatures, with_swing
from sumpglass.procedures.leak_hoses import hoses_of
from sumpglass.procedures.leak_posterior import Sources, Weighed
from sumpglass.procedures.leak_problem import LeakProblem
from sumpglass.procedures.openings import Reading, Room, breathes_out

WIDE_ZERO_U_PA = 40.0
"""Standard uncertainty of the zero of a rig that was never zeroed: about a hundredth of the span of a common part."""
OFF_ZERO_U_PA = 15.0
"""The same of a rig that was zeroed once, some time ago (an assumption)."""
WIDE_CHANCE, OFF_CHANCE = 0.25, 0.35
"""Chances, before the readings, that a recording without a zero is of such rigs (assumptions)."""
HOSE_CHANCE = 0.5
"""Chance, before the readings, that a hose of which nothing is told changes the pulses (an assumption)."""

HOPELESS = 10.0
"""Logarithm by which a gas is less likely than another before it is not tried under further zeros."""


@dataclass(frozen=True)
class Told:
    """What is told of a series beside its readings and its room; the fields are the arguments of `size_leak`."""

    zero_u_pa: float
    uncertainty_stated: bool
    bore_u95_mm: float
    limit_pa: float
    other_gas_k: float | None
    wide_zero_u_pa: float | None


@dataclass(frozen=True)
class Way:
    """One way to read a series, with what the readings say of it. `chance` is that after the readings."""

    zero_u_pa: float
    room: Room
    hose: bool
    weighed: Weighed
    chance: float = 0.0


def ways_of(readings: Sequence[Reading], room: Room, told: Told) -> list[Way]:
    """All ways, the likeliest first."""
    hoses = hoses_of(readings, room)
    seen_chance = 1.0 - HOSE_CHANCE * sum(share for _, share in hoses)
    ways: list[Way] = []
    zeros = _zeros(told)
    gases = _gases(readings, room, zeros[len(zeros) // 2][0], told)
    for zero_u_pa, zero_chance in zeros:
        gases = _not_hopeless(gases, ways)
        for warmth, gas_chance in gases:
            like = next(
                (w.weighed.sources for w in ways if w.room == warmth), ways[0].weighed.sources if ways else None
            )
            weighed = _weighed(readings, warmth, zero_u_pa, told, zero_chance * gas_chance, like)
            ways.append(Way(zero_u_pa, warmth, False, weighed))
    ways = _ranked(ways)
    if hoses:
        # Gas that a hose's larger pulses would push out is not seen in the pulses as they are.
        zero_u_pa = ways[0].zero_u_pa
        zero_chance = next(chance for u_pa, chance in zeros if u_pa == zero_u_pa)
        other_k = _other_gas_k(readings, room, told)
        warmths = [room] if other_k is None else [room, replace(room, gas_k=other_k)]
        ways = [replace(w, weighed=w.weighed.times(seen_chance)) if w.zero_u_pa == zero_u_pa else w for w in ways]
        for behind, share in hoses:
            similar = None
            for warmth in warmths:
                prior = zero_chance * HOSE_CHANCE * share / len(warmths)
                like = min(ways, key=lambda w: (w.room != warmth, -w.chance)).weighed.sources
                weighed = _weighed(behind, warmth, zero_u_pa, told, prior, like, similar)
                similar = weighed.problem
                ways.append(Way(zero_u_pa, warmth, True, weighed))
    return _ranked(ways)


def _weighed(
    readings: Sequence[Reading], room: Room, zero_u_pa: float, told: Told, prior: float, like: Sources | None,
    similar: LeakProblem | None = None,
) -> Weighed:  # fmt: skip
    """Weigh all sources under one way. `like` has the sources of another way and `similar` its pulses: both save
    time."""
    if similar is None and like is not None:
        similar = like.looked_at.problem
    problem = LeakProblem(with_swing(readings, room), room, zero_u_pa, bore_u95_mm=told.bore_u95_mm, like=similar)
    problem.count_bores(best_of_family(problem).area_mm2)
    return weigh(problem, told.uncertainty_stated, prior, like)


def _ranked(ways: Sequence[Way]) -> list[Way]:
    evidence = np.array([w.weighed.log_evidence for w in ways])
    chances = np.exp(evidence - np.logaddexp.reduce(evidence))
    return sorted((replace(w, chance=float(c)) for w, c in zip(ways, chances)), key=lambda w: -w.chance)


def _zeros(told: Told) -> list[tuple[float, float]]:
    """Standard uncertainties of the zero, with the chance of each before the readings.

    A zero that is off bends the line at small vacua, a source that is not choked at deep ones.
    """
    wide_u_pa = told.wide_zero_u_pa
    if wide_u_pa is None or wide_u_pa <= told.zero_u_pa:
        return [(told.zero_u_pa, 1.0)]
    return [
        (told.zero_u_pa, 1.0 - OFF_CHANCE - WIDE_CHANCE),
        (max(OFF_ZERO_U_PA, told.zero_u_pa), OFF_CHANCE),
        (wide_u_pa, WIDE_CHANCE),
    ]


def _gases(readings: Sequence[Reading], room: Room, zero_u_pa: float, told: Told) -> list[tuple[Room, float]]:
    """Rooms with the gas that may flow out, with the chance of each before the readings."""
    other_k = _other_gas_k(readings, room, told)
    if other_k is None:
        return [(room, 1.0)]
    found = gas_temperatures(readings, room, zero_u_pa, other_k, told.bore_u95_mm)
    return [(replace(room, gas_k=gas_k), chance) for gas_k, chance in found]


def _not_hopeless(gases: Sequence[tuple[Room, float]], ways: Sequence[Way]) -> list[tuple[Room, float]]:
    """Gases but for those that no zero tried so far made likely: weighing them again takes time and tells nothing."""
    found = {w.room: w.weighed.log_evidence for w in sorted(ways, key=lambda w: w.weighed.log_evidence)}
    most = max(found.values(), default=0.0)
    return [(warmth, chance) for warmth, chance in gases if found.get(warmth, most) > most - HOPELESS]


def _other_gas_k(readings: Sequence[Reading], room: Room, told: Told) -> float | None:
    """The other temperature that gas flowing out may have; None where none flows out or its temperature is told."""
    return told.other_gas_k if any(breathes_out(r, room) for r in readings) else None
