"""The detector on signals written out by hand, in which two things look alike."""

import numpy as np
import pytest

from sumpglass.analysis.happenings.detector import HappeningDetector
from sumpglass.analysis.happenings.settings import DetectorSettings

RATE_HZ = 500.0


def told(pressure_pa, rate_hz=RATE_HZ, **settings):
    """What is kept of what is heard in samples (n,)."""
    t_s = np.arange(len(pressure_pa)) / rate_hz
    heard = HappeningDetector(DetectorSettings(rate_hz=rate_hz, resolution_pa=0.5, zero_u95_pa=5.0, **settings))
    heard.feed(t_s, np.round(pressure_pa / 0.5) * 0.5)
    return [h for h in heard.finish() if h.withdrawn_s is None]


def seconds(duration_s, rate_hz=RATE_HZ):
    return np.arange(int(duration_s * rate_hz)) / rate_hz


def pulses(firing_hz, rate_hz=RATE_HZ):
    """A pattern of three lines (n,) that follows `firing_hz` (n,)."""
    turns = np.cumsum(firing_hz) / rate_hz
    return sum(a * np.sin(2 * np.pi * k * turns + k) for k, a in ((0.5, 0.15), (1.0, 1.0), (2.0, 0.4)))


def noise(n, size_pa, seed=0):
    return size_pa * np.random.default_rng(seed).standard_normal(n)


@pytest.mark.parametrize(("later_hz", "cause"), [(44.0, "speed_change"), (0.0, "engine_stop")])
def test_pulses_that_the_line_takes_at_twice_the_speed_are_no_engine_that_stopped(later_hz, cause):
    """A line of second order passes a quarter of the amplitude an octave up."""
    t = seconds(22.0)
    firing = 22.0 + (later_hz - 22.0) * np.clip((t - 10.0) / 0.6, 0, 1)
    size = np.interp(firing, [2.0, 10.0, 22.0, 44.0], [0.0, 60.0, 60.0, 9.0])
    level = -500.0 + 495.0 * np.clip((t - 10.1) / 0.6, 0, 1)
    found = told(level + size * pulses(firing) + noise(len(t), 1.0))
    assert [(h.kind, h.cause) for h in found] == [("sudden_loss", cause)]


def test_a_vacuum_that_comes_back_slowly_is_one_recovery():
    """A level that idles unevenly passes its limit and comes back again while a large crankcase fills."""
    t = seconds(34.0)
    level = np.where(t < 10.0, -4000.0, -400.0)
    level = np.where(t > 18.0, -4000.0 + 3600.0 * np.exp(-(t - 18.0) / 3.5), level)
    uneven = np.interp(t, 0.15 * np.arange(240), noise(240, 150.0, 3))
    found = told(level + uneven + 900.0 * pulses(np.full(len(t), 6.7)) + noise(len(t), 120.0))
    assert [h.kind for h in found] == ["sudden_loss", "recovery"]
    assert found[1].t_s == pytest.approx(18.37, abs=0.3)  # A tenth of the way: 3.5 s times ln(10/9).


def test_mains_with_their_multiples_are_no_pulses_that_go_on_when_the_hose_is_off():
    """The multiples change a little, as they do under a converter's steps; the mains' own line tells what they are."""
    t = seconds(20.0)
    on = t < 10.0
    hum = 8.0 * np.sin(2 * np.pi * 50.0 * t) + np.where(on, 8.0, 2.0) * np.sin(2 * np.pi * 150.0 * t + 1)
    engine = np.where(on, 6.0, 0.0) * pulses(np.full(len(t), 26.7))
    found = told(np.where(on, -400.0, 0.0) + engine + hum + noise(len(t), 2.0))
    assert {(h.kind, h.cause) for h in found} == {("sudden_loss", "tap_off"), ("rig_fault", "tap_off")}


def test_a_level_beyond_the_rail_under_pulses_that_reach_back_is_out_of_range():
    """Half the samples lie on the rail then, and no hop has nothing else; pulses cut off are no line that shut."""
    t = seconds(24.0)
    level = np.where(t < 10.0, -150.0, -150.0 - 250.0 * np.clip((t - 10.0) / 2.0, 0, 1))
    pressure = level + 160.0 * pulses(np.full(len(t), 20.0)) + noise(len(t), 3.0)
    found = told(np.maximum(pressure, -330.0), range_low_pa=-330.0, range_high_pa=330.0)
    assert [(h.kind, h.cause) for h in found] == [("rig_fault", "out_of_range")]
    assert found[0].t_s == pytest.approx(11.5, abs=0.8)


def test_pulses_that_touch_the_rail_are_no_fault():
    t = seconds(20.0)
    pressure = -200.0 + 160.0 * pulses(np.full(len(t), 20.0)) + noise(len(t), 3.0)
    assert not told(np.maximum(pressure, -330.0), range_low_pa=-330.0, range_high_pa=330.0)


@pytest.mark.parametrize(("left_after_5_s", "cause"), [(0.04, "engine_stop"), (0.7, "line_blocked")])
def test_a_vacuum_that_runs_off_without_pulses_is_that_of_an_engine_that_stopped(left_after_5_s, cause):
    """A tight crankcase takes seconds to fill; a gauge line that is shut holds what is in it, or lets it creep."""
    t = seconds(25.0)
    left = np.where(t < 10.0, 1.0, np.clip(1.0 - (t - 10.0) / 5.0 * (1.0 - left_after_5_s**0.5), 0.0, 1.0) ** 2)
    slows = cause == "engine_stop"
    alive = np.clip((10.0 - t) / 0.1, 0.0, 1.0)
    firing = 22.0 * np.where(slows, np.clip((10.2 - t) / 0.8, 0.0, 1.0), 1.0)
    trace = -1400.0 * left + 120.0 * alive * pulses(firing) + noise(len(t), 4.0)
    assert {found.cause for found in told(trace)} == {cause}
