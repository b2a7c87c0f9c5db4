"""The hose between port and sensor: a damped resonator that makes pulses larger or smaller.

Source: H. Bergh, H. Tijdeman, Theoretical and experimental results for the dynamic response of pressure measuring
systems, NLR-TR F.238 (1965), single line with one volume.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from sumpglass.physics.gas import (
    GAMMA_AIR,
    PRANDTL_AIR,
    R_AIR_J_KG_K,
    FloatArray,
    Floats,
    air_density_kg_m3,
    air_viscosity_pa_s,
)
from sumpglass.records import SensorLine
from sumpglass.units import REFERENCE_TEMPERATURE_K, STANDARD_ATMOSPHERE_PA

ComplexArray = npt.NDArray[np.complex128]


def transfer(
    frequency_hz: Floats,
    line: SensorLine,
    temperature_k: float = REFERENCE_TEMPERATURE_K,
    pressure_pa: float = STANDARD_ATMOSPHERE_PA,
    viscosity_pa_s: float | None = None,
    density_kg_m3: float | None = None,
    membrane_give: float = 0.0,
    polytropic_exponent: float = GAMMA_AIR,
) -> ComplexArray:
    """Complex ratio of the pressure at the sensor to that at the port, same shape as `frequency_hz`; 1 at 0 Hz.

    `membrane_give` is Bergh and Tijdeman's sigma (relative volume that the membrane yields), `polytropic_exponent`
    their k in the sensor volume. Viscosity and density default to those of air at the given state.
    """
    from scipy.special import jve

    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=float))
    viscosity = float(air_viscosity_pa_s(temperature_k)) if viscosity_pa_s is None else viscosity_pa_s
    density = float(air_density_kg_m3(pressure_pa, temperature_k)) if density_kg_m3 is None else density_kg_m3
    sound = float(np.sqrt(GAMMA_AIR * pressure_pa / density))
    radius = line.bore_m / 2.0
    tube_volume = np.pi * radius**2 * line.length_m
    omega = 2.0 * np.pi * np.abs(frequency)
    ratio = np.ones(frequency.shape, dtype=complex)
    moving = omega > 0
    if not np.any(moving) or line.length_m <= 0:
        return ratio.reshape(np.shape(frequency_hz))
    w = omega[moving]
    shear = 1j**1.5 * radius * np.sqrt(density * w / viscosity)
    # Scaled Bessel functions: their common factor cancels in the ratios, and wide bores do not overflow.
    thermal = shear * np.sqrt(PRANDTL_AIR)
    n = 1.0 / (1.0 + (GAMMA_AIR - 1.0) / GAMMA_AIR * jve(2, thermal) / jve(0, thermal))
    propagation = w / sound * np.sqrt(jve(0, shear) / jve(2, shear)) * np.sqrt(GAMMA_AIR / n)
    path = propagation * line.length_m
    load = line.volume_m3 / tube_volume * (membrane_give + 1.0 / polytropic_exponent) * n * path
    ratio[moving] = 1.0 / (np.cosh(path) + load * np.sinh(path))
    backwards = frequency < 0
    ratio[backwards] = np.conj(ratio[backwards])
    return ratio.reshape(np.shape(frequency_hz))


def gain(frequency_hz: Floats, line: SensorLine | None, temperature_k: float = REFERENCE_TEMPERATURE_K) -> FloatArray:
    """Size of `transfer`; all ones without a line."""
    if line is None:
        return np.ones(np.shape(frequency_hz))
    return np.abs(transfer(frequency_hz, line, temperature_k))


def corrected_amplitude_pa(
    amplitude_pa: Floats,
    frequency_hz: Floats,
    line: SensorLine | None,
    least_gain: float = 0.1,
    temperature_k: float = REFERENCE_TEMPERATURE_K,
) -> FloatArray:
    """Amplitude at the port from that at the sensor. Where the line passes less than `least_gain`, NaN: noise only."""
    size = gain(frequency_hz, line, temperature_k)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(size >= least_gain, np.asarray(amplitude_pa, dtype=float) / size, np.nan)


def peak(line: SensorLine, temperature_k: float = REFERENCE_TEMPERATURE_K, **state: float) -> tuple[float, float]:
    """Frequency (Hz) and gain of the line's first resonance; (0.0, 1.0) if it has none."""
    from scipy.optimize import minimize_scalar

    sound = float(np.sqrt(GAMMA_AIR * R_AIR_J_KG_K * temperature_k))
    quarter_wave = sound / (4.0 * line.length_m)
    grid = np.linspace(quarter_wave / 200.0, quarter_wave * 1.5, 600)
    sizes = np.abs(transfer(grid, line, temperature_k, **state))
    inner = np.flatnonzero((sizes[1:-1] >= sizes[:-2]) & (sizes[1:-1] >= sizes[2:])) + 1
    if len(inner) == 0 or sizes[inner[0]] <= 1.0:
        return 0.0, 1.0
    at = int(inner[0])
    best = minimize_scalar(
        lambda f: -float(np.abs(transfer(f, line, temperature_k, **state))),
        bounds=(float(grid[at - 1]), float(grid[at + 1])),
        method="bounded",
        options={"xatol": 1e-6},
    )
    return float(best.x), -float(best.fun)


def corner_hz(line: SensorLine, tolerance: float = 0.05, temperature_k: float = REFERENCE_TEMPERATURE_K) -> float:
    """Lowest frequency at which the gain leaves 1 +- `tolerance`: pulses below it need no correction."""
    sound = float(np.sqrt(GAMMA_AIR * R_AIR_J_KG_K * temperature_k))
    grid = np.geomspace(0.01, 2.0 * sound / (4.0 * line.length_m), 4000)
    outside = np.flatnonzero(np.abs(np.abs(transfer(grid, line, temperature_k)) - 1.0) > tolerance)
    return float(grid[outside[0]]) if len(outside) else float(grid[-1])
