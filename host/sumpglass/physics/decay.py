"""A closed volume whose vacuum (or pressure) falls through a leak, and one that is drawn down.

`difference_pa` is the size of the gauge pressure, always positive here. Isothermal: walls keep the gas at one
temperature (slow); adiabatic: no time for heat (fast); the rates differ by gamma exactly.
"""

from __future__ import annotations

import numpy as np

from sumpglass.physics.gas import GAMMA_AIR, R_AIR_J_KG_K, R_MOLAR_J_MOL_K, REFERENCE_DENSITY_KG_M3, FloatArray, Floats
from sumpglass.units import REFERENCE_TEMPERATURE_K, STANDARD_ATMOSPHERE_PA


def orifice_rate_sqrt_pa_s(
    cda_m2: Floats,
    volume_m3: Floats,
    temperature_k: float = REFERENCE_TEMPERATURE_K,
    adiabatic: bool = False,
    density_kg_m3: float = REFERENCE_DENSITY_KG_M3,
) -> FloatArray:
    """k of sqrt(dp) = sqrt(dp0) - k t/2 under orifice flow, sqrt(Pa)/s: k = (gamma) R T CdA sqrt(2 rho)/V."""
    rate = R_AIR_J_KG_K * temperature_k / np.asarray(volume_m3, dtype=float) * np.asarray(cda_m2, dtype=float)
    return rate * np.sqrt(2.0 * density_kg_m3) * (GAMMA_AIR if adiabatic else 1.0)


def orifice_decay_pa(t_s: Floats, start_pa: float, rate_sqrt_pa_s: float) -> FloatArray:
    """Difference left after `t_s` of orifice flow: its square root falls linearly and ends at zero."""
    root = np.sqrt(start_pa) - rate_sqrt_pa_s * np.asarray(t_s, dtype=float) / 2.0
    return np.square(np.maximum(root, 0.0))


def orifice_decay_time_s(start_pa: float, end_pa: float, rate_sqrt_pa_s: float) -> float:
    """Time in which the difference falls from `start_pa` to `end_pa` under orifice flow."""
    return float(2.0 * (np.sqrt(start_pa) - np.sqrt(end_pa)) / rate_sqrt_pa_s)


def power_law_decay_pa(t_s: Floats, start_pa: float, rate: float, exponent: float) -> FloatArray:
    """Solution of d(dp)/dt = -rate dp^exponent; 0.5 is an orifice, 1 a capillary (exponential).

    Source of the exponent's range 0.5 to 1: building airtightness practice (ISO 9972, from memory).
    """
    t = np.asarray(t_s, dtype=float)
    if abs(exponent - 1.0) < 1e-9:
        return start_pa * np.exp(-rate * t)
    left = start_pa ** (1.0 - exponent) - (1.0 - exponent) * rate * t
    return np.maximum(left, 0.0) ** (1.0 / (1.0 - exponent))


def laminar_time_constant_s(start_pa: float, end_pa: float, duration_s: float) -> float:
    """Time constant of a laminar leak that brings the difference from `start_pa` to `end_pa` in `duration_s`."""
    return float(duration_s / np.log(start_pa / end_pa))


def throughput_pa_m3_s(volume_m3: Floats, change_pa: Floats, duration_s: Floats) -> FloatArray:
    """Leak rate of a closed volume by pressure change, V dp/dt, Pa m3/s (1 mbar L/s = 0.1 Pa m3/s)."""
    return np.asarray(volume_m3, dtype=float) * np.asarray(change_pa, dtype=float) / np.asarray(duration_s, dtype=float)


def standard_cm3_min(
    throughput: Floats, gas_temperature_k: float = 273.15, reference_k: float = 273.15, reference_pa: float = 101325.0
) -> FloatArray:
    """A throughput in Pa m3/s (gas at `gas_temperature_k`) as cm3/min at the reference state."""
    at_reference = np.asarray(throughput, dtype=float) / reference_pa * reference_k / gas_temperature_k
    return at_reference * 60e6


def molar_leak_mol_s(
    volume_m3: float, start_pa: float, end_pa: float, duration_s: float, start_k: float, end_k: float | None = None
) -> float:
    """Leak of an evacuated vessel from the rise of its absolute pressure: (V/R)(p2/T2 - p1/T1)/(t2 - t1).

    Source: 40 CFR 1065.644.
    """
    change = end_pa / (start_k if end_k is None else end_k) - start_pa / start_k
    return volume_m3 / R_MOLAR_J_MOL_K * change / duration_s


def temperature_effect_pa_k(
    pressure_pa: float = STANDARD_ATMOSPHERE_PA, temperature_k: float = REFERENCE_TEMPERATURE_K
) -> float:
    """Change of a sealed vessel's pressure for each kelvin: looks like a leak and is none."""
    return pressure_pa / temperature_k


def refill_temperature_k(
    start_pa: float, end_pa: float, start_k: float = REFERENCE_TEMPERATURE_K, inflow_k: float = REFERENCE_TEMPERATURE_K
) -> float:
    """Gas temperature after an adiabatic refill from `start_pa` to `end_pa` (absolute) with gas at `inflow_k`.

    From the energy balance of a vessel filled at constant volume: T2 = p2/(p1/T1 + (p2 - p1)/(gamma T_in)).
    """
    return end_pa / (start_pa / start_k + (end_pa - start_pa) / (GAMMA_AIR * inflow_k))


def draw_down_time_s(
    difference_pa: Floats, volume_m3: Floats, net_draw_kg_s: Floats, temperature_k: float = REFERENCE_TEMPERATURE_K
) -> FloatArray:
    """Time for a steady net draw to take a tight volume down by `difference_pa`, with one more such time for settling:
    2 dp V/(R T m)."""
    mass = np.asarray(difference_pa, dtype=float) * np.asarray(volume_m3, dtype=float) / (R_AIR_J_KG_K * temperature_k)
    return 2.0 * mass / np.asarray(net_draw_kg_s, dtype=float)
