"""Size of a leak and net draw from readings with known openings: the judgement around `leak_fit`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sumpglass.errors import InputError
from sumpglass.physics.gas import lpm_from_kg_s
from sumpglass.procedures.leak_fit import CHI2_95, MM2, LeakProblem, SourceFit, fit_source
from sumpglass.procedures.openings import (
    BORE_U95_MM,
    OPENING_CD,
    OPENING_CD_U95,
    Reading,
    Room,
    breathes_out,
    flux_kg_s_m2,
    swing_u_pa,
)
from sumpglass.procedures.source_models import BENT_MODELS, CHOKED
from sumpglass.units import ZERO_CELSIUS_K

BEND_LEVEL = 0.01
"""Chance of calling a straight line bent (likelihood ratio with one degree of freedom)."""
BEND_DEVIANCE = 6.634896601021213
"""Chi-square with one degree of freedom at `BEND_LEVEL`."""
STATED_FREEDOM = 4.0
"""Where the readings' uncertainty is assumed and not stated, it counts as known to so many degrees of freedom."""
DRILLS_MM = (1.0, 1.2, 1.5, 2.0, 2.5, 3.2, 4.0, 5.0)
"""Openings from which the next one is recommended."""
HOTTER_K = 25.0
"""Gas may be hotter than expected by this much; 95 degC is a hot engine's (common practice, no source)."""
GAS_DEVIANCE = 2.0
"""How much better another temperature of the gas must fit than the expected one to be taken instead."""
LIMIT_PA = 3500.0
"""Vacuum beyond which no opening is recommended: greatest vacuum that a published service manual allows a used engine
(14 inH2O), for want of the maker's own figure."""


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
    net_draw_with_cd_lo95: float | None
    net_draw_with_cd_hi95: float | None
    points: int
    chi2: float | None
    p_value: float | None
    bent: bool | None
    bend_p_value: float | None
    source: str
    source_ends_at_pa: float | None
    next_opening_mm: float | None
    warnings: tuple[str, ...]


def size_leak(
    readings: Sequence[Reading],
    room: Room | None = None,
    zero_u_pa: float = 0.0,
    uncertainty_stated: bool = True,
    bore_u95_mm: float = BORE_U95_MM,
    limit_pa: float = LIMIT_PA,
    other_gas_k: float | None = None,
) -> LeakSize:
    """Judge a series of readings. `uncertainty_stated` False: the readings' `u_pa` is an assumption to be scaled.

    `other_gas_k`: the gas that pulses push out may as well have this temperature; where that matters, the readings
    choose if they can, and the intervals reach over what they allow.

    Raises InputError when there are too few readings, or none that shows a vacuum, or when the vacuum does not fall
    as the opening grows.
    """
    room = room or Room()
    _refuse_useless(readings)
    if other_gas_k is None or not any(breathes_out(r, room) for r in readings):
        return _size(readings, room, zero_u_pa, uncertainty_stated, bore_u95_mm, limit_pa)
    taken_k, *allowed_k = _gas_temperatures(readings, room, zero_u_pa, other_gas_k, bore_u95_mm)
    taken = replace(room, gas_k=taken_k)
    size = _size(readings, taken, zero_u_pa, uncertainty_stated, bore_u95_mm, limit_pa)
    for gas_k in allowed_k:
        other = replace(room, gas_k=gas_k)
        ends = _reaching(size, _size(readings, other, zero_u_pa, uncertainty_stated, bore_u95_mm, limit_pa))
        size = replace(size, **ends)
    words = f"The pulses push gas out through the openings: it was taken to be at {taken_k - ZERO_CELSIUS_K:.0f} degC"
    if allowed_k:
        reach = " and ".join(f"{k - ZERO_CELSIUS_K:.0f}" for k in allowed_k)
        words += f", and the intervals reach over {reach} degC too"
    return replace(size, warnings=(words + ". Tell it (--gas-c), or damp the line.", *size.warnings))


def _gas_temperatures(
    readings: Sequence[Reading], room: Room, zero_u_pa: float, other_gas_k: float, bore_u95_mm: float
) -> list[float]:
    """The temperature to take for the gas that flows out, then the ends of what the readings allow besides it.

    Cold and hot gas bend the line differently, so that the readings often tell; where they do not, the expected one.
    """
    expected_k = room.temperature_k if room.gas_k is None else room.gas_k
    low, high = sorted((expected_k, other_gas_k))
    hottest = high + HOTTER_K
    deviances: dict[float, float] = {}

    def fitted(gas_k: float, area_mm2: float | None) -> SourceFit:
        here = replace(room, gas_k=gas_k)
        counted = [replace(r, u_pa=math.hypot(r.u_pa, _swing_u(r, here))) for r in readings]
        problem = LeakProblem(counted, here, zero_u_pa, bore_u95_mm=bore_u95_mm)
        if area_mm2 is not None:
            problem.count_bores(area_mm2)
        return fit_source(problem, [CHOKED])

    first_mm2 = fitted(expected_k, None).area_mm2
    for gas_k in (expected_k, other_gas_k, 0.5 * (low + high), hottest):
        deviances[gas_k] = fitted(gas_k, first_mm2).deviance
    best_k = min(deviances, key=deviances.__getitem__)
    if max(deviances.values()) > deviances[best_k] + GAS_DEVIANCE:
        for step in (HOTTER_K / 2.0, HOTTER_K / 4.0):
            for gas_k in (best_k - step, best_k + step):
                if low <= gas_k <= hottest and gas_k not in deviances:
                    deviances[gas_k] = fitted(gas_k, first_mm2).deviance
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


def _reaching(size: LeakSize, other: LeakSize) -> dict[str, Any]:
    """Ends of the intervals of `size`, moved outwards to those of `other`."""
    ends: dict[str, Any] = {}
    for name in ("lo95_mm", "lo95_mm2", "net_draw_lo95", "net_draw_with_cd_lo95"):
        one, two = getattr(size, name), getattr(other, name)
        ends[name] = None if one is None or two is None else min(one, two)
    for name in ("hi95_mm", "hi95_mm2", "net_draw_hi95", "net_draw_with_cd_hi95"):
        one, two = getattr(size, name), getattr(other, name)
        ends[name] = None if one is None or two is None else max(one, two)
    return ends


def _size(
    readings: Sequence[Reading],
    room: Room,
    zero_u_pa: float,
    uncertainty_stated: bool,
    bore_u95_mm: float,
    limit_pa: float,
) -> LeakSize:
    counted = [replace(r, u_pa=math.hypot(r.u_pa, _swing_u(r, room))) for r in readings]
    problem = LeakProblem(counted, room, zero_u_pa, bore_u95_mm=bore_u95_mm)
    first = fit_source(problem, [CHOKED])
    problem.count_bores(first.area_mm2)
    straight = fit_source(problem, [CHOKED])
    points = len(problem.readings)
    freedom = len(problem.exact) - 2
    scale, threshold = _scale(straight.deviance, freedom, uncertainty_stated)
    if not uncertainty_stated:
        straight = fit_source(problem, [CHOKED], threshold * scale)
    bend = _bend(problem, straight, scale, threshold, uncertainty_stated)
    fit = bend.fit
    _refuse_rising(problem, straight, scale)
    warnings = [*bend.warnings, *_warn_of_result(fit)]
    chi2 = straight.deviance if freedom > 0 else None
    draw = float(lpm_from_kg_s(fit.draw_kg_s))
    lo, hi = float(lpm_from_kg_s(fit.draw_lo95_kg_s)), float(lpm_from_kg_s(fit.draw_hi95_kg_s))
    warnings.append(
        f"The net draw and its interval are for openings with a discharge coefficient of {OPENING_CD:g}; one known to "
        f"+-{OPENING_CD_U95:g} only widens the interval as net_draw_with_cd says. The leak does not depend on it."
    )
    if bore_u95_mm > 0:
        warnings.append(f"Drilled bores are taken as true to +-{bore_u95_mm:g} mm (an assumption).")
    bounded = math.isfinite(fit.area_hi95_mm2)
    return LeakSize(
        _bore(fit.area_mm2),
        _bore(fit.area_lo95_mm2),
        _bore(fit.area_hi95_mm2) if bounded else None,
        fit.area_mm2,
        fit.area_lo95_mm2,
        fit.area_hi95_mm2 if bounded else None,
        draw,
        lo,
        hi if bounded else None,
        draw - math.hypot(draw - lo, draw * OPENING_CD_U95 / OPENING_CD),
        draw + math.hypot(hi - draw, draw * OPENING_CD_U95 / OPENING_CD) if bounded else None,
        points,
        chi2,
        _p_value(chi2, freedom, uncertainty_stated),
        bend.bent,
        bend.p_value,
        fit.model,
        problem.deepest_pa / fit.nuisance if fit.model != "choked" and fit.nuisance > 0 else None,
        next_opening_mm(problem, fit, limit_pa),
        tuple(warnings),
    )


@dataclass(frozen=True)
class _Bend:
    fit: SourceFit
    bent: bool | None
    p_value: float | None
    warnings: tuple[str, ...]


def _bend(problem: LeakProblem, straight: SourceFit, scale: float, threshold: float, stated: bool) -> _Bend:
    """Straight or bent, by the likelihood ratio of the best finite source against the choked one."""
    distinct = len({round(float(a), 6) for a in problem.known_mm2})
    if distinct < 3 or (not stated and len(problem.exact) < 4):
        return _Bend(
            straight,
            None,
            None,
            ("Too few openings to tell whether the line bends, so a choked suction was taken for granted.",),
        )
    from scipy.special import chdtrc, fdtrc

    bent = fit_source(problem, BENT_MODELS, threshold * scale)
    gain = max(straight.deviance - bent.deviance, 0.0)
    residual = 1.0
    if stated:
        p = float(chdtrc(1, gain))
    else:
        rest = len(problem.exact) - 3
        residual = (STATED_FREEDOM + bent.deviance) / (STATED_FREEDOM + rest)
        p = float(fdtrc(1, STATED_FREEDOM + rest, gain / residual))
    if p >= BEND_LEVEL:
        return _Bend(_widened(problem, straight, bent, gain / residual, threshold, residual), False, p, ())
    ends = problem.deepest_pa / bent.nuisance if bent.nuisance > 0 else math.inf
    words = f"would end at about {ends / 1000:.1f} kPa of vacuum" if math.isfinite(ends) else "grows with the vacuum"
    return _Bend(
        bent,
        True,
        p,
        (
            (
                f"The line bends (p {p:.2g}): the draw is not choked or its valve moves. A source that {words} "
                "was fitted instead."
            ),
        ),
    )


def _widened(
    problem: LeakProblem, straight: SourceFit, bent: SourceFit, gain: float, threshold: float, residual: float
) -> SourceFit:
    """A line that looks a little bent, short of calling it so: its interval reaches over what a bent one would allow.

    Bent sources pay the deviance at which a line is called bent (6.63 at 1 %), then both compete in one likelihood.
    """
    reach = gain - BEND_DEVIANCE + threshold
    if reach <= 0.1:
        return straight
    wider = fit_source(problem, BENT_MODELS, reach * residual)
    return replace(
        straight,
        area_lo95_mm2=min(straight.area_lo95_mm2, wider.area_lo95_mm2),
        area_hi95_mm2=max(straight.area_hi95_mm2, wider.area_hi95_mm2),
        draw_lo95_kg_s=min(straight.draw_lo95_kg_s, wider.draw_lo95_kg_s),
        draw_hi95_kg_s=max(straight.draw_hi95_kg_s, wider.draw_hi95_kg_s),
    )


def _swing_u(reading: Reading, room: Room) -> float:
    if reading.vacuum_pa is None or len(reading.shape_pa) == 1 or reading.name.startswith("recorded"):
        return 0.0
    return swing_u_pa(reading.vacuum_pa, float(np.sqrt(np.mean(reading.shape_pa**2))), room)


def _scale(deviance: float, freedom: int, stated: bool) -> tuple[float, float]:
    """(variance factor, rise of deviance at the ends of the 95 % interval in units of it)."""
    if stated:
        return 1.0, CHI2_95
    from scipy.special import stdtrit

    total = STATED_FREEDOM + max(freedom, 0)
    return (STATED_FREEDOM + deviance) / total, float(stdtrit(total, 0.975)) ** 2


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


def _refuse_rising(problem: LeakProblem, fit: SourceFit, scale: float) -> None:
    """An infinite leak fits as well as any: the vacuum does not fall with the opening."""
    exact = problem.exact
    weights = 1.0 / problem.u_pa**2
    areas = problem.known_mm2[: len(exact)]
    centre = np.average(areas, weights=weights)
    slope = np.sum(weights * (areas - centre) * problem.vacuum_pa) / np.sum(weights * (areas - centre) ** 2)
    u_slope = math.sqrt(scale / np.sum(weights * (areas - centre) ** 2))
    if slope > 0 and (slope > 2.0 * u_slope or not math.isfinite(fit.area_hi95_mm2)):
        raise InputError(
            "the vacuum does not fall as the opening grows, expected less vacuum with a larger opening: "
            "check the order of the readings and that the openings draw room air"
        )


def _warn_of_result(fit: SourceFit) -> list[str]:
    warnings = []
    if fit.area_lo95_mm2 <= 0:
        warnings.append("The leak cannot be told from none.")
    if not math.isfinite(fit.area_hi95_mm2):
        warnings.append(
            "The readings set no upper end to the leak: the openings change the vacuum too little; use larger ones."
        )
    return warnings


def next_opening_mm(problem: LeakProblem, fit: SourceFit, limit_pa: float) -> float | None:
    """The drill that would narrow the leak's interval most, among those that keep the vacuum within `limit_pa`.

    Fisher information of the logarithms of leak and draw under the fitted model; the new reading is taken to be as
    uncertain as the present ones, interpolated in the vacuum.
    """
    area = max(fit.area_mm2, 0.01)
    order = np.argsort(problem.vacuum_pa)
    known_u = np.sqrt(np.diag(problem._covariance(area)))

    def information(opening_mm2: float, vacuum: float, u: float) -> np.ndarray:
        # vacuum ~ (m0 / (A + A_k))**2, so its slopes by ln A and ln m0 are these.
        share = area / (area + opening_mm2)
        slope = np.array([-2.0 * share, 2.0]) * vacuum / u
        return np.outer(slope, slope)

    total = sum(
        information(float(a), max(float(v), 0.1), float(u))
        for a, v, u in zip(problem.known_mm2, problem.vacuum_pa, known_u)
    )
    best, best_drill = math.inf, None
    grid = np.geomspace(1.0, 0.8 * problem.room.pressure_pa, 400)
    flux = flux_kg_s_m2(grid, problem.room)
    for drill in DRILLS_MM:
        opening = math.pi / 4.0 * drill**2
        vacuum = float(np.interp(fit.draw_kg_s / (problem.cd * MM2 * (area + opening)), flux, grid))
        if vacuum > limit_pa:
            continue
        u = float(np.interp(vacuum, problem.vacuum_pa[order], known_u[order]))
        spread = np.linalg.pinv(total + information(opening, vacuum, max(u, 1e-6)))[0, 0]
        if spread < best * 0.98:
            best, best_drill = float(spread), drill
    return best_drill
