"""Piston-swept volume, expected blow-by, and leaks by pressure change: against computed and published figures."""

import numpy as np
import pytest

from sumpglass.physics import crankcase, decay, orifice

BORE, STROKE, ROD = 82.5e-3, 85e-3, 139e-3
TURN = np.linspace(0.0, 2.0 * np.pi, 4096, endpoint=False)


def geometry(cylinders, layout="inline", bank_deg=90.0):
    return crankcase.CrankGeometry(BORE, STROKE, ROD, crankcase.firing_angles_deg(cylinders, layout, bank_deg))


@pytest.mark.parametrize(
    ("cylinders", "peak_to_peak_cm3", "allowed"),
    # 82.5 x 85 mm, rod 139 mm: computed independently by FFT of the slider-crank.
    [(1, 454.377, 6e-4), (3, 0.008, 6e-4), (4, 142.337, 6e-4), (6, 0.016, 6e-4)],
)
def test_swept_volume_peak_to_peak(cylinders, peak_to_peak_cm3, allowed):
    volume = 1e6 * crankcase.swept_volume_m3(TURN, geometry(cylinders))
    assert np.ptp(volume) == pytest.approx(peak_to_peak_cm3, abs=allowed)


def test_swept_volume_orders():
    four = 1e6 * crankcase.order_amplitudes_m3(geometry(4))
    assert (four[2], four[4]) == (pytest.approx(71.163, abs=6e-4), pytest.approx(0.436, abs=6e-4))
    single = 1e6 * crankcase.order_amplitudes_m3(geometry(1))
    assert (single[1], single[2]) == (pytest.approx(227.189, abs=6e-4), pytest.approx(17.791, abs=6e-4))
    assert 1e6 * crankcase.inline_four_second_order_m3(BORE, STROKE, ROD) == pytest.approx(71.159, abs=6e-4)


def test_twins():
    # In a 180-degree twin the first orders cancel and the second add up; in a 360-degree twin both add up.
    opposed = 1e6 * crankcase.order_amplitudes_m3(geometry(2, "twin_180"))
    assert opposed[1] == pytest.approx(0.0, abs=1e-6)
    assert opposed[2] == pytest.approx(2 * 17.791, abs=1.2e-3)
    together = 1e6 * crankcase.order_amplitudes_m3(geometry(2))
    assert together[1] == pytest.approx(2 * 227.189, abs=1.2e-3)


def test_firing_frequency():
    # Four-stroke: rpm/60 N/2.
    assert crankcase.firing_hz(800, 4) == pytest.approx(26.667, abs=5e-4)
    assert crankcase.firing_hz(800, 6) == pytest.approx(40.0)
    assert crankcase.firing_hz(3000, 4) == pytest.approx(100.0)
    assert crankcase.rpm_from_firing_hz(26.6666667, 4) == pytest.approx(800.0, abs=1e-4)


def test_expected_blow_by():
    # 0.5 to 2 % of the gas drawn in (encyclopaedia entry): 2.0 L at 800 rpm, 35 kPa; at 6000 rpm, 95 kPa.
    assert crankcase.expected_blow_by_lpm(2e-3, 800, 35e3) == pytest.approx((1.4, 5.5), abs=0.05)
    assert crankcase.expected_blow_by_lpm(2e-3, 6000, 95e3) == pytest.approx((28, 113), abs=0.6)


def test_regulation_pressure_rise():
    # 40 CFR 1065.644 example: V 2.0000 L, 25.300 to 50.600 kPa, 293.15 K, 70 s; the regulation prints 0.00030 mol/s.
    leak = decay.molar_leak_mol_s(2e-3, 25.3e3, 50.6e3, 70.0, 293.15)
    assert leak == pytest.approx(2.965705e-4, abs=5e-11)
    assert round(leak, 5) == 0.00030


def test_throughput_units():
    # 1 L changing 1 mbar in 1 s is 1 mbar L/s = 59.2 cm3/min at 0 degC, 1013 mbar; 5 L, 100 Pa in 10 s = 29.6077.
    one = decay.throughput_pa_m3_s(1e-3, 100.0, 1.0)
    assert 10 * one == pytest.approx(1.0)
    assert decay.standard_cm3_min(one, reference_pa=101300.0) == pytest.approx(59.2, abs=0.05)
    assert decay.standard_cm3_min(decay.throughput_pa_m3_s(5e-3, 100.0, 10.0)) == pytest.approx(29.6077, abs=5e-5)
    # 1 sccm = 0.0168875 mbar L/s
    assert decay.standard_cm3_min(0.00168875) == pytest.approx(1.0, abs=1e-5)


VESSEL = {"cda_m2": float(orifice.effective_area_m2(1e-3, 0.61)), "volume_m3": 5e-3}


def test_isothermal_decay():
    # 5 L at -2 kPa, 1 mm hole, Cd 0.61, 20 degC, computed independently.
    rate = decay.orifice_rate_sqrt_pa_s(**VESSEL, density_kg_m3=1.2041)
    assert rate == pytest.approx(12.512685, abs=2e-4)
    assert rate * np.sqrt(2000.0) == pytest.approx(559.584, abs=0.01)
    assert decay.orifice_decay_time_s(2000.0, 1000.0, rate) == pytest.approx(2.093649, abs=4e-5)
    assert decay.orifice_decay_time_s(2000.0, 0.0, rate) == pytest.approx(7.148163, abs=1e-4)
    first = 60e3 * orifice.incompressible_volume_flow_m3_s(VESSEL["cda_m2"], 2000.0, 1.2041)
    assert first == pytest.approx(1.6568, abs=5e-6)


def test_adiabatic_decay():
    rate = decay.orifice_rate_sqrt_pa_s(**VESSEL, adiabatic=True, density_kg_m3=1.2041)
    assert rate == pytest.approx(17.517759473, abs=3e-4)
    assert rate * np.sqrt(2000.0) == pytest.approx(783.418020, abs=0.02)
    assert decay.orifice_decay_time_s(2000.0, 1000.0, rate) == pytest.approx(1.495463272, abs=3e-5)
    assert decay.orifice_decay_time_s(2000.0, 0.0, rate) == pytest.approx(5.105830985, abs=1e-4)


def test_refill_warms_and_falls_back():
    # Energy balance of the vessel above refilled from -2 kPa: 294.812613874 K, then falls back by dp (1 - 1/gamma).
    warm = decay.refill_temperature_k(101325.0 - 2000.0, 101325.0)
    assert warm == pytest.approx(294.812613874, abs=2e-8)
    fallen = 101325.0 * (1.0 - 293.15 / warm)
    assert fallen == pytest.approx(571.428571429, abs=1e-6)


def test_sealed_vessel_warming_looks_like_a_leak():
    slope = decay.temperature_effect_pa_k()
    assert slope == pytest.approx(345.642163, abs=5e-7)
    apparent = decay.throughput_pa_m3_s(5e-3, slope, 60.0)
    assert apparent == pytest.approx(0.0288035136, abs=5e-11)
    assert decay.standard_cm3_min(apparent) == pytest.approx(17.0561146, abs=5e-7)


def test_laminar_decay():
    # 5 L, 100 to 50 Pa in 10 s: time constant, first flow against the mean-slope figure.
    constant = decay.laminar_time_constant_s(100.0, 50.0, 10.0)
    assert constant == pytest.approx(14.426950409, abs=5e-10)
    first = decay.standard_cm3_min(decay.throughput_pa_m3_s(5e-3, 100.0 / constant, 1.0))
    assert first == pytest.approx(20.5224924, abs=5e-7)
    assert decay.power_law_decay_pa(10.0, 100.0, 1.0 / constant, 1.0) == pytest.approx(50.0)


def test_settling_time():
    # 2 dp V/(R T m): tight crankcase, 3 kPa, 5 L of 70 degC, 0.05 g/s net draw: 6.1 s.
    assert decay.draw_down_time_s(3000.0, 5e-3, 0.05e-3, 343.15) == pytest.approx(6.091, abs=2e-3)
