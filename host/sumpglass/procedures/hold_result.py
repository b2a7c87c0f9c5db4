"""What a hold test tells, and the size of its leak from a volume or from a decay with a known opening."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sumpglass.physics.gas import GAMMA_AIR, R_AIR_J_KG_K, air_density_kg_m3, lpm_from_kg_s
from sumpglass.physics.orifice import bore_m
from sumpglass.procedures.bores import BORE_U95_MM
from sumpglass.procedures.openings import OPENING_CD, OPENING_CD_U95, Room

REFERENCE_PA = 500.0


@dataclass(frozen=True, kw_only=True)
class Hold:
    """Result of a hold test. Intervals are 95 %; flows and size are None without a volume (or a reference decay).

    `leak_lpm_at_500pa` is isothermal (slow decays: the walls keep the gas at one temperature), `leak_adiabatic_...`
    the other bound, smaller by gamma.
    """

    model: str
    start_pa: float
    t0_s: float
    duration_s: float
    offset_pa: float
    evidence: dict[str, float]
    exponent: float | None = None
    exponent_lo95: float | None = None
    exponent_hi95: float | None = None
    half_time_s: float | None = None
    half_time_lo95_s: float | None = None
    half_time_hi95_s: float | None = None
    leak_lpm_at_500pa: float | None = None
    leak_lo95: float | None = None
    leak_hi95: float | None = None
    leak_adiabatic_lpm_at_500pa: float | None = None
    equivalent_mm: float | None = None
    equivalent_lo95_mm: float | None = None
    equivalent_hi95_mm: float | None = None
    equivalent_adiabatic_mm: float | None = None
    rate_pa_s_at_500pa: float | None = None
    rate_lo95: float | None = None
    rate_hi95: float | None = None
    warnings: tuple[str, ...] = ()


def volume_words(volume_u95_l: float) -> list[str]:
    """What has to be said of a flow that was computed from a volume."""
    words = (
        "The flow is for a decay at constant temperature; a fast one is nearer the adiabatic figure, which is "
        "1.4 times less."
    )
    if volume_u95_l:
        return [words]
    return ["The volume was taken as exact: the leak's relative error has the volume's added to it.", words]


def with_volume(hold: Hold, volume_l: float, volume_u95_l: float, room: Room) -> Hold:
    """`hold` with flow and size from the volume (L) of the crankcase's gas: V dp/dt = R T m, walls at room warmth."""
    rate = hold.rate_pa_s_at_500pa or 0.0
    mass_flow = volume_l * 1e-3 * rate / (R_AIR_J_KG_K * room.temperature_k)
    leak = float(lpm_from_kg_s(mass_flow))
    bore = equivalent_mm(mass_flow, room)
    volume = volume_u95_l / volume_l
    low, high = _times(hold, volume)
    # The bore goes with the root of flow over Cd.
    bore_low, bore_high = _times(hold, math.hypot(volume, OPENING_CD_U95 / OPENING_CD))
    return replace(
        hold,
        leak_lpm_at_500pa=leak,
        leak_lo95=leak * low,
        leak_hi95=leak * high,
        leak_adiabatic_lpm_at_500pa=leak / GAMMA_AIR,
        equivalent_mm=bore,
        equivalent_lo95_mm=bore * math.sqrt(bore_low),
        equivalent_hi95_mm=bore * math.sqrt(bore_high),
        equivalent_adiabatic_mm=bore / math.sqrt(GAMMA_AIR),
    )


def _times(hold: Hold, other_u95: float) -> tuple[float, float]:
    """Ends of the 95 % interval of the rate at 500 Pa times something known to `other_u95`, relative, over the value.

    The rate's own ends lie where they lie, 0 among them; what multiplies it joins each side in quadrature.
    """
    rate = hold.rate_pa_s_at_500pa or 0.0
    if not rate > 0:
        return 0.0, 1.0
    low = 1.0 - (hold.rate_lo95 if hold.rate_lo95 is not None else rate) / rate
    high = (hold.rate_hi95 if hold.rate_hi95 is not None else rate) / rate - 1.0
    return max(0.0, 1.0 - math.hypot(low, 1.0 - math.exp(-other_u95))), 1.0 + math.hypot(high, math.expm1(other_u95))


def equivalent_mm(mass_flow_kg_s: float, room: Room) -> float:
    """Bore of the drilled hole that passes this flow at 500 Pa."""
    density = float(air_density_kg_m3(room.pressure_pa, room.temperature_k))
    return float(bore_m(mass_flow_kg_s / math.sqrt(2.0 * density * REFERENCE_PA), OPENING_CD)) * 1e3


def against(first: Hold, second: Hold, opening_mm: float) -> Hold:
    """Leak against the decay with a known opening: rates at 500 Pa are as the areas, whatever volume and heat."""
    alone, both = first.rate_pa_s_at_500pa or 0.0, second.rate_pa_s_at_500pa or 0.0
    if both <= alone:
        words = "The reference decay is not faster than the one without its opening: no size follows from it."
        return replace(first, warnings=(*first.warnings, words))
    ratio = alone / (both - alone)
    size = opening_mm * math.sqrt(ratio)
    lever = both / (both - alone)
    low, high = _times(first, 0.0)
    other_low, other_high = _times(second, 0.0)
    plug = 2.0 * BORE_U95_MM / opening_mm
    up = math.hypot(lever * math.hypot(high - 1.0, 1.0 - other_low), plug)
    down = math.hypot(lever * math.hypot(1.0 - low, other_high - 1.0), plug)
    words = (
        f"Size against the decay with the {opening_mm:g} mm opening, which needs no volume, no discharge "
        "coefficient and no temperature."
    )
    kept = tuple(w for w in first.warnings if not w.startswith("No volume"))
    return replace(
        first,
        equivalent_mm=size,
        equivalent_lo95_mm=size * math.exp(-0.5 * down),
        equivalent_hi95_mm=size * math.exp(0.5 * up),
        equivalent_adiabatic_mm=None,
        warnings=(*kept, words),
    )
