"""Draws of one fault's unknowns: how they are weighed, and the normal distribution that the next round draws from.

A linear fit of the predicted readings to the unknowns, among the draws that do best so far, gives a normal distribution
of the unknowns that explain the readings; all rounds count together (adaptive multiple importance sampling: Cornuet,
Marin, Mira and Robert 2012; the linear fit is the ensemble Kalman filter's).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from sumpglass.faults.reading import SCALE_PA, WILD_SHARE, Reading, chances_of

FloatArray = npt.NDArray[np.float64]


@dataclass
class Sample:
    """The draws of one fault: latent unknowns, predicted readings, and what they weigh."""

    latent: FloatArray
    """(draws, parameters), standard normal under the fault's ranges."""
    predicted_pa: FloatArray
    """(draws, readings)"""
    log_likelihood: FloatArray
    proposals: list[tuple[int, FloatArray, FloatArray]] = field(default_factory=list)
    """Rounds after the first: number of draws, mean, and A of the precision I + A^T A."""
    log_weight: FloatArray = field(default_factory=lambda: np.empty(0))
    """(draws,) logarithm of prior times likelihood over the density drawn from."""

    @property
    def log_evidence(self) -> float:
        """Logarithm of the chance of the readings under this fault."""
        return log_sum(self.log_weight) - float(np.log(len(self.log_weight)))

    @property
    def weights(self) -> FloatArray:
        """(draws,) weights that sum to 1."""
        shifted = np.exp(self.log_weight - np.max(self.log_weight))
        return np.asarray(shifted / np.sum(shifted))

    @property
    def effective(self) -> float:
        """Effective number of draws."""
        return float(1.0 / np.sum(np.square(self.weights)))


def proposal(sample: Sample, readings: Sequence[Reading]) -> tuple[FloatArray, FloatArray]:
    """Mean and A of the normal distribution N(mean, (I + A^T A)^-1) that explains the readings, by a linear fit."""
    weight = _tempered(sample, least=min(60.0, 0.25 * len(sample.latent)))
    z = np.arcsinh(sample.predicted_pa / SCALE_PA)
    centre_x, centre_z = weight @ sample.latent, weight @ z
    dx, dz = sample.latent - centre_x, z - centre_z
    covariance = (dx * weight[:, None]).T @ dx
    spread = np.trace(covariance) / len(covariance)
    slope = np.linalg.solve(covariance + 0.03 * spread * np.eye(len(covariance)), (dx * weight[:, None]).T @ dz).T
    left_over = weight @ np.square(dz - dx @ slope.T)
    target, variance = _targets(sample, readings, weight, z)
    variance = variance + left_over
    root = slope / np.sqrt(variance)[:, None]
    gain = (target - centre_z + slope @ centre_x) / np.sqrt(variance)
    mean = root.T @ np.linalg.solve(np.eye(len(root)) + root @ root.T, gain)
    return mean, 0.8 * root  # a little wider than the fit says


def _targets(
    sample: Sample, readings: Sequence[Reading], weight: FloatArray, z: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """What the linear fit aims at, in asinh units, and its variance; large where the reading does not pull."""
    level = np.array([reading.level_pa for reading in readings])
    sd_z = np.array([reading.sd_pa for reading in readings]) / np.hypot(level, SCALE_PA)
    censored = np.array([reading.censored for reading in readings], dtype=int)
    level_z = np.arcsinh(level / SCALE_PA)
    chances, floor = chances_of(readings, sample.predicted_pa)
    believed = np.clip(weight @ ((1.0 - WILD_SHARE) * chances / ((1.0 - WILD_SHARE) * chances + floor)), 0.02, 1.0)
    target, variance = level_z.copy(), np.square(sd_z) / believed
    for j in np.flatnonzero(censored):
        mean = weight @ z[:, j]
        sd = max(float(np.sqrt(weight @ np.square(z[:, j] - mean))), 0.05)
        beyond = (mean - level_z[j]) * censored[j]
        target[j] = mean if beyond > sd else level_z[j] + 0.7 * sd * censored[j]
        variance[j] = 1e6 if beyond > sd else sd**2
    return target, variance


def _tempered(sample: Sample, least: float) -> FloatArray:
    """Weights with the likelihood raised to a power up to 1, so low that at least `least` draws count."""
    base = sample.log_weight - sample.log_likelihood
    low, high = 0.0, 1.0
    weight = _normalised(sample.log_weight)
    if 1.0 / np.sum(np.square(weight)) >= least:
        return weight
    for _ in range(20):
        middle = 0.5 * (low + high)
        weight = _normalised(base + middle * sample.log_likelihood)
        if 1.0 / np.sum(np.square(weight)) >= least:
            low = middle
        else:
            high = middle
    return _normalised(base + low * sample.log_likelihood)


def _normalised(log_weight: FloatArray) -> FloatArray:
    weight = np.exp(log_weight - np.max(log_weight))
    return np.asarray(weight / np.sum(weight))


def log_sum(values: FloatArray) -> float:
    most = np.max(values)
    return float(most + np.log(np.sum(np.exp(values - most))))


def draw_normal(mean: FloatArray, root: FloatArray, count: int, rng: np.random.Generator) -> FloatArray:
    """Draws of N(mean, (I + A^T A)^-1), A = `root` (readings, parameters)."""
    _, size, directions = np.linalg.svd(root, full_matrices=False)
    plain = rng.standard_normal((count, len(mean)))
    along = plain @ directions.T
    return np.asarray(mean + plain + (along * (1.0 / np.sqrt(1.0 + size**2) - 1.0)) @ directions)


def log_mixture_over_prior(sample: Sample) -> FloatArray:
    """(draws,) logarithm of the density that all rounds together draw from, over the standard normal's."""
    x = sample.latent
    total = len(x)
    first = total - sum(count for count, _, _ in sample.proposals)
    parts = [np.full(total, np.log(first / total))]
    half_square = 0.5 * np.sum(np.square(x), axis=1)
    for count, mean, root in sample.proposals:
        off = x - mean
        log_determinant = float(np.linalg.slogdet(np.eye(len(root)) + root @ root.T)[1])
        exponent = -0.5 * np.sum(np.square(off), axis=1) - 0.5 * np.sum(np.square(off @ root.T), axis=1)
        parts.append(np.log(count / total) + 0.5 * log_determinant + exponent + half_square)
    stacked = np.stack(parts)
    most = np.max(stacked, axis=0)
    return np.asarray(most + np.log(np.sum(np.exp(stacked - most), axis=0)))
