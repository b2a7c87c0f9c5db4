"""Air and blow-by gas: density, viscosity, speed of sound, and the flow unit of the trade (L/min of room air).

All functions take scalars or arrays (broadcast) and return float64. Blow-by gas is taken as air: it is mostly unburnt
charge and nitrogen, and its gas constant lies within 2 % of air's (common practice, no source).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from sumpglass.units import REFERENCE_TEMPERATURE_K, STANDARD_ATMOSPHERE_PA

Floats = npt.ArrayLike
FloatArray = npt.NDArray[np.float64]

R_AIR_J_KG_K = 287.055
"""Specific gas constant of dry air (CIPM-2007 molar mass 28.96546 g/mol with R 8.314472 J/(mol K))."""
R_STANDARD_ATMOSPHERE_J_KG_K = 287.05287
"""Specific gas constant that ISO 2533 and the US Standard Atmosphere 1976 compute with."""
R_MOLAR_J_MOL_K = 8.314472
"""Molar gas constant as 40 CFR 1065 and CIPM-2007 use it (CODATA 2006)."""
GAMMA_AIR = 1.4
PRANDTL_AIR = 0.707


def air_density_kg_m3(
    pressure_pa: Floats = STANDARD_ATMOSPHERE_PA,
    temperature_k: Floats = REFERENCE_TEMPERATURE_K,
    gas_constant: float = R_AIR_J_KG_K,
) -> FloatArray:
    """Density of dry air as an ideal gas, kg/m3, from absolute pressure. 0.05 % below the real gas at room state."""
    return np.asarray(pressure_pa, dtype=float) / (gas_constant * np.asarray(temperature_k, dtype=float))


def moist_air_density_kg_m3(
    pressure_pa: Floats, temperature_k: Floats, relative_humidity: Floats, carbon_dioxide: float = 400e-6
) -> FloatArray:
    """Density of moist air, kg/m3; `relative_humidity` 0..1, `carbon_dioxide` as mole fraction.

    Source: CIPM-2007 (Picard, Davis, Glaeser, Fujii, Metrologia 45 (2008) 149); coefficients from memory.
    """
    p = np.asarray(pressure_pa, dtype=float)
    kelvin = np.asarray(temperature_k, dtype=float)
    celsius = kelvin - 273.15
    saturation_pa = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * celsius**2
    vapour = np.asarray(relative_humidity, dtype=float) * enhancement * saturation_pa / p
    compressibility = (
        1.0
        - p / kelvin * (1.58123e-6 - 2.9331e-8 * celsius + 1.1043e-10 * celsius**2
                        + (5.707e-6 - 2.051e-8 * celsius) * vapour + (1.9898e-4 - 2.376e-6 * celsius) * vapour**2)
        + (p / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * vapour**2)
    )  # fmt: skip
    molar_mass = 28.96546e-3 + 12.011e-3 * (carbon_dioxide - 400e-6)
    water_share = 1.0 - 18.01528e-3 / molar_mass
    return p * molar_mass / (compressibility * R_MOLAR_J_MOL_K * kelvin) * (1.0 - vapour * water_share)


def air_viscosity_pa_s(temperature_k: Floats = REFERENCE_TEMPERATURE_K) -> FloatArray:
    """Dynamic viscosity, Pa s: Sutherland's law with the constants of ISO 2533 (1.458e-6 T^1.5/(T + 110.4))."""
    kelvin = np.asarray(temperature_k, dtype=float)
    return 1.458e-6 * kelvin**1.5 / (kelvin + 110.4)


def speed_of_sound_m_s(temperature_k: Floats = REFERENCE_TEMPERATURE_K, gamma: float = GAMMA_AIR) -> FloatArray:
    """Speed of sound of the ideal gas, m/s."""
    return np.sqrt(gamma * R_AIR_J_KG_K * np.asarray(temperature_k, dtype=float))


REFERENCE_DENSITY_KG_M3 = STANDARD_ATMOSPHERE_PA / (R_AIR_J_KG_K * REFERENCE_TEMPERATURE_K)
"""Density of air at 20 degC and 101325 Pa, 1.20410 kg/m3: one L/min in this program is a mass flow at this density."""


def lpm_from_kg_s(mass_flow_kg_s: Floats) -> FloatArray:
    """Flow in L/min of air at 20 degC and 101325 Pa, from a mass flow in kg/s."""
    return np.asarray(mass_flow_kg_s, dtype=float) / REFERENCE_DENSITY_KG_M3 * 60e3


def kg_s_from_lpm(flow_lpm: Floats) -> FloatArray:
    """Mass flow in kg/s, from L/min of air at 20 degC and 101325 Pa."""
    return np.asarray(flow_lpm, dtype=float) * REFERENCE_DENSITY_KG_M3 / 60e3


def actual_lpm(mass_flow_kg_s: Floats, pressure_pa: Floats, temperature_k: Floats) -> FloatArray:
    """Volume flow in L/min at the gas's own absolute pressure and temperature."""
    return np.asarray(mass_flow_kg_s, dtype=float) / air_density_kg_m3(pressure_pa, temperature_k) * 60e3
