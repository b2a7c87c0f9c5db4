"""Leak of a closed crankcase from the decay of its vacuum: which law, how fast, how much, and what heat may do."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from sumpglass.physics.decay import temperature_effect_pa_k
from sumpglass.physics.gas import GAMMA_AIR, R_AIR_J_KG_K, lpm_from_kg_s
from sumpglass.procedures.decay_choice import JudgedDecay, choose_law, expansion_of
from sumpglass.procedures.decay_models import (
    GAS_DRIFT_U_K_S,
    POWER,
    ZERO_DRIFT_U_PA_S,
    DecayFit,
    bending,
    orifice_part,
    relative_rate,
    shape,
)
from sumpglass.procedures.decay_pace import earlier_s, half_time, mixture_95, rate, rate_u
from sumpglass.procedures.decay_part import DecayPart, find_decay
from sumpglass.procedures.hold_result import REFERENCE_PA, Hold, against, equivalent_mm, volume_words, with_volume
from sumpglass.procedures.openings import Room
from sumpglass.records import Recording


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
    judged = choose_law(part, room)
    result = _result(part, judged, volume_l, volume_u95_l, room)
    if reference is not None and reference_opening_mm is not None:
        second_part = find_decay(reference, zero_pa)
        second = _result(second_part, choose_law(second_part, room), None, 0.0, room)
        result = against(result, second, reference_opening_mm)
    return result


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
    # A gas that cools, or a zero that runs, may hide as much of a leak.
    hidden = math.hypot(
        GAS_DRIFT_U_K_S * temperature_effect_pa_k(room.pressure_pa, room.temperature_k), ZERO_DRIFT_U_PA_S
    )
    most = max(-slope, 0.0) + 1.96 * math.hypot(u, hidden)
    warnings = (
        part.zero_words,
        "The vacuum does not fall by more than chance: the leak has an upper end only, and no law or half time.",
    )
    hold = Hold(
        model="orifice",
        start_pa=start,
        t0_s=part.t0_s,
        duration_s=float(part.t_s[-1]),
        offset_pa=part.sign * part.offset_pa,
        evidence={"orifice": 0.0, "laminar": 0.0, "mixed": 0.0},
        rate_pa_s_at_500pa=max(-slope, 0.0) * math.sqrt(REFERENCE_PA / start),
        warnings=warnings,
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
        equivalent_hi95_mm=equivalent_mm(per_rate * most, room),
        equivalent_mm=equivalent_mm(per_rate * max(-slope, 0.0), room),
    )


def _half_time(part: DecayPart, judged: JudgedDecay, back_s: float) -> tuple[float, float, float | None]:
    """Half time and its interval over every law that the data allow; no upper end where the vacuum may not fall."""
    expansion = expansion_of(part)
    value = half_time(judged.fit, back_s, expansion)[0]
    paces, deviations = [], []
    for _, fit in judged.allowed:
        half, u = half_time(fit, back_s, expansion)
        # The start itself is known to about what the fall in that time would be hidden by.
        pace = float(relative_rate(fit.law, fit.form, 1.0)) * fit.rate_per_s * fit.start_pa
        apart_s = float(np.diff(part.before_t_s).mean()) if len(part.before_t_s) > 1 else 0.0
        hidden_s = max(2.0 * part.noise_pa / pace, 0.5 * apart_s)
        share = 1.0 - min(fit.form, 1.0) if fit.law == POWER else 0.5 * (1.0 - fit.form)
        paces.append(1.0 / half)
        deviations.append(math.hypot(u, share * hidden_s / 2.0 / half) / half)
    low, high = mixture_95(np.array([w for w, _ in judged.allowed]), np.array(paces), np.array(deviations))
    return value, min(value, 1.0 / high), max(value, 1.0 / low) if low > 0 else None


def _rate(part: DecayPart, judged: JudgedDecay, room: Room) -> tuple[float, float, float]:
    """Rate of loss at 500 Pa, Pa/s, and its interval over every law that the data allow."""

    def real(fit: DecayFit) -> float:
        expands = orifice_part(fit.law, fit.form) if part.sign < 0 else 0.0
        return rate(fit) * (1.0 - 0.75 / GAMMA_AIR * expands * REFERENCE_PA / room.pressure_pa)

    value = real(judged.fit)
    rates = np.array([real(fit) for _, fit in judged.allowed])
    deviations = rates * np.array([rate_u(fit) for _, fit in judged.allowed])
    low, high = mixture_95(np.array([w for w, _ in judged.allowed]), rates, deviations)
    return value, max(0.0, min(value, low)), max(value, high)


def _result(part: DecayPart, judged: JudgedDecay, volume_l: float | None, volume_u95_l: float, room: Room) -> Hold:
    fit = judged.fit
    warnings = [part.zero_words]
    expansion = expansion_of(part)
    back = earlier_s(part, fit, expansion)
    half, half_lo, half_hi = _half_time(part, judged, back)
    ideal = fit.start_pa * float(shape(fit.law, fit.form, np.array([-back * fit.rate_per_s]))[0])
    start = ideal - bending(fit.law, fit.form, expansion) * ideal**2
    fallen = 1.0 - float(shape(fit.law, fit.form, np.array([fit.rate_per_s * float(part.t_s[-1])]))[0])
    if fallen < 0.5:
        warnings.append(
            f"The vacuum fell by {100 * fallen:.0f} % only: the half time is an extrapolation, and the law "
            "can hardly be told."
        )
    if half_hi is None:
        warnings.append("Gas that cools or warms might make the whole fall, so the half time has no upper end.")
    if part.opened_s is not None:
        warnings.append(f"The hose was opened at {part.opened_s:.1f} s; what follows was left out.")
    gaps = sorted(judged.evidence.values())
    if gaps[1] < 6.0 and fallen >= 0.5:
        warnings.append("The evidence does not tell the laws apart clearly.")
    loss_rate, rate_lo, rate_hi = _rate(part, judged, room)
    if not 0.4 * REFERENCE_PA <= REFERENCE_PA <= fit.start_pa or (1.0 - fallen) * fit.start_pa > REFERENCE_PA:
        warnings.append("500 Pa lies outside the pressures seen, so the leak there is an extrapolation.")
    if fit.start_pa > 3500.0:
        warnings.append("The hold started deeper than 3.5 kPa: that is hard on old seals, about 2 kPa is enough.")
    drift = temperature_effect_pa_k(room.pressure_pa, room.temperature_k)
    warnings.append(
        f"Gas that warms or cools looks like a leak: {drift:.0f} Pa a kelvin; wait until the engine's temperature is "
        f"steady. The intervals allow for {2.0 * 3600.0 * GAS_DRIFT_U_K_S:.0f} K an hour."
    )
    if part.sign > 0:
        warnings.append("The hold was under pressure, not vacuum: old seals are pushed outwards by it.")
    hold = Hold(
        model=judged.model,
        exponent=judged.exponent if judged.model == "mixed" else {"orifice": 0.5, "laminar": 1.0}[judged.model],
        exponent_lo95=judged.exponent_lo,
        exponent_hi95=judged.exponent_hi,
        half_time_s=half,
        half_time_lo95_s=half_lo,
        half_time_hi95_s=half_hi,
        start_pa=start,
        t0_s=part.t0_s - back,
        duration_s=float(part.t_s[-1]) + back,
        offset_pa=part.sign * fit.offset_pa,
        evidence=judged.evidence,
        rate_pa_s_at_500pa=loss_rate,
        rate_lo95=rate_lo,
        rate_hi95=rate_hi,
    )
    if volume_l is None:
        warnings.append(
            "No volume was given (--volume-l), so the leak's flow and size are not known; a reference decay "
            "with a known opening would do as well."
        )
        return replace(hold, warnings=tuple(warnings))
    return replace(with_volume(hold, volume_l, volume_u95_l, room), warnings=(*warnings, *volume_words(volume_u95_l)))
