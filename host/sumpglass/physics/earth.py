"""Place: local gravity for a water column, and the pressure of the standard atmosphere at an altitude."""

from __future__ import annotations

import numpy as np

from sumpglass.physics.gas import R_STANDARD_ATMOSPHERE_J_KG_K, FloatArray, Floats
from sumpglass.units import STANDARD_ATMOSPHERE_PA, STANDARD_GRAVITY_M_S2


def normal_gravity_m_s2(latitude_deg: Floats, altitude_m: Floats = 0.0) -> FloatArray:
    """Gravity on the WGS 84 ellipsoid (Somigliana's closed form) with the free-air gradient -3.086e-6 /s2.

    Source: NIMA TR8350.2, WGS 84; constants from memory.
    """
    sine2 = np.sin(np.radians(latitude_deg)) ** 2
    on_ellipsoid = 9.7803253359 * (1.0 + 0.00193185265241 * sine2) / np.sqrt(1.0 - 0.00669437999013 * sine2)
    return on_ellipsoid - 3.086e-6 * np.asarray(altitude_m, dtype=float)


def geopotential_altitude_m(altitude_m: Floats) -> FloatArray:
    """Geopotential altitude of a geometric one (ISO 2533, Earth radius 6356766 m)."""
    z = np.asarray(altitude_m, dtype=float)
    return 6356766.0 * z / (6356766.0 + z)


def standard_atmosphere_pa(altitude_m: Floats, geopotential: bool = False) -> FloatArray:
    """Absolute pressure of the standard atmosphere below 11 km, by geometric altitude unless `geopotential`.

    Source: US Standard Atmosphere 1976 / ISO 2533, lapse 6.5 K/km from 288.15 K.
    """
    height = np.asarray(altitude_m, dtype=float) if geopotential else geopotential_altitude_m(altitude_m)
    lapse = 6.5e-3
    exponent = STANDARD_GRAVITY_M_S2 / (R_STANDARD_ATMOSPHERE_J_KG_K * lapse)
    return STANDARD_ATMOSPHERE_PA * (1.0 - lapse * height / 288.15) ** exponent
