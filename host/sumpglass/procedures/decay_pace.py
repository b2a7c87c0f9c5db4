"""Figures of a fitted decay: half time, where it began, and the rate of loss at the reference pressure."""

from __future__ import annotations

import math

import numpy as np

from sumpglass.procedures.decay_models import DecayFit, bending, relative_rate, shape
from sumpglass.procedures.decay_part import DecayPart
from sumpglass.procedures.hold_result import REFERENCE_PA
from sumpglass.records import FloatArray


def half_time(fit: DecayFit, back_s: float, expansion_per_pa: float) -> tuple[float, float]:
    """Time in which half is lost from `back_s` before the first sample of the fit, and its relative standard
    uncertainty (that of the rate)."""
    first = -back_s * fit.rate_per_s
    bend = bending(fit.law, fit.form, expansion_per_pa)

    def difference(x: float) -> float:
        ideal = fit.start_pa * float(shape(fit.law, fit.form, np.array([x]))[0])
        return ideal - bend * ideal**2

    half = 0.5 * difference(first)
    low, high = first, first + 6.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if difference(middle) > half else (low, middle)
    return (high - first) / fit.rate_per_s, math.sqrt(max(float(fit.covariance[1, 1]), 0.0))


def earlier_s(part: DecayPart, fit: DecayFit, expansion_per_pa: float) -> float:
    """How long before the first sample of the fit the decay was already under way: as far back as the samples lie on
    the fitted curve. The greatest sample alone would give a start that is late by what noise hides."""
    bend = bending(fit.law, fit.form, expansion_per_pa)
    back = 0.0
    for t, size in zip(part.before_t_s[::-1], part.before_pa[::-1]):
        ideal = fit.start_pa * float(shape(fit.law, fit.form, np.array([fit.rate_per_s * t]))[0])
        if abs(ideal - bend * ideal**2 + fit.offset_pa - size) > 3.5 * part.noise_pa + 1e-3 * fit.start_pa:
            break
        back = -float(t)
    return back


def rate(fit: DecayFit) -> float:
    """Rate of loss at 500 Pa, Pa/s, incompressible."""
    return fit.start_pa * fit.rate_per_s * relative_rate(fit.law, fit.form, REFERENCE_PA / fit.start_pa)


def rate_u(fit: DecayFit) -> float:
    """Relative standard uncertainty of the rate at 500 Pa, from those of start and rate at the start."""
    remaining = REFERENCE_PA / fit.start_pa
    step = 1e-4
    slope = (
        math.log(relative_rate(fit.law, fit.form, remaining * (1 + step)))
        - math.log(relative_rate(fit.law, fit.form, remaining))
    ) / step
    gradient = np.array([1.0 - slope, 1.0, 0.0, 0.0, 0.0])
    return math.sqrt(max(float(gradient @ fit.covariance @ gradient), 0.0))


def mixture_95(chances: FloatArray, means: FloatArray, deviations: FloatArray) -> tuple[float, float]:
    """2.5 and 97.5 % points of normal laws (k,) mixed by their chances (k,): what is known when the law is not."""
    from scipy.special import ndtr

    ends = []
    spread = np.maximum(deviations, 1e-9 * np.abs(means) + 1e-300)
    for wanted in (0.025, 0.975):
        low, high = float(np.min(means - 9.0 * spread)), float(np.max(means + 9.0 * spread))
        for _ in range(60):
            middle = 0.5 * (low + high)
            below = float(chances @ ndtr((middle - means) / spread))
            low, high = (middle, high) if below < wanted else (low, middle)
        ends.append(0.5 * (low + high))
    return ends[0], ends[1]
