"""The finding: ranked rightly, calibrated, honest about wild readings, twins and what no fault explains."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sumpglass.faults.finding import fields_of, find_fault
from sumpglass.faults.layout import Layout
from sumpglass.faults.layout_file import built_in_names, load_layout, parse_layout
from sumpglass.faults.network import circuit_for
from sumpglass.faults.normal import normal_cdf, normal_quantile
from sumpglass.faults.prediction import Ranges, predict_pa
from sumpglass.faults.ranking import weigh
from sumpglass.faults.reading import Reading
from sumpglass.faults.twins import twins_of
from sumpglass.faults.verdict import misfits
from sumpglass.report.fault_text import fault_text


def readings_for(layout: Layout, fault: str, tests: list[str], rng: np.random.Generator) -> list[Reading]:
    """Readings of one engine with that fault, 3 % and 20 Pa of noise, saturated at 7 kPa."""
    number = [f.id for f in layout.faults].index(fault)
    ranges = Ranges(layout)
    values = ranges.values(number, rng.standard_normal((1, ranges.low.shape[1])))
    readings = []
    for test, true in zip(tests, predict_pa([circuit_for(layout, layout.test(t)) for t in tests], values)[0]):
        pressure = true + np.hypot(0.03 * true, 20.0) * rng.standard_normal()
        if pressure < -7000:
            readings.append(Reading(test, deeper_than_pa=-7000.0))
        elif pressure > 7000:
            readings.append(Reading(test, above_pa=7000.0))
        else:
            readings.append(Reading(test, pressure_pa=pressure, u95_pa=1.96 * float(np.hypot(0.03 * pressure, 20.0))))
    return readings


def test_without_readings_the_ranking_is_the_priors():
    layout = load_layout("twin-bank")
    finding = find_fault(layout, [])
    assert dict(finding.ranking) == pytest.approx({fault.id: fault.prior for fault in layout.faults})
    assert not finding.settled
    assert not finding.unexplained
    assert finding.next is not None
    assert finding.next.gain_bits > 0.8


@pytest.mark.parametrize("name", built_in_names())
def test_all_tests_together_name_the_fault(name):
    layout = load_layout(name)
    rng = np.random.default_rng(8)
    for fault in rng.choice(layout.faults, size=1, replace=False):
        evidence = weigh(layout, readings_for(layout, fault.id, [test.id for test in layout.tests], rng))
        assert layout.faults[int(np.argmax(evidence.probabilities))].id == fault.id
        assert np.all(np.isfinite(evidence.log_evidences))


def test_the_same_input_and_seed_give_the_same_output():
    layout = load_layout("draught-tube")
    readings = readings_for(layout, "tube_blocked", ["as_driven", "cap_sealed"], np.random.default_rng(3))
    assert fields_of(find_fault(layout, readings, seed=4), True) == fields_of(
        find_fault(layout, readings, seed=4), True
    )
    one, other = find_fault(layout, readings, seed=4), find_fault(layout, readings, seed=5)
    assert one.ranking[0][1] == pytest.approx(other.ranking[0][1], abs=0.08)


def test_evidence_agrees_with_plain_sampling_of_the_ranges():
    """Slow way: 30 000 draws from the ranges, no proposals; two sharp readings that starve a small sample."""
    layout = load_layout("orifice-filler-cap")
    readings = [Reading("suction_end_5mm", -760.0, 30.0), Reading("breather_end_5mm", -190.0, 25.0)]
    evidence = weigh(layout, readings, seed=2)
    ranges, rng = Ranges(layout), np.random.default_rng(7)
    circuits = [circuit_for(layout, layout.test(reading.test)) for reading in readings]
    from sumpglass.faults.reading import WILD_SHARE, chances_of

    for name in ("filler_cap_leaks", "rear_seal_leaks"):
        number = [fault.id for fault in layout.faults].index(name)
        predicted = predict_pa(circuits, ranges.values(number, rng.standard_normal((30000, ranges.low.shape[1]))))
        chances, floor = chances_of(readings, predicted)
        slow = np.log(np.mean(np.prod((1 - WILD_SHARE) * chances + floor, axis=1)))
        assert evidence.log_evidences[number] == pytest.approx(slow, abs=0.25)


def test_a_refused_test_is_not_named_and_another_is():
    layout = load_layout("sprung-valve-cover")
    first = find_fault(layout, []).next
    assert first is not None
    second = find_fault(layout, [], refused=[first.test.id]).next
    assert second is not None
    assert second.test.id != first.test.id
    everything = find_fault(layout, [], refused=[test.id for test in layout.tests])
    assert everything.next is None
    assert everything.settled
    assert any("has not been refused" in warning for warning in everything.warnings)


def test_one_wild_reading_among_many_is_set_aside_and_named():
    layout = load_layout("orifice-filler-cap")
    tests = ["suction_tee", "suction_end_5mm", "as_driven", "breather_end_5mm", "breather_end_3mm", "cap_sealed"]
    readings = readings_for(layout, "filler_cap_leaks", tests, np.random.default_rng(5))
    readings[1] = Reading("suction_end_5mm", pressure_pa=3100.0, u95_pa=40.0)
    finding = find_fault(layout, readings)
    assert not finding.unexplained
    assert any("suction_end_5mm" in warning and "wild" in warning for warning in finding.warnings)
    assert finding.ranking[0][0] == "filler_cap_leaks"


@pytest.mark.parametrize(
    "readings",
    [
        [Reading("suction_end_5mm", pressure_pa=2500.0, u95_pa=40.0)],
        [Reading("as_driven", above_pa=7000.0), Reading("breather_end", deeper_than_pa=-7000.0)],
    ],
)
def test_readings_that_nothing_explains(readings):
    finding = find_fault(load_layout("orifice-filler-cap"), readings)
    assert finding.unexplained
    assert any("no fault of the layout" in warning for warning in finding.warnings)
    assert "UNEXPLAINED" in fault_text(finding)


def test_true_engines_are_rarely_unexplained():
    calls = 0
    for name in built_in_names():
        layout = load_layout(name)
        rng = np.random.default_rng(12)
        for fault in rng.choice(layout.faults, size=3, replace=False):
            tests = [test.id for test in rng.choice(layout.tests, size=4, replace=False)]
            calls += misfits(weigh(layout, readings_for(layout, fault.id, tests, rng)))[0]
    assert calls == 0


TWINS = """name = "twins"
title = "Two seals side by side"
nodes = ["manifold", "crankcase", "room"]
manifold_vacuum_pa = [55000, 70000]
blow_by_lpm = [2, 8]
gas_c = 70
edges = [{ id = "suction", label = "suction", from = "manifold", to = "crankcase", cda_mm2 = [2.0, 2.8] }]
seals = [
  { id = "left", label = "left", node = "crankcase", cda_mm2 = [0.02, 0.15] },
  { id = "right", label = "right", node = "crankcase", cda_mm2 = [0.02, 0.15] },
]
faults = [
  { id = "healthy", label = "nothing", prior = 0.4 },
  { id = "left_leaks", label = "left leaks", prior = 0.3, changes = [{ seal = "left", cda_mm2 = [5, 20] }] },
  { id = "right_leaks", label = "right leaks", prior = 0.3, changes = [{ seal = "right", cda_mm2 = [5, 20] }] },
]
tests = [{ id = "plain", label = "as driven", minutes = 2, tap = "crankcase" }]
"""


def test_twins_are_named():
    layout = parse_layout(TWINS, "twins.toml")
    assert twins_of(layout) == [("left_leaks", "right_leaks")]
    finding = find_fault(layout, [Reading("plain", pressure_pa=-900.0, u95_pa=60.0)])
    assert finding.settled
    assert any("left_leaks" in w and "right_leaks" in w and "can tell these apart" in w for w in finding.warnings)
    assert finding.ranking[0][1] == pytest.approx(0.5, abs=0.03)
    capped = replace(layout, tests=(*layout.tests, replace(layout.tests[0], id="capped", shut=("left",))))
    assert twins_of(capped) == []


def test_built_in_layouts_have_no_twins():
    assert [twins_of(load_layout(name)) for name in built_in_names()] == [[]] * len(built_in_names())


def test_normal_distribution():
    """scipy.stats.norm as the outside; Abramowitz and Stegun give 1.5e-7 for erf."""
    from scipy.stats import norm

    x = np.linspace(-6, 6, 241)
    assert normal_cdf(x) == pytest.approx(norm.cdf(x), abs=1e-7)
    share = np.linspace(0.001, 0.999, 99)
    assert normal_quantile(share) == pytest.approx(norm.ppf(share), abs=1e-4)
