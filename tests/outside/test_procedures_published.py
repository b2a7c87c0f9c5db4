"""Worked values from outside the project: known openings, blow-by, decay, fits and uncertainty, each with its
source."""

import math

import numpy as np
import pytest

from sumpglass.analysis.calibration import fit_line, weighted_mean
from sumpglass.procedures.blow_by_flow import blow_by
from sumpglass.procedures.decay_judge import judge_hold
from sumpglass.procedures.leak_answer import fit_family
from sumpglass.procedures.leak_line import line_through_openings
from sumpglass.procedures.leak_problem import LeakProblem
from sumpglass.procedures.leak_size import size_leak
from sumpglass.procedures.openings import OPENING_CD, Reading, Room, flow_driving_vacuum_pa, flux_kg_s_m2
from sumpglass.procedures.source_models import SourceModel
from sumpglass.records import Recording

HOLES_MM = (0.0, 1.6, 2.0, 2.5, 3.2)
RHO = 1.2041


def test_two_readings_closed_form():
    """800 Pa closed, 200 Pa with a 2 mm hole: the leak is as large as the hole (closed form, mpmath to 40 digits)."""
    line = line_through_openings((0.0, 2.0), (800.0, 200.0), (4.0, 4.0), 0.02, density_kg_m3=RHO)
    assert line.area_mm2 == pytest.approx(3.141592654, abs=1e-9)
    assert line.draw_kg_s * 1e6 == pytest.approx(84.11452121, rel=1e-9)
    # GUM propagation, computed with GTC 1.5.1; Monte Carlo of 4e6 draws gives 0.09022.
    assert line.u_area_mm2 == pytest.approx(0.0902353790, rel=1e-6)
    assert line.u_draw_kg_s * 1e6 == pytest.approx(2.388393283, rel=1e-6)


def test_five_exact_readings_return_their_truth():
    """Exact pressures of a leak of 8 mm2 and 200 mg/s (closed form)."""
    exact = (697.4736344365, 445.4365789419, 359.5946459103, 267.8799206135, 173.4462474238)
    line = line_through_openings(HOLES_MM, exact, (5.0,) * 5, density_kg_m3=RHO)
    assert line.area_mm2 == pytest.approx(8.0, rel=1e-9)
    assert line.draw_kg_s * 1e6 == pytest.approx(200.0, rel=1e-9)
    assert line.u_area_mm2 == pytest.approx(0.1385222726, rel=1e-6)
    assert line.u_draw_kg_s * 1e6 == pytest.approx(3.059317135, rel=1e-6)


def test_five_scattered_readings_weighted_line():
    """Weighted line in 1/sqrt(dp), computed with GTC 1.5.1 `type_b.line_fit_wls`."""
    line = line_through_openings(HOLES_MM, (702.0, 446.0, 356.0, 271.0, 176.0), (5.0,) * 5, density_kg_m3=RHO)
    assert line.area_mm2 == pytest.approx(7.962079802, rel=1e-8)
    assert line.u_area_mm2 == pytest.approx(0.136275109, rel=1e-6)
    assert line.draw_kg_s * 1e6 == pytest.approx(199.5518887, rel=1e-8)
    assert line.u_draw_kg_s * 1e6 == pytest.approx(3.018063973, rel=1e-6)
    assert line.chi2 == pytest.approx(1.404395392, rel=1e-8)


def test_likelihood_in_the_vacuum_is_the_nonlinear_least_squares_fit():
    """Nonlinear least squares in dp of the same readings: 7.95901, u 0.13700, 199.4763 mg/s, chi2 1.40796 (scipy).
    Air of the same density at 1 GPa does not expand, so the isentropic flux is the incompressible one there."""
    steady = SourceModel("steady", (0.0,), lambda vacuum, *_: np.ones_like(vacuum))
    stiff = Room(1e9, 1e9 / (287.055 * RHO))
    problem = LeakProblem(
        [Reading(d, p, 5.0) for d, p in zip(HOLES_MM, (702.0, 446.0, 356.0, 271.0, 176.0))], stiff, bore_u95_mm=0.0
    )
    fit = fit_family(problem, steady)
    assert fit.area_mm2 == pytest.approx(7.95901, rel=2e-5)
    assert fit.draw_kg_s * 1e6 == pytest.approx(199.4763, rel=2e-5)
    assert fit.deviance == pytest.approx(1.40796, abs=2e-4)
    assert (fit.area_hi95_mm2 - fit.area_lo95_mm2) / 2 / 1.96 == pytest.approx(0.137, rel=0.01)


@pytest.mark.parametrize(("draw_mg_s", "line_area"), [(200.0, 7.951137), (600.0, 7.514415)])
def test_isentropic_readings_need_the_isentropic_flux(draw_mg_s, line_area):
    """Readings made with the isentropic formula (101325 Pa, 293.15 K, gamma 1.4): the incompressible line is low by
    0.6 % and 6.1 %; the flux that the program fits with is not (scipy root finding on the published formula)."""
    from scipy.optimize import brentq

    def made(hole_mm):
        area = OPENING_CD * (8.0 + math.pi / 4 * hole_mm**2) * 1e-6

        def excess(dp):
            ratio = 1 - dp / 101325.0
            flow = 101325.0 / math.sqrt(287.055 * 293.15) * math.sqrt(7 * (ratio ** (2 / 1.4) - ratio ** (2.4 / 1.4)))
            return area * flow - draw_mg_s * 1e-6

        return brentq(excess, 1.0, 40e3)

    dp = [made(d) for d in HOLES_MM]
    if draw_mg_s == 200.0:
        assert dp[0] == pytest.approx(702.6965, rel=1e-6)
        assert dp[-1] == pytest.approx(173.7659, rel=1e-6)
    else:
        assert dp[0] == pytest.approx(6760.54, rel=1e-6)
    assert line_through_openings(HOLES_MM, dp, (5.0,) * 5, density_kg_m3=RHO).area_mm2 == pytest.approx(
        line_area, rel=2e-4
    )
    steady = SourceModel("steady", (0.0,), lambda vacuum, *_: np.ones_like(vacuum))
    problem = LeakProblem([Reading(d, p, 1.0) for d, p in zip(HOLES_MM, dp)], Room(), bore_u95_mm=0.0)
    fit = fit_family(problem, steady)
    assert fit.area_mm2 == pytest.approx(8.0, rel=1e-3)
    assert fit.draw_kg_s * 1e6 == pytest.approx(draw_mg_s, rel=1e-3)


def test_flux_against_fluids_and_coolprop():
    """Isentropic and choked flux against `fluids` 1.3.1 (isentropic helpers) and, within the ideal gas's 0.5 %,
    CoolProp."""
    fluids = pytest.importorskip("fluids")
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    for dp in (100.0, 1000.0, 5000.0, 30000.0, 60000.0):
        down = 101325.0 - dp
        critical = float(fluids.P_critical_flow(101325.0, 1.4))
        seen = max(down, critical)
        temperature = float(fluids.isentropic_T_rise_compression(293.15, 101325.0, seen, 1.4, 1.0))
        speed = math.sqrt(2 * 287.055 * 1.4 / 0.4 * (293.15 - temperature))
        flux = seen / (287.055 * temperature) * speed
        assert float(flux_kg_s_m2(dp, Room())) == pytest.approx(flux, rel=1e-6)
        if down > critical:
            entropy = coolprop.PropsSI("S", "P", 101325.0, "T", 293.15, "Air")
            drop = coolprop.PropsSI("H", "P", 101325.0, "T", 293.15, "Air") - coolprop.PropsSI(
                "H", "P", seen, "S", entropy, "Air"
            )
            real = coolprop.PropsSI("D", "P", seen, "S", entropy, "Air") * math.sqrt(2 * drop)
            assert float(flux_kg_s_m2(dp, Room())) == pytest.approx(real, rel=5e-3)


@pytest.mark.parametrize(
    ("bore_mm", "flows"),
    [
        (2.0, (29.737893, 47.017251, 66.486574)),
        (3.0, (66.910260, 105.788815, 149.594792)),
        (5.0, (185.861832, 293.857821, 415.541088)),
    ],
)
def test_blow_by_of_cold_gas(bore_mm, flows):
    """Isentropic outflow, mg/s, upstream 101325 Pa + 100/250/500 Pa at 293.15 K, Cd 0.61 (computed from the textbook
    formula)."""
    for pressure, mg_s in zip((100.0, 250.0, 500.0), flows):
        got = blow_by(bore_mm, pressure, 1.0, gas_c=20.0, cd=0.61)
        assert got.blow_by_lpm * 101325.0 / (287.055 * 293.15) / 60e3 * 1e6 == pytest.approx(mg_s, rel=1e-6)
        assert got.lo95 < got.blow_by_lpm < got.hi95


@pytest.mark.parametrize(
    ("bore_mm", "flows"),
    [
        (2.0, (1.3501453, 2.1347671, 3.0190166)),
        (3.0, (3.0378269, 4.8032260, 6.7927874)),
        (5.0, (8.4384080, 13.3422945, 18.8688538)),
    ],
)
def test_blow_by_of_hot_gas(bore_mm, flows):
    """Gas at 80 degC, as L/min at 20 degC and 101325 Pa (incompressible, `fluids.flow_meter_discharge`): within the
    0.1 % that 100 to 500 Pa of compression make."""
    for pressure, lpm in zip((100.0, 250.0, 500.0), flows):
        assert blow_by(bore_mm, pressure, 1.0, gas_c=80.0, cd=0.61).blow_by_lpm == pytest.approx(lpm, rel=1.2e-3)


def test_hold_of_the_worked_vessel():
    """5 L at -2 kPa through a 1 mm hole, Cd 0.61, isothermal (closed form): 2000 to 1000 Pa in 2.093649 s; the flow at
    500 Pa is 0.8284 L/min (`fluids.flow_meter_discharge`); adiabatic refill is gamma times as fast, exactly."""
    t = np.arange(0.0, 9.0, 0.01)
    p = -np.square(np.maximum(math.sqrt(2000.0) - 12.512685 * t / 2, 0.0)) + np.random.default_rng(1).normal(
        0, 1.0, len(t)
    )
    hold = judge_hold(Recording(t, p), 5.0, zero_pa=0.0)
    assert hold.model == "orifice"
    assert hold.half_time_s == pytest.approx(2.093649, rel=5e-3)
    assert hold.leak_lpm_at_500pa == pytest.approx(0.8284, rel=5e-3)
    assert hold.equivalent_mm == pytest.approx(1.0, rel=5e-3)
    assert hold.leak_lpm_at_500pa / hold.leak_adiabatic_lpm_at_500pa == pytest.approx(1.4, rel=1e-9)


def test_hold_of_a_laminar_leak():
    """5 L from 100 to 50 Pa in 10 s: time constant 14.426950409 s, first flow 20.5224924 cm3/min at 1 atm (closed
    form). At 500 Pa it is five times that, in room air at 20 degC 293.15/273.15 of it, if the gas is at 0 degC: here
    at 20 degC, so the figure at 1 atm is the same volume."""
    t = np.arange(0.0, 60.0, 0.05)
    p = -1000.0 * np.exp(-t / 14.426950409) + np.random.default_rng(2).normal(0, 0.5, len(t))
    hold = judge_hold(Recording(t, p), 5.0, zero_pa=0.0)
    assert hold.model == "laminar"
    assert hold.half_time_s == pytest.approx(10.0, rel=3e-3)
    assert hold.leak_lpm_at_500pa * 1000 / 5 == pytest.approx(20.5224924, rel=5e-3)


def test_square_root_error_of_a_sine():
    """Mean of sign(x) sqrt|x| over a sine about a mean, by the complete elliptic integral: a pulse that just touches
    zero (amplitude = mean) has root mean 2 sqrt(2)/pi of the mean's root (closed form; square-root error of ISO/TR
    3313)."""
    shape = 500.0 * np.sin((np.arange(20000) + 0.5) / 20000 * 2 * math.pi)
    assert flow_driving_vacuum_pa(500.0, shape) == pytest.approx(500.0 * 8 / math.pi**2, rel=1e-6)
    assert flow_driving_vacuum_pa(0.0, shape) == pytest.approx(0.0, abs=1e-9)


def test_weighted_mean_and_line():
    """Weighted mean of 10.1(1), 9.8(2), 10.4(4) and Pearson's data with York's weights (computed with GTC and
    statsmodels)."""
    mean, u, chi2, freedom = weighted_mean((10.1, 9.8, 10.4), (0.1, 0.2, 0.4))
    assert (mean, u, chi2) == (pytest.approx(10.0571428571), pytest.approx(0.0872871561), pytest.approx(2.5714285714))
    assert freedom == 2
    x = np.array([0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
    y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
    wx = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1.0])
    wy = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500.0])
    line = fit_line(x, y, 1 / np.sqrt(wx), 1 / np.sqrt(wy))
    assert line.intercept == pytest.approx(5.47991022, rel=1e-6) and line.slope == pytest.approx(-0.480533407, rel=1e-6)


NORRIS = (
    (0.1, 0.2),
    (338.8, 337.4),
    (118.1, 118.2),
    (888.0, 884.6),
    (9.2, 10.1),
    (228.1, 226.5),
    (668.5, 666.3),
    (998.5, 996.3),
    (449.1, 448.6),
    (778.9, 777.0),
    (559.2, 558.2),
    (0.3, 0.4),
    (0.1, 0.6),
    (778.1, 775.5),
    (668.8, 666.9),
    (339.3, 338.0),
    (448.9, 447.5),
    (10.8, 11.6),
    (557.7, 556.0),
    (228.3, 228.1),
    (998.0, 995.8),
    (888.8, 887.6),
    (119.6, 120.2),
    (0.3, 0.3),
    (0.6, 0.3),
    (557.6, 556.8),
    (339.3, 339.1),
    (888.0, 887.2),
    (998.5, 999.0),
    (778.9, 779.0),
    (10.2, 11.1),
    (117.6, 118.3),
    (228.9, 229.2),
    (668.4, 669.1),
    (449.2, 448.9),
    (0.2, 0.5),
)


def test_weighted_line_on_norris():
    """NIST StRD Norris, linear regression, certified values."""
    from sumpglass.procedures.leak_line import weighted_line

    y, x = np.array(NORRIS).T
    line = weighted_line(y, x, np.ones(len(x)))
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    residual_sd = math.sqrt(line.chi2 / 34)
    assert residual_sd == pytest.approx(0.884796396144373, rel=1e-10)
    assert line.u_slope * residual_sd == pytest.approx(4.29796848199937e-4, rel=1e-9)
    assert line.u_intercept * residual_sd == pytest.approx(0.232818234301152, rel=1e-9)


def test_fieller_brackets_the_likelihood():
    """Fieller's interval of the line's ratio and the profile likelihood agree for readings of ordinary precision."""
    readings = [Reading(d, p, 5.0) for d, p in zip(HOLES_MM, (702.0, 446.0, 356.0, 271.0, 176.0))]
    line = line_through_openings(HOLES_MM, (702.0, 446.0, 356.0, 271.0, 176.0), (5.0,) * 5)
    straight = fit_family(LeakProblem(readings, Room(), bore_u95_mm=0.0))
    assert line.lo95_mm2 == pytest.approx(straight.area_lo95_mm2, rel=0.02)
    assert line.hi95_mm2 == pytest.approx(straight.area_hi95_mm2, rel=0.02)
    whole = size_leak(readings, bore_u95_mm=0.0)
    # A bend that is too weak to be seen in five readings counts in the answer's own interval.
    assert whole.lo95_mm2 <= 1.02 * line.lo95_mm2 and whole.hi95_mm2 >= 0.98 * line.hi95_mm2
