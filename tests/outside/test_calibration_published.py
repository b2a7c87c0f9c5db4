"""Calibration against published or independently computed values."""

import math

import numpy as np
import pytest

from sumpglass.analysis.calibration import CalibrationPoint, calibrate, fit_line, weighted_mean
from sumpglass.analysis.water_column import WaterColumn, column_covariance, column_pascals
from sumpglass.errors import InputError
from sumpglass.physics.sensor_parts import (
    SENSOR_PARTS,
    analogue_scale,
    analogue_volts,
    bridge_14bit_scale,
    ratiometric_pascals,
    thermal_scale,
    twos_complement,
    xgzp6897d_scale,
)


def bare_pascals_per_mm(column: WaterColumn) -> float:
    """The column's scale with the displaced air added back, as the reference figures leave it out."""
    air = 101325.0 / (287.055 * (column.water_c + 273.15))
    slope = math.sin(math.radians(column.tilt_deg)) if column.kind == "inclined" else 1.0
    times = 2.0 if column.kind == "u_tube_one_limb" else 1.0
    return column.pascals_per_mm + air * column.gravity_m_s2 * times * (slope + column.area_ratio) / 1000.0


@pytest.mark.parametrize(
    ("tilt_deg", "alone_pa", "with_reservoir_pa"),
    [(10, 169.985308, 179.774372), (15, 253.359613, 263.148677), (30, 489.453187, 499.242250)],
)
def test_inclined_tube_100_mm(tilt_deg, alone_pa, with_reservoir_pa):
    # Computed with 998.2067 kg/m3 (Tanaka et al. 2001, Metrologia 38, 301, at 20 degC, rounded) and standard gravity.
    assert 100 * bare_pascals_per_mm(WaterColumn("inclined", tilt_deg=tilt_deg)) == pytest.approx(alone_pa, rel=1e-7)
    wide = WaterColumn("inclined", tilt_deg=tilt_deg, area_ratio=0.01)
    assert 100 * bare_pascals_per_mm(wide) == pytest.approx(with_reservoir_pa, rel=1e-7)


def test_displaced_air_takes_off_an_eighth_of_a_percent():
    # 169.780261 Pa with air of 1.2041 kg/m3, computed as above.
    assert float(column_pascals(WaterColumn("inclined", tilt_deg=10), 100.0)) == pytest.approx(169.780261, rel=1e-7)


@pytest.mark.parametrize(("tilt_deg", "percent"), [(10, 0.98983), (15, 0.65137), (30, 0.30230)])
def test_tilt_error_of_a_tenth_of_a_degree(tilt_deg, percent):
    # cot(tilt) times 0.1 degree in radians: closed form.
    column = WaterColumn("inclined", tilt_deg=tilt_deg, u_tilt_deg=0.1)
    assert 100 * column.relative_parts()["tilt"] == pytest.approx(percent, rel=2e-5)


def test_u_tube_counts_twice_when_one_limb_is_read():
    # 2 kPa of water at 20 degC is 204.30963 mm in all, 102.15482 mm in each limb: closed form with Tanaka's density.
    assert 204.30963 * bare_pascals_per_mm(WaterColumn("u_tube")) == pytest.approx(2000.0, rel=1e-7)
    assert 102.15482 * bare_pascals_per_mm(WaterColumn("u_tube_one_limb")) == pytest.approx(2000.0, rel=1e-7)


@pytest.mark.parametrize(
    ("water_c", "mm"), [(4, 101.9742), (15, 102.0632), (20, 102.1548), (25, 102.2736), (30, 102.4173)]
)
def test_one_kilopascal_of_water(water_c, mm):
    # Computed with IAPWS-95 densities and standard gravity.
    assert mm * bare_pascals_per_mm(WaterColumn("upright", water_c=water_c)) == pytest.approx(1000.0, rel=2e-6)


@pytest.mark.parametrize(
    ("latitude", "gravity"), [(0, 9.7803253359), (45, 9.8061977694), (60, 9.8191769531), (90, 9.8321849379)]
)
def test_local_gravity(latitude, gravity):
    # WGS 84 normal gravity (NIMA TR8350.2), constants from memory; free air -3.086e-6 per second squared.
    assert WaterColumn(latitude_deg=latitude).gravity_m_s2 == pytest.approx(gravity, rel=1e-9)
    assert WaterColumn(latitude_deg=latitude, altitude_m=1000).gravity_m_s2 == pytest.approx(
        gravity - 3.086e-3, rel=1e-9
    )


def test_norris_of_the_statistical_reference_datasets():
    # NIST StRD, Norris: intercept, slope and their standard errors. Unit weights, errors scaled by the residual SD.
    x = [
        0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0,
        447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3,
        229.2, 669.1, 448.9, 0.5,
    ]  # fmt: skip
    y = [
        0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3,
        448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6,
        228.9, 668.4, 449.2, 0.2,
    ]  # fmt: skip
    fit = fit_line(x, y, 0.0, 1.0)
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert fit.birge_ratio == pytest.approx(0.884796396144373, rel=1e-11)
    assert fit.birge_ratio * math.sqrt(fit.covariance[0][0]) == pytest.approx(0.232818234301152, rel=1e-10)
    assert fit.birge_ratio * math.sqrt(fit.covariance[1][1]) == pytest.approx(4.29796848199937e-4, rel=1e-10)


def test_errors_in_both_axes_pearson_with_york_weights():
    # Pearson's data with York's weights: 5.47991022, -0.480533407 (Neri et al. 1989, from memory through the GTC test
    # suite); chi2 11.8663532; uncertainties by the formula of York et al. 2004: 0.294971, 0.057985.
    x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
    y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
    weight_x = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    weight_y = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    fit = fit_line(x, y, weight_x**-0.5, weight_y**-0.5)
    assert fit.intercept == pytest.approx(5.47991022, abs=1e-8)
    assert fit.slope == pytest.approx(-0.480533407, abs=1e-9)
    assert fit.chi2 == pytest.approx(11.8663532, abs=1e-7)
    assert math.sqrt(fit.covariance[0][0]) == pytest.approx(0.294971, abs=1e-6)
    assert math.sqrt(fit.covariance[1][1]) == pytest.approx(0.057985, abs=1e-6)
    # Weights on y only: statsmodels 0.15.0.
    only_y = fit_line(x, y, 0.0, weight_y**-0.5)
    assert (only_y.intercept, only_y.slope) == pytest.approx((6.100109317, -0.610812957), abs=1e-9)
    assert math.sqrt(only_y.covariance[0][0]) == pytest.approx(0.204662686, abs=1e-9)
    assert math.sqrt(only_y.covariance[1][1]) == pytest.approx(0.030087448, abs=1e-9)


def test_thermometer_calibration_of_the_gum():
    # JCGM 100:2008, H.3; values recomputed with numpy and GTC 1.5.1.
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    fit = fit_line(np.array(t) - 20.0, b, 0.0, 1.0)
    s = fit.birge_ratio
    (vi, c), (_, vs) = fit.covariance
    assert s == pytest.approx(0.0034976, abs=1e-7)
    assert (fit.intercept, fit.slope) == pytest.approx((-0.1712038, 0.00218270), abs=1e-7)
    assert (s * math.sqrt(vi), s * math.sqrt(vs)) == pytest.approx((0.0028776, 0.00066794), abs=1e-7)
    assert c / math.sqrt(vi * vs) == pytest.approx(-0.930430, abs=1e-6)
    at_30 = fit.intercept + 10 * fit.slope
    assert at_30 == pytest.approx(-0.1493768, abs=1e-7)
    assert s * math.sqrt(vi + 20 * c + 100 * vs) == pytest.approx(0.0041386, abs=1e-7)


def test_weighted_mean_and_birge_ratio():
    # Closed form, computed with mpmath.
    mean, u, chi2, degrees = weighted_mean([10.1, 9.8, 10.4], [0.1, 0.2, 0.4])
    assert mean == pytest.approx(10.0571428571, abs=1e-10)
    assert u == pytest.approx(0.0872871561, abs=1e-10)
    assert chi2 == pytest.approx(2.5714285714, abs=1e-10)
    assert math.sqrt(chi2 / degrees) == pytest.approx(1.1338934190, abs=1e-10)


def test_covariance_against_generalised_least_squares_and_monte_carlo():
    # Independent route: draws of every input, each draw fitted by numpy.polyfit.
    column = WaterColumn("inclined", tilt_deg=15, latitude_deg=50, u_tilt_deg=0.3, u_reading_mm=0.7)
    mm = np.array([-300.0, -200, -100, 0, 100, 200, 300])
    true = column_pascals(column, mm)
    points = [CalibrationPoint(m, p / 1.05 + 8.0, 0.4) for m, p in zip(mm, true)]
    result = calibrate(points, column)
    rng = np.random.default_rng(4)
    lines = []
    for _ in range(4000):
        relative = 1 + sum(rng.normal(0, part) for part in column.relative_parts().values())
        y = (true + rng.normal(0, 0.7, 7) * column.pascals_per_mm) * relative
        x = true / 1.05 + 8.0 + rng.normal(0, 0.4, 7)
        lines.append(np.polyfit(x, y, 1)[::-1])
    spread = np.cov(np.array(lines).T)
    assert math.sqrt(result.covariance[1][1]) == pytest.approx(math.sqrt(spread[1, 1]), rel=0.06)
    assert math.sqrt(result.covariance[0][0]) == pytest.approx(math.sqrt(spread[0, 0]), rel=0.06)
    # Draws of the readings alone agree with the covariance handed to generalised least squares.
    readings = [(true + rng.normal(0, 0.7, 7) * column.pascals_per_mm) * (
        1 + sum(rng.normal(0, part) for part in column.relative_parts().values())) for _ in range(4000)]  # fmt: skip
    assert np.allclose(np.cov(np.array(readings).T), column_covariance(column, mm), rtol=0.1, atol=0.15)


class TestTransferFunctions:
    def test_analogue_parts(self):
        # MPXV7002, MPX5010, MPX5050 datasheets: transfer functions and their end points; MPXV7007 from memory.
        for kpa, volts in zip((-2, -1, 0, 1, 2), (0.5, 1.5, 2.5, 3.5, 4.5)):
            assert analogue_volts(1000 * kpa, 5.0, 0.2, 0.5) == pytest.approx(volts)
        assert [analogue_volts(p, 5.0, 0.09, 0.04) for p in (0, 5e3, 1e4)] == pytest.approx([0.2, 2.45, 4.7])
        assert analogue_volts(50e3, 5.0, 0.018, 0.04) == pytest.approx(4.7)
        assert [analogue_volts(p, 5.0, 0.057, 0.5) for p in (-7e3, 7e3)] == pytest.approx([0.505, 4.495])

    def test_divider_and_twelve_bits(self):
        # Closed form: 5 V part, divider 10k/15k, 12 bits of 3.3 V.
        scale = analogue_scale(0.2, 0.5, 5.0, 3.3 / 4096, divider=0.6)
        codes = (372.36, 1117.09, 1861.82, 2606.55, 3351.27)
        assert scale.counts([-2000, -1000, 0, 1000, 2000]) == pytest.approx(codes, abs=0.006)
        assert scale.quantum_pa == pytest.approx(1.342773438, abs=1e-9)
        assert SENSOR_PARTS["MPXV7002-ads1115"].scale.quantum_pa == pytest.approx(0.1875)

    def test_supply_error_is_told_apart(self):
        # 4.75 V read as 5.00: -125 Pa at zero and 1775 Pa at 2 kPa unless ratiometric (closed form).
        scale = analogue_scale(0.2, 0.5, 5.0, 187.5e-6)
        counts = [analogue_volts(p, 4.75, 0.2, 0.5) / 187.5e-6 for p in (0.0, 2000.0)]
        assert scale.pascals(counts) == pytest.approx([-125.0, 1775.0])
        assert ratiometric_pascals(counts, 4.75 / 187.5e-6, 0.5, 5000.0) == pytest.approx([0.0, 2000.0])

    def test_digital_parts(self):
        # SDP8xx datasheet: raw 6000 is 100 Pa (60 per Pa) or 25 Pa (240 per Pa), 0xFFFF is -1/60 Pa.
        assert thermal_scale(60).pascals([6000, twos_complement(0xFFFF, 16)]) == pytest.approx([100, -1 / 60])
        assert thermal_scale(240).pascals(6000) == pytest.approx(25.0)
        # 14-bit bridge parts, 10 to 90 %: datasheet examples.
        assert bridge_14bit_scale(0, 1.6).pascals(8192) == pytest.approx(0.8)
        assert bridge_14bit_scale(-15, 15).pascals(8880) == pytest.approx(1.574707, abs=1e-6)
        assert bridge_14bit_scale(-1, 1).counts([-1, 1]) == pytest.approx([1638.4, 14745.6])
        # 24-bit two's complement: closed form; divisors from two public driver libraries.
        assert [twos_complement(w, 24) for w in (0x7FFFFF, 0x800000, 0xFFFFFF)] == [8388607, -8388608, -1]
        tops = (0.5, 2, 4, 5, 16, 32, 65, 131, 260)
        assert [1 / xgzp6897d_scale(kpa).pascals_per_count for kpa in tops] == [
            8192,
            4096,
            2048,
            1024,
            512,
            256,
            128,
            64,
            32,
        ]
        with pytest.raises(ValueError, match="at most 260"):
            xgzp6897d_scale(300)


def test_nonsense_is_refused_in_words():
    with pytest.raises(InputError, match="tilt"):
        WaterColumn("inclined", tilt_deg=0.5)
    with pytest.raises(InputError, match="column 'mercury' is not known"):
        WaterColumn("mercury")
    with pytest.raises(InputError, match="two readings at different pressures"):
        calibrate([CalibrationPoint(0, 0, 1), CalibrationPoint(1, 0, 1)], WaterColumn())
    with pytest.raises(InputError, match="times the column's pressure"):
        calibrate([CalibrationPoint(0, 0, 1), CalibrationPoint(100, 98000, 1)], WaterColumn())
