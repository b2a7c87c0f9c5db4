"""Orifice flow: against published worked examples, the fluids library and CoolProp."""

import math

import numpy as np
import pytest

from sumpglass.physics import gas, iso5167, orifice

ROOM_PA = 101325.0
DIFFERENCES = (100.0, 250.0, 500.0, 1000.0, 2000.0, 5000.0)


def test_critical_values():
    # fluids 1.3.1: P_critical_flow(1, 1.4); C* computed independently.
    assert orifice.critical_pressure_ratio(1.4) == pytest.approx(0.528281788, abs=5e-10)
    assert orifice.critical_flow_function(1.4) == pytest.approx(0.684731456, abs=5e-10)
    assert orifice.critical_flow_function(1.385) == pytest.approx(0.682185, abs=5e-7)
    assert orifice.critical_flow_function(1.399) == pytest.approx(0.684563, abs=5e-7)


def test_critical_ratio_against_fluids():
    fluids = pytest.importorskip("fluids")
    for gamma in (1.3, 1.385, 1.4, 1.67):
        assert orifice.critical_pressure_ratio(gamma) == pytest.approx(fluids.P_critical_flow(1.0, gamma), rel=1e-12)


def test_textbook_leaking_tank():
    # Worked example 12-5 of a fluid mechanics textbook: 314 kPa, 298 K, 4 mm hole to 94 kPa: 0.554 kg/min.
    flow = orifice.mass_flow_kg_s(orifice.bore_area_m2(4e-3), 314e3, 94e3, 298.0, gas_constant=287.0)
    assert 60 * flow == pytest.approx(0.554, abs=5e-4)
    assert 60 * flow == pytest.approx(0.5543, abs=5e-5)
    warmer = orifice.mass_flow_kg_s(orifice.bore_area_m2(4e-3), 314e3, 94e3, 298.15, gas_constant=287.0)
    assert 60 * warmer == pytest.approx(0.5542, abs=5e-5)


def test_one_millimetre_hole_into_vacuum():
    # Leak-rate tables of vacuum technology print 10^2 mbar L/s for a 1 mm hole; computed 158.07.
    flow = orifice.mass_flow_kg_s(orifice.bore_area_m2(1e-3), ROOM_PA, 0.0)
    mbar_litres = flow * gas.R_AIR_J_KG_K * 293.15 * 10.0
    assert mbar_litres == pytest.approx(158.07, abs=0.01)


@pytest.mark.parametrize(
    ("bore_mm", "flows"),
    # Q L/min, Cd 0.61, 1.2041 kg/m3, incompressible: fluids 1.3.1 flow_meter_discharge.
    [(1.0, (0.3705, 0.5858, 0.8284, 1.1715, 1.6568, 2.6196)), (1.5, (0.8336, 1.3180, 1.8639, 2.6360, 3.7278, 5.8942)),
     (2.0, (1.4819, 2.3431, 3.3136, 4.6861, 6.6272, 10.4785)),
     (3.0, (3.3342, 5.2719, 7.4556, 10.5438, 14.9112, 23.5767)),
     (3.2, (3.7936, 5.9983, 8.4828, 11.9965, 16.9656, 26.8250))],
)  # fmt: skip
def test_incompressible_table(bore_mm, flows):
    area = orifice.effective_area_m2(bore_mm / 1e3, 0.61)
    ours = 60e3 * orifice.incompressible_volume_flow_m3_s(area, np.array(DIFFERENCES), 1.2041)
    assert ours == pytest.approx(np.array(flows), abs=6e-5)


@pytest.mark.parametrize(
    ("bore_mm", "flows"),
    # mg/s, Cd 0.61, upstream 101325 Pa, 293.15 K, R 287.055, gamma 1.4, isentropic, computed independently.
    [(1.0, (7.4308, 11.7398, 16.5806, 23.3861, 32.8957, 51.1629)),
     (2.0, (29.7232, 46.9592, 66.3223, 93.5443, 131.5828, 204.6518)),
     (3.2, (76.0914, 120.2156, 169.7850, 239.4733, 336.8518, 523.9085))],
)  # fmt: skip
def test_isentropic_table(bore_mm, flows):
    area = orifice.effective_area_m2(bore_mm / 1e3, 0.61)
    ours = 1e6 * orifice.mass_flow_kg_s(area, ROOM_PA, ROOM_PA - np.array(DIFFERENCES))
    assert ours == pytest.approx(np.array(flows), abs=6e-5)


@pytest.mark.parametrize(
    ("bore_mm", "grams", "litres"), [(1.6, 0.436726, 21.7620), (2.0, 0.682385, 34.0031), (2.5, 1.066226, 53.1299)]
)
def test_choked_suction(bore_mm, grams, litres):
    # 101 kPa, 80 degC into 35 kPa, Cd 1, computed independently.
    flow = orifice.mass_flow_kg_s(orifice.bore_area_m2(bore_mm / 1e3), 101e3, 35e3, 353.15)
    assert 1e3 * flow == pytest.approx(grams, abs=6e-7)
    assert gas.lpm_from_kg_s(flow) == pytest.approx(litres, abs=6e-5)


def test_choked_flow_against_the_real_gas():
    # Isentropic throat of real air by CoolProp: entropy kept, speed of sound at the throat.
    properties = pytest.importorskip("CoolProp.CoolProp")
    p0, t0 = 101e3, 353.15
    h0 = properties.PropsSI("H", "P", p0, "T", t0, "Air")
    s0 = properties.PropsSI("S", "P", p0, "T", t0, "Air")

    def flux(pressure):
        h = properties.PropsSI("H", "P", pressure, "S", s0, "Air")
        return properties.PropsSI("D", "P", pressure, "S", s0, "Air") * math.sqrt(2 * (h0 - h))

    greatest = max(flux(p0 * r) for r in np.linspace(0.50, 0.56, 121))
    assert orifice.mass_flow_kg_s(1.0, p0, 35e3, t0) == pytest.approx(greatest, rel=1e-3)
    assert orifice.mass_flow_kg_s(1.0, p0, 0.9 * p0, t0) == pytest.approx(flux(0.9 * p0), rel=1e-3)


def test_iso_5167_expansibility():
    # fluids 1.3.1 docstrings (ISO 5167-2): D 73.9 mm, d 22.2 mm, 100 to 99 kPa.
    beta = 0.0222 / 0.0739
    assert iso5167.orifice_expansibility(beta, 0.99) == pytest.approx(0.9974739057343425, abs=1e-15)
    assert iso5167.nozzle_expansibility(beta, 0.99) == pytest.approx(0.994570234456, abs=1e-11)


def test_iso_5167_mass_flow():
    # fluids 1.3.1 docstring, ISO 5167 orifice with D and D/2 taps: 7.70233803573 kg/s.
    flow = iso5167.mass_flow_kg_s(0.07366, 0.05, 200e3, 183e3, 999.1, 0.0011, 1.33, "D")
    assert flow == pytest.approx(7.70233803573, rel=1e-9)


def test_iso_5167_coefficient_against_fluids():
    meter = pytest.importorskip("fluids.flow_meter")
    for ours, theirs in (("corner", "corner"), ("D", "D"), ("flange", "flange")):
        for pipe, bore in ((0.06, 0.03), (0.1, 0.065), (0.3, 0.05)):
            flow = 0.2
            expected = meter.C_Reader_Harris_Gallagher(pipe, bore, rho=1.2, mu=1.8e-5, m=flow, taps=theirs)
            reynolds = 4 * flow / (math.pi * pipe * 1.8e-5)
            assert iso5167.discharge_coefficient(pipe, bore, reynolds, ours) == pytest.approx(expected, rel=1e-10)


def test_small_difference_is_the_incompressible_flow():
    # First order of the isentropic flow: 1 - 3/(4 gamma) x.
    for difference in (0.01, 1.0, 100.0):
        ratio = 1.0 - difference / ROOM_PA
        assert orifice.isentropic_expansibility(ratio) == pytest.approx(1 - 0.75 / 1.4 * difference / ROOM_PA, abs=1e-6)


def test_bore_for_a_flow():
    # 10 L/min at 500 Pa, Cd 0.61, computed independently.
    assert 1e3 * orifice.bore_for_flow_m(10.0, 500.0, 0.61) == pytest.approx(3.474403, abs=5e-5)


@pytest.mark.parametrize(
    ("bore_mm", "litres", "milligrams"),
    # Blow-by out through an opening into 101325 Pa, Cd 0.61, at 100, 250, 500 Pa; isentropic at 293.15 K.
    [(2, (1.4818856, 2.3430669, 3.3135969), (29.737893, 47.017251, 66.486574)),
     (3, (3.3342426, 5.2719004, 7.4555931), (66.910260, 105.788815, 149.594792)),
     (5, (9.2617850, 14.6441679, 20.7099808), (185.861832, 293.857821, 415.541088))],
)  # fmt: skip
def test_blow_by_opening(bore_mm, litres, milligrams):
    area = orifice.effective_area_m2(bore_mm / 1e3, 0.61)
    above = np.array([100.0, 250.0, 500.0])
    ours = 60e3 * orifice.incompressible_volume_flow_m3_s(area, above, 1.2041)
    assert ours == pytest.approx(np.array(litres), abs=6e-8)
    assert 1e6 * orifice.mass_flow_kg_s(area, ROOM_PA + above, ROOM_PA) == pytest.approx(np.array(milligrams), abs=6e-7)


@pytest.mark.parametrize(
    ("bore_mm", "actual", "standard"),
    # Gas of 80 degC: actual L/min, and the same as L/min of 20 degC, 101325 Pa.
    [(2, (1.6264841, 2.5716971, 3.6369289), (1.3501453, 2.1347671, 3.0190166)),
     (3, (3.6595891, 5.7863185, 8.1830901), (3.0378269, 4.8032260, 6.7927874)),
     (5, (10.1655254, 16.0731070, 22.7308058), (8.4384080, 13.3422945, 18.8688538))],
)  # fmt: skip
def test_hot_blow_by_opening(bore_mm, actual, standard):
    area = orifice.effective_area_m2(bore_mm / 1e3, 0.61)
    density = 0.999521835
    flow = orifice.incompressible_flow_kg_s(area, np.array([100.0, 250.0, 500.0]), density)
    assert 60e3 * flow / density == pytest.approx(np.array(actual), abs=6e-8)
    # The published standard flows divide by the ratio of absolute temperatures: the density of 20 degC air follows.
    assert 60e3 * flow / (density * 353.15 / 293.15) == pytest.approx(np.array(standard), abs=6e-8)
    assert gas.lpm_from_kg_s(flow) == pytest.approx(np.array(standard), rel=5e-5)
