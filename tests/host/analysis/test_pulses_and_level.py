"""Speed, evenness, level and clipping on signals whose truth is known."""

import numpy as np
import pytest

from sumpglass.analysis.clipping import find_clipping, resolution_of, sample_noise
from sumpglass.analysis.level import mean_in_time, quantising_u95, read_level
from sumpglass.analysis.pulses import find_pulses
from sumpglass.analysis.statistics import mean_with_autocorrelation
from sumpglass.analysis.stretches import settled_stretches

RATE = 1000.0


def signal(lines, seconds=10.0, noise=3.0, seed=0):
    """Sum of (hz, amplitude) lines and white noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * RATE)) / RATE
    return sum(a * np.sin(2 * np.pi * f * t + k) for k, (f, a) in enumerate(lines)) + noise * rng.standard_normal(
        len(t)
    )


@pytest.mark.parametrize("rpm", [420.0, 800.0, 3000.0, 5900.0])
@pytest.mark.parametrize("cylinders", [3, 4, 5, 6])
def test_firing_lines_give_the_speed(rpm, cylinders):
    cycle = rpm / 120
    reading = find_pulses(signal([(cylinders * cycle, 60), (2 * cylinders * cycle, 15), (cycle, 3)]), RATE, cylinders)
    assert reading.rpm == pytest.approx(rpm, rel=0.002)
    assert reading.firing_hz == pytest.approx(cylinders * cycle, rel=0.002)
    assert abs(reading.rpm - rpm) < max(reading.rpm_u95, 0.5) * 2


def test_in_a_single_the_strongest_line_is_twice_the_firing():
    cycle = 700 / 120
    reading = find_pulses(signal([(2 * cycle, 300), (cycle, 40), (3 * cycle, 20), (4 * cycle, 30)]), RATE, 1)
    assert reading.rpm == pytest.approx(700, rel=0.002)
    assert reading.uneven is None


def test_no_speed_where_there_is_no_engine():
    rng = np.random.default_rng(1)
    for seed in range(20):
        wander = np.cumsum(rng.standard_normal(10_000)) * 0.2
        assert find_pulses(signal([], seed=seed) + (seed % 2) * wander, RATE, 4).rpm is None
    assert find_pulses(np.full(10_000, -3.0), RATE, 4).firing_hz is None
    assert find_pulses(np.empty(0), RATE, 4).firing_hz is None


def test_half_order_amplitude_is_told_and_corrected_for_the_line():
    cycle = 850 / 120
    trace = signal([(4 * cycle, 100), (cycle, 30), (2 * cycle, 12), (3 * cycle, 9)], 20.0)
    plain = find_pulses(trace, RATE, 4)
    assert plain.half_order_pa == pytest.approx(30, rel=0.05)
    assert plain.half_order_ratio == pytest.approx(30 / np.sqrt(100**2 + 30**2 + 12**2 + 9**2), rel=0.08)
    assert plain.uneven is True
    half = find_pulses(trace, RATE, 4, lambda hz: np.full(len(hz), 0.5))
    assert half.half_order_pa == pytest.approx(60, rel=0.05)
    assert find_pulses(signal([(4 * cycle, 100), (cycle, 1)], 20.0), RATE, 4).uneven is False


def test_without_cylinders_there_is_no_rpm():
    reading = find_pulses(signal([(26.67, 100), (53.3, 20)]), RATE, None)
    assert reading.rpm is None
    assert reading.firing_hz == pytest.approx(26.67, rel=0.003)


@pytest.mark.parametrize("memory_s", [0.0, 0.1, 1.0])
def test_interval_holds_the_mean_of_correlated_noise(memory_s):
    held = 0
    for seed in range(150):
        rng = np.random.default_rng(seed)
        noise = rng.standard_normal(4000)
        if memory_s:
            a = np.exp(-1 / (100 * memory_s))
            for k in range(1, len(noise)):
                noise[k] = a * noise[k - 1] + np.sqrt(1 - a * a) * noise[k]
        found = mean_with_autocorrelation(noise)
        from sumpglass.analysis.statistics import student_95

        held += abs(found.value) <= student_95(found.degrees_of_freedom) * found.u
    # 95 % of 150, with three standard errors of such a count.
    assert 0.895 <= held / 150 <= 1.0


def test_level_counts_all_parts_of_its_interval():
    p = np.random.default_rng(0).normal(-400, 5, 5000)
    reading = read_level(float(p.mean()), [p], 10.0, 0.02, 0.0)
    assert reading.state == "vacuum"
    assert reading.u95_pa == pytest.approx(np.hypot(10.0, 8.0), rel=0.01)
    assert read_level(4.0, [p + 404], 10.0, 0.0, 0.0).state == "undecided"


def test_a_reading_on_one_code_is_known_to_half_of_it():
    assert quantising_u95(6.0, 0.0) == pytest.approx(2.85)
    assert quantising_u95(6.0, 12.0) < 1e-6
    assert quantising_u95(0.0, 1.0) == 0.0


def test_clipping_with_and_without_a_known_range():
    swing = 900 * np.sin(np.arange(5000) * 0.2) - 500 + np.random.default_rng(0).normal(0, 3, 5000)
    clipped = np.round(np.clip(swing, -1000, 1000))
    true_share = float(np.mean(clipped == -1000))
    known = find_clipping(clipped, -1000.0, 1000.0)
    assert known.low and not known.high
    assert known.share == pytest.approx(true_share, rel=0.1)
    assert find_clipping(clipped, None, None).share == pytest.approx(true_share, rel=0.02)
    assert find_clipping(np.round(swing), None, None).share == 0.0
    assert find_clipping(np.full(100, -3.0), None, None).share == 0.0


def test_resolution_and_noise_are_read_off_the_samples():
    noise = np.random.default_rng(0).normal(0, 8, 20_000)
    assert resolution_of(np.round(noise / 1.34) * 1.34) == pytest.approx(1.34)
    assert sample_noise(noise + 300 * np.sin(np.arange(20_000) * 0.16)) == pytest.approx(8, rel=0.1)


def test_hum_of_the_mains_fainter_than_the_noise_is_no_engine():
    rng = np.random.default_rng(77)
    t = np.arange(20_000) / 1000
    hum = 3.0 * np.sin(2 * np.pi * 50 * t) + 1.0 * np.sin(2 * np.pi * 150 * t)
    for cylinders in (None, 1, 2, 4, 6):
        assert find_pulses(38.0 + hum + rng.normal(0, 4.5, len(t)), 1000.0, cylinders).firing_hz is None


@pytest.mark.parametrize("seed", range(5))
def test_hum_on_the_vacuum_that_an_engine_left_behind_is_no_engine(seed):
    """For a second and a quarter, in which no hum can be told from a line that wanders."""
    rng = np.random.default_rng(seed)
    t = np.arange(313) / 250
    left = -2440.0 * (1.0 - 0.31 * t) ** 2
    hum = 2.0 * np.sin(2 * np.pi * 50.02 * t + rng.uniform(0, 6))
    assert find_pulses(left + hum + rng.normal(0, 1.8, len(t)), 250.0, 4).firing_hz is None


def test_an_engine_at_the_speed_of_the_mains_is_still_told():
    rng = np.random.default_rng(78)
    t = np.arange(20_000) / 1000
    pulses = 60.0 * np.sin(2 * np.pi * 50 * t) + 15.0 * np.sin(2 * np.pi * 100 * t)
    reading = find_pulses(-400.0 + pulses + rng.normal(0, 4.5, len(t)), 1000.0, 4)
    assert abs(reading.rpm - 1500.0) < 3.0


def test_speed_of_a_hunting_engine_is_known_no_better_than_the_hunt_was_seen():
    """A slow hunt of 0.4 % seen for 12 s: its interval holds the speed that the engine hunts about, in most seeds."""
    held, widths = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        t = np.arange(int(12 * RATE)) / RATE
        hunt = 0.004 * np.sin(2 * np.pi * t / rng.uniform(5.0, 20.0) + rng.uniform(0, 6.28))
        cycles = np.cumsum(800.0 / 120.0 * (1.0 + hunt)) / RATE
        wave = sum(a * np.sin(2 * np.pi * k * cycles + k) for k, a in ((1, 5.0), (4, 80.0), (8, 20.0)))
        reading = find_pulses(wave + 3.0 * rng.standard_normal(len(t)), RATE, 4)
        held.append(abs(reading.rpm - 800.0) <= reading.rpm_u95)
        widths.append(reading.rpm_u95)
    assert sum(held) >= 11
    assert max(widths) < 0.015 * 800.0


def test_a_level_that_goes_steadily_is_known_as_well_as_its_noise_allows():
    """What is told is the mean in time: 100 Pa of way in it is no doubt about it, noise with a memory is."""
    rng = np.random.default_rng(4)
    steady, noise = np.linspace(-550.0, -450.0, 4000), 5.0 * rng.standard_normal(4000)
    told = read_level(-500.0, [steady + noise], 0.0, 0.0, 0.0, seconds=40.0)
    assert abs(float((steady + noise).mean()) + 500.0) < told.u95_pa < 2.0
    slow = np.cumsum(noise) / 30.0
    assert read_level(float(slow.mean()), [slow], 0.0, 0.0, 0.0, seconds=40.0).u95_pa > 2.0


def test_beside_a_gap_a_sample_stands_for_a_quarter_of_a_period_more():
    t, p = np.array([0.0, 1.0, 2.0, 10.0, 11.0]), np.array([1.0, 2.0, 3.0, 5.0, 7.0])
    assert mean_in_time(t, p, 1.0) == pytest.approx((1.0 + 2.0 + 1.25 * 3.0 + 1.25 * 5.0 + 7.0) / 5.5)
    # Twice the samples in the second half of a ramp: their time counts, not their number.
    t = np.concatenate([np.arange(0.0, 500.0), np.arange(500.0, 1000.0, 0.5)])
    assert mean_in_time(t, t, 1.0) == pytest.approx(500.0, abs=0.5)


def test_a_speed_that_moves_over_seconds_parts_the_stretches_and_a_drift_does_not():
    rate, rng = 500.0, np.random.default_rng(8)
    t = np.arange(0.0, 40.0, 1.0 / rate)

    def stretches(hz):
        phase = 2 * np.pi * np.cumsum(hz) / rate
        p = -500.0 + 200.0 * np.sin(phase) + 60.0 * np.sin(2 * phase + 1.0) + rng.normal(0.0, 10.0, len(t))
        return settled_stretches(t, p, rate, [])

    parted = stretches(np.interp(t, [20.0, 23.0], [27.0, 66.0]))
    assert [round(piece.t0_s) for piece in parted][0] == 0 and 18.0 < parted[0].t1_s < 20.6
    assert 22.4 < parted[-1].t0_s < 25.0 and parted[-1].t1_s > 39.0
    assert len(stretches(np.interp(t, [0.0, 40.0], [27.0, 30.0]))) == 1
    # One line gives way to its double: of the same engine, at the same speed.
    louder = np.interp(t, [18.0, 22.0], [0.0, 400.0]) * np.sin(2 * np.pi * 54.0 * t)
    p = -500.0 + 200.0 * np.sin(2 * np.pi * 27.0 * t) + louder + rng.normal(0.0, 10.0, len(t))
    assert not [piece for piece in settled_stretches(t, p, rate, []) if piece.t1_s - piece.t0_s < 1.0]
