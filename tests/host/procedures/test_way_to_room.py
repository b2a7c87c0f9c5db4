"""A hose that came off leaps to the room's pressure, an engine that stops runs down to it; the guide says which."""

import numpy as np
import pytest

from sumpglass.procedures.guide_events import Paused, Resumed, Told
from sumpglass.procedures.trade_test import find_test
from sumpglass.procedures.way_to_room import LEAP, RUN_DOWN, UNSURE, way_to_room

RATE_HZ = 250.0


def signal(fall, swing_pa=60.0, level_pa=-400.0, noise_pa=2.0, rate_hz=RATE_HZ, end_pa=0.0):
    """Five seconds at a level, then `fall(seconds since)` of it and of its pulses, for two seconds."""
    t = np.arange(0.0, 7.0, 1.0 / rate_hz)
    left = np.where(t < 5.0, 1.0, fall(np.maximum(t - 5.0, 0.0)))
    pulses = swing_pa * np.sqrt(2.0) * np.sin(2.0 * np.pi * 26.7 * t)
    noise = np.random.default_rng(3).normal(0.0, noise_pa, len(t))
    return t, end_pa + left * (level_pa - end_pa + pulses) + noise


def at_once(seconds):
    """The time of the gauge's own line: a hundredth of a second."""
    return np.exp(-seconds / 0.01)


def coasting(seconds):
    """Size goes with the speed, which falls evenly in a second."""
    return np.clip(1.0 - seconds, 0.0, 1.0)


@pytest.mark.parametrize("swing_pa", [0.0, 60.0, 500.0])
@pytest.mark.parametrize("level_pa", [-2000.0, -60.0, 300.0])
def test_leap_and_run_down(level_pa, swing_pa):
    assert way_to_room(*signal(at_once, swing_pa, level_pa)) == LEAP
    assert way_to_room(*signal(coasting, swing_pa, level_pa)) == RUN_DOWN


def test_a_rest_away_from_the_room_is_no_open_hose():
    assert way_to_room(*signal(coasting, end_pa=-300.0)) == RUN_DOWN


@pytest.mark.parametrize(
    "made",
    [
        (np.zeros(0), np.zeros(0)),
        signal(at_once, level_pa=-6.0, swing_pa=0.0),
        signal(at_once, rate_hz=10.0),
    ],
    ids=["nothing", "fainter than the noise", "sampled too slowly"],
)
def test_what_is_not_to_be_told_stays_open(made):
    assert way_to_room(*made) == UNSURE


def draw_at_work(bench):
    b = bench(find_test("draw"))
    b.run(1.0, 0.0).acknowledge()
    return b.until("dead_end", -100.0, 20.0, "running").run(3.0, -900.0)


@pytest.mark.parametrize("flagged", [True, False])
@pytest.mark.parametrize(("tau_s", "words"), [(0.005, "The gauge hose came off: "), (0.5, "The engine stopped: ")])
def test_the_signal_itself_says_which_it_was(bench, tau_s, words, flagged):
    """Whatever the detector flagged, and whether it did at all."""
    b = draw_at_work(bench)
    b.tau_s = tau_s
    b.run(0.3, 0.0, 0.0)
    if flagged:
        b.events += b.guide.happening("tap_off")
        assert b.guide.status.paused, "nothing is read from here on"
    b.run(4.0, 0.0, 0.0, "stopped")
    assert b.guide.status.paused.startswith(words)
    b.tau_s = 0.5
    b.until("let_go", -900.0, 20.0, "running")
    assert b.seen(Resumed) and len(b.guide.taken) == 1


def test_without_a_detector_too(bench):
    b = bench(find_test("draw"), told=False)
    b.run(1.0, 0.0).acknowledge()
    b.until("dead_end", -900.0, 60.0).run(2.0)
    b.tau_s = 0.005
    b.run(4.0, 0.0, 0.0)
    assert b.seen(Paused)[-1].words.startswith("The gauge hose came off: ")


def test_while_the_rig_is_set_up_a_flag_holds_nothing(bench):
    b = bench(find_test("known-openings"), {"openings_mm": (5.0, 3.2)})
    b.run(1.0, 0.0).acknowledge()
    assert b.guide.step.id == "start"
    told = b.guide.happening("line_blocked")
    assert [type(event) for event in told] == [Told] and not b.guide.status.paused
