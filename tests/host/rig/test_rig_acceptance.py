"""Acceptance of a built rig: good rigs pass, each fault of a rig fails its own check."""

from dataclasses import replace

import numpy as np
import pytest

from sumpglass.analysis.acceptance import (
    FAILED,
    PASSED,
    UNKNOWN,
    BoardFacts,
    find_part,
    judge_rest,
    judge_taps,
    tap_response,
)
from sumpglass.analysis.error_budget import STAGES, error_budget
from sumpglass.errors import InputError
from sumpglass.physics.line import transfer
from sumpglass.physics.sensor_parts import SENSOR_PARTS
from sumpglass.records import LinkLosses, Recording, SensorFacts, SensorFault, SensorLine

BOARD = BoardFacts(1000.0, 3, 0, 0.0002, 110_000, 5.02, 0)


def at_rest(seed=0, seconds=90, rate_hz=1000.0, noise_pa=3.0, offset_pa=20.0, drift_pa_per_min=0.0, **more):
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    pressure = offset_pa + drift_pa_per_min * t / 60 + rng.normal(0, noise_pa, len(t))
    return Recording(t, np.round(pressure / 1.34) * 1.34, rate_hz=rate_hz,
                     sensor=SensorFacts("MPXV7002DP", -2000, 2000, 1.34), **more)  # fmt: skip


def outcomes(rest, board=BOARD):
    return {check.name: check.outcome for check in judge_rest(rest, board)}


def test_a_good_rig_passes_all_of_it():
    for seed in range(5):
        assert set(outcomes(at_rest(seed)).values()) == {PASSED}


@pytest.mark.parametrize(
    ("rest", "board", "name"),
    [
        (at_rest(noise_pa=25.0), BOARD, "noise of one sample"),
        (at_rest(offset_pa=300.0), BOARD, "zero, size"),
        (at_rest(drift_pa_per_min=12.0), BOARD, "drift"),
        (at_rest(losses=LinkLosses(frames_lost=4)), BOARD, "frames lost or damaged"),
        (at_rest(missing=400), BOARD, "samples missing"),
        (at_rest(sensor_faults=(SensorFault(3.0, 4.0, "bad_checksum"),)), BOARD, "sensor faults"),
        (at_rest(), replace(BOARD, late_samples=900), "samples late"),
        (at_rest(), replace(BOARD, largest_lateness_s=0.0055), "largest lateness"),
        (at_rest(), replace(BOARD, free_memory_bytes=41_000), "free memory on the board"),
        (at_rest(), replace(BOARD, supply_v=4.3), "supply"),
        (at_rest(), replace(BOARD, nominal_rate_hz=990.0), "rate, off by"),
        (at_rest(), replace(BOARD, faults=("stuck",)), "sensor faults"),
    ],
)
def test_each_fault_fails_its_own_check(rest, board, name):
    found = outcomes(rest, board)
    assert found[name] == FAILED
    assert [other for other, outcome in found.items() if outcome == FAILED and other not in (name, "at rest")] == []


def test_running_engine_is_not_at_rest():
    rest = at_rest()
    moving = replace(rest, pressure_pa=rest.pressure_pa + 40 * np.sin(2 * np.pi * 26.7 * rest.t_s))
    assert outcomes(moving)["at rest"] == FAILED


def test_what_the_board_does_not_say_is_not_known():
    found = outcomes(at_rest(), BoardFacts())
    assert found["supply"] == found["samples late"] == found["free memory on the board"] == UNKNOWN
    assert outcomes(at_rest(seconds=20))["drift"] == UNKNOWN


def test_too_short():
    with pytest.raises(InputError, match="record longer"):
        judge_rest(at_rest(seconds=1), BOARD)


def tapped(line, rate_hz=1000.0, noise_pa=2.0, tap_s=0.004, seed=1):
    """Taps through a hose by its own transfer function: a finger closes the end in `tap_s` and lets go slowly."""
    n, fine = round(6 * rate_hz), 8
    t = np.arange(n * fine) / (rate_hz * fine)
    port = np.zeros(len(t))
    for at in (1.0, 2.1, 3.3, 4.7):
        port += 120 * np.clip((t - at) / tap_s, 0, 1) * np.exp(-np.maximum(t - at, 0) / 0.08)
    spectrum = np.fft.rfft(port)
    f = np.fft.rfftfreq(len(t), t[1])
    spectrum[1:] *= transfer(f[1:], line)
    pressure = np.fft.irfft(spectrum, len(t))[::fine] + np.random.default_rng(seed).normal(0, noise_pa, n)
    return Recording(np.arange(n) / rate_hz, pressure, rate_hz=rate_hz)


def test_open_hose_passes_and_a_choked_one_fails():
    open_hose = SensorLine(4e-3, 0.5, 300e-9)
    choked = SensorLine(0.8e-3, 0.5, 5000e-9)
    good, bad = judge_taps(tapped(open_hose)), judge_taps(tapped(choked))
    assert good.outcome == PASSED
    assert "4 taps" in good.measured
    assert bad.outcome == FAILED
    assert bad.value < 0.5 * good.value


def test_no_tap_and_slow_sampling():
    silent = at_rest(seconds=5)
    assert tap_response(silent) is None
    assert judge_taps(silent).outcome == FAILED
    slow = judge_taps(tapped(SensorLine(4e-3, 0.5, 300e-9), rate_hz=50.0, tap_s=0.03))
    assert slow.outcome in (UNKNOWN, FAILED)


def test_parts_are_found_by_the_name_on_the_board():
    assert find_part("MPXV7002DP").key == "MPXV7002-adc12"
    assert find_part("SDP810-500").key == "SDP810-500"
    assert find_part("nothing of the kind") is None


@pytest.mark.parametrize("key", sorted(SENSOR_PARTS))
def test_budgets_shrink_with_care(key):
    part = SENSOR_PARTS[key]
    for pressure in (100.0, 1000.0, 5000.0):
        widths = [error_budget(part, pressure, stage).u95_pa for stage in STAGES]
        assert widths[0] >= widths[1]
        assert all(width > 0 for width in widths)
    assert error_budget(part, 5000.0, "zeroed").in_range == (max(-part.range_low_pa, part.range_high_pa) >= 5000)


def test_budget_by_hand():
    # Rectangular limits over sqrt 3, by hand: 34.5 Pa drift, 0.0075 of 1 kPa, 34.5 Pa nonlinearity, q/sqrt 12.
    budget = error_budget(SENSOR_PARTS["BRIDGE14-7K"], 1000.0, "zeroed", rate_hz=1000.0)
    by_name = {line.name: line.u_pa for line in budget.lines}
    assert by_name["gain"] == pytest.approx(4.330, abs=1e-3)
    assert by_name["resolution"] == pytest.approx(1.05206 / 12**0.5, abs=1e-4)
    assert by_name["zero drift"] == pytest.approx(34.475 / 3**0.5, abs=1e-3)
    assert budget.u95_pa == pytest.approx(2 * sum(u * u for u in by_name.values()) ** 0.5)
    with pytest.raises(ValueError, match="stage"):
        error_budget(SENSOR_PARTS["BRIDGE14-7K"], 1000.0, "guessed")
