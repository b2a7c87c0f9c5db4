"""The board's clock against the host's."""

import numpy as np
import pytest

from sumpglass.decode.clock import EchoClock, fit_arrivals, fit_clock


def test_drift_regression_agrees_with_an_independent_computation():
    # Offsets of a device clock read every minute; line, its uncertainties and its value at one hour computed with
    # mpmath and statsmodels 0.15.0.
    host = np.arange(11) * 60.0
    device = np.array([0.251, 60.2514, 120.2568, 180.2572, 240.2576, 300.263, 360.2644, 420.2658, 480.2702, 540.2696,
                       600.275])  # fmt: skip
    fit = fit_clock(host, device, rate_prior=None)
    assert fit.rate == pytest.approx(38.9393939394e-6, rel=1e-9)
    assert fit.rate_u == pytest.approx(2.21935076189e-6, rel=1e-9)
    assert fit.host_s(0.0) == pytest.approx(0.250318181818, abs=1e-11)
    assert fit.host_s(3600.0) - 3600.0 == pytest.approx(0.390500, abs=1e-9)
    scatter = fit.offset_u_s * np.sqrt(11)
    assert scatter == pytest.approx(1.39660482976e-3, rel=1e-9)
    assert np.hypot(fit.offset_u_s, fit.rate_u * 3300.0) == pytest.approx(7.335953e-3, rel=1e-6)


def test_slope_uncertainty_of_eleven_points_a_minute_apart_with_a_millisecond():
    # s / sqrt(Sxx) = 1.589104 ppm for 11 points 60 s apart with 1 ms scatter.
    host = np.arange(11) * 60.0
    residual = np.array([1, -1, -1, 1, 1, -1, -1, 1, 0, 0, 0.0])
    residual -= np.polyval(np.polyfit(host, residual, 1), host)
    residual *= 1e-3 * np.sqrt(9) / np.sqrt(residual @ residual)
    assert fit_clock(host, host + residual, rate_prior=None).rate_u == pytest.approx(1.589104e-6, rel=1e-6)


@pytest.mark.parametrize("ppm", [-100, 0, 37, 100])
def test_echoes_find_the_drift_within_a_millisecond_in_a_minute(ppm):
    generator = np.random.default_rng(500 + ppm)
    clock = EchoClock()
    for sent in np.arange(0, 60, 2.5):
        there, back = generator.exponential(0.0004, 2) + 0.0002
        board_us = round((1000 + (sent + there) * (1 + ppm * 1e-6)) * 1e6)
        clock.add(sent, board_us, board_us + 150, sent + there + 0.00015 + back)
    fit = clock.fit()
    for true_s in (0.0, 30.0, 60.0):
        assert fit.host_s(1000 + true_s * (1 + ppm * 1e-6)) == pytest.approx(true_s, abs=1e-3)
    assert abs(fit.trusted_rate + ppm * 1e-6) < 12e-6


def test_a_short_recording_keeps_the_boards_pace():
    clock = EchoClock()
    clock.add(0.0, 0, 100, 0.003)
    clock.add(1.0, 1_000_300, 1_000_400, 1.0005)
    clock.add(2.0, 2_000_300, 2_000_400, 2.0005)
    assert clock.fit().trusted_rate == 0.0
    assert EchoClock().fit() is None


def test_echoes_that_make_no_sense_are_left_out_and_memory_is_bounded():
    clock = EchoClock(most=64)
    clock.add(10.0, 0, 100, 9.0)
    clock.add(10.0, 0, 100, 40.0)
    assert len(clock) == 0
    for k in range(1000):
        clock.add(k, k * 1_000_000 + 200, k * 1_000_000 + 250, k + 0.0005)
    assert len(clock) <= 64


def test_arrivals_alone_give_the_rate_under_their_delays():
    generator = np.random.default_rng(3)
    board = np.arange(0, 600, 0.5)
    arrived = board * (1 + 80e-6) + 5.0 + 0.02 + generator.exponential(0.03, len(board))
    fit = fit_arrivals(board.tolist(), arrived.tolist())
    assert fit.rate == pytest.approx(80e-6, abs=15e-6)
    assert fit_arrivals([0.0, 1.0], [0.0, 1.0]) is None
