"""How well each fault explains the readings: the evidence by importance sampling, all readings weighed together.

An engine has one set of unknowns (areas, blow-by, manifold vacuum), the same in all its tests, so readings are weighed
jointly: each draw of the unknowns has to explain all of them. Draws from the ranges alone starve after a few sharp
readings. So the sampling goes in rounds: a linear fit of the predicted readings to the unknowns, among the draws that
do best so far, gives a normal distribution of the unknowns that explain the readings; the next round draws from it,
and all rounds count together (adaptive multiple importance sampling: Cornuet, Marin, Mira and Robert 2012; the linear
fit is the ensemble Kalman filter's). Latent unknowns are standard normal; ranges are reached through their shares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from sumpglass.faults.layout import Layout
from sumpglass.faults.network import Circuit, circuit_for, parameter_names, solve
from sumpglass.faults.network_steps import Work, cost_of_draw
from sumpglass.faults.normal import normal_cdf, normal_quantile
from sumpglass.physics.gas import kg_s_from_lpm

FloatArray = npt.NDArray[np.float64]

ASSUMED_RELATIVE_SD = 0.03
ASSUMED_SD_PA = 20.0
"""Standard deviation taken for a reading that comes without its uncertainty, and for readings still to be made."""
LEAST_RELATIVE_SD = 0.025
LEAST_SD_PA = 15.0
"""A reading is never believed closer than this: gauges are called better than they are (see the benchmarks)."""
MODEL_RELATIVE_SD = 0.01
MODEL_SD_PA = 6.0
"""What the network leaves out (pulses, temperature, coefficients that move with flow): added to every reading."""
WILD_SHARE = 0.01
"""Chance that a reading is wild: set-up wrong, hose slipped, figure mistyped (practice, no source)."""
SCALE_PA = ASSUMED_SD_PA / ASSUMED_RELATIVE_SD
WILD_SPAN = 2.0 * float(np.arcsinh(20000.0 / SCALE_PA))
"""A wild reading is taken as uniform over this span of asinh(p/SCALE_PA): -20 to 20 kPa."""
TOLERANCE_PA = 0.05
"""How well the network is solved for the weighing: far inside the noise of any reading."""
FIRST_DRAWS = 256
FEWEST_DRAWS = 12
USUAL_ROUNDS = 9.0
"""Newton's rounds of a usual draw."""
FIRST_WORK, WEIGHING_WORK, RESCUE_WORK = 2.8e6, 7.0e6, 1.5e6
"""Work (elements times draws evaluated, some 0.1 us each) of the first draws, of all rounds before no other is begun,
and of the last resorts: with many readings, or a large layout, there are fewer draws, so that a call keeps its time."""
UNSOLVED_TOLD_FROM = 0.02
"""Share of the draws left unsolved from which on it is told."""
ROUND_DRAWS = 160
MOST_ROUNDS = 5
ENOUGH_DRAWS = 90.0
"""Effective number of draws at which a fault's evidence is good enough."""


@dataclass(frozen=True)
class Reading:
    """What a test read: one of `pressure_pa` (gauge), `deeper_than_pa` or `above_pa` (beyond the sensor's range)."""

    test: str
    pressure_pa: float | None = None
    u95_pa: float | None = None
    deeper_than_pa: float | None = None
    above_pa: float | None = None

    @property
    def level_pa(self) -> float:
        """The pressure, or the limit that it lies beyond."""
        for value in (self.pressure_pa, self.deeper_than_pa, self.above_pa):
            if value is not None:
                return value
        raise ValueError("a reading without a value")

    @property
    def censored(self) -> int:
        """-1 below `deeper_than_pa`, 1 above `above_pa`, 0 for a plain reading."""
        return 0 if self.pressure_pa is not None else (-1 if self.deeper_than_pa is not None else 1)

    @property
    def sd_pa(self) -> float:
        """Standard deviation of the reading about what the network predicts."""
        level = abs(self.level_pa)
        if self.u95_pa is None:
            own = float(np.hypot(ASSUMED_RELATIVE_SD * level, ASSUMED_SD_PA))
        else:
            own = max(self.u95_pa / 1.96, float(np.hypot(LEAST_RELATIVE_SD * level, LEAST_SD_PA)))
        return float(np.sqrt(own**2 + (MODEL_RELATIVE_SD * level) ** 2 + MODEL_SD_PA**2))


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
        return _log_sum(self.log_weight) - float(np.log(len(self.log_weight)))

    @property
    def weights(self) -> FloatArray:
        """(draws,) weights that sum to 1."""
        shifted = np.exp(self.log_weight - np.max(self.log_weight))
        return np.asarray(shifted / np.sum(shifted))

    @property
    def effective(self) -> float:
        """Effective number of draws."""
        return float(1.0 / np.sum(np.square(self.weights)))


@dataclass(frozen=True)
class Evidence:
    """The faults weighed against the readings."""

    layout: Layout
    readings: tuple[Reading, ...]
    samples: tuple[Sample, ...]
    """One a fault, in the layout's order."""
    probabilities: FloatArray
    """(faults,) sums to 1."""
    log_evidences: FloatArray
    """(faults,)"""
    unsolved_share: float = 0.0
    """Share of the draws that were left out because they could not be solved in the work allowed."""


class Ranges:
    """The ranges of all unknowns under each fault, and the way from latent draws to physical values."""

    def __init__(self, layout: Layout) -> None:
        names = parameter_names(layout)
        healthy = {edge.id: edge.cda_mm2 for edge in layout.edges} | {seal.id: seal.cda_mm2 for seal in layout.seals}
        healthy |= {"blow_by": layout.blow_by_lpm, "manifold": layout.manifold_vacuum_pa}
        low, high = np.empty((len(layout.faults), len(names))), np.empty((len(layout.faults), len(names)))
        for row, fault in enumerate(layout.faults):
            ranges = healthy | {change.target or change.kind: change.range for change in fault.changes}
            low[row], high[row] = zip(*(ranges[name] for name in names))
        self.low, self.span = low, high - low
        self.logarithmic = low > 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            self.log_low = np.where(self.logarithmic, np.log(np.where(self.logarithmic, low, 1.0)), 0.0)
            self.log_span = np.where(
                self.logarithmic, np.log(np.where(self.logarithmic, high, 1.0)) - self.log_low, 0.0
            )

    def values(self, fault: int, latent: FloatArray) -> FloatArray:
        """(parameters, draws) mm2, then L/min, then Pa of vacuum, from (draws, parameters) standard normal."""
        share = normal_cdf(latent)
        plain = self.low[fault] + self.span[fault] * share
        return np.where(self.logarithmic[fault], np.exp(self.log_low[fault] + self.log_span[fault] * share), plain).T


def predict_pa(circuits: Sequence[Circuit], values: FloatArray) -> FloatArray:
    """(draws, circuits) gauge pressure that each test reads; `values` as `Ranges.values` gives them."""
    return predict_within(circuits, values, None)[0]


def predict_within(
    circuits: Sequence[Circuit], values: FloatArray, work: Work | None
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """(draws, circuits) gauge pressure that each test reads, and (draws,) whether the work allowed did not solve it.

    Tests that differ only in where the gauge sits share one solution.
    """
    unsolved = np.zeros(values.shape[1], dtype=bool)
    areas, blow_by, manifold = values * 1e-6, kg_s_from_lpm(values[-2]), -values[-1]
    solved: dict[bytes, FloatArray] = {}
    columns = []
    for circuit in circuits:
        if circuit.alike not in solved:
            solution = solve(circuit, areas, blow_by, manifold, TOLERANCE_PA, work)
            solved[circuit.alike] = solution.pressure_pa
            unsolved[solution.unsolved] = True
        columns.append(solved[circuit.alike][circuit.tap])
    return np.stack(columns, axis=1), unsolved


def draws_for(circuits: Sequence[Circuit], share_of_work: float, most: int) -> int:
    """Draws that so much work solves in all these circuits, `most` at most and `FEWEST_DRAWS` at least."""
    each = sum({circuit.alike: cost_of_draw(circuit) for circuit in circuits}.values()) * USUAL_ROUNDS
    return most if each == 0.0 else min(most, max(FEWEST_DRAWS, int(share_of_work / each)))


def chances_of(readings: Sequence[Reading], predicted_pa: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(draws, readings) chance or density of each reading that is not wild, and (readings,) the share of wild ones."""
    level = np.array([reading.level_pa for reading in readings])
    sd = np.array([reading.sd_pa for reading in readings])
    censored = np.array([reading.censored for reading in readings], dtype=int)
    off = (level - predicted_pa) / sd if len(readings) else np.empty_like(predicted_pa)
    chances = np.exp(-0.5 * np.square(off)) / (sd * np.sqrt(2.0 * np.pi)) if len(readings) else off
    if censored.any():
        chances = np.where(censored == 0, chances, normal_cdf(-off * censored))
    floor = np.where(censored == 0, WILD_SHARE / WILD_SPAN / np.hypot(level, SCALE_PA), WILD_SHARE * 0.25)
    return np.asarray(chances), floor


def weigh(layout: Layout, readings: Sequence[Reading], seed: int = 0) -> Evidence:
    """Rank the faults of `layout` by `readings`. Same input and seed give the same result."""
    return _Weighing(layout, tuple(readings), np.random.default_rng(seed)).evidence()


class _Weighing:
    def __init__(self, layout: Layout, readings: tuple[Reading, ...], rng: np.random.Generator) -> None:
        self.layout, self.readings, self.rng = layout, readings, rng
        self.ranges = Ranges(layout)
        self.circuits = [circuit_for(layout, layout.test(reading.test)) for reading in readings]
        self.work, self.drawn, self.unsolved = Work(RESCUE_WORK), 0, 0
        self.level = np.array([reading.level_pa for reading in readings])
        self.sd = np.array([reading.sd_pa for reading in readings])
        self.censored = np.array([reading.censored for reading in readings], dtype=int)
        self.level_z = np.arcsinh(self.level / SCALE_PA)
        self.sd_z = self.sd / np.hypot(self.level, SCALE_PA)

    def evidence(self) -> Evidence:
        log_prior = np.log(np.maximum([fault.prior for fault in self.layout.faults], 1e-300))
        samples = self._first()
        if self.readings:
            for number in range(MOST_ROUNDS):
                score = log_prior + [sample.log_evidence for sample in samples]
                within = 40.0 if number == 0 else 9.0
                chosen = [
                    f for f, sample in enumerate(samples)
                    if score[f] > np.max(score) - within and sample.effective < ENOUGH_DRAWS
                ]  # fmt: skip
                chosen = sorted(chosen, key=lambda f: -score[f])[: self._affordable()]
                if not chosen:
                    break
                self._round(samples, chosen)
        log_evidence = np.array([sample.log_evidence for sample in samples])
        score = log_prior + log_evidence
        share = np.exp(score - np.max(score))
        return Evidence(
            self.layout,
            self.readings,
            tuple(samples),
            share / np.sum(share),
            log_evidence,
            self.unsolved / max(self.drawn, 1),
        )

    def _affordable(self) -> int:
        """Faults for which another round can be paid; the rest stay as they are."""
        each = max(self.work.spent / max(self.drawn, 1), 1e-9) * ROUND_DRAWS
        return max(0, int((WEIGHING_WORK - self.work.spent) / each))

    def _first(self) -> list[Sample]:
        """Draws from the ranges, one Latin hypercube for all faults: what they share then cancels in their ratio."""
        faults, parameters = len(self.layout.faults), self.ranges.low.shape[1]
        draws = draws_for(self.circuits, FIRST_WORK / faults, FIRST_DRAWS)
        strata = self.rng.permuted(np.tile(np.arange(draws, dtype=float), (parameters, 1)), axis=1)
        latent = normal_quantile((strata + self.rng.uniform(size=strata.shape)) / draws).T
        samples = []
        for solved, part in self._predict([(f, latent) for f in range(faults)]):
            likelihood = self._log_likelihood(part)
            samples.append(Sample(latent[solved], part, likelihood, [], likelihood))
        return samples

    def _predict(self, jobs: list[tuple[int, FloatArray]]) -> list[tuple[npt.NDArray[np.bool_], FloatArray]]:
        """Of several faults' draws, solved together: which were solved, and what those predict."""
        self.drawn += sum(len(latent) for _, latent in jobs)
        if not self.circuits:
            return [(np.ones(len(latent), dtype=bool), np.empty((len(latent), 0))) for _, latent in jobs]
        values = np.concatenate([self.ranges.values(f, latent) for f, latent in jobs], axis=1)
        predicted, unsolved = predict_within(self.circuits, values, self.work)
        self.unsolved += int(np.count_nonzero(unsolved))
        ends = np.cumsum([len(latent) for _, latent in jobs])[:-1]
        found = []
        for part, missing in zip(np.split(predicted, ends), np.split(unsolved, ends)):
            # Where hardly any is solved the last pressures tried serve: better than to drop a fault unseen.
            solved = (
                ~missing if np.count_nonzero(~missing) >= 0.25 * len(missing) else np.ones(len(missing), dtype=bool)
            )
            found.append((solved, part[solved]))
        return found

    def _log_likelihood(self, predicted_pa: FloatArray) -> FloatArray:
        chances, floor = chances_of(self.readings, predicted_pa)
        return np.asarray(np.sum(np.log((1.0 - WILD_SHARE) * chances + floor), axis=1))

    def _round(self, samples: list[Sample], chosen: list[int]) -> None:
        jobs, proposals = [], []
        for f in chosen:
            mean, root = self._proposal(samples[f])
            jobs.append((f, _draw_normal(mean, root, ROUND_DRAWS, self.rng)))
            proposals.append((mean, root))
        for (f, latent), (mean, root), (solved, predicted) in zip(jobs, proposals, self._predict(jobs)):
            sample = samples[f]
            sample.proposals.append((len(predicted), mean, root))
            sample.latent = np.concatenate([sample.latent, latent[solved]])
            sample.predicted_pa = np.concatenate([sample.predicted_pa, predicted])
            sample.log_likelihood = np.concatenate([sample.log_likelihood, self._log_likelihood(predicted)])
            sample.log_weight = sample.log_likelihood - _log_mixture_over_prior(sample)

    def _proposal(self, sample: Sample) -> tuple[FloatArray, FloatArray]:
        """Mean and A of the normal distribution N(mean, (I + A^T A)^-1) that explains the readings, by a linear fit."""
        weight = _tempered(sample, least=min(60.0, 0.25 * len(sample.latent)))
        z = np.arcsinh(sample.predicted_pa / SCALE_PA)
        centre_x, centre_z = weight @ sample.latent, weight @ z
        dx, dz = sample.latent - centre_x, z - centre_z
        covariance = (dx * weight[:, None]).T @ dx
        spread = np.trace(covariance) / len(covariance)
        slope = np.linalg.solve(covariance + 0.03 * spread * np.eye(len(covariance)), (dx * weight[:, None]).T @ dz).T
        left_over = weight @ np.square(dz - dx @ slope.T)
        target, variance = self._targets(sample, weight, z)
        variance = variance + left_over
        root = slope / np.sqrt(variance)[:, None]
        gain = (target - centre_z + slope @ centre_x) / np.sqrt(variance)
        mean = root.T @ np.linalg.solve(np.eye(len(root)) + root @ root.T, gain)
        return mean, 0.8 * root  # a little wider than the fit says

    def _targets(self, sample: Sample, weight: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What the linear fit aims at, in asinh units, and its variance; large where the reading does not pull."""
        chances, floor = chances_of(self.readings, sample.predicted_pa)
        believed = np.clip(weight @ ((1.0 - WILD_SHARE) * chances / ((1.0 - WILD_SHARE) * chances + floor)), 0.02, 1.0)
        target, variance = self.level_z.copy(), np.square(self.sd_z) / believed
        for j in np.flatnonzero(self.censored):
            mean = weight @ z[:, j]
            sd = max(float(np.sqrt(weight @ np.square(z[:, j] - mean))), 0.05)
            beyond = (mean - self.level_z[j]) * self.censored[j]
            target[j] = mean if beyond > sd else self.level_z[j] + 0.7 * sd * self.censored[j]
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


def _log_sum(values: FloatArray) -> float:
    most = np.max(values)
    return float(most + np.log(np.sum(np.exp(values - most))))


def _draw_normal(mean: FloatArray, root: FloatArray, count: int, rng: np.random.Generator) -> FloatArray:
    """Draws of N(mean, (I + A^T A)^-1), A = `root` (readings, parameters)."""
    _, size, directions = np.linalg.svd(root, full_matrices=False)
    plain = rng.standard_normal((count, len(mean)))
    along = plain @ directions.T
    return np.asarray(mean + plain + (along * (1.0 / np.sqrt(1.0 + size**2) - 1.0)) @ directions)


def _log_mixture_over_prior(sample: Sample) -> FloatArray:
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
