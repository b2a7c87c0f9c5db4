"""Laws by which a closed crankcase loses its vacuum, each as a shape of lambda t, and their fit.

difference(t) = d0 * shape(lambda t; form), with lambda the relative rate of loss at the start:

- power law d(dp)/dt = -k dp^n: shape = (1 - (1-n) lambda t)^(1/(1-n)), form = n; n = 0.5 is an orifice, whose square
  root falls linearly and ends at zero; n = 1 a capillary (exponential). ISO 9972 allows 0.5 to 1 (from memory).
- orifice and capillary side by side, d(dp)/dt = -(a sqrt(dp) + b dp): with u = sqrt(dp), du/dt = -(a + b u)/2, so
  u/u0 = exp(-w lambda t/2)/w - (1-w)/w, form = w, the capillary's share of the loss at the start.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

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


def relative_rate(law: str, form: float, remaining: float) -> float:
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


@dataclass(frozen=True)
class DecayFit:
    """One law fitted. `start_pa` (incompressible: see `bending`) and `rate_per_s` belong to the first sample;
    `covariance` is of (ln start, ln rate, offset) in whitened units (multiply by the residual variance)."""

    law: str
    form: float
    start_pa: float
    rate_per_s: float
    offset_pa: float
    deviance: float
    covariance: FloatArray


@dataclass(frozen=True)
class DecayData:
    """Block means of the size of the vacuum from the start of the decay; `whiten` is the AR(1) coefficient that is
    taken out, `offset_pa` and `offset_u_pa` what is known of the zero, `noise_pa` the residual scatter of whitened
    blocks."""

    t_s: FloatArray
    size_pa: FloatArray
    offset_pa: float
    offset_u_pa: float
    noise_pa: float = 1.0
    whiten: float = 0.0
    expansion_per_pa: float = 0.0
    """c: share of the flow, a pascal, that an orifice loses by expansion."""


def fit_decay(data: DecayData, law: str, form: float, guess: tuple[float, float] | None = None) -> DecayFit:
    """Least squares over start, rate and offset at a given form, by damped Gauss-Newton."""
    t, y = data.t_s, data.size_pa
    start = max(float(y[: max(1, len(y) // 50)].mean()) - data.offset_pa, 1.0)
    rates = [guess[1]] if guess else list(np.geomspace(0.02, 60.0, 12) / max(float(t[-1]), 1e-6))
    if guess:
        start = guess[0]
    costs = [float(np.sum((start * shape(law, form, r * t) + data.offset_pa - y) ** 2)) for r in rates]
    theta = np.array([np.log(start), np.log(rates[int(np.argmin(costs))]), data.offset_pa])
    residual, jacobian = _residual(data, law, form, theta)
    best = float(residual @ residual)
    damping = 1e-3
    for _ in range(60):
        normal = jacobian.T @ jacobian
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), -jacobian.T @ residual)
        trial = theta + np.clip(step, [-1.0, -1.0, -1e4], [1.0, 1.0, 1e4])
        new_residual, new_jacobian = _residual(data, law, form, trial)
        cost = float(new_residual @ new_residual)
        if cost <= best:
            done = best - cost < 1e-9 * (1.0 + best)
            theta, residual, jacobian, best, damping = trial, new_residual, new_jacobian, cost, damping * 0.2
            if done:
                break
        else:
            damping *= 6.0
            if damping > 1e8:
                break
    covariance = np.linalg.pinv(jacobian.T @ jacobian)
    return DecayFit(law, form, float(np.exp(theta[0])), float(np.exp(theta[1])), float(theta[2]), best, covariance)


def _residual(data: DecayData, law: str, form: float, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
    start, rate, offset = float(np.exp(theta[0])), float(np.exp(theta[1])), float(theta[2])
    x = rate * data.t_s
    bend = bending(law, form, data.expansion_per_pa)
    ideal = start * shape(law, form, x)
    curve = ideal - bend * ideal**2
    tiny = 1e-5
    by_rate = start * (shape(law, form, x * (1.0 + tiny)) - shape(law, form, x * (1.0 - tiny))) / (2.0 * tiny)
    slope = 1.0 - 2.0 * bend * ideal
    columns = np.column_stack([ideal * slope, by_rate * slope, np.ones(len(x))])
    error = curve + offset - data.size_pa
    if data.whiten:
        error = np.concatenate([[error[0] * np.sqrt(1.0 - data.whiten**2)], error[1:] - data.whiten * error[:-1]])
        first = columns[0] * np.sqrt(1.0 - data.whiten**2)
        columns = np.vstack([first, columns[1:] - data.whiten * columns[:-1]])
    error, columns = error / data.noise_pa, columns / data.noise_pa
    prior = (offset - data.offset_pa) / data.offset_u_pa
    return np.append(error, prior), np.vstack([columns, [0.0, 0.0, 1.0 / data.offset_u_pa]])
