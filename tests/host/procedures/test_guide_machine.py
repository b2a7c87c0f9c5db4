"""The guided test as a state machine: steps, stop calls, pauses, and what it keeps."""

import json
import math

import numpy as np
import pytest

from sumpglass.errors import InputError
from sumpglass.procedures.guide import Guide, judge_again
from sumpglass.procedures.guide_events import Finished, Paused, Resumed, StopCall, Told
from sumpglass.procedures.signal_view import SignalKeeper
from sumpglass.procedures.trade_test import all_tests, find_test

LEAK, NET = 4.0, 2.0


def vacuum(opening_mm: float) -> float:
    """Square law: -600 Pa with an opening as large as the leak."""
    area = LEAK + math.pi / 4 * opening_mm**2
    return -2400.0 * (LEAK / area) ** 2


def to_first_opening(b):
    b.run(1.0, 0.0).acknowledge()
    assert b.guide.step.id == "start"
    return b.until("start", vacuum(5.0), 10.0, "running").run(3.0).press()


def test_every_test_says_why_and_what_it_does_not_prove():
    tests = all_tests()
    assert len(tests) == 12
    for test in tests.values():
        assert test.why and test.set_up and test.does_not_prove and test.cautions
        steps = test.plan(test.settings())
        assert len({s.id for s in steps}) == len(steps)
        for step in steps:
            assert step.words and (step.condition is not None or step.by_hand)


def test_known_openings_go_by_themselves_from_largest_to_closed(bench):
    b = to_first_opening(bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2, 2.0)}))
    b.until("opening_3.2", vacuum(5.0)).until("opening_2", vacuum(3.2)).until("closed", vacuum(2.0))
    b.until("let_go", vacuum(0.0)).press()
    verdict = b.guide.verdict
    leak = next(f for f in verdict.figures if f.name == "leak_mm2")
    assert verdict.state == "told"
    assert abs(leak.value / LEAK - 1) < 0.05
    assert judge_again(json.loads(json.dumps(b.guide.result_fields()))) == verdict


def test_running_engine_tests_want_a_deliberate_yes(bench):
    b = bench(find_test("draw"))
    b.run(5.0, 0.0).press().press()
    assert b.guide.step.id == "cautions"
    assert any("Acknowledge" in e.words for e in b.seen(Told))
    b.acknowledge()
    assert b.guide.step.id == "idle"


def test_stop_is_called_at_the_limit_and_the_reading_is_a_bound(bench):
    b = to_first_opening(bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2, 2.0), "limit_pa": 1500.0}))
    b.until("opening_3.2", vacuum(5.0)).until("opening_2", vacuum(3.2))
    b.run(3.0, -1700.0)
    assert len(b.seen(StopCall)) == 1
    assert b.guide.taken[-1].bound == "deeper" and b.guide.taken[-1].mean_pa == -1500.0
    assert b.guide.step.id == "let_go", "closed is not offered past the limit"
    assert b.guide.status.stop
    b.run(3.0, -50.0).press()
    assert b.guide.verdict is not None


def test_closed_is_skipped_when_it_would_go_past_the_limit(bench):
    b = to_first_opening(bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2, 2.0), "limit_pa": 1500.0}))
    b.until("opening_3.2", vacuum(5.0)).until("opening_2", vacuum(3.2)).until("let_go", vacuum(2.0))
    assert any("would draw past" in e.words for e in b.seen(Told))


def test_engine_stall_pauses_and_the_step_begins_anew(bench):
    b = to_first_opening(bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2)}))
    b.until("opening_3.2", vacuum(5.0)).run(1.0, vacuum(3.2))
    b.run(4.0, 0.0, 0.0, "stopped")
    assert "engine stopped" in b.seen(Paused)[-1].words
    assert len(b.guide.taken) == 1
    b.until("closed", vacuum(3.2), 10.0, "running")
    assert b.seen(Resumed) and b.guide.taken[-1].mean_pa == pytest.approx(vacuum(3.2), abs=3)


def test_a_speed_that_becomes_unsure_is_no_engine_that_stopped(bench):
    """Near the room's pressure the detector takes a port without a speed for a stopped engine; the pulses go on."""
    b = bench(find_test("draw"))
    b.run(1.0, 0.0).acknowledge()
    b.until("dead_end", -15.0, 12.0, "running").run(3.0, engine="stopped")
    assert not b.seen(Paused) and not b.guide.status.paused
    b.run(4.0, 0.0, 0.0)
    assert "engine stopped" in b.seen(Paused)[-1].words


def test_hose_off_is_not_read(bench):
    b = to_first_opening(bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2)}))
    b.until("opening_3.2", vacuum(5.0)).run(1.0, vacuum(3.2))
    b.events += b.guide.happening("tap_off")
    b.tau_s = 0.01
    b.run(8.0, 0.0, 0.0)
    assert len(b.guide.taken) == 1 and b.guide.status.paused
    b.tau_s = 0.5
    b.until("closed", vacuum(3.2), 10.0)
    assert b.guide.taken[-1].mean_pa == pytest.approx(vacuum(3.2), abs=3)


def test_dead_signal_without_a_detector_pauses(bench):
    b = bench(find_test("draw"), told=False)
    b.run(1.0, 0.0).acknowledge()
    b.until("dead_end", -300.0, 60.0).run(2.0)
    b.run(6.0, 0.0, 0.0)
    assert b.seen(Paused)
    assert not b.guide.taken
    b.until("let_go", -300.0, 60.0)


def test_saturation_gives_a_bound(bench):
    b = bench(find_test("draw"), {"range_pa": 1000.0})
    b.range_pa = 1000.0
    b.run(1.0, 0.0).acknowledge()
    b.until("dead_end", -100.0, 20.0, "running").until("let_go", -1300.0, 20.0)
    assert b.guide.taken[-1].bound == "deeper"
    b.until("verdict", 0.0)
    assert "deeper than" in b.guide.verdict.sentence and b.guide.verdict.state == "good"


@pytest.mark.parametrize(("range_pa", "bound_pa"), [(2000.0, -2000.0), (7000.0, -3500.0)])
def test_a_board_that_says_out_of_range_gives_a_bound(bench, range_pa, bound_pa):
    """It sends no samples then: without them the detector calls the sensor dead, and the guide must not."""
    b = bench(find_test("draw"))
    b.run(1.0, 0.0).acknowledge()
    b.until("dead_end", -100.0, 20.0, "running").run(2.0, -1500.0)
    b.events += b.guide.happening("sensor_fault")
    assert b.seen(Paused) and not b.guide.taken
    for _ in range(21):
        b.events += b.guide.beyond_range(-range_pa)
    b.events += b.guide.happening("sensor_fault")
    assert not b.guide.status.paused
    assert b.guide.taken[-1].bound == "deeper" and b.guide.taken[-1].mean_pa == bound_pa
    assert bool(b.seen(StopCall)) == (range_pa > 3500.0)


def test_unplugged_port_loses_nothing(bench):
    b = to_first_opening(bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2)}))
    b.until("opening_3.2", vacuum(5.0)).run(1.0, vacuum(3.2))
    b.events += b.guide.connection(False)
    assert "unplugged" in b.guide.status.paused
    b.t += 60.0
    b.level = vacuum(3.2)
    b.events += b.guide.connection(True)
    b.until("closed", vacuum(3.2))
    assert [t.values["opening_mm"] for t in b.guide.taken] == [5.0, 3.2]


@pytest.mark.parametrize(("hole_s", "told"), [(0.5, []), (1.6, ["1.6 s of samples are missing: the step begins anew"])])
def test_samples_lost_on_the_way_are_no_fault_of_the_sensor(bench, hole_s, told):
    b = to_first_opening(bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2)}))
    b.until("opening_3.2", vacuum(5.0)).run(1.0, vacuum(3.2))
    before = len(b.events)
    b.t += hole_s
    b.run(0.3)
    b.events += b.guide.happening("sensor_fault")
    assert not b.guide.status.paused
    assert [e.words for e in b.events[before:] if isinstance(e, Told)] == told
    b.run(4.0)
    b.events += b.guide.happening("sensor_fault")
    assert b.guide.status.paused.startswith("The sensor is at fault")


def test_a_sensor_that_fails_to_read_is_told(bench):
    b = to_first_opening(bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2)}))
    b.until("opening_3.2", vacuum(5.0)).run(1.0, vacuum(3.2))
    t = b.t + np.arange(1, 101) / b.rate_hz
    b.events += b.guide.feed(t, np.full(100, np.nan))
    b.events += b.guide.happening("sensor_fault")
    assert b.guide.status.paused.startswith("The sensor is at fault")


def test_back_undoes_a_reading(bench):
    b = to_first_opening(bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2, 2.0)}))
    b.until("opening_3.2", vacuum(5.0)).until("opening_2", vacuum(3.2))
    b.events += b.guide.back()
    assert b.guide.step.id == "opening_3.2" and len(b.guide.taken) == 1
    b.until("opening_2", vacuum(3.2))
    assert len(b.guide.taken) == 2


def test_broken_off_and_taken_up_another_day(bench):
    b = to_first_opening(bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2, 2.0)}))
    b.until("opening_3.2", vacuum(5.0)).until("opening_2", vacuum(3.2))
    kept = json.loads(json.dumps(b.guide.to_fields(), allow_nan=False))
    again = bench(find_test("known-openings"))
    again.guide = Guide.from_fields(kept)
    again.events = list(again.guide.begin())
    again.level = again.target = vacuum(3.2)
    assert again.guide.step.id == "opening_2" and len(again.guide.taken) == 2
    again.until("closed", vacuum(2.0), 10.0, "running").until("let_go", vacuum(0.0)).press()
    assert isinstance(again.events[-1], Finished)


@pytest.mark.parametrize(
    "state",
    [
        None,
        {},
        {"schema": "x"},
        {
            "schema": "sumpglass/guide-state/1",
            "test": "draw",
            "settings": {},
            "taken": [],
            "done": [],
            "step": "nowhere",
        },
    ],
)
def test_a_state_that_is_none_is_refused(state):
    with pytest.raises(InputError):
        Guide.from_fields(state)


def test_dead_ended_for_too_long_calls_stop(bench):
    b = bench(find_test("draw"), {"dead_end_s": 6.0})
    b.run(1.0, 0.0).acknowledge()
    b.until("dead_end", -100.0, 20.0, "running")
    b.tau_s = 60.0
    b.run(9.0, -3000.0)
    assert any("Dead-ended" in e.words for e in b.seen(StopCall))


def test_with_the_engine_off_a_still_signal_holds_nothing_up(bench):
    b = bench(find_test("zero")).press().run(2.0)
    told = b.guide.happening("sensor_fault")
    assert [type(event) for event in told] == [Told] and not b.guide.status.paused
    assert b.run(20.0).guide.verdict.state == "told"


def test_cylinders_are_learned_from_the_speed(bench):
    guide = bench(find_test("pulse-balance")).guide
    guide.engine("running", 32.5, 650.0)
    assert guide.settings["cylinders"] == 6
    guide.engine("running", 32.5, 975.0)
    assert guide.settings["cylinders"] == 6, "what is known stays"


@pytest.mark.parametrize(("drift_pa_per_s", "taken"), [(0.0, True), (-4.0, False)])
def test_an_engine_that_hunts_is_read_and_a_drift_is_not(drift_pa_per_s, taken):
    rng, rate_hz = np.random.default_rng(5), 200.0
    keeper = SignalKeeper()
    t = np.arange(0.0, 24.0, 1.0 / rate_hz)
    hunting = 25.0 * np.sin(2.0 * np.pi * t / 2.5) + rng.normal(0.0, 2.0, len(t))
    keeper.add(t, -400.0 + hunting + drift_pa_per_s * t)
    level = keeper.settled(0.0)
    assert (level is not None) == taken
    if level is not None:
        assert abs(level.mean_pa + 400.0) < 2.0 * level.u_pa + 1.0
