"""Causes that show in how a level went: through what fills a volume, slowly, or at a speed that stayed."""

import numpy as np
import pytest

from sumpglass.analysis.happenings.detector import HappeningDetector
from sumpglass.analysis.happenings.refill import favours_opening, way
from sumpglass.analysis.happenings.settings import DetectorSettings

RATE_HZ = 500.0


def told(pressure_pa, rate_hz=RATE_HZ):
    """What is kept of what is heard in samples (n,)."""
    heard = HappeningDetector(DetectorSettings(rate_hz=rate_hz, resolution_pa=0.5, zero_u95_pa=5.0))
    heard.feed(np.arange(len(pressure_pa)) / rate_hz, np.round(pressure_pa / 0.5) * 0.5)
    return [h for h in heard.finish() if h.withdrawn_s is None]


def pulses(firing_hz, rate_hz=RATE_HZ):
    turns = np.cumsum(firing_hz) / rate_hz
    return sum(a * np.sin(2 * np.pi * k * turns + k) for k, a in ((0.5, 0.15), (1.0, 1.0), (2.0, 0.4)))


def noise(n, size_pa, seed=0):
    return size_pa * np.random.default_rng(seed).standard_normal(n)


def volume(area, draw, tau_s, rate_hz=RATE_HZ, parts=8):
    """Level (n,) over that at rest of a volume whose opening and draw go by `area` and `draw` (n,), by small steps."""
    level, x = np.empty(len(area)), 1.0
    for k, (a, n) in enumerate(zip(area, draw)):
        level[k] = x
        for _ in range(parts):
            x += 2.0 / tau_s / (rate_hz * parts) * (n - a * np.sign(x) * np.sqrt(abs(x)))
    return level


def moved(t_s, hand_s, away_s=10.0, back_s=16.0):
    """A hand that goes at one time and comes back at another, gently (n,)."""
    u = np.clip((t_s - away_s) / hand_s, 0, 1) - np.clip((t_s - back_s) / hand_s, 0, 1)
    return u * u * (3 - 2 * u)


def opened_or_lost(cause, share, tau_s, hand_s, duration_s=22.0, rate_hz=RATE_HZ):
    """Level (n,) over that at rest that an opening, or suction partly lost, takes down to `share` for a while."""
    u = moved(np.arange(int(duration_s * rate_hz)) / rate_hz, hand_s)
    if cause == "opening":
        return volume(1 + (share**-0.5 - 1) * u, np.ones(len(u)), tau_s, rate_hz)
    return volume(np.ones(len(u)), 1 - (1 - share**0.5) * u, tau_s, rate_hz)


@pytest.mark.parametrize(("share", "tau_s", "hand_s"), [(0.12, 0.5, 0.1), (0.2, 0.25, 0.25), (0.3, 1.0, 0.25)])
@pytest.mark.parametrize(("gone", "back"), [("opening", "closing"), ("suction_lost", "suction_back")])
def test_the_way_back_tells_an_opening_from_suction_that_was_partly_lost(gone, back, share, tau_s, hand_s):
    level = -600.0 * opened_or_lost(gone, share, tau_s, hand_s)
    found = told(level + 40.0 * pulses(np.full(len(level), 26.7)) + noise(len(level), 6.0))
    assert [(h.kind, h.cause) for h in found] == [("sudden_loss", gone), ("recovery", back)]


def both_ways(level):
    """The two ways (at 10 and 16 s) of a level (n,) in parts of that at rest, by hops of 10 ms."""
    mean = level.reshape(-1, 5).mean(axis=1)
    left = float(mean[1500:1600].mean())
    return way(mean[:1500], 0.01, 1000, 8, 1.0, left), way(mean, 0.01, 1600, 8, left, 1.0), left


@pytest.mark.parametrize("hand_s", [0.05, 0.4])
def test_what_is_known_of_the_hand_does_not_matter(hand_s):
    for cause, sign in (("opening", 1), ("suction_lost", -1)):
        favour = favours_opening(*both_ways(opened_or_lost(cause, 0.2, 0.6, hand_s)))
        assert sign * favour > 0.7


def test_a_line_that_lags_the_same_both_ways_favours_neither():
    t = np.arange(11000) / RATE_HZ
    gone, back = (np.exp(-np.clip(t - at, 0, None) / 0.3) for at in (10.0, 16.0))
    level = np.where(t < 16, 0.2 + 0.8 * gone, 1 - 0.8 * back)
    assert abs(favours_opening(*both_ways(level))) < 0.5


def test_too_little_of_the_way_back_says_nothing():
    gone, back, left = both_ways(opened_or_lost("opening", 0.2, 0.6, 0.1))
    assert favours_opening(gone, type(back)(back.part[:60], back.window_s), left) is None
    assert favours_opening(gone, back, 0.9) is None


def test_suction_lost_on_a_tight_crankcase_is_one_happening_though_its_breath_wanes_as_it_fills():
    """What rushes through the leaks falls with the vacuum, and is back when the crankcase blows: no engine stopped."""
    t = np.arange(int(24 * RATE_HZ)) / RATE_HZ
    level = -4000.0 * volume(np.ones(len(t)), np.where(t < 10, 1.0, -0.28), tau_s=3.5)
    rush = noise(len(t), 1.0) * (2.0 + 0.02 * np.abs(level))
    found = told(level + 25.0 * pulses(np.full(len(t), 26.7)) + rush)
    assert [(h.kind, h.cause) for h in found] == [("sudden_loss", "suction_lost"), ("sign_reversal", "suction_lost")]


def test_load_taken_up_at_the_same_speed_is_a_change_of_speed_and_no_opening():
    """The manifold fills over a second, and blow-by with its scatter grows: lines stay where they are."""
    t = np.arange(int(22 * RATE_HZ)) / RATE_HZ
    on = np.clip((t - 10.0) / 1.0, 0, 1)
    rng = np.random.default_rng(3)
    scatter = np.interp(t, 0.04 * np.arange(600), rng.standard_normal(600)) * (10.0 + 30.0 * on)
    level = -500.0 + 330.0 * on
    found = told(level + 60.0 * (1 + 0.4 * on) * pulses(np.full(len(t), 26.7)) + scatter + noise(len(t), 2.0))
    assert [(h.kind, h.cause) for h in found] == [("sudden_loss", "speed_change")]


@pytest.mark.parametrize("later_hz", [59.5, 51.5])
def test_lines_that_fold_back_close_to_where_they_were_have_moved(later_hz):
    """Under 100 Hz of sampling a firing frequency of 44 Hz that goes to 59.5 shows at 40.5, and next to half the rate
    no pattern shows at all."""
    rate = 100.0
    t = np.arange(int(22 * rate)) / rate
    firing = 44.0 + (later_hz - 44.0) * np.clip((t - 10.0) / 0.5, 0, 1)
    turns = np.cumsum(firing) / rate
    level = -400.0 + 360.0 * np.clip((t - 10.0) / 0.5, 0, 1)
    found = told(level + 40.0 * np.sin(2 * np.pi * turns) + noise(len(t), 5.0), rate)
    assert [(h.kind, h.cause) for h in found] == [("sudden_loss", "speed_change")]


def test_an_engine_that_runs_down_through_a_resonance_of_the_line_has_stopped():
    """Its pulses grow while they slow, and end two seconds after the level had begun to go."""
    t = np.arange(int(22 * RATE_HZ)) / RATE_HZ
    firing = 95.0 * np.clip(1.0 - (t - 10.0) / 2.4, 0, 1)
    size = np.interp(firing, [0.0, 5.0, 15.0, 25.0, 45.0, 95.0], [0.0, 5.0, 20.0, 60.0, 30.0, 8.0])
    level = -700.0 * np.where(t < 10, 1.0, np.exp(-np.clip(t - 10.0, 0, None) / 0.6))
    found = told(level + size * pulses(firing) + noise(len(t), 2.0))
    assert [(h.kind, h.cause) for h in found] == [("sudden_loss", "engine_stop")]


@pytest.mark.parametrize(("cause", "sign"), [("opening", 1), ("suction_lost", -1)])
@pytest.mark.parametrize(("swing", "tau_s"), [(1.0, 0.5), (2.0, 0.8)])
def test_the_ways_tell_the_cause_under_pulses_as_large_as_the_level(swing, tau_s, cause, sign):
    """Flow then goes with the level and no more with its root."""
    phase = np.sin(2 * np.pi * (np.arange(40) + 0.5) / 40)

    def flow(level):
        felt = level + swing * phase
        return float((np.sign(felt) * np.sqrt(np.abs(felt))).mean())

    left = flow(0.4) / flow(1.0)
    level, x = np.empty(int(22.0 * RATE_HZ)), 1.0
    for k, u in enumerate(moved(np.arange(len(level)) / RATE_HZ, 0.1)):
        level[k] = x
        area = 1.0 + (1.0 / left - 1.0) * u if cause == "opening" else 1.0
        draw = 1.0 if cause == "opening" else 1.0 - (1.0 - left) * u
        x += 2.0 / tau_s / RATE_HZ * (draw - area * flow(x) / flow(1.0))
    assert sign * favours_opening(*both_ways(level), swing) > 0.5


def test_a_hose_that_comes_off_moves_no_frequency_as_an_engine_that_stops_does():
    """Next to a sharp resonance the pulses of an engine that slows die at once, and the level with them."""
    t = np.arange(int(20 * RATE_HZ)) / RATE_HZ
    for gone, cause in ((10.0, "tap_off"), (11.0, "engine_stop")):
        firing = 60.0 * np.clip(1.0 - 0.5 * (t - 10.0), 0.0, 1.0) if cause == "engine_stop" else np.full(len(t), 60.0)
        left = np.exp(-np.clip(t - gone, 0, None) / 0.004)
        found = told(left * (-150.0 + 200.0 * pulses(firing)) + noise(len(t), 1.0))
        assert ("sudden_loss", cause) in [(h.kind, h.cause) for h in found]


def test_pulses_that_reach_both_rails_on_the_way_to_one_are_no_jump_of_the_sensor():
    """A single blows its level beyond the range in half a second, after its pulses had touched the other rail."""
    t = np.arange(int(20 * RATE_HZ)) / RATE_HZ
    level = -600.0 + 5000.0 * np.clip((t - 10.0) / 0.8, 0, 1)
    heard = HappeningDetector(DetectorSettings(rate_hz=RATE_HZ, range_low_pa=-1010.0, range_high_pa=990.0))
    heard.feed(t, np.clip(level + 500.0 * pulses(np.full(len(t), 10.0)) + noise(len(t), 2.0), -1010.0, 990.0))
    kept = [(h.kind, h.cause) for h in heard.finish() if h.withdrawn_s is None]
    assert ("rig_fault", "out_of_range") in kept and "sensor_fault" not in [cause for _, cause in kept]


def test_a_pressure_that_stays_is_kept_up_by_an_engine_that_runs_though_its_line_passes_no_pulses_of_that_speed():
    """The throttle opens: faster pulses die in a narrow line, but nothing presses in the crankcase of a dead engine."""
    t = np.arange(int(22 * RATE_HZ)) / RATE_HZ
    on = np.clip((t - 10.0) / 0.6, 0, 1)
    seen = np.where(t < 10.3, 1.0, 0.004)
    found = told(-1500.0 + 1650.0 * on + 200.0 * seen * pulses(20.0 * (1 + 1.2 * on)) + noise(len(t), 8.0))
    assert [h.kind for h in found] == ["sudden_loss", "sign_reversal"]
    assert all(h.cause not in ("engine_stop", "tap_off") for h in found)


def test_lines_that_come_out_of_the_noise_with_a_pressure_are_more_blow_by():
    """Too faint to be seen before, clear since: suction that is lost makes no pulses."""
    t = np.arange(int(22 * RATE_HZ)) / RATE_HZ
    on = np.clip((t - 10.0) / 0.2, 0, 1)
    level = -1100.0 + 1250.0 * on
    found = told(level + (1.0 + 9.0 * on) * np.sin(2 * np.pi * 51.3 * t) + noise(len(t), 12.0))
    assert [(h.kind, h.cause) for h in found] == [("sudden_loss", "blow_by_rise"), ("sign_reversal", "blow_by_rise")]


def test_a_level_still_on_its_way_is_no_growth_of_what_lies_below_the_lines():
    """Its own bend fills the lowest frequencies of what is heard after."""
    t = np.arange(int(22 * RATE_HZ)) / RATE_HZ
    level = -150.0 + 230.0 * (1.0 - np.exp(-np.maximum(t - 10.0, 0) / 2.5))
    found = told(level + 12.0 * pulses(np.full(len(t), 26.7)) + noise(len(t), 0.3))
    assert {h.cause for h in found} == {"suction_lost"}


def test_a_sensor_that_wanders_beside_an_engine_at_rest_neither_lost_a_vacuum_nor_changed_sign():
    """What it wanders by is known only once it has been heard for a while: what was flagged before is taken back."""
    rate_hz, kept = 200.0, []
    for seed in (10, 20, 30):
        rng = np.random.default_rng(seed)
        walk = np.convolve(rng.standard_normal(int(24 * rate_hz) + 200), np.ones(200) / 200.0**0.5, "valid")
        kept += told(18.0 * walk + noise(len(walk), 60.0, seed + 100), rate_hz)
    assert not kept
