"""Spectra held against scipy, which shares no code with them, and against a sine of known size."""

import numpy as np
import pytest
from scipy import signal

from sumpglass.analysis.spectrum import exceeded_by_chance, welch


def test_density_is_that_of_scipy_welch():
    x = np.random.default_rng(1).standard_normal(20_000).cumsum() * 0.01 + np.random.default_rng(2).standard_normal(
        20_000
    )
    ours = welch(x, 1000.0, 1024)
    hz, density = signal.welch(x, 1000.0, "hann", 1024, detrend="linear", scaling="density")
    assert ours.hz == pytest.approx(hz)
    assert ours.density_pa2_hz[1:] == pytest.approx(density[1:], rel=1e-9)


@pytest.mark.parametrize("hz", [25.0, 25.9, 26.67, 133.4])
def test_a_sine_keeps_its_amplitude(hz):
    t = np.arange(8000) / 1000.0
    found = welch(150.0 * np.sin(2 * np.pi * hz * t), 1000.0, 2000)
    near = np.abs(found.hz - hz) < 3 * found.bin_hz
    power = found.density_pa2_hz[near].sum() * found.bin_hz
    assert np.sqrt(2 * power) == pytest.approx(150.0, rel=0.002)


def test_hann_noise_bandwidth_is_one_and_a_half_bins():
    # Harris 1978, Proc. IEEE 66, 51-83, table 1.
    assert welch(np.random.default_rng(0).standard_normal(1000), 1.0, 200).noise_bandwidth_bins == pytest.approx(
        1.5, rel=1e-3
    )


def test_chance_limit_is_that_of_the_chi_square_distribution():
    from scipy.stats import chi2

    for averages in (4.0, 16.0, 60.0):
        for chance in (1e-2, 1e-5):
            wanted = chi2.isf(chance, 2 * averages) / (2 * averages)
            assert exceeded_by_chance(averages, chance) == pytest.approx(wanted, rel=0.03)
