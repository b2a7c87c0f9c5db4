"""Flow through an opening: incompressible, isentropic with choking, its inverse, and areas from bores.

Signs: a positive flow goes from `upstream` to `downstream`; where the pressures stand the other way round the flow is
negative and the gas that flows has the downstream side's temperature. Areas are effective (discharge coefficient times
bore area), m2. Every function broadcasts over arrays.
"""

from __future__ import annotations

import math

import numpy as np

from sumpglass.physics.gas import GAMMA_AIR, R_AIR_J_KG_K, REFERENCE_DENSITY_KG_M3, FloatArray, Floats, kg_s_from_lpm
from sumpglass.units import REFERENCE_TEMPERATURE_K

DISCHARGE_COEFFICIENT = 0.61
"""Sharp-edged small drilled opening. An assumption: ISO 5167 does not cover bores below 12.5 mm."""
DISCHARGE_COEFFICIENT_U95 = 0.05
"""Half-width of the interval of `DISCHARGE_COEFFICIENT` (k = 2; common practice, no source)."""


def bore_area_m2(bore_m: Floats) -> FloatArray:
    """Area of a round hole."""
    return np.pi / 4.0 * np.square(np.asarray(bore_m, dtype=float))


def effective_area_m2(bore_m: Floats, discharge_coefficient: Floats = DISCHARGE_COEFFICIENT) -> FloatArray:
    """Cd times the area of a round hole."""
    return np.asarray(discharge_coefficient, dtype=float) * bore_area_m2(bore_m)


def bore_m(cda_m2: Floats, discharge_coefficient: Floats = DISCHARGE_COEFFICIENT) -> FloatArray:
    """Bore of the round hole with this effective area."""
    area = np.asarray(cda_m2, dtype=float) / np.asarray(discharge_coefficient, dtype=float)
    return np.sqrt(4.0 / np.pi * area)


def critical_pressure_ratio(gamma: float = GAMMA_AIR) -> float:
    """Downstream over upstream absolute pressure at and below which the flow chokes."""
    return (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))


def critical_flow_function(gamma: float = GAMMA_AIR) -> float:
    """C* = m sqrt(R T)/(CdA p) of choked flow."""
    return math.sqrt(gamma) * (2.0 / (gamma + 1.0)) ** ((gamma + 1.0) / (2.0 * (gamma - 1.0)))


def flow_function(pressure_ratio: Floats, gamma: float = GAMMA_AIR) -> FloatArray:
    """m sqrt(R T)/(CdA p_upstream) of isentropic flow, by downstream over upstream pressure, 0..1; flat when choked."""
    ratio = np.clip(np.asarray(pressure_ratio, dtype=float), critical_pressure_ratio(gamma), 1.0)
    # r^(2/g) - r^((g+1)/g) loses digits near r = 1, where most crankcase readings lie: factor it with expm1.
    drop = -np.expm1((gamma - 1.0) / gamma * np.log(ratio))
    return np.sqrt(2.0 * gamma / (gamma - 1.0) * ratio ** (2.0 / gamma) * drop)


def mass_flow_kg_s(
    cda_m2: Floats,
    upstream_pa: Floats,
    downstream_pa: Floats,
    upstream_k: Floats = REFERENCE_TEMPERATURE_K,
    downstream_k: Floats | None = None,
    gamma: float = GAMMA_AIR,
    gas_constant: float = R_AIR_J_KG_K,
    laminar_below_pa: float = 0.0,
) -> FloatArray:
    """Isentropic compressible mass flow, choked where it chokes, kg/s. Pressures are absolute.

    `downstream_k` is the temperature of the gas that flows back (default: the same). With `laminar_below_pa` above 0
    the square root is rounded off below about that difference, so that the slope at zero is finite (for solvers);
    the flow is then 0.7 % low at 6 times that difference, 0.02 % at 35 times.
    Source: one-dimensional isentropic nozzle flow, any gas dynamics textbook.
    """
    p1, p2 = np.asarray(upstream_pa, dtype=float), np.asarray(downstream_pa, dtype=float)
    t1 = np.asarray(upstream_k, dtype=float)
    t2 = t1 if downstream_k is None else np.asarray(downstream_k, dtype=float)
    forward = p1 >= p2
    high, low = np.maximum(p1, p2), np.minimum(p1, p2)
    temperature = np.where(forward, t1, t2)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(high > 0, low / high, 1.0)
    size = np.asarray(cda_m2, dtype=float) * high / np.sqrt(gas_constant * temperature) * flow_function(ratio, gamma)
    if laminar_below_pa > 0:
        squared = np.square(high - low)
        size = size * (squared / (squared + laminar_below_pa**2)) ** 0.25
    return np.where(forward, size, -size)


def incompressible_flow_kg_s(
    cda_m2: Floats, difference_pa: Floats, density_kg_m3: Floats = REFERENCE_DENSITY_KG_M3
) -> FloatArray:
    """m = CdA sign(dp) sqrt(2 rho |dp|), kg/s; `difference_pa` is upstream minus downstream."""
    dp = np.asarray(difference_pa, dtype=float)
    return np.asarray(cda_m2, dtype=float) * np.sign(dp) * np.sqrt(2.0 * np.asarray(density_kg_m3) * np.abs(dp))


def incompressible_volume_flow_m3_s(
    cda_m2: Floats, difference_pa: Floats, density_kg_m3: Floats = REFERENCE_DENSITY_KG_M3
) -> FloatArray:
    """Volume flow at the given density, m3/s; multiply by 60e3 for L/min."""
    return incompressible_flow_kg_s(cda_m2, difference_pa, density_kg_m3) / np.asarray(density_kg_m3, dtype=float)


def isentropic_expansibility(pressure_ratio: Floats, gamma: float = GAMMA_AIR) -> FloatArray:
    """Isentropic over incompressible mass flow at the upstream density, for a small opening (diameter ratio 0).

    `pressure_ratio` is downstream over upstream, absolute. 1 at equal pressures, about 1 - 0.75/gamma (1 - ratio).
    """
    ratio = np.asarray(pressure_ratio, dtype=float)
    loss = 1.0 - ratio
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(loss > 1e-12, flow_function(ratio, gamma) / np.sqrt(2.0 * loss), 1.0)


def effective_area_for_flow_m2(
    mass_flow: Floats,
    upstream_pa: Floats,
    downstream_pa: Floats,
    upstream_k: Floats = REFERENCE_TEMPERATURE_K,
    downstream_k: Floats | None = None,
) -> FloatArray:
    """Effective area that passes `mass_flow` (kg/s) between these pressures; the inverse of `mass_flow_kg_s`."""
    return np.asarray(mass_flow, dtype=float) / mass_flow_kg_s(
        1.0, upstream_pa, downstream_pa, upstream_k, downstream_k
    )


def bore_for_flow_m(
    flow_lpm: Floats,
    difference_pa: Floats,
    discharge_coefficient: float = DISCHARGE_COEFFICIENT,
    density_kg_m3: float = REFERENCE_DENSITY_KG_M3,
) -> FloatArray:
    """Bore through which `flow_lpm` (20 degC, 101325 Pa) flows at a small `difference_pa`, incompressible."""
    per_area = incompressible_flow_kg_s(1.0, difference_pa, density_kg_m3)
    return bore_m(kg_s_from_lpm(flow_lpm) / per_area, discharge_coefficient)


def flow_level_pa(gauge_pa: Floats) -> float:
    """The level that drives the mean flow through an opening: signed square of the mean of sign(p) sqrt|p|.

    `gauge_pa` (n,) are the samples. Their plain mean is not what drives an orifice when they swing: square-root error
    of pulsating flow metering (ISO/TR 3313).
    """
    samples = np.asarray(gauge_pa, dtype=float)
    root = float(np.mean(np.sign(samples) * np.sqrt(np.abs(samples))))
    return math.copysign(root * root, root)
