"""Leak of a closed crankcase from the decay of its vacuum: which law, how fast, how much, and what heat may do."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.physics.decay import temperature_effect_pa_k
from sumpglass.physics.gas import GAMMA_AIR, R_AIR_J_KG_K, air_density_kg_m3, lpm_from_kg_s
from sumpglass.physics.orifice import bore_m
from sumpglass.procedures.decay_models import (
    POWER,
    SUM,
    DecayData,
    DecayFit,
    bending,
    fit_decay,
    orifice_part,
    relative_rate,
    shape,
)
from sumpglass.procedures.decay_part import DecayPart, find_decay
from sumpglass.procedures.openings import OPENING_CD, OPENING_CD_U95, Room
from sumpglass.records import FloatArray, Recording
from sumpglass.units import STANDARD_ATMOSPHERE_PA

REFERENCE_PA = 500.0
PURE_WITHIN = 0.04
"""An exponent this close to 0.5 or 1 is called pure whatever the evidence: compressibility alone moves it by 0.01."""
EXPONENTS = np.round(np.arange(0.36, 1.3, 0.02), 3)
SHARES = np.array([0.0, 0.03, 0.07, 0.12, 0.18, 0.25, 0.33, 0.42, 0.5, 0.58, 0.67, 0.75, 0.82, 0.88, 0.93, 0.97, 1.0])


@dataclass(frozen=True)
class Hold:
    """Result of a hold test. Intervals are 95 %; flows and size are None without a volume (or a reference decay).

    `leak_lpm_at_500pa` is isothermal (slow decays: the walls keep the gas at one temperature), `leak_adiabatic_...`
    the other bound, smaller by gamma.
    """

    model: str
    exponent: float | None
    exponent_lo95: float | None
    exponent_hi95: float | None
    half_time_s: float | None
    half_time_lo95_s: float | None
    half_time_hi95_s: float | None
    start_pa: float
    t0_s: float
    duration_s: float
    offset_pa: float
    leak_lpm_at_500pa: float | None
    leak_lo95: float | None
    leak_hi95: float | None
    leak_adiabatic_lpm_at_500pa: float | None
    equivalent_mm: float | None
    equivalent_lo95_mm: float | None
    equivalent_hi95_mm: float | None
    equivalent_adiabatic_mm: float | None
    evidence: dict[str, float]
    rate_pa_s_at_500pa: float | None
    rate_relative_u: float | None
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Judged:
    model: str
    fit: DecayFit
    exponent: float
    exponent_lo: float | None
    exponent_hi: float | None
    evidence: dict[str, float]
    others: tuple[DecayFit, ...]
    """For the mixed law: fits of both families as far from the best as the data allow, for the intervals."""


def judge_hold(
    recording: Recording,
    volume_l: float | None = None,
    zero_pa: float | None = None,
    room: Room | None = None,
    volume_u95_l: float = 0.0,
    reference: Recording | None = None,
    reference_opening_mm: float | None = None,
) -> Hold:
    """Judge the decay in `recording`; with `reference`, a decay of the same crankcase with a known opening added, the
    leak is sized against it, and neither volume nor heat matters.

    Raises InputError and RefusedError as `find_decay` does.
    """
    room = room or Room()
    part = find_decay(recording, zero_pa)
    tight = _tight(part, volume_l, room)
    if tight is not None:
        return tight
    judged = _choose(part)
    result = _result(part, judged, volume_l, volume_u95_l, room)
    if reference is not None and reference_opening_mm is not None:
        second_part = find_decay(reference, zero_pa)
        second = _result(second_part, _choose(second_part), None, 0.0, room)
        result = _against(result, second, reference_opening_mm)
    return result


def _choose(part: DecayPart) -> _Judged:
    data = DecayData(part.t_s, part.size_pa, part.offset_pa, part.offset_u_pa, expansion_per_pa=_expansion(part))
    flexible = min((fit_decay(data, POWER, n) for n in (0.5, 0.65, 0.8, 1.0)), key=lambda f: f.deviance)
    error = (
        flexible.start_pa * shape(flexible.law, flexible.form, flexible.rate_per_s * data.t_s)
        + flexible.offset_pa
        - data.size_pa
    )
    memory = float(np.clip(np.sum(error[1:] * error[:-1]) / max(np.sum(error**2), 1e-30), 0.0, 0.95))
    fresh = error[1:] - memory * error[:-1]
    noise = max(float(np.std(fresh)), 1e-4 * flexible.start_pa, 0.02)
    data = replace(data, noise_pa=noise, whiten=memory)
    powers = _profile(data, POWER, EXPONENTS)
    sums = _profile(data, SUM, SHARES)
    n = len(data.t_s)
    orifice, laminar = fit_decay(data, POWER, 0.5), fit_decay(data, POWER, 1.0)
    best = min([*powers, *sums, orifice, laminar], key=lambda f: f.deviance)
    # What the noise really was is known after the best fit; all deviances are judged by it.
    variance = max(best.deviance / max(n - 4, 1), 0.05)
    evidence = {
        "orifice": orifice.deviance / variance,
        "laminar": laminar.deviance / variance,
        "mixed": best.deviance / variance + math.log(n),
    }
    deviance = np.array([f.deviance for f in powers]) / variance
    exponent, lo, hi = _interval(np.array([f.form for f in powers]), deviance)
    name = min(evidence, key=lambda key: evidence[key])
    if name == "mixed":
        if abs(exponent - 0.5) <= PURE_WITHIN and evidence["orifice"] <= evidence["laminar"]:
            name = "orifice"
        elif abs(exponent - 1.0) <= PURE_WITHIN:
            name = "laminar"
    fit = {"orifice": orifice, "laminar": laminar, "mixed": best}[name]
    fit = replace(fit, covariance=fit.covariance * variance)
    others = _allowed(data, powers, sums, variance) if name == "mixed" else ()
    least = min(evidence.values())
    return _Judged(name, fit, exponent, lo, hi, {k: v - least for k, v in evidence.items()}, others)


def _allowed(data: DecayData, powers: list[DecayFit], sums: list[DecayFit], variance: float) -> tuple[DecayFit, ...]:
    """Of each family the best form and those at the ends of its 95 % interval, where the data allow the family."""
    found = []
    for fits in (powers, sums):
        forms = np.array([f.form for f in fits])
        middle, lo, hi = _interval(forms, np.array([f.deviance for f in fits]) / variance)
        k = int(np.argmin([f.deviance for f in fits]))
        guess = (fits[k].start_pa, fits[k].rate_per_s)
        ends = [lo if lo is not None else float(forms[0]), middle, hi if hi is not None else float(forms[-1])]
        found += [fit_decay(data, fits[k].law, max(form, 0.0), guess) for form in ends]
    least = min(f.deviance for f in found)
    # The two families are other shapes: one that fits a little worse is still allowed.
    return tuple(f for f in found if f.deviance <= least + 6.0 * variance)


def _expansion(part: DecayPart) -> float:
    """c of `decay_models.bending`. Under pressure the outflow is denser as much as it expands: nothing is left."""
    return 0.75 / GAMMA_AIR / STANDARD_ATMOSPHERE_PA if part.sign < 0 else 0.0


def _profile(data: DecayData, law: str, forms: FloatArray) -> list[DecayFit]:
    fits: list[DecayFit] = []
    guess: tuple[float, float] | None = None
    for form in forms:
        fit = fit_decay(data, law, float(form), guess)
        guess = (fit.start_pa, fit.rate_per_s)
        fits.append(fit)
    return fits


def _interval(forms: FloatArray, deviance: FloatArray) -> tuple[float, float | None, float | None]:
    """Best form by a parabola, and where the deviance rises by 3.84; None where it does not within the forms tried."""
    k = int(np.argmin(deviance))
    best = float(forms[k])
    if 0 < k < len(forms) - 1:
        a, b, _ = np.polyfit(forms[k - 1 : k + 2] - forms[k], deviance[k - 1 : k + 2], 2)
        if a > 0:
            best = float(forms[k] + np.clip(-b / (2 * a), forms[k - 1] - forms[k], forms[k + 1] - forms[k]))
            floor = float(deviance[k] - b**2 / (4 * a))
            width = math.sqrt(3.84 / a)
            if width < forms[1] - forms[0]:
                return best, best - width, best + width
            deviance = deviance - floor
        else:
            deviance = deviance - deviance[k]
    else:
        deviance = deviance - deviance[k]
    left = np.flatnonzero(deviance[:k] > 3.84)
    right = np.flatnonzero(deviance[k:] > 3.84)
    lo = hi = None
    if len(left):
        i = int(left[-1])
        lo = float(np.interp(3.84, [deviance[i + 1], deviance[i]], [forms[i + 1], forms[i]]))
    if len(right):
        i = k + int(right[0])
        hi = float(np.interp(3.84, [deviance[i - 1], deviance[i]], [forms[i - 1], forms[i]]))
    return best, lo, hi


def _tight(part: DecayPart, volume_l: float | None, room: Room) -> Hold | None:
    """A hold whose vacuum does not fall by more than chance: no law and no half time, and a leak that has only an upper
    end (for an orifice, the law that leaks most at 500 Pa for a given fall from above it). None if it does fall."""
    t, y = part.t_s - part.t_s.mean(), part.size_pa
    slope = float(t @ (y - y.mean()) / (t @ t))
    rest = y - y.mean() - slope * t
    memory = float(np.clip(np.sum(rest[1:] * rest[:-1]) / max(float(np.sum(rest**2)), 1e-30), 0.0, 0.95))
    u = math.sqrt(float(rest @ rest) / max(len(t) - 2, 1) / float(t @ t) * (1.0 + memory) / (1.0 - memory))
    start = float(y.mean()) - part.offset_pa
    u = max(u, 1e-6 * start / float(np.ptp(t)))
    if -slope > 4.0 * u:
        return None
    most = max(-slope, 0.0) + 1.96 * u
    warnings = (
        part.zero_words,
        "The vacuum does not fall by more than chance: the leak has an upper end only, and no law or half time.",
    )
    hold = Hold(
        "orifice",
        None,
        None,
        None,
        None,
        None,
        None,
        start,
        part.t0_s,
        float(part.t_s[-1]),
        part.sign * part.offset_pa,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
        {"orifice": 0.0, "laminar": 0.0, "mixed": 0.0},
        max(-slope, 0.0) * math.sqrt(REFERENCE_PA / start),
        None,
        warnings,
    )
    if volume_l is None:
        return replace(hold, warnings=(*warnings, "No volume was given (--volume-l), so the leak's flow is not known."))
    per_rate = volume_l * 1e-3 / (R_AIR_J_KG_K * room.temperature_k) * math.sqrt(REFERENCE_PA / start)
    return replace(
        hold,
        leak_lpm_at_500pa=float(lpm_from_kg_s(per_rate * max(-slope, 0.0))),
        leak_lo95=0.0,
        leak_hi95=float(lpm_from_kg_s(per_rate * most)),
        equivalent_lo95_mm=0.0,
        equivalent_hi95_mm=_equivalent_mm(per_rate * most, room),
        equivalent_mm=_equivalent_mm(per_rate * max(-slope, 0.0), room),
    )


def _result(part: DecayPart, judged: _Judged, volume_l: float | None, volume_u95_l: float, room: Room) -> Hold:
    fit = judged.fit
    warnings = [part.zero_words]
    expansion = _expansion(part)
    back = _earlier_s(part, fit, expansion)
    half, half_u = _half_time(fit, back, expansion)
    for other in judged.others:
        half_u = max(half_u, abs(math.log(_half_time(other, back, expansion)[0] / half)) / 1.96)
    # The start itself is known to about what the fall in that time would be hidden by.
    pace = float(relative_rate(fit.law, fit.form, 1.0)) * fit.rate_per_s * fit.start_pa
    hidden_s = max(
        2.0 * part.noise_pa / pace, 0.5 * float(np.diff(part.before_t_s).mean()) if len(part.before_t_s) > 1 else 0.0
    )
    half_u = math.hypot(
        half_u, (1.0 - min(fit.form, 1.0) if fit.law == POWER else 0.5 * (1.0 - fit.form)) * hidden_s / 2.0 / half
    )
    ideal = fit.start_pa * float(shape(fit.law, fit.form, np.array([-back * fit.rate_per_s]))[0])
    start = ideal - bending(fit.law, fit.form, expansion) * ideal**2
    fallen = 1.0 - float(shape(fit.law, fit.form, np.array([fit.rate_per_s * float(part.t_s[-1])]))[0])
    if fallen < 0.5:
        warnings.append(
            f"The vacuum fell by {100 * fallen:.0f} % only: the half time is an extrapolation, and the law "
            "can hardly be told."
        )
    if part.opened_s is not None:
        warnings.append(f"The hose was opened at {part.opened_s:.1f} s; what follows was left out.")
    gaps = sorted(judged.evidence.values())
    if gaps[1] < 6.0 and fallen >= 0.5:
        warnings.append("The evidence does not tell the laws apart clearly.")
    rate = _rate(fit)
    if part.sign < 0:
        rate *= 1.0 - 0.75 / GAMMA_AIR * orifice_part(fit.law, fit.form) * REFERENCE_PA / room.pressure_pa
    u_rate = _rate_u(fit)
    for other in judged.others:
        u_rate = max(u_rate, abs(math.log(_rate(other) / _rate(fit))) / 1.96)
    if not 0.4 * REFERENCE_PA <= REFERENCE_PA <= fit.start_pa or (1.0 - fallen) * fit.start_pa > REFERENCE_PA:
        warnings.append("500 Pa lies outside the pressures seen, so the leak there is an extrapolation.")
    if fit.start_pa > 3500.0:
        warnings.append("The hold started deeper than 3.5 kPa: that is hard on old seals, about 2 kPa is enough.")
    drift = temperature_effect_pa_k(room.pressure_pa, room.temperature_k)
    warnings.append(
        f"Gas that warms or cools looks like a leak: {drift:.0f} Pa a kelvin; wait until the engine's "
        "temperature is steady."
    )
    if part.sign > 0:
        warnings.append("The hold was under pressure, not vacuum: old seals are pushed outwards by it.")
    hold = Hold(
        judged.model,
        judged.exponent if judged.model == "mixed" else {"orifice": 0.5, "laminar": 1.0}[judged.model],
        judged.exponent_lo,
        judged.exponent_hi,
        half,
        half * math.exp(-1.96 * half_u),
        half * math.exp(1.96 * half_u),
        start,
        part.t0_s - back,
        float(part.t_s[-1]) + back,
        part.sign * fit.offset_pa,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
        None,
        judged.evidence,
        rate,
        u_rate,
        (),
    )
    if volume_l is None:
        warnings.append(
            "No volume was given (--volume-l), so the leak's flow and size are not known; a reference decay "
            "with a known opening would do as well."
        )
        return replace(hold, warnings=tuple(warnings))
    return replace(_with_volume(hold, volume_l, volume_u95_l, room), warnings=(*warnings, *_volume_words(volume_u95_l)))


def _volume_words(volume_u95_l: float) -> list[str]:
    words = (
        "The flow is for a decay at constant temperature; a fast one is nearer the adiabatic figure, which is "
        "1.4 times less."
    )
    if volume_u95_l:
        return [words]
    return ["The volume was taken as exact: the leak's relative error has the volume's added to it.", words]


def _with_volume(hold: Hold, volume_l: float, volume_u95_l: float, room: Room) -> Hold:
    rate, u = hold.rate_pa_s_at_500pa or 0.0, hold.rate_relative_u or 0.0
    mass_flow = volume_l * 1e-3 * rate / (R_AIR_J_KG_K * room.temperature_k)
    leak = float(lpm_from_kg_s(mass_flow))
    u95 = math.hypot(1.96 * u, volume_u95_l / volume_l)
    bore = _equivalent_mm(mass_flow, room)
    # The bore goes with the root of flow over Cd.
    u95_bore = 0.5 * math.hypot(u95, OPENING_CD_U95 / OPENING_CD)
    return replace(
        hold,
        leak_lpm_at_500pa=leak,
        leak_lo95=leak * math.exp(-u95),
        leak_hi95=leak * math.exp(u95),
        leak_adiabatic_lpm_at_500pa=leak / GAMMA_AIR,
        equivalent_mm=bore,
        equivalent_lo95_mm=bore * math.exp(-u95_bore),
        equivalent_hi95_mm=bore * math.exp(u95_bore),
        equivalent_adiabatic_mm=bore / math.sqrt(GAMMA_AIR),
    )


def _equivalent_mm(mass_flow_kg_s: float, room: Room) -> float:
    density = float(air_density_kg_m3(room.pressure_pa, room.temperature_k))
    return float(bore_m(mass_flow_kg_s / math.sqrt(2.0 * density * REFERENCE_PA), OPENING_CD)) * 1e3


def _against(first: Hold, second: Hold, opening_mm: float) -> Hold:
    """Leak against the decay with a known opening: rates at 500 Pa are as the areas, whatever volume and heat."""
    alone, both = first.rate_pa_s_at_500pa or 0.0, second.rate_pa_s_at_500pa or 0.0
    if both <= alone:
        words = "The reference decay is not faster than the one without its opening: no size follows from it."
        return replace(first, warnings=(*first.warnings, words))
    ratio = alone / (both - alone)
    size = opening_mm * math.sqrt(ratio)
    u = math.hypot(first.rate_relative_u or 0.0, second.rate_relative_u or 0.0) * both / (both - alone)
    words = (
        f"Size against the decay with the {opening_mm:g} mm opening, which needs no volume, no discharge "
        "coefficient and no temperature."
    )
    kept = tuple(w for w in first.warnings if not w.startswith("No volume"))
    return replace(
        first,
        equivalent_mm=size,
        equivalent_lo95_mm=size * math.exp(-0.5 * 1.96 * u),
        equivalent_hi95_mm=size * math.exp(0.5 * 1.96 * u),
        equivalent_adiabatic_mm=None,
        warnings=(*kept, words),
    )


def _half_time(fit: DecayFit, back_s: float, expansion_per_pa: float) -> tuple[float, float]:
    """Time in which half is lost from `back_s` before the first sample of the fit, and its relative standard
    uncertainty (that of the rate)."""
    first = -back_s * fit.rate_per_s
    bend = bending(fit.law, fit.form, expansion_per_pa)

    def difference(x: float) -> float:
        ideal = fit.start_pa * float(shape(fit.law, fit.form, np.array([x]))[0])
        return ideal - bend * ideal**2

    half = 0.5 * difference(first)
    low, high = first, first + 6.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if difference(middle) > half else (low, middle)
    return (high - first) / fit.rate_per_s, math.sqrt(max(float(fit.covariance[1, 1]), 0.0))


def _earlier_s(part: DecayPart, fit: DecayFit, expansion_per_pa: float) -> float:
    """How long before the first sample of the fit the decay was already under way: as far back as the samples lie on
    the fitted curve. The greatest sample alone would give a start that is late by what noise hides."""
    bend = bending(fit.law, fit.form, expansion_per_pa)
    back = 0.0
    for t, size in zip(part.before_t_s[::-1], part.before_pa[::-1]):
        ideal = fit.start_pa * float(shape(fit.law, fit.form, np.array([fit.rate_per_s * t]))[0])
        if abs(ideal - bend * ideal**2 + fit.offset_pa - size) > 3.5 * part.noise_pa + 1e-3 * fit.start_pa:
            break
        back = -float(t)
    return back


def _rate(fit: DecayFit) -> float:
    """Rate of loss at 500 Pa, Pa/s, incompressible."""
    return fit.start_pa * fit.rate_per_s * relative_rate(fit.law, fit.form, REFERENCE_PA / fit.start_pa)


def _rate_u(fit: DecayFit) -> float:
    """Relative standard uncertainty of the rate at 500 Pa, from those of start and rate at the start."""
    remaining = REFERENCE_PA / fit.start_pa
    step = 1e-4
    slope = (
        math.log(relative_rate(fit.law, fit.form, remaining * (1 + step)))
        - math.log(relative_rate(fit.law, fit.form, remaining))
    ) / step
    gradient = np.array([1.0 - slope, 1.0, 0.0])
    return math.sqrt(max(float(gradient @ fit.covariance @ gradient), 0.0))
