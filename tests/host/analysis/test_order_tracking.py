"""Speed that moves within a recording: its course, the lines made sharp again, and the speed that is told."""

import numpy as np
import pytest

from sumpglass.analysis.order_tracking import course_of_speed, in_crank_angle
from sumpglass.analysis.pulses import find_pulses

RATE = 500.0


def moving(rpm_from, rpm_to, cylinders=4, seconds=12.0, noise_pa=4.0, seed=3):
    """(pressures (n,), true speeds (n,)) of an engine whose speed goes evenly over the middle of the recording."""
    rng = np.random.default_rng(seed)
    n = int(seconds * RATE)
    rpm = np.interp(np.arange(n), [0, 0.2 * n, 0.8 * n, n], [rpm_from, rpm_from, rpm_to, rpm_to])
    turn = 2 * np.pi * np.cumsum(rpm / 120) / RATE
    sizes = {1: 2.0, 2: 1.5, cylinders: 60.0, 2 * cylinders: 20.0, 3 * cylinders: 5.0}
    pulses = sum(size * np.sin(tooth * turn + tooth) for tooth, size in sizes.items())
    return -300.0 + pulses + rng.normal(0, noise_pa, n), rpm


@pytest.mark.parametrize(("first", "last"), [(800.0, 1000.0), (2400.0, 1800.0), (1500.0, 1500.0)])
def test_the_course_of_the_speed_is_followed(first, last):
    pressure, rpm = moving(first, last)
    course = course_of_speed(pressure - pressure.mean(), RATE)
    assert np.abs(course / (rpm / rpm.mean()) - 1.0).max() < 0.03
    assert course.mean() == pytest.approx(1.0)


def test_in_steps_of_crank_angle_a_sweep_is_one_sharp_line():
    n = 5000
    relative = np.linspace(0.8, 1.2, n)
    sweep = np.sin(2 * np.pi * 40.0 * np.cumsum(relative) / RATE)
    spectrum = np.abs(np.fft.rfft(in_crank_angle(sweep, relative) * np.hanning(n)))
    assert np.argmax(spectrum) == pytest.approx(40.0 * n / RATE, abs=1)
    assert spectrum.max() == pytest.approx(n / 4, rel=0.02)


@pytest.mark.parametrize(("first", "last", "cylinders"), [(800.0, 1000.0, 4), (2400.0, 1800.0, 3), (1300.0, 1700.0, 6)])
def test_a_speed_that_moves_is_told_with_where_it_ends(first, last, cylinders):
    pressure, rpm = moving(first, last, cylinders)
    reading = find_pulses(pressure, RATE, cylinders)
    assert reading.rpm == pytest.approx(rpm.mean(), rel=0.01)
    assert reading.rpm * reading.ends_at == pytest.approx(last, rel=0.02)
    assert any("not the same throughout" in words for words in reading.warnings)
    assert abs(reading.rpm - rpm.mean()) < reading.rpm_u95


def test_noise_alone_has_no_speed_however_it_is_bent():
    rng = np.random.default_rng(8)
    for _ in range(10):
        wander = np.cumsum(rng.normal(0, 1.0, 8000))
        assert find_pulses(rng.normal(0, 5.0, 8000) + 0.3 * wander, RATE, 4).rpm is None
