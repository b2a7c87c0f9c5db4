"""Liquid column: density of water and the pressure that an upright or inclined tube shows."""

from __future__ import annotations

import numpy as np

from sumpglass.physics.gas import FloatArray, Floats
from sumpglass.units import STANDARD_GRAVITY_M_S2


def water_density_kg_m3(temperature_c: Floats) -> FloatArray:
    """Density of air-free water at 101325 Pa, kg/m3, 0 to 40 degC.

    Source: Tanaka, Girard, Davis, Peuto, Bignell, Metrologia 38 (2001) 301; coefficients from memory.
    """
    t = np.asarray(temperature_c, dtype=float)
    return 999.974950 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def column_pressure_pa(
    length_m: Floats,
    temperature_c: Floats = 20.0,
    inclination_deg: Floats = 90.0,
    gravity_m_s2: Floats = STANDARD_GRAVITY_M_S2,
    reservoir_area_ratio: float = 0.0,
    air_density_kg_m3: float = 0.0,
) -> FloatArray:
    """Pressure that moves the meniscus `length_m` along the scale of a tube rising at `inclination_deg` to the level.

    `reservoir_area_ratio` is tube area over reservoir area (the reservoir falls while the tube rises; 0 for a scale
    read against the reservoir's own level). In a U-tube `length_m` is the difference of both limbs, not one limb.
    `air_density_kg_m3` takes off the air that the water displaces.
    """
    density = water_density_kg_m3(temperature_c) - air_density_kg_m3
    rise_per_length = np.sin(np.radians(inclination_deg)) + reservoir_area_ratio
    return density * np.asarray(gravity_m_s2, dtype=float) * np.asarray(length_m, dtype=float) * rise_per_length


def column_length_m(
    pressure_pa: Floats,
    temperature_c: Floats = 20.0,
    inclination_deg: Floats = 90.0,
    gravity_m_s2: Floats = STANDARD_GRAVITY_M_S2,
    reservoir_area_ratio: float = 0.0,
) -> FloatArray:
    """Length along the scale that `pressure_pa` shows; the inverse of `column_pressure_pa`."""
    per_metre = column_pressure_pa(1.0, temperature_c, inclination_deg, gravity_m_s2, reservoir_area_ratio)
    return np.asarray(pressure_pa, dtype=float) / per_metre
