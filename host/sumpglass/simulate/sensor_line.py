"""From the port to the membrane: gauge hose on or off, blocked or free, and the hose's resonance."""

from __future__ import annotations

import math

import numpy as np

from sumpglass.physics import line as line_physics
from sumpglass.physics.gas import FloatArray
from sumpglass.records import SensorLine


def impulse_response(line: SensorLine, rate_hz: float, rest: float = 1e-4) -> FloatArray:
    """Taps of the line's response at `rate_hz`: inverse transform of Bergh and Tijdeman's transfer function, sum 1.

    Cut where what follows is below `rest` of the largest tap.
    """
    count = 1 << math.ceil(math.log2(rate_hz * 1.5))
    frequency = np.fft.rfftfreq(count, 1.0 / rate_hz)
    ratio = line_physics.transfer(frequency, line)
    # A half cosine over the top third keeps the cut at the highest frequency from ringing.
    top = frequency / frequency[-1]
    ratio = ratio * np.where(top < 0.67, 1.0, 0.5 * (1.0 + np.cos(np.pi * (top - 0.67) / 0.33)))
    taps = np.fft.irfft(ratio, count)
    loud = np.flatnonzero(np.abs(taps[: count // 2]) > rest * np.max(np.abs(taps)))
    taps = taps[: int(loud[-1]) + 1]
    return taps / taps.sum()


class LineResponse:
    """The hose as a filter that carries on from block to block. `line=None` passes everything."""

    def __init__(self, line: SensorLine | None, rate_hz: float) -> None:
        self._taps = np.ones(1) if line is None else impulse_response(line, rate_hz)
        self._state: FloatArray | None = None

    def take(self, pressure_pa: FloatArray) -> FloatArray:
        """Pressure at the far end (n,) of one block."""
        if len(self._taps) == 1:
            return pressure_pa
        from scipy.signal import fftconvolve

        reach = len(self._taps) - 1
        if self._state is None:
            self._state = np.full(reach, pressure_pa[0])
        joined = np.concatenate((self._state, pressure_pa))
        self._state = joined[-reach:]
        return fftconvolve(joined, self._taps, mode="valid")


SHUT_RATE_HZ = 2e-3
"""A shut line still creeps: what gets past a plug of oil, 1/(time constant)/(2 pi)."""


class Blockage:
    """A plug in the line as one pole whose time constant grows with the blocked share: 0 free, 1 shut."""

    def __init__(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._level: float | None = None

    def take(self, pressure_pa: FloatArray, share: FloatArray) -> FloatArray:
        """What gets past (n,)."""
        if self._level is None:
            self._level = float(pressure_pa[0])
        if share.max() <= 0.0:
            self._level = float(pressure_pa[-1])
            return pressure_pa
        corner = np.where(share < 1.0, 200.0 * (1.0 - np.clip(share, 0.0, 1.0)) ** 3, 0.0) + SHUT_RATE_HZ
        gains = (1.0 - np.exp(-2.0 * np.pi * corner / self._rate_hz)).tolist()
        level = self._level
        out = []
        for value, gain in zip(pressure_pa.tolist(), gains):
            level += gain * (value - level)
            out.append(level)
        self._level = level
        return np.array(out)
