"""What the weighing means: settled, explained, which reading moved which fault, and what a test would split."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from sumpglass.faults.next_test import SETTLED_AT, Prospect, bin_edges_pa
from sumpglass.faults.ranking import Evidence
from sumpglass.faults.reading import WILD_SHARE, Reading, chances_of

FloatArray = npt.NDArray[np.float64]

UNEXPLAINED_CHANCE = 1e-3
"""Chance, at most, that readings from a fault of the layout are called unexplained (measured in the benchmarks)."""
DOUBT = 0.5
"""Share of the probability that goes by the priors alone when the readings are unexplained."""
READINGS_TO_SPARE_ONE = 4
"""From this many readings on, one may be wild without the whole counting as unexplained: it is named instead."""
SPLIT_SURE = 0.8
"""A fault stands on one side of a split when its reading falls there with this chance."""


@dataclass(frozen=True)
class Shift:
    """The ranking before and after one reading."""

    reading: Reading
    before: FloatArray
    after: FloatArray


@dataclass(frozen=True)
class Split:
    """The cut of a test's reading that tells most: faults that would read below it, and above it (indices)."""

    at_pa: float
    below: tuple[int, ...]
    above: tuple[int, ...]


def settled(evidence: Evidence, prospects: list[Prospect]) -> bool:
    """True when the first fault is likely enough, or no test is worth its minutes."""
    return bool(np.max(evidence.probabilities) >= SETTLED_AT) or not any(prospect.worth_it for prospect in prospects)


def misfits(evidence: Evidence) -> tuple[bool, tuple[str, ...]]:
    """(unexplained, tests whose single reading fits no leading fault and was set aside).

    The least sum of squared deviations that any draw of any fault reaches is compared with the chi-squared limit for
    as many readings; with `READINGS_TO_SPARE_ONE` readings or more the worst one is left out of it.
    """
    count = len(evidence.readings)
    if count == 0:
        return False, ()
    best_all, best_spared = np.inf, np.inf
    for fault, sample in zip(evidence.layout.faults, evidence.samples):
        if fault.prior <= 0.0:
            continue
        squares = _squared_deviations(evidence.readings, sample.predicted_pa)
        total = np.sum(squares, axis=1)
        best_all = min(best_all, float(np.min(total)))
        best_spared = min(best_spared, float(np.min(total - np.max(squares, axis=1))))
    if best_all <= _chi_squared_limit(count):
        return False, ()
    if count < READINGS_TO_SPARE_ONE or best_spared > _chi_squared_limit(count - 1):
        return True, ()
    return False, _set_aside(evidence)


def doubted(evidence: Evidence) -> Evidence:
    """The evidence with its probabilities drawn halfway to the priors, for readings that no fault explains.

    Then something is wrong that the layout does not hold (a second fault, a set-up), with an even chance at least, and
    under that the readings tell nothing about which fault there is.
    """
    prior = np.array([fault.prior for fault in evidence.layout.faults])
    mixed = (1.0 - DOUBT) * evidence.probabilities + DOUBT * prior / np.sum(prior)
    return replace(evidence, probabilities=mixed)


def _set_aside(evidence: Evidence) -> tuple[str, ...]:
    first = int(np.argmax(evidence.probabilities))
    sample = evidence.samples[first]
    squares = sample.weights @ _squared_deviations(evidence.readings, sample.predicted_pa)
    return (evidence.readings[int(np.argmax(squares))].test,)


def _squared_deviations(readings: tuple[Reading, ...], predicted_pa: FloatArray) -> FloatArray:
    level = np.array([reading.level_pa for reading in readings])
    sd = np.array([reading.sd_pa for reading in readings])
    censored = np.array([reading.censored for reading in readings])
    off = (level - predicted_pa) / sd
    return np.where(censored == 0, np.square(off), np.square(np.maximum(off * censored, 0.0)))


def _chi_squared_limit(count: int) -> float:
    """What a chi-squared sum of `count` terms exceeds with chance `UNEXPLAINED_CHANCE` (Wilson and Hilferty 1931)."""
    if count < 1:
        return 0.0
    quantile = 3.0902  # of the standard normal at 0.999
    part = 2.0 / (9.0 * count)
    return float(count * (1.0 - part + quantile * part**0.5) ** 3)


def shifts(evidence: Evidence) -> list[Shift]:
    """The ranking after each reading in turn, from the same draws as the final one."""
    prior = np.array([fault.prior for fault in evidence.layout.faults])
    steps, before = [], prior
    partial = [sample.log_weight - sample.log_likelihood for sample in evidence.samples]
    parts = [np.log((1.0 - WILD_SHARE) * chance + floor) for chance, floor in
             (chances_of(evidence.readings, sample.predicted_pa) for sample in evidence.samples)]  # fmt: skip
    for number, reading in enumerate(evidence.readings):
        partial = [weight + part[:, number] for weight, part in zip(partial, parts)]
        most = max(float(np.max(weight)) for weight in partial)
        after = prior * [np.mean(np.exp(weight - most)) for weight in partial]
        if number == len(evidence.readings) - 1:
            after = evidence.probabilities
        after = after / np.sum(after)
        steps.append(Shift(reading, before, after))
        before = after
    return steps


def best_split(evidence: Evidence, prospect: Prospect) -> Split | None:
    """The cut of the reading that divides the suspects best; None where there is none worth telling."""
    share = evidence.probabilities
    below = np.cumsum(prospect.reading_chances, axis=1)[:, :-1]
    known = np.sum(prospect.reading_chances, axis=1) > 0.0
    mixed = share @ below
    gain = _entropy(mixed) - share @ np.where(known[:, None], _entropy(below), 0.0)
    cut = int(np.argmax(gain))
    suspects = [f for f in np.argsort(-share) if known[f] and share[f] >= 0.01]
    low = tuple(int(f) for f in suspects if below[f, cut] >= SPLIT_SURE)
    high = tuple(int(f) for f in suspects if below[f, cut] <= 1.0 - SPLIT_SURE)
    if not low or not high:
        return None
    return Split(float(bin_edges_pa(prospect.range_pa)[cut]), low, high)


def _entropy(chance: FloatArray) -> FloatArray:
    clipped = np.clip(chance, 1e-12, 1.0 - 1e-12)
    return np.asarray(-clipped * np.log2(clipped) - (1.0 - clipped) * np.log2(1.0 - clipped))


def leftover(evidence: Evidence) -> tuple[int, ...]:
    """Faults that share the lead at the end, most likely first: those needed to reach `SETTLED_AT` together."""
    order = np.argsort(-evidence.probabilities)
    count = int(np.searchsorted(np.cumsum(evidence.probabilities[order]), SETTLED_AT)) + 1
    return tuple(int(f) for f in order[:count])
