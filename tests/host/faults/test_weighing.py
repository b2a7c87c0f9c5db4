"""The weighing of readings: floors, wild and censored readings, contradictions, repeats, the limit on the work."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sumpglass.errors import InputError
from sumpglass.faults import ranking
from sumpglass.faults.finding import find_fault
from sumpglass.faults.layout_file import load_layout
from sumpglass.faults.reading import LEAST_RELATIVE_SD, LEAST_SD_PA, WILD_SHARE, Reading, chances_of
from sumpglass.faults.readings_file import readings_from
from sumpglass.faults.verdict import doubted

LAYOUT = load_layout("orifice-filler-cap")
PRIORS = {fault.id: fault.prior for fault in LAYOUT.faults}


def chances(*readings: Reading) -> dict[str, float]:
    return dict(find_fault(LAYOUT, readings).ranking)


def test_a_reading_is_never_believed_closer_than_the_floor():
    """A gauge called good to a millipascal counts as one of 2.5 % and 15 Pa: the ranking is the same to the digit."""
    level = -760.0
    floor = 1.96 * float(np.hypot(LEAST_RELATIVE_SD * level, LEAST_SD_PA))
    told = [Reading("suction_end_5mm", level, u95) for u95 in (1e-3, 0.5 * floor, 0.999 * floor)]
    assert len({reading.sd_pa for reading in told}) == 1
    assert chances(told[0]) == chances(told[2])
    assert Reading("suction_end_5mm", level, 2.0 * floor).sd_pa > 1.8 * told[0].sd_pa


def test_the_coarser_the_gauge_the_nearer_to_the_priors():
    def moved(u95_pa: float) -> float:
        found = chances(Reading("suction_end_5mm", -760.0, u95_pa))
        return 0.5 * sum(abs(found[name] - prior) for name, prior in PRIORS.items())

    steps = [moved(u95) for u95 in (30.0, 1000.0, 30000.0)]
    assert steps[0] > steps[1] > steps[2]
    assert moved(1e7) < 0.02


def test_a_wild_reading_keeps_a_floor_under_every_fault():
    """However far off: the chance of a reading falls to that of a wild one, not to nothing, and does not depend on how
    far off it is."""
    predicted = np.array([[-800.0], [-5000.0]])
    for far in (3000.0, 6000.0):
        plain, floor = chances_of([Reading("as_driven", far, 30.0)], predicted)
        assert np.all(plain < 1e-30)
        assert floor[0] > 1e-9
    plain, floor = chances_of([Reading("as_driven", above_pa=7000.0)], predicted)
    assert np.all(plain < 1e-30)
    assert 0.0 < floor[0] < WILD_SHARE


@pytest.mark.parametrize(
    ("reading", "sides"),
    [
        (Reading("t", deeper_than_pa=-2000.0), (1.0, 0.5, 0.0)),
        (Reading("t", above_pa=2000.0), (0.0, 0.5, 1.0)),
    ],
)
def test_a_censored_reading_speaks_for_one_side_only(reading, sides):
    """Far beyond its limit nothing tells how far; at the limit the chance is even."""
    limit = reading.level_pa
    predicted = np.array([[limit - 1500.0], [limit], [limit + 1500.0]])
    assert chances_of([reading], predicted)[0][:, 0] == pytest.approx(sides, abs=1e-6)
    further = np.array([[limit - 30000.0], [limit], [limit + 30000.0]])
    assert chances_of([reading], further)[0][:, 0] == pytest.approx(sides, abs=1e-6)


def test_censored_readings_of_either_sign_move_the_ranking_their_way():
    """Deep at the dead-ended hose: the path draws and nothing leaks. Pressure there: it does not draw."""
    deep = find_fault(LAYOUT, [Reading("breather_end", deeper_than_pa=-7000.0)])
    pressed = find_fault(LAYOUT, [Reading("breather_end", above_pa=1000.0)])
    assert not deep.unexplained
    assert dict(deep.ranking)["healthy"] > PRIORS["healthy"]
    assert dict(pressed.ranking)["healthy"] < 0.2 * PRIORS["healthy"]
    assert dict(deep.ranking)["filler_cap_leaks"] < 0.2 * PRIORS["filler_cap_leaks"]


def test_readings_that_contradict_each_other_are_unexplained_and_lower_the_certainty():
    """Deep vacuum at the breather's end and pressure at the other end of the same crankcase."""
    sound = [Reading("breather_end", deeper_than_pa=-7000.0)]
    against = [*sound, Reading("cap_sealed", pressure_pa=2500.0, u95_pa=60.0)]
    one, both = find_fault(LAYOUT, sound), find_fault(LAYOUT, against)
    assert not one.unexplained
    assert both.unexplained
    assert both.is_fault
    plain = ranking.weigh(LAYOUT, against)
    assert np.max(doubted(plain).probabilities) < np.max(plain.probabilities)
    assert max(p for _, p in both.ranking) < 0.6


def test_doubt_goes_halfway_to_the_priors():
    evidence = ranking.weigh(LAYOUT, [Reading("suction_end_5mm", -760.0, 30.0)])
    mixed = doubted(evidence).probabilities
    priors = np.array([fault.prior for fault in LAYOUT.faults])
    assert mixed == pytest.approx(0.5 * (evidence.probabilities + priors))
    assert np.sum(mixed) == pytest.approx(1.0)


def test_a_file_holds_one_reading_of_a_test_and_a_repeat_counts_where_it_is_made():
    again = {"test": "as_driven", "pressure_pa": -60.0}
    with pytest.raises(InputError, match="reading 2: test 'as_driven' a second time, expected one reading a test"):
        readings_from([again, again], LAYOUT)
    once = Reading("suction_end_5mm", -760.0, 120.0)
    single, repeated = ranking.weigh(LAYOUT, [once]), ranking.weigh(LAYOUT, [once] * 4)

    def bits(evidence: ranking.Evidence) -> float:
        p = np.maximum(evidence.probabilities, 1e-12)
        return float(-p @ np.log2(p))

    assert bits(repeated) < bits(single) + 0.02
    assert np.sum(repeated.probabilities) == pytest.approx(1.0)
    assert np.argmax(repeated.probabilities) == np.argmax(single.probabilities)


def test_refusing_one_test_after_the_other_always_names_one_that_is_left():
    refused: list[str] = []
    gains = []
    while (following := find_fault(LAYOUT, [], refused).next) is not None:
        assert following.test.id not in refused
        refused.append(following.test.id)
        gains.append(following.bits_per_minute)
        if len(refused) == 5:
            break
    assert gains == sorted(gains, reverse=True)


def test_the_work_of_a_call_is_limited_whatever_the_readings(monkeypatch):
    """All tests read, at levels that no draw of the ranges comes near: the rounds stop at the work allowed."""
    layout = load_layout("twin-bank")
    seen = []
    evidence = ranking._Weighing.evidence
    monkeypatch.setattr(ranking._Weighing, "evidence", lambda self: (seen.append(self), evidence(self))[1])
    levels = np.random.default_rng(3).uniform(-6000.0, 500.0, len(layout.tests))
    ranking.weigh(layout, [Reading(test.id, float(level), 30.0) for test, level in zip(layout.tests, levels)])
    spent = seen[0].work.spent + seen[0].rounds * ranking.ROUND_WORK
    # The last round begun, and the last resorts, may go beyond it.
    assert spent < 1.35 * (ranking.WEIGHING_WORK + ranking.RESCUE_WORK)


def test_a_fault_that_cannot_be_keeps_none():
    faults = tuple(replace(fault, prior=0.0) if fault.id == "filler_cap_leaks" else fault for fault in LAYOUT.faults)
    found = find_fault(replace(LAYOUT, faults=faults), [Reading("suction_end_5mm", -760.0, 30.0)])
    assert dict(found.ranking)["filler_cap_leaks"] < 1e-12
    assert sum(p for _, p in found.ranking) == pytest.approx(1.0)
