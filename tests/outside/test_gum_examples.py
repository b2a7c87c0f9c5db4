"""Worked examples of the GUM (JCGM 100:2008, Annex H) through the program's own propagation.

Each example goes through what the program really computes with: the root of summed squares of a budget, the mean of
observations with its standard uncertainty, a straight line with its covariance. What no function of the program does
(the second-order term of H.1, correlations of results in H.2) is left out. Inputs are quoted from memory of the
published tables; results are recomputed with numpy and GTC 1.5.1.
"""

import math

import numpy as np
import pytest

from sumpglass.analysis.calibration import Calibration, fit_line
from sumpglass.analysis.error_budget import BudgetLine, ErrorBudget
from sumpglass.analysis.statistics import mean_with_autocorrelation, student_95
from sumpglass.analysis.water_column import WaterColumn


def test_end_gauge_h1():
    """H.1, table H.1: 25, 9.7, 2.9 and 16.6 nm join to 31.7 nm, told as 32 (31.66 from unrounded inputs). A budget
    joins sources the same way and tells twice the root."""
    parts = {"standard": 25.0, "difference": 9.7, "expansion": 2.9, "temperature": 16.6}
    lines = tuple(BudgetLine(name, u) for name, u in parts.items())
    budget = ErrorBudget("end gauge", 0.0, "zeroed", lines, True)
    assert budget.u95_pa / 2.0 == pytest.approx(31.67, abs=0.005)
    assert round(budget.u95_pa / 2.0) == 32
    assert budget.largest.name == "standard"


def test_end_gauge_h1_from_unrounded_inputs():
    """The same with the sensitivities worked out: 50 mm of steel, 11.5e-6/K, 0.58e-6/K at -0.1 K, 0.029 K: 31.66 nm."""
    length_nm = 50.000623e6
    difference_nm = math.sqrt(5.8**2 + 3.9**2 + 6.7**2)
    expansion_nm = length_nm * 0.1 * (1e-6 / math.sqrt(3.0))
    temperature_nm = length_nm * 11.5e-6 * (0.05 / math.sqrt(3.0))
    lines = tuple(BudgetLine("", u) for u in (25.0, difference_nm, expansion_nm, temperature_nm))
    assert ErrorBudget("", 0.0, "zeroed", lines, True).u95_pa / 2.0 == pytest.approx(31.66, abs=0.01)


VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
MILLIAMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678])
RADIANS = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])


@pytest.mark.parametrize(("name", "value", "u"), [("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)])
def test_resistance_and_reactance_h2(name, value, u):
    """H.2.4, the second way: each set of V, I and phi gives its own R, X, Z; the mean of five sets with its standard
    uncertainty, four degrees of freedom. So the correlation of the inputs is in it without being computed."""
    impedance = VOLTS / MILLIAMPERES * 1e3
    sets = {"R": impedance * np.cos(RADIANS), "X": impedance * np.sin(RADIANS), "Z": impedance}[name]
    found = mean_with_autocorrelation(sets)
    # To the last digit that the GUM prints; the first way, with the inputs' means, differs by less.
    assert found.value == pytest.approx(value, abs=6e-4)
    assert found.u == pytest.approx(u, abs=6e-4)
    assert found.degrees_of_freedom == 4
    # t_95(4) of the GUM's table G.2.
    assert student_95(found.degrees_of_freedom) == pytest.approx(2.78, abs=5e-3)


def test_thermometer_h3_through_a_calibration():
    """H.3: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.930; at 30 degC -0.1494 (0.0041): the correction with its
    uncertainty is what a calibration tells of a reading. `Norris` of NIST's StRD is beside it in the calibrations."""
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    fit = fit_line(t - 20.0, b, 0.0, 1.0)
    assert fit.birge_ratio == pytest.approx(0.0035, abs=5e-5)
    scaled = fit.birge_ratio**2 * np.array(fit.covariance)
    assert (fit.intercept, fit.slope) == pytest.approx((-0.1712, 0.00218), abs=5e-5)
    assert np.sqrt(np.diag(scaled)) == pytest.approx([0.0029, 0.00067], abs=5e-5)
    assert scaled[0, 1] / math.sqrt(scaled[0, 0] * scaled[1, 1]) == pytest.approx(-0.930, abs=5e-4)
    pairs = (float(scaled[0, 0]), float(scaled[0, 1])), (float(scaled[1, 0]), float(scaled[1, 1]))
    line = Calibration(
        fit.slope, fit.intercept, pairs, 2.26, 1.521, 6.511, fit.chi2, fit.degrees, fit.p_value, fit.residuals, (),
        WaterColumn(),
    )  # fmt: skip
    assert float(line.true_pascals(10.0)) == pytest.approx(-0.1493768, abs=1e-7)
    assert float(line.u_pascals(10.0)) == pytest.approx(0.0041386, abs=1e-7)
