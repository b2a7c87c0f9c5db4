"""Hops of full rows, taken side by side, are to the last digit those of samples that come in any pieces."""

import numpy as np
import pytest

from sumpglass.analysis.happenings.hops import HopGatherer, sum_as_reduceat

FIELDS = ("count", "mean_pa", "square_pa2", "low_pa", "high_pa")


def gathered(t, p, rate_hz, chunk):
    gatherer = HopGatherer(rate_hz)
    found = [gatherer.push(t[at : at + chunk], p[at : at + chunk]) for at in range(0, len(t), chunk)]
    found.append(gatherer.push(np.empty(0), np.empty(0), close=True))
    return {name: np.concatenate([getattr(h, name) for h in found if h is not None]) for name in FIELDS}


@pytest.mark.parametrize("rows", [*range(2, 34), 63, 64])
def test_sums_in_lanes_are_those_of_reduceat(rows):
    values = np.random.default_rng(rows).normal(-600.0, 150.0, (rows, 500))
    flat = np.ascontiguousarray(values.T).ravel()
    assert np.array_equal(sum_as_reduceat(values), np.add.reduceat(flat, np.arange(0, len(flat), rows)))


@pytest.mark.parametrize("rate_hz", [200.0, 333.3, 800.0, 1000.0, 2500.0])
@pytest.mark.parametrize("lost", ["none", "whole hops", "any"])
def test_any_pieces_give_the_same_hops(rate_hz, lost):
    rng = np.random.default_rng(3)
    n = 23_457
    t, p = np.arange(n) / rate_hz, rng.normal(-600.0, 150.0, n)
    size = round(0.01 * rate_hz)
    if lost != "none":
        kept = np.ones(n, bool)
        for begin in rng.integers(1, n // size, 20) * size:
            kept[begin : begin + (6 * size if lost == "whole hops" else int(rng.integers(1, 40)))] = False
        t, p = t[kept], p[kept]
    whole = gathered(t, p, rate_hz, n)
    for chunk in (37, 2048, 5000):
        for name, values in gathered(t, p, rate_hz, chunk).items():
            assert np.array_equal(values, whole[name]), name
