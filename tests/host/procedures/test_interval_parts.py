"""What the intervals of the trade's tests have to count: laws not told apart, the plug's bore, gas that warms, noise
of long memory, coarse codes, an engine that does not come back to the same level."""

import numpy as np
import pytest

from sumpglass.procedures.decay_judge import judge_hold
from sumpglass.procedures.settled import level_of
from sumpglass.procedures.taken import Taken, taken_from
from sumpglass.procedures.trade_test import find_test
from sumpglass.records import Recording, Zero

RATE_HZ = 50.0


def recording(vacuum, noise=1.0, seed=0):
    shown = -vacuum + noise * np.random.default_rng(seed).standard_normal(len(vacuum))
    return Recording(np.arange(len(vacuum)) / RATE_HZ, shown, rate_hz=RATE_HZ, zero=Zero(0.0, 1.0))


def times(seconds):
    return np.arange(int(seconds * RATE_HZ)) / RATE_HZ


@pytest.mark.parametrize("exponent", [0.5, 1.0])
def test_a_slow_leak_may_be_an_opening_or_a_capillary(exponent):
    """2000 Pa that lose 20 Pa: at 500 Pa an opening leaks half of what it does now, a capillary a quarter."""
    t = times(20.0)
    vacuum = 2000.0 * np.exp(-t / 2000.0) if exponent == 1.0 else (2000.0**0.5 - t / 2000.0**0.5 / 2.0) ** 2
    hold = judge_hold(recording(vacuum, 3.0), 6.0)
    assert hold.rate_lo95 < 0.28 and hold.rate_hi95 > 0.45, "1 Pa/s now"


def test_a_law_that_is_told_apart_narrows_the_rate():
    hold = judge_hold(recording(2000.0 * np.exp(-times(60.0) / 12.0)), 6.0)
    assert hold.model == "laminar" and hold.rate_lo95 < 500.0 / 12.0 < hold.rate_hi95
    assert hold.rate_hi95 / hold.rate_lo95 < 1.02


def test_the_bore_of_the_reference_plug_counts():
    alone = recording(2000.0 * np.exp(-times(60.0) / 20.0), 0.1)
    both = recording(2000.0 * np.exp(-times(60.0) / 10.0), 0.1)
    hold = judge_hold(alone, reference=both, reference_opening_mm=0.5)
    # A hole of 0.5 mm known to 0.01 mm: 2 %, however good the decays are.
    assert (hold.equivalent_hi95_mm - hold.equivalent_lo95_mm) / 2 / hold.equivalent_mm == pytest.approx(0.02, rel=0.2)


@pytest.mark.parametrize("kelvin_min", [-0.04, 0.04])
def test_gas_that_warms_or_cools_within_what_is_allowed(kelvin_min):
    """A capillary of 30 s and a push of 345.6 Pa a kelvin: the fall's own rate is still in its interval."""
    t, push = times(90.0), 345.6 * kelvin_min / 60.0
    vacuum = (2000.0 + 30.0 * push) * np.exp(-t / 30.0) - 30.0 * push
    hold = judge_hold(recording(vacuum), 6.0)
    assert hold.half_time_lo95_s < 30.0 * np.log(2.0) < hold.half_time_hi95_s
    assert hold.rate_lo95 < 500.0 / 30.0 < hold.rate_hi95


def test_slow_noise_widens_and_white_noise_does_not():
    rng = np.random.default_rng(3)
    falling = 2000.0 * np.exp(-times(60.0) / 15.0)
    n = len(falling)
    lines = np.fft.rfftfreq(n)
    wander = np.fft.irfft((rng.standard_normal(len(lines)) + 1j * rng.standard_normal(len(lines))) / np.maximum(
        lines, 1 / n) ** 0.5, n)  # fmt: skip
    wander *= 3.0 / wander.std()
    still = judge_hold(recording(falling, 3.0), 6.0)
    slow = judge_hold(recording(falling - wander, 0.3), 6.0)
    widths = [(h.rate_hi95 - h.rate_lo95) / h.rate_pa_s_at_500pa for h in (still, slow)]
    assert widths[1] > 1.5 * widths[0]


@pytest.mark.parametrize("code_pa", [4.0, 10.0])
def test_a_zero_that_rests_on_coarse_codes(code_pa):
    t = times(10.0)
    true = 0.3 * code_pa + 0.15 * code_pa * np.random.default_rng(5).standard_normal(len(t))
    taken = taken_from("zero", level_of(t, code_pa * np.round(true / code_pa)), {})
    assert abs(taken.mean_pa - 0.3 * code_pa) <= taken.u95_pa <= 0.6 * code_pa


def test_two_idles_that_agree_by_luck_do_not_make_the_change_exact():
    test = find_test("valve-response")

    def level(name, pa):
        return Taken(name, 0.0, 10.0, pa, 0.1)

    verdict = test.judge([level("idle", -800.0), level("idle again", -800.0), level("cruise", -804.0)], test.settings())
    assert verdict.state == "undecided", "half a per cent of 800 Pa is what an idle comes back within"
    verdict = test.judge([level("idle", -800.0), level("idle again", -800.0), level("cruise", -900.0)], test.settings())
    change = next(f for f in verdict.figures if f.name == "change_pa")
    assert verdict.state == "good" and change.lo95 < -100.0 < change.hi95 < 0.0


def test_a_tight_crankcase_whose_gas_cools_is_judged_though_its_vacuum_deepens():
    pump, t = np.linspace(0.0, 2000.0, int(2 * RATE_HZ)), times(60.0)
    hold = judge_hold(recording(np.concatenate([pump, 2000.0 + 0.15 * t])), 6.0)
    assert hold.half_time_s is None and hold.leak_lo95 == 0.0
    # 0.15 Pa/s on 6 L: 0.0053 L/min of an opening at 500 Pa would hide behind as much cooling.
    assert hold.leak_hi95 < 0.02
