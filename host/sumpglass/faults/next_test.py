"""Which test to make next: the expected information about the fault, per minute of work, computed from the draws.

The information is the mutual information between the fault and the reading that the test would give: how many bits
the entropy of the ranking falls by, on average over what the test may read.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from sumpglass.faults.layout import LayoutTest
from sumpglass.faults.network import circuit_for
from sumpglass.faults.network_steps import Work
from sumpglass.faults.normal import normal_cdf
from sumpglass.faults.prediction import FEWEST_DRAWS, Ranges, draws_for, predict_within
from sumpglass.faults.proposals import Sample
from sumpglass.faults.ranking import RESCUE_WORK, Evidence
from sumpglass.faults.reading import ASSUMED_RELATIVE_SD, MODEL_RELATIVE_SD, SCALE_PA

FloatArray = npt.NDArray[np.float64]

SETTLED_AT = 0.95
"""Probability of the first fault at which the search is over."""
LEAST_GAIN_BITS = 0.04
LEAST_GAIN_BITS_PER_MINUTE = 0.008
"""A test that promises less than either is not worth its minutes."""
MOST_DRAWS_PER_FAULT = 192
DRAWS_IN_ALL = 1300
"""Draws to plan with: shared by the faults that are left, but no more than so many each."""
PLANNING_WORK = 2.4e6
"""Work that planning may take, as in the ranking's `WEIGHING_WORK`: large layouts get fewer draws."""
PLANNING_CHANCES = 1.2e7
"""Chances of a band of readings that planning may take: with very many faults and tests, each has fewer draws."""
LEAST_PROBABILITY = 1e-3
"""Faults less likely than this are left out of the planning."""
Span = tuple[float, float]
RANGE_PA: Span = (-7000.0, 7000.0)
"""Where a sensor is taken to saturate of which nothing is known."""
BINS = 160
_VALUES_TOGETHER = 100_000
"""Values of the normal distribution computed together: they stay in the processor's cache, and memory small."""


@dataclass(frozen=True)
class Prospect:
    """What a test that has not been made promises."""

    test: LayoutTest
    gain_bits: float
    reading_chances: FloatArray
    """(faults, bins) chance of each band of readings under each fault; the first and last are beyond the range.
    Rows of faults that were left out are 0."""
    range_pa: Span = RANGE_PA
    """Of the sensor that it was planned for."""

    @property
    def bits_per_minute(self) -> float:
        """Expected information per minute of work."""
        return self.gain_bits / self.test.minutes

    @property
    def worth_it(self) -> bool:
        """Whether the test promises enough for its minutes."""
        return self.gain_bits >= LEAST_GAIN_BITS and self.bits_per_minute >= LEAST_GAIN_BITS_PER_MINUTE


def bin_edges_pa(range_pa: Span = RANGE_PA) -> FloatArray:
    """(BINS + 1,) borders of the bands of readings, fine near zero and coarse near the ends of the range."""
    return np.asarray(np.sinh(np.linspace(*_ends(range_pa), BINS + 1)) * SCALE_PA)


def _ends(range_pa: Span) -> Span:
    """The range in asinh units."""
    low, high = range_pa
    return float(np.arcsinh(low / SCALE_PA)), float(np.arcsinh(high / SCALE_PA))


def prospects(
    evidence: Evidence, refused: Collection[str] = (), seed: int = 0, range_pa: Span = RANGE_PA
) -> list[Prospect]:
    """Every test not yet made and not refused, the one with most bits per minute first."""
    made = {reading.test for reading in evidence.readings} | set(refused)
    tests = [test for test in evidence.layout.tests if test.id not in made]
    if not tests:
        return []
    rng = np.random.default_rng([seed, len(evidence.readings), 7])
    ranges = Ranges(evidence.layout)
    kept = _planned_for(evidence, len(tests))
    circuits = [circuit_for(evidence.layout, test) for test in tests]
    wanted = min(MOST_DRAWS_PER_FAULT, max(64, DRAWS_IN_ALL // len(kept)))
    wanted = min(wanted, max(FEWEST_DRAWS, int(PLANNING_CHANCES / (BINS * len(tests) * len(kept)))))
    count = draws_for(circuits, PLANNING_WORK / len(kept), wanted)
    values = [ranges.values(int(f), _resampled(evidence.samples[f], count, rng)) for f in kept]
    predicted, _ = predict_within(circuits, np.concatenate(values, axis=1), Work(RESCUE_WORK / 3.0))
    share = evidence.probabilities[kept] / np.sum(evidence.probabilities[kept])
    effective = np.array([evidence.samples[f].effective for f in kept])
    found = []
    for column, test in enumerate(tests):
        z = np.arcsinh(predicted[:, column] / SCALE_PA).reshape(len(kept), count)
        chances = _band_chances(z, effective, range_pa)
        everywhere = np.zeros((len(evidence.layout.faults), BINS + 2))
        everywhere[kept] = chances
        found.append(Prospect(test, _mutual_information_bits(share, chances), everywhere, range_pa))
    return sorted(found, key=lambda prospect: -prospect.bits_per_minute)


def _planned_for(evidence: Evidence, tests: int) -> npt.NDArray[np.intp]:
    """Faults to plan for: those that are likely enough, of very many the most likely."""
    most = max(2, int(PLANNING_CHANCES / (BINS * FEWEST_DRAWS * tests)))
    order = np.argsort(-evidence.probabilities, kind="stable")[:most]
    least = min(LEAST_PROBABILITY, 0.1 * float(np.max(evidence.probabilities)))
    return np.sort(order[evidence.probabilities[order] >= least])


def _resampled(sample: Sample, count: int, rng: np.random.Generator) -> FloatArray:
    """`count` draws in proportion to their weights (systematic resampling)."""
    at = (np.arange(count) + rng.uniform()) / count
    chosen = np.searchsorted(np.cumsum(sample.weights), at)
    return sample.latent[np.minimum(chosen, len(sample.latent) - 1)]


def _band_chances(z: FloatArray, effective: FloatArray, range_pa: Span) -> FloatArray:
    """(faults, BINS + 2) chance of each band, from (faults, draws) of asinh(p/SCALE_PA), the noise of a reading and a
    kernel's width; `effective` (faults,) is how many draws those stand for."""
    low, high = _ends(range_pa)
    inside = np.clip(z, low - 0.1, high + 0.1)
    quarter = np.subtract(*np.percentile(inside, [75, 25], axis=1)) / 1.349
    spread = np.minimum(np.std(inside, axis=1), np.where(quarter > 0.0, quarter, np.inf))
    kernel = 0.7 * spread * np.minimum(effective, z.shape[1]) ** -0.2
    sd = np.sqrt(ASSUMED_RELATIVE_SD**2 + MODEL_RELATIVE_SD**2 + np.square(kernel))[:, None, None]
    edges = np.linspace(low, high, BINS + 1)[None, :, None]
    together = max(1, _VALUES_TOGETHER // (BINS * z.shape[1]))
    parts = [slice(first, first + together) for first in range(0, len(z), together)]
    below = np.concatenate([np.mean(normal_cdf((edges - z[part, None, :]) / sd[part]), axis=2) for part in parts])
    ends = np.zeros((len(z), 1)), np.ones((len(z), 1))
    return np.asarray(np.diff(np.concatenate([ends[0], below, ends[1]], axis=1), axis=1))


def _mutual_information_bits(share: FloatArray, chances: FloatArray) -> float:
    mixed = share @ chances
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(chances > 0.0, chances * np.log2(chances / np.maximum(mixed, 1e-300)), 0.0)
    return max(0.0, float(share @ np.sum(terms, axis=1)))
