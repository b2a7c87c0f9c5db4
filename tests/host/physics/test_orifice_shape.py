"""Orifice flow as a function: signs, choking, smoothness, inverses, broadcasting."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpglass.physics import orifice

pressures = st.floats(1e3, 4e5)


@given(pressures, pressures, st.floats(1e-9, 1e-3), st.floats(250, 500))
def test_swapping_sides_turns_the_flow_round(a, b, cda, kelvin):
    there = orifice.mass_flow_kg_s(cda, a, b, kelvin)
    assert there == pytest.approx(-orifice.mass_flow_kg_s(cda, b, a, kelvin), rel=1e-12)


@given(pressures, st.floats(0.0, 0.999), st.floats(0.0, 1.0))
def test_flow_never_falls_as_the_downstream_pressure_falls(upstream, ratio, further):
    shallow = orifice.mass_flow_kg_s(1e-6, upstream, ratio * upstream)
    deep = orifice.mass_flow_kg_s(1e-6, upstream, ratio * further * upstream)
    assert deep >= shallow * (1 - 1e-12)


@given(pressures, st.floats(0.0, 0.99), st.floats(1e-9, 1e-3))
def test_area_from_flow(upstream, ratio, cda):
    flow = orifice.mass_flow_kg_s(cda, upstream, ratio * upstream, 300.0)
    assert orifice.effective_area_for_flow_m2(flow, upstream, ratio * upstream, 300.0) == pytest.approx(cda, rel=1e-9)


@given(st.floats(1e-5, 0.1), st.floats(0.3, 1.0))
def test_bore_and_area(bore, coefficient):
    assert orifice.bore_m(orifice.effective_area_m2(bore, coefficient), coefficient) == pytest.approx(bore, rel=1e-12)


def test_returning_gas_has_its_own_temperature():
    out = orifice.mass_flow_kg_s(1e-6, 102e3, 101e3, 353.15, 293.15)
    back = orifice.mass_flow_kg_s(1e-6, 101e3, 102e3, 353.15, 293.15)
    assert back == pytest.approx(-out * np.sqrt(353.15 / 293.15), rel=1e-12)


def test_rounded_off_at_zero():
    differences = np.linspace(-20, 20, 4001)
    sharp = orifice.mass_flow_kg_s(1e-5, 101325.0 + differences, 101325.0)
    smooth = orifice.mass_flow_kg_s(1e-5, 101325.0 + differences, 101325.0, laminar_below_pa=2.0)
    assert np.all(np.diff(smooth) > 0)
    steepest = np.max(np.diff(smooth)) / (differences[1] - differences[0])
    assert steepest == pytest.approx(1e-5 * np.sqrt(2 * 1.204 / 2.0), rel=0.02)
    assert smooth[-1] == pytest.approx(sharp[-1], rel=0.003)


def test_shapes():
    assert orifice.mass_flow_kg_s(np.ones((3, 1)), 1e5, np.full(4, 9e4)).shape == (3, 4)
    assert np.shape(orifice.mass_flow_kg_s(1.0, 1e5, 9e4)) == ()


def test_flow_level_of_a_swinging_reading():
    phase = np.linspace(0, 2 * np.pi, 10000, endpoint=False)
    assert orifice.flow_level_pa(np.full(10, -470.0)) == pytest.approx(-470.0)
    assert orifice.flow_level_pa(1000 * np.sin(phase)) == pytest.approx(0.0, abs=1e-9)
    # Square-root error: a swing as large as the mean leaves (2 sqrt(2)/pi)^2 = 0.8106 of it, a closed integral.
    assert orifice.flow_level_pa(-500 + 500 * np.sin(phase)) == pytest.approx(-500 * 8 / np.pi**2, rel=1e-4)
