"""Orifice plates inside the limits of ISO 5167-2: the metering standard, kept for checks and for large openings.

Limits: pipe 50 to 1000 mm, bore at least 12.5 mm, diameter ratio 0.10 to 0.75. The small drilled openings of a leak
test lie outside all of them: there a discharge coefficient is an assumption (`orifice.DISCHARGE_COEFFICIENT`).
"""

from __future__ import annotations

import math

import numpy as np

from sumpglass.physics.gas import GAMMA_AIR, FloatArray, Floats


def orifice_expansibility(diameter_ratio: Floats, pressure_ratio: Floats, gamma: float = GAMMA_AIR) -> FloatArray:
    """Expansibility of an orifice plate; `pressure_ratio` is downstream over upstream, absolute, at least 0.75.

    Source: ISO 5167-2:2003, 5.3.2.2.
    """
    beta4 = np.asarray(diameter_ratio, dtype=float) ** 4
    drop = 1.0 - np.asarray(pressure_ratio, dtype=float) ** (1.0 / gamma)
    return 1.0 - (0.351 + 0.256 * beta4 + 0.93 * beta4**2) * drop


def nozzle_expansibility(diameter_ratio: Floats, pressure_ratio: Floats, gamma: float = GAMMA_AIR) -> FloatArray:
    """Expansibility of a nozzle or Venturi tube: isentropic flow. Source: ISO 5167-3:2003."""
    beta4 = np.asarray(diameter_ratio, dtype=float) ** 4
    ratio = np.asarray(pressure_ratio, dtype=float)
    root = ratio ** (2.0 / gamma)
    expansion = gamma * root / (gamma - 1.0) * (1.0 - beta4) / (1.0 - beta4 * root)
    return np.sqrt(expansion * (1.0 - ratio ** ((gamma - 1.0) / gamma)) / (1.0 - ratio))


def discharge_coefficient(pipe_m: float, bore_m: float, reynolds: float, taps: str = "corner") -> float:
    """Reader-Harris/Gallagher discharge coefficient; `reynolds` is by pipe diameter, `taps` "corner", "D" or "flange".

    Source: ISO 5167-2:2003, 5.3.2.1. Raises KeyError for other taps.
    """
    beta = bore_m / pipe_m
    flange = 0.0254 / pipe_m
    before, after = {"corner": (0.0, 0.0), "D": (1.0, 0.47), "flange": (flange, flange)}[taps]
    crowding = (19000.0 * beta / reynolds) ** 0.8
    dam = 2.0 * after / (1.0 - beta)
    coefficient = (
        0.5961 + 0.0261 * beta**2 - 0.216 * beta**8 + 0.000521 * (1e6 * beta / reynolds) ** 0.7
        + (0.0188 + 0.0063 * crowding) * beta**3.5 * (1e6 / reynolds) ** 0.3
        + (0.043 + 0.080 * math.exp(-10.0 * before) - 0.123 * math.exp(-7.0 * before))
        * (1.0 - 0.11 * crowding) * beta**4 / (1.0 - beta**4)
        - 0.031 * (dam - 0.8 * dam**1.1) * beta**1.3
    )  # fmt: skip
    if pipe_m < 0.07112:
        coefficient += 0.011 * (0.75 - beta) * (2.8 - pipe_m / 0.0254)
    return coefficient


def mass_flow_kg_s(
    pipe_m: float,
    bore_m: float,
    upstream_pa: float,
    downstream_pa: float,
    density_kg_m3: float,
    viscosity_pa_s: float,
    gamma: float = GAMMA_AIR,
    taps: str = "corner",
) -> float:
    """Mass flow through an orifice plate, kg/s, coefficient and Reynolds number solved together (ISO 5167-2)."""
    beta = bore_m / pipe_m
    expansibility = float(orifice_expansibility(beta, downstream_pa / upstream_pa, gamma))
    ideal = (
        expansibility * math.pi / 4.0 * bore_m**2
        * math.sqrt(2.0 * density_kg_m3 * (upstream_pa - downstream_pa) / (1.0 - beta**4))
    )  # fmt: skip
    flow = 0.6 * ideal
    for _ in range(40):
        reynolds = 4.0 * flow / (math.pi * pipe_m * viscosity_pa_s)
        flow = discharge_coefficient(pipe_m, bore_m, reynolds, taps) * ideal
    return flow
