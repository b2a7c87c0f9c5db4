"""The sensor and its converter: response time, errors, noise, range, counts, and the ways they fail."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from sumpglass.physics.gas import FloatArray
from sumpglass.simulate.noise import FlickerNoise
from sumpglass.simulate.plant import Sensor

CountArray = npt.NDArray[np.int64]


class Response:
    """The sensor's own time constant, at the fine step."""

    def __init__(self, response_s: float, rate_hz: float) -> None:
        self._pole = math.exp(-1.0 / (rate_hz * response_s)) if response_s > 0 else 0.0
        self._last: float | None = None

    def take(self, pressure_pa: FloatArray) -> FloatArray:
        """Response (n,) to one block."""
        if self._pole == 0.0:
            return pressure_pa
        from scipy.signal import lfilter

        start = float(pressure_pa[0]) if self._last is None else self._last
        values, _ = lfilter([1.0 - self._pole], [1.0, -self._pole], pressure_pa, zi=[self._pole * start])
        self._last = float(values[-1])
        return values


class SensorOutput:
    """Samples of the membrane's pressure turned to counts and to the pascals that those counts tell."""

    def __init__(self, sensor: Sensor, rate_hz: float, rng: np.random.Generator) -> None:
        streams = rng.spawn(5)
        self.sensor = sensor
        self._rate_hz = rate_hz
        self._white = streams[0]
        self._flicker = FlickerNoise(streams[1], rate_hz, sensor.flicker_pa)
        self._spikes = streams[2]
        self._gaps = streams[3]
        self._hum_phase = float(streams[4].uniform(0.0, 2.0 * np.pi))
        self._drifted_pa = 0.0
        self._held_code: int | None = None
        self.top_code = 2**sensor.bits - 1

    def pascals(self, counts: CountArray) -> FloatArray:
        """What a host makes of the codes by the data sheet's scale."""
        return self.sensor.lowest_pa + counts.astype(float) * self.sensor.resolution_pa

    def analogue(
        self, t_s: FloatArray, membrane_pa: FloatArray, turns: FloatArray, rpm: FloatArray,
        firings: CountArray, drift_pa_s: FloatArray,
    ) -> FloatArray:  # fmt: skip
        """The sensor's output before the converter, in pascals, with all its errors and noises."""
        sensor, count = self.sensor, len(t_s)
        drifted = self._drifted_pa + np.cumsum(drift_pa_s + sensor.drift_pa_per_s) / self._rate_hz
        self._drifted_pa = float(drifted[-1])
        told = membrane_pa * (1.0 + sensor.gain_error) + sensor.offset_pa + drifted
        told = told + sensor.white_pa * self._white.standard_normal(count) + self._flicker.take(count)
        if sensor.hum_pa > 0:
            angle = 2.0 * np.pi * 50.0 * t_s + self._hum_phase
            told = told + sensor.hum_pa * (np.sin(angle) + np.sin(3.0 * angle) / 3.0)
        if sensor.shake_pa > 0:
            angle = 2.0 * np.pi * turns
            told = told + sensor.shake_pa * np.square(rpm / 1000.0) * (np.sin(angle) + 0.5 * np.sin(2.0 * angle + 1.0))
        if sensor.spike_pa > 0:
            draws = self._spikes.uniform(-1.0, 1.0, (2, count))
            struck = (firings > 0) & (draws[0] > 0.4)
            told = told + np.where(struck, sensor.spike_pa * draws[1], 0.0)
        return told

    def convert(self, analogue_pa: FloatArray, mode: str, began: int) -> tuple[CountArray, npt.NDArray[np.bool_]]:
        """Codes (n,) and which samples arrive at all; from sample `began` on the sensor is in `mode`."""
        sensor = self.sensor
        scaled = (analogue_pa - sensor.lowest_pa) / sensor.resolution_pa
        codes = np.clip(np.rint(scaled), 0, self.top_code).astype(np.int64)
        for eighths in (1, 3, 5, 7) if sensor.sticky_codes else ():
            centre = eighths * (self.top_code + 1) // 8
            codes[np.abs(codes - centre) <= sensor.sticky_codes] = centre
        present = np.ones(len(codes), dtype=bool)
        if mode == "stuck":
            if self._held_code is None:
                self._held_code = int(codes[max(began - 1, 0)])
            codes[began:] = self._held_code
        else:
            self._held_code = None
        if mode == "rail_low":
            codes[began:] = 0
        elif mode == "rail_high":
            codes[began:] = self.top_code
        elif mode == "dead":
            # Supply lost: the output hangs about zero pressure with a code or two of noise.
            middle = round(-sensor.lowest_pa / sensor.resolution_pa)
            codes[began:] = middle + self._gaps.integers(-1, 2, len(codes) - began)
        elif mode == "missing":
            present[began:] = False
        elif mode == "dropouts":
            present[began:] = self._gaps.uniform(size=len(codes) - began) > 0.3
        return codes, present
