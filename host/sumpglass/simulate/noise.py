"""Noise that carries on from block to block: coloured, reproducible, independent of how it is asked for."""

from __future__ import annotations

import math

import numpy as np

from sumpglass.physics.gas import FloatArray


class WanderNoise:
    """Ornstein-Uhlenbeck process: exponentially correlated with `time_s`, standard deviation `size`."""

    def __init__(self, rng: np.random.Generator, rate_hz: float, time_s: float, size: float) -> None:
        self._rng = rng
        self._pole = math.exp(-1.0 / (rate_hz * time_s))
        self._push = size * math.sqrt(1.0 - self._pole**2)
        self._state = rng.normal(0.0, size) if size > 0 else 0.0

    def take(self, count: int) -> FloatArray:
        """The next `count` values."""
        from scipy.signal import lfilter

        if self._push <= 0:
            return np.zeros(count)
        pushes = self._rng.normal(0.0, self._push, count)
        values, _ = lfilter([1.0], [1.0, -self._pole], pushes, zi=[self._pole * self._state])
        self._state = float(values[-1])
        return values


class FlickerNoise:
    """1/f noise as the sum of exponentially correlated noises an octave and a half apart, of equal size.

    Source: a spectrum of 1/f is that of relaxation processes spread evenly over log time constants (van der Ziel).
    """

    RATIO = 2.0**1.5

    def __init__(self, rng: np.random.Generator, rate_hz: float, size: float, longest_s: float = 100.0) -> None:
        shortest = 1.0 / rate_hz
        count = max(1, math.ceil(math.log(longest_s / shortest) / math.log(self.RATIO)))
        self._parts: list[WanderNoise] = []
        if size > 0:
            each = size / math.sqrt(count)
            self._parts = [WanderNoise(rng, rate_hz, shortest * self.RATIO**i, each) for i in range(count)]

    def take(self, count: int) -> FloatArray:
        """The next `count` values."""
        total = np.zeros(count)
        for part in self._parts:
            total += part.take(count)
        return total
