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
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sumpglass.faults.layout import Layout
from sumpglass.faults.network import circuit_for
from sumpglass.faults.network_steps import Work
from sumpglass.faults.normal import normal_quantile
from sumpglass.faults.prediction import Ranges, draws_for, predict_within
from sumpglass.faults.proposals import Sample, draw_normal, log_mixture_over_prior, proposal
from sumpglass.faults.reading import WILD_SHARE, Reading, chances_of

FloatArray = npt.NDArray[np.float64]

FIRST_DRAWS = 256
FIRST_WORK, WEIGHING_WORK, RESCUE_WORK = 2.8e6, 8.0e6, 1.5e6
"""Work (elements times draws evaluated, some 0.1 us each) of the first draws, of all rounds before no other is begun,
and of the last resorts: with many readings, or a large layout, there are fewer draws, so that a call keeps its time."""
ROUND_WORK = 1.0e4
"""What a round of one fault costs beside its solving: the fit and the weighing."""
UNSOLVED_TOLD_FROM = 0.02
"""Share of the draws left unsolved from which on it is told."""
ROUND_DRAWS = 160
MOST_ROUNDS = 5
ENOUGH_DRAWS = 90.0
"""Effective number of draws at which a fault's evidence is good enough."""


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


def weigh(layout: Layout, readings: Sequence[Reading], seed: int = 0) -> Evidence:
    """Rank the faults of `layout` by `readings`. Same input and seed give the same result."""
    return _Weighing(layout, tuple(readings), np.random.default_rng(seed)).evidence()


class _Weighing:
    def __init__(self, layout: Layout, readings: tuple[Reading, ...], rng: np.random.Generator) -> None:
        self.layout, self.readings, self.rng = layout, readings, rng
        self.ranges = Ranges(layout)
        self.circuits = [circuit_for(layout, layout.test(reading.test)) for reading in readings]
        self.work, self.drawn, self.unsolved = Work(RESCUE_WORK), 0, 0
        self.rounds = 0

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
        each = self.work.spent / max(self.drawn, 1) * ROUND_DRAWS + ROUND_WORK
        return max(0, int((WEIGHING_WORK - self.work.spent - self.rounds * ROUND_WORK) / each))

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
        self.rounds += len(chosen)
        for f in chosen:
            mean, root = proposal(samples[f], self.readings)
            jobs.append((f, draw_normal(mean, root, ROUND_DRAWS, self.rng)))
            proposals.append((mean, root))
        for (f, latent), (mean, root), (solved, predicted) in zip(jobs, proposals, self._predict(jobs)):
            sample = samples[f]
            sample.proposals.append((len(predicted), mean, root))
            sample.latent = np.concatenate([sample.latent, latent[solved]])
            sample.predicted_pa = np.concatenate([sample.predicted_pa, predicted])
            sample.log_likelihood = np.concatenate([sample.log_likelihood, self._log_likelihood(predicted)])
            sample.log_weight = sample.log_likelihood - log_mixture_over_prior(sample)
