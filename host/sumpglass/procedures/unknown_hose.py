"""Pulses at the port from those at the sensor: the hose between them undone, known or unknown.

The mean flow through an opening follows the pulses at the port. Where the hose is known its response is undone. Where
it is not, what the pulses would be behind hoses of the kinds that lie about in a workshop, each as likely as the next,
is weighed beside the pulses as seen (`leak_ways`).
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from sumpglass.physics.line import transfer
from sumpglass.procedures.settled import SettledLevel, swing_shape_pa
from sumpglass.records import FloatArray, SensorLine

LEAST_GAIN = 0.1
"""Below about this gain of the hose its pulses are lost in noise and not made larger again."""
HOSES = 16
"""Hoses that stand for an unknown one."""
BORE_M, LENGTH_M, VOLUME_M3 = (2e-3, 6e-3), (0.2, 2.0), (0.1e-6, 4e-6)
"""What an unknown hose may measure, even in the logarithms (common practice, no source): a hose that keeps electronics
away from heat and vapour at the port has 20 cm at least. A sensor screwed to the port sees the pulses as they are."""
SLIGHT_SWING = 0.05
"""Pulses under this share of the level (RMS) drive the same flow whatever the hose: sqrt is straight over them."""
MOST_SAMPLES = 1 << 14


def likely_hoses(count: int = HOSES) -> tuple[SensorLine, ...]:
    """`count` hoses spread evenly over what one may measure (Halton's points: Numerische Mathematik 2 (1960) 84)."""
    hoses = []
    for k in range(1, count + 1):
        sizes = (
            low * (high / low) ** _halton(k, base)
            for base, (low, high) in zip((2, 3, 5), (BORE_M, LENGTH_M, VOLUME_M3))
        )
        hoses.append(SensorLine(*sizes))
    return tuple(hoses)


def _halton(k: int, base: int) -> float:
    value, share = 0.0, 1.0
    while k:
        share /= base
        value += share * (k % base)
        k //= base
    return value


def undoing(frequency_hz: FloatArray, line: SensorLine) -> np.ndarray:
    """Complex gain (n,) at rising frequencies from 0 that undoes the hose, but for what it all but swallows."""
    grid, undone = _undoing_table(float(frequency_hz[-1]), line)
    return np.interp(frequency_hz, grid, undone.real) + 1j * np.interp(frequency_hz, grid, undone.imag)


@lru_cache(maxsize=4 * HOSES)
def _undoing_table(highest_hz: float, line: SensorLine) -> tuple[FloatArray, np.ndarray]:
    grid = np.linspace(0.0, highest_hz, 513)
    ratio = transfer(grid, line)
    return grid, np.conj(ratio) * (1.0 + LEAST_GAIN**2) / (np.abs(ratio) ** 2 + LEAST_GAIN**2)


def at_port_pa(pressure_pa: FloatArray, rate_hz: float, line: SensorLine) -> FloatArray:
    """Pressure (n,) at the port from evenly spaced samples at the sensor. Pulses above half the sampling rate stay as
    they are seen; the mean does not change."""
    from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

    n, middle = len(pressure_pa), float(pressure_pa.mean())
    padded = next_fast_len(n + round(rate_hz), real=True)
    gain = undoing(rfftfreq(padded, 1.0 / rate_hz), line)
    return irfft(rfft(pressure_pa - middle, padded) * gain, padded)[:n] + middle


def unknown_hose_shapes_pa(level: SettledLevel, rate_hz: float | None, vacuum_pa: float) -> FloatArray:
    """Excursions of the vacuum (HOSES, k) behind each likely hose, as of `Reading`; (0, 0) where the pulses are too
    small to matter."""
    if rate_hz is None or len(level.pressure_pa) < 64 or level.swing_rms_pa < SLIGHT_SWING * abs(vacuum_pa):
        return np.zeros((0, 0))
    part = level.pressure_pa[-MOST_SAMPLES:]
    return np.array([_pulses(part, rate_hz, hose, level.noise_pa) for hose in likely_hoses()])


def _pulses(pressure_pa: FloatArray, rate_hz: float, hose: SensorLine, noise_pa: float) -> FloatArray:
    """Equally likely excursions of the vacuum, were it this hose; the noise that undoing makes larger is taken out."""
    port = at_port_pa(pressure_pa, rate_hz, hose)
    gain = undoing(np.linspace(0.0, 0.5 * rate_hz, 256), hose)
    noise = noise_pa * math.sqrt(float(np.mean(np.abs(gain) ** 2)))
    shape = -swing_shape_pa(port - port.mean(), noise)
    return np.zeros(256) if len(shape) == 1 else shape
