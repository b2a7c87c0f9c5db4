"""Averages over whole engine cycles, by crank angle."""

from __future__ import annotations

import numpy as np

from sumpglass.physics.gas import FloatArray


def cycle_mean(t_s: FloatArray, values: FloatArray, turns: FloatArray, longest_s: float = 0.4) -> FloatArray:
    """Mean over an engine cycle (two turns) about each sample; at most `longest_s` where the crank hardly turns."""
    if len(t_s) < 3:
        return np.asarray(values, dtype=float)
    step = float(np.median(np.diff(t_s)))
    sums = np.concatenate(([0.0], np.cumsum(values)))
    edges = np.arange(len(sums)) - 0.5
    # Strictly increasing crank angle is needed to turn it back into a sample number.
    climbing = turns + 1e-9 * np.arange(len(turns))
    numbers = np.arange(len(turns), dtype=float)
    low = np.interp(climbing - 1.0, climbing, numbers)
    high = np.interp(climbing + 1.0, climbing, numbers)
    reach = longest_s / step / 2.0
    low, high = np.maximum(low, numbers - reach), np.minimum(high, numbers + reach)
    half = np.maximum(np.maximum(numbers - low, high - numbers), 0.5)
    # Near the ends a whole cycle does not fit: the nearest whole one stands for them.
    first = int(np.argmax(numbers - half >= -0.5)) if np.any(numbers - half >= -0.5) else len(turns) // 2
    fits = np.flatnonzero(numbers + half <= len(turns) - 0.5)
    last = int(fits[-1]) if len(fits) else len(turns) // 2
    begin, end = np.clip(numbers - half, -0.5, None), np.clip(numbers + half, None, len(turns) - 0.5)
    means = (np.interp(end, edges, sums) - np.interp(begin, edges, sums)) / (end - begin)
    means[:first], means[last + 1 :] = means[first], means[last]
    return means
