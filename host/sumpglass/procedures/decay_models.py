"""Laws by which a closed crankcase loses its vacuum, each as a shape of lambda t, and their fit.

difference(t) = d0 * shape(lambda t; form), with lambda the relative rate of loss at the start:

- power law d(dp)/dt = -k dp^n: shape = (1 - (1-n) lambda t)^(1/(1-n)), form = n; n = 0.5 is an orifice, whose square
  root falls linearly and ends at zero; n = 1 a capillary (exponential). ISO 9972 allows 0.5 to 1 (from memory).
- orifice and capillary side by side, d(dp)/dt = -(a sqrt(dp) + b dp): with u = sqrt(dp), du/dt = -(a + b u)/2, so
  u/u0 = exp(-w lambda t/2)/w - (1-w)/w, form = w, the capillary's share of the loss at the start.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np

from sumpglass.procedures.decay_noise import ordinates
from sumpglass.records import FloatArray

POWER = "power"
SUM = "sum"


def shape(law: str, form: float, x: FloatArray) -> FloatArray:
    """Difference over its start at lambda t = `x` (n,)."""
    if law == POWER:
        if abs(form - 1.0) < 1e-6:
            return np.exp(-x)
        left = np.maximum(1.0 - (1.0 - form) * x, 0.0)
        if form > 1.0:
            left = np.maximum(left, 1e-12)
        return left ** (1.0 / (1.0 - form))
    if form < 1e-6:
        return np.maximum(1.0 - x / 2.0, 0.0) ** 2
    rest = (1.0 - form) / form
    return np.maximum((1.0 + rest) * np.exp(-form * x / 2.0) - rest, 0.0) ** 2


def relative_rate(law: str, form: float, remaining: Any) -> Any:
    """Rate of loss over its value at the start, when `remaining` of the difference (0..) is left; incompressible."""
    if law == POWER:
        return remaining**form
    return (1.0 - form) * remaining**0.5 + form * remaining


def orifice_part(law: str, form: float) -> float:
    """How much of the law is an orifice's, 0 to 1: that part of the flow expands."""
    return float(np.clip(2.0 * (1.0 - form), 0.0, 1.0)) if law == POWER else 1.0 - form


def bending(law: str, form: float, expansion_per_pa: float) -> float:
    """e of dp = w - e w^2, w the difference that an incompressible law would show.

    An orifice passes (1 - c dp) of the incompressible flow, c = 3/(4 gamma p) to first order in dp/p. Then
    d(dp)/dt = -k dp^n (1 - c dp) is the incompressible law for w = dp (1 + c dp/(2 - n)), to first order in c.
    """
    n = form if law == POWER else 0.5 + 0.5 * form
    return expansion_per_pa * orifice_part(law, form) / (2.0 - n)


GAS_DRIFT_U_K_S = 0.025 / 60.0
"""Standard uncertainty of how fast the gas still warms or cools: an engine that stands cold, in a room that warms or
cools by 3 K in an hour at most (common practice, no source)."""
ZERO_DRIFT_U_PA_S = 1.0 / 60.0
"""Of how fast the sensor's zero runs away meanwhile: a cheap part in its first minutes (common practice, no source)."""


@dataclass(frozen=True)
class DecayFit:
    """One law fitted. `start_pa` (incompressible: see `bending`) and `rate_per_s` belong to the first sample;
    `covariance` is of (ln start, ln rate, offset, run of the zero, warming) in whitened units."""

    law: str
    form: float
    start_pa: float
    rate_per_s: float
    offset_pa: float
    deviance: float
    covariance: FloatArray


@dataclass(frozen=True)
class DecayData:
    """Block means of the size of the vacuum from the start of the decay. `offset_pa` and `offset_u_pa` are what is
    known of the zero at `zero_at_s`, `noise_pa` the scatter of blocks, `density` (n,) that of the noise over its white
    floor, by cosine ordinates (see `decay_noise`); empty for white noise."""

    t_s: FloatArray
    size_pa: FloatArray
    offset_pa: float
    offset_u_pa: float
    noise_pa: float = 1.0
    density: FloatArray = field(default_factory=lambda: np.empty(0))
    expansion_per_pa: float = 0.0
    """c: share of the flow, a pascal, that an orifice loses by expansion."""
    zero_at_s: float = 0.0
    warming_pa: FloatArray = field(default_factory=lambda: np.zeros(1))
    """What gas that warms or cools at its standard uncertainty makes of the pressures (n,), or nothing."""

    def whitened(self, curves: FloatArray) -> FloatArray:
        """Curves (n, k) in ordinates in which the noise is white with a standard deviation of 1."""
        if not len(self.density):
            return curves / self.noise_pa
        return ordinates(curves) / (self.noise_pa * np.sqrt(self.density)[:, None])

    @cached_property
    def runs(self) -> FloatArray:
        """Whitened offset, run of the zero and warming (n, 3)."""
        ones = np.ones(len(self.t_s))
        return self.whitened(
            np.column_stack([ones, ZERO_DRIFT_U_PA_S * (self.t_s - self.zero_at_s), self.warming_pa * ones])
        )


def fit_decay(data: DecayData, law: str, form: float, guess: DecayFit | None = None) -> DecayFit:
    """Least squares over start, rate, offset and the two runs at a given form, by damped Gauss-Newton."""
    t, y = data.t_s, data.size_pa
    if guess is not None:
        start, rate = guess.start_pa, guess.rate_per_s
    else:
        start = max(float(y[: max(1, len(y) // 50)].mean()) - data.offset_pa, 1.0)
        rates = np.geomspace(0.002, 60.0, 15) / max(float(t[-1]), 1e-6)
        costs = [float(np.sum((start * shape(law, form, r * t) + data.offset_pa - y) ** 2)) for r in rates]
        rate = float(rates[int(np.argmin(costs))])
    theta = np.array([np.log(start), np.log(rate), data.offset_pa, 0.0, 0.0])
    residual, jacobian = _residual(data, law, form, theta)
    best = float(residual @ residual)
    damping = 1e-3
    for _ in range(60):
        normal = jacobian.T @ jacobian
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), -jacobian.T @ residual)
        trial = theta + np.clip(step, _STEPS[0], _STEPS[1])
        new_residual, new_jacobian = _residual(data, law, form, trial)
        cost = float(new_residual @ new_residual)
        if cost <= best:
            done = best - cost < 1e-4
            theta, residual, jacobian, best, damping = trial, new_residual, new_jacobian, cost, damping * 0.2
            if done:
                break
        else:
            damping *= 6.0
            if damping > 1e8:
                break
    covariance = np.linalg.pinv(jacobian.T @ jacobian, hermitian=True)
    return DecayFit(law, form, float(np.exp(theta[0])), float(np.exp(theta[1])), float(theta[2]), best, covariance)


def residual_of(data: DecayData, fit: DecayFit) -> FloatArray:
    """Data less fit (n,), the runs of zero and warming left in."""
    ideal = fit.start_pa * shape(fit.law, fit.form, fit.rate_per_s * data.t_s)
    return data.size_pa - ideal + bending(fit.law, fit.form, data.expansion_per_pa) * ideal**2 - fit.offset_pa


_STEPS = np.array([[-1.0, -1.0, -1e4, -10.0, -10.0], [1.0, 1.0, 1e4, 10.0, 10.0]])


def _residual(data: DecayData, law: str, form: float, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Whitened residuals (n + 3,) with the three priors at their end, and their derivatives."""
    start, rate = float(np.exp(theta[0])), float(np.exp(theta[1]))
    x = rate * data.t_s
    bend = bending(law, form, data.expansion_per_pa)
    left = shape(law, form, x)
    ideal = start * left
    slope = 1.0 - 2.0 * bend * ideal
    curves = np.column_stack(
        [ideal - bend * ideal**2 - data.size_pa, ideal * slope, -start * x * relative_rate(law, form, left) * slope]
    )
    columns = np.column_stack([data.whitened(curves), data.runs])
    columns[:, 0] += data.runs @ theta[2:]
    priors = np.zeros((3, 5))
    priors[0, 2], priors[1, 3], priors[2, 4] = 1.0 / data.offset_u_pa, 1.0, 1.0
    off = [(theta[2] - data.offset_pa) / data.offset_u_pa, theta[3], theta[4]]
    return np.concatenate([columns[:, 0], off]), np.vstack([columns[:, 1:], priors])


def seconds_of_warming(t_s: FloatArray, pace_pa_s: FloatArray) -> FloatArray:
    """What a steady push of 1 Pa/s has come to after each time (n,): less than t_s, for the leak takes it away again.

    Off a solution p of p' = -f(p) a small deviation d follows d' = -f'(p) d + 1, and f(p) itself solves the equation
    without the push: d = f times the integral of 1/f.
    """
    slowness = 1.0 / np.maximum(pace_pa_s, 1e-4 * max(float(pace_pa_s[0]), 1e-12))
    total = np.concatenate([[0.0], np.cumsum(0.5 * (slowness[1:] + slowness[:-1]) * np.diff(t_s))])
    return np.asarray(pace_pa_s * (total + slowness[0] * t_s[0]))
