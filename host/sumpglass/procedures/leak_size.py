"""Size of a leak and net draw from readings with known openings: what is said around `leak_answer`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.errors import InputError
from sumpglass.physics.gas import lpm_from_kg_s
from sumpglass.procedures.bores import SET_BORE_U95_MM
from sumpglass.procedures.leak_answer import STATED_FREEDOM, Answer, answer_of
from sumpglass.procedures.leak_problem import LeakProblem
from sumpglass.procedures.leak_ways import Told, Way, ways_of
from sumpglass.procedures.next_opening import next_opening_mm
from sumpglass.procedures.openings import (
    OPENING_CD,
    OPENING_CD_U95,
    Reading,
    Room,
)
from sumpglass.units import ZERO_CELSIUS_K

LIMIT_PA = 3500.0
"""Vacuum beyond which no opening is recommended: greatest vacuum that a published service manual allows a used engine
(14 inH2O), for want of the maker's own figure."""


LIKELY_ENOUGH = 0.05
"""Chance from which a way to read the series is told."""


@dataclass(frozen=True)
class LeakSize:
    """The leak as an area and as the bore that leaks as much, the net draw at zero gauge pressure, and the fit.

    `hi95` values are None where the readings set no upper end. Flows in L/min of air at 20 degC and 101325 Pa.
    """

    equivalent_mm: float | None
    lo95_mm: float | None
    hi95_mm: float | None
    area_mm2: float | None
    lo95_mm2: float | None
    hi95_mm2: float | None
    net_draw_lpm: float | None
    net_draw_lo95: float | None
    net_draw_hi95: float | None
    net_draw_at_cd_lo95: float | None
    net_draw_at_cd_hi95: float | None
    points: int
    chi2: float | None
    p_value: float | None
    bent: bool | None
    bend_chance: float | None
    source: str
    source_ends_at_pa: float | None
    next_opening_mm: float | None
    warnings: tuple[str, ...]


def size_leak(
    readings: Sequence[Reading],
    room: Room | None = None,
    zero_u_pa: float = 0.0,
    uncertainty_stated: bool = True,
    bore_u95_mm: float = SET_BORE_U95_MM,
    limit_pa: float = LIMIT_PA,
    other_gas_k: float | None = None,
    wide_zero_u_pa: float | None = None,
) -> LeakSize:
    """Judge a series of readings. `uncertainty_stated` False: the readings' `u_pa` is an assumption to be scaled.

    `other_gas_k`: the gas that pulses push out may as well have this temperature; where that matters, the readings
    choose if they can, and the intervals reach over what they allow. Likewise `wide_zero_u_pa` for a zero that nobody
    took.

    Raises InputError when there are too few readings, or none that shows a vacuum, or when the vacuum does not fall
    as the opening grows.
    """
    room = room or Room()
    _refuse_useless(readings)
    told = Told(zero_u_pa, uncertainty_stated, bore_u95_mm, limit_pa, other_gas_k, wide_zero_u_pa)
    ways = ways_of(readings, room, told)
    size = _size_of(answer_of([w.weighed for w in ways], uncertainty_stated), told)
    return replace(size, warnings=(*_words_of(ways, told), *size.warnings))


def _words_of(ways: Sequence[Way], told: Told) -> list[str]:
    """What has to be told of the zero and the gas, where the readings had to say."""
    words = []
    wide = sum(w.chance for w in ways if w.zero_u_pa == told.wide_zero_u_pa)
    if told.wide_zero_u_pa is not None and wide > LIKELY_ENOUGH:
        words.append(
            f"The readings look as if the zero were off: it may be known to ± {1.96 * told.wide_zero_u_pa:.0f} Pa only "
            f"(chance {wide:.2f}). Take a zero with the engine off, or tell it (--zero-pa)."
        )
    gases_k = [w.room.gas_k for w in ways if w.chance > LIKELY_ENOUGH and w.room.gas_k is not None]
    if told.other_gas_k is not None and len({w.room for w in ways}) > 1 and gases_k:
        others = sorted({round(k - ZERO_CELSIUS_K) for k in gases_k[1:]} - {round(gases_k[0] - ZERO_CELSIUS_K)})
        text = "The pulses push gas out through the openings: it was taken to be at "
        text += f"{gases_k[0] - ZERO_CELSIUS_K:.0f} degC"
        if others:
            text += f", and the intervals allow for {' and '.join(map(str, others))} degC too"
        words.append(text + ". Tell it (--gas-c), or damp the line.")
    return words


def _size_of(answer: Answer, told: Told) -> LeakSize:
    problem, bore_u95_mm, uncertainty_stated = answer.problem, told.bore_u95_mm, told.uncertainty_stated
    points, freedom = len(problem.readings), len(problem.exact) - 2
    _refuse_rising(problem, answer, freedom, uncertainty_stated)
    ends_at = problem.deepest_pa / answer.nuisance if answer.model != "choked" and answer.nuisance > 0 else None
    warnings = [*_bend_words(answer, ends_at), *_warn_of_result(answer)]
    draw, low, high = (
        float(lpm_from_kg_s(kg_s)) for kg_s in (answer.draw_kg_s, answer.draw_lo95_kg_s, answer.draw_hi95_kg_s)
    )
    of_cd = draw * OPENING_CD_U95 / OPENING_CD
    warnings.append(
        f"The discharge coefficient of drilled openings is taken as {OPENING_CD:g} ± {OPENING_CD_U95:g}: the net draw "
        "has that in its interval, the leak does not depend on it."
    )
    if bore_u95_mm > 0:
        warnings.append(f"Drilled bores are taken as true to ± {bore_u95_mm:g} mm (an assumption).")
    bounded = math.isfinite(answer.area_hi95_mm2)
    chi2 = answer.deviance if freedom > 0 else None
    return LeakSize(
        equivalent_mm=_bore(answer.area_mm2),
        lo95_mm=_bore(answer.area_lo95_mm2),
        hi95_mm=_bore(answer.area_hi95_mm2) if bounded else None,
        area_mm2=answer.area_mm2,
        lo95_mm2=answer.area_lo95_mm2,
        hi95_mm2=answer.area_hi95_mm2 if bounded else None,
        net_draw_lpm=draw,
        net_draw_lo95=draw - math.hypot(draw - low, of_cd),
        net_draw_hi95=draw + math.hypot(high - draw, of_cd) if bounded else None,
        net_draw_at_cd_lo95=low,
        net_draw_at_cd_hi95=high if bounded else None,
        points=points,
        chi2=chi2,
        p_value=_p_value(chi2, freedom, uncertainty_stated),
        bent=answer.bent,
        bend_chance=None if answer.bent is None else answer.bent_chance,
        source=answer.model,
        source_ends_at_pa=ends_at,
        next_opening_mm=next_opening_mm(problem, answer, told.limit_pa),
        warnings=tuple(warnings),
    )


def _bend_words(answer: Answer, ends_at_pa: float | None) -> list[str]:
    if answer.bent is None:
        return ["Too few openings to tell whether the line bends, so a choked suction was taken for granted."]
    if not answer.bent:
        if answer.bent_chance < 0.1:
            return []
        return [f"A bent line is not ruled out (chance {answer.bent_chance:.2f}): the intervals reach over it."]
    ends = f"would end at about {ends_at_pa / 1000:.1f} kPa of vacuum" if ends_at_pa else "grows with the vacuum"
    bends = "bends" if answer.bent_chance >= 0.5 else "may bend"
    return [
        f"The line {bends} (chance {answer.bent_chance:.2g}): the draw is not choked or its valve moves. A source that "
        f"{ends} was fitted beside the straight line."
    ]


def _p_value(chi2: float | None, freedom: int, stated: bool) -> float | None:
    if chi2 is None or not stated:
        return None
    from scipy.special import chdtrc

    return float(chdtrc(freedom, chi2))


def _bore(area_mm2: float) -> float:
    return math.sqrt(4.0 / math.pi * area_mm2)


def _refuse_useless(readings: Sequence[Reading]) -> None:
    exact = [r for r in readings if r.vacuum_pa is not None]
    if len(exact) < 2 and not (len(exact) == 1 and len(readings) > 1):
        raise InputError(f"found {len(exact)} usable readings, expected at least two with different openings")
    if len(exact) < 2:
        raise InputError("found 1 reading that is not saturated, expected at least two with different openings")
    if len({round(r.opening_mm, 6) for r in readings}) < 2:
        raise InputError(
            f"all readings are with the opening {exact[0].opening_mm:g} mm, expected at least two different ones"
        )
    if all((r.vacuum_pa or 0.0) + 2.0 * r.u_pa <= 0 for r in exact):
        raise InputError("no reading shows a vacuum, expected suction: known openings size a leak only under vacuum")


def _refuse_rising(problem: LeakProblem, answer: Answer, freedom: int, stated: bool) -> None:
    """An infinite leak fits as well as any: the vacuum does not fall with the opening."""
    exact = problem.exact
    scale = 1.0 if stated else (STATED_FREEDOM + answer.deviance) / (STATED_FREEDOM + max(freedom, 0))
    weights = 1.0 / problem.u_pa**2
    areas = problem.known_mm2[: len(exact)]
    centre = np.average(areas, weights=weights)
    slope = np.sum(weights * (areas - centre) * problem.vacuum_pa) / np.sum(weights * (areas - centre) ** 2)
    u_slope = math.sqrt(scale / np.sum(weights * (areas - centre) ** 2))
    if slope > 0 and (slope > 2.0 * u_slope or not math.isfinite(answer.area_hi95_mm2)):
        raise InputError(
            "the vacuum does not fall as the opening grows, expected less vacuum with a larger opening: "
            "check the order of the readings and that the openings draw room air"
        )


def _warn_of_result(answer: Answer) -> list[str]:
    warnings = []
    if answer.area_lo95_mm2 <= 0:
        warnings.append("The leak cannot be told from none.")
    if not math.isfinite(answer.area_hi95_mm2):
        warnings.append(
            "The readings set no upper end to the leak: the openings change the vacuum too little; use larger ones."
        )
    return warnings
