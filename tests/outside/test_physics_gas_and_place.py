"""Gas, water, place: against published tables and independent property libraries."""

import numpy as np
import pytest

from sumpglass.physics import earth, gas, water


@pytest.mark.parametrize(
    ("latitude", "gravity"),
    # WGS 84 normal gravity, Somigliana formula, computed twice independently.
    [(0, 9.7803253359), (30, 9.7932472692), (45, 9.8061977694), (50, 9.8107021356), (52, 9.8124740779),
     (60, 9.8191769531), (90, 9.8321849379)],
)  # fmt: skip
def test_normal_gravity(latitude, gravity):
    assert earth.normal_gravity_m_s2(latitude) == pytest.approx(gravity, abs=2e-10)


def test_free_air_gradient():
    assert earth.normal_gravity_m_s2(45, 1000) == pytest.approx(9.8061977694 - 3.086e-3, abs=1e-9)


@pytest.mark.parametrize(
    ("altitude", "pressure"),
    # US Standard Atmosphere 1976 / ISO 2533, geometric altitude, computed with ambiance 1.3.1.
    [(0, 101325.00), (500, 95461.29), (1000, 89876.28), (1500, 84559.67), (2000, 79501.41), (3000, 70121.14)],
)
def test_standard_atmosphere_geometric(altitude, pressure):
    assert earth.standard_atmosphere_pa(altitude) == pytest.approx(pressure, abs=0.01)


@pytest.mark.parametrize(
    ("altitude", "pressure"),
    # ISO 2533, geopotential altitude.
    [(500, 95460.84), (1000, 89874.56), (2000, 79495.20), (3000, 70108.53)],
)
def test_standard_atmosphere_geopotential(altitude, pressure):
    assert earth.standard_atmosphere_pa(altitude, geopotential=True) == pytest.approx(pressure, abs=0.02)


def test_standard_atmosphere_against_fluids():
    fluids = pytest.importorskip("fluids")
    for altitude in (100.0, 700.0, 2500.0):
        # fluids.ATMOSPHERE_1976 takes geometric altitude with its own Earth radius: second decimal differs.
        assert earth.standard_atmosphere_pa(altitude) == pytest.approx(fluids.ATMOSPHERE_1976(altitude).P, rel=2e-6)


@pytest.mark.parametrize(
    ("celsius", "tanaka", "iapws95"),
    # Tanaka 2001 as computed; IAPWS-95 computed with iapws 1.5.5.
    [(4, 999.9749, 999.9749), (10, 999.7027, 999.7025), (15, 999.1026, 999.1026), (20, 998.2067, 998.2072),
     (25, 997.0470, 997.0476), (30, 995.6488, 995.6495), (40, 992.2152, 992.2164)],
)  # fmt: skip
def test_water_density(celsius, tanaka, iapws95):
    assert water.water_density_kg_m3(celsius) == pytest.approx(tanaka, abs=6e-5)
    assert water.water_density_kg_m3(celsius) == pytest.approx(iapws95, rel=1.4e-6)


@pytest.mark.parametrize(
    ("celsius", "millimetres"),
    # 1 kPa as a column of water at standard gravity, computed from Tanaka 2001.
    [(4, 101.9742), (15, 102.0632), (20, 102.1548), (25, 102.2736), (30, 102.4173)],
)
def test_one_kilopascal_of_water(celsius, millimetres):
    assert 1e3 * water.column_length_m(1000.0, celsius) == pytest.approx(millimetres, abs=6e-5)


@pytest.mark.parametrize(
    ("degrees", "plain", "with_reservoir", "for_10_pa_mm"),
    # Inclined tube of 100 mm, water of 20 degC, g0: closed form computed independently.
    [
        (10, 169.985308, 179.774372, 5.882861),
        (15, 253.359613, 263.148677, 3.946959),
        (30, 489.453187, 499.242250, 2.043096),
    ],
)
def test_inclined_tube(degrees, plain, with_reservoir, for_10_pa_mm):
    assert water.column_pressure_pa(0.1, 20.0, degrees) == pytest.approx(plain, abs=5e-5)
    falling_reservoir = water.column_pressure_pa(0.1, 20.0, degrees, reservoir_area_ratio=0.01)
    assert falling_reservoir == pytest.approx(with_reservoir, abs=5e-5)
    assert 1e3 * water.column_length_m(10.0, 20.0, degrees) == pytest.approx(for_10_pa_mm, abs=5e-6)


def test_inclined_tube_less_air_and_tilt():
    assert water.column_pressure_pa(0.1, 20.0, 10.0, air_density_kg_m3=1.2041) == pytest.approx(169.780261, abs=5e-5)
    tilted = water.column_pressure_pa(0.1, 20.0, 10.1) / water.column_pressure_pa(0.1, 20.0, 10.0) - 1.0
    assert 100 * tilted == pytest.approx(0.98983, abs=2e-3)  # cot x d theta, first order


def test_u_tube_two_kilopascals():
    # Difference of both limbs; each limb moves half of it.
    assert 1e3 * water.column_length_m(2000.0, 20.0) == pytest.approx(204.30963, abs=1e-5)


def test_density_of_the_standard_atmosphere():
    # ISO 2533 sea level: 1.225000 kg/m3.
    density = gas.air_density_kg_m3(101325.0, 288.15, gas.R_STANDARD_ATMOSPHERE_J_KG_K)
    assert density == pytest.approx(1.225000, abs=5e-7)


@pytest.mark.parametrize(("celsius", "real"), [(15, 1.225539), (20, 1.204575), (25, 1.184318), (80, 0.999515)])
def test_ideal_density_close_to_the_real_gas(celsius, real):
    # CoolProp 8.0.0 at 101325 Pa; the ideal gas is 0.05 % low at room temperature.
    assert gas.air_density_kg_m3(101325.0, celsius + 273.15) == pytest.approx(real, rel=6e-4)


def test_density_against_coolprop():
    properties = pytest.importorskip("CoolProp.CoolProp")
    for pascals, kelvin in ((101325.0, 293.15), (35e3, 353.15), (95e3, 273.15)):
        real = properties.PropsSI("D", "P", pascals, "T", kelvin, "Air")
        assert gas.air_density_kg_m3(pascals, kelvin) == pytest.approx(real, rel=8e-4)


@pytest.mark.parametrize(
    ("celsius", "viscosity"),
    # Sutherland's law with the constants of ISO 2533, computed independently.
    [(0, 1.71608), (15, 1.78938), (20, 1.81341), (25, 1.83723), (80, 2.08737)],
)
def test_viscosity(celsius, viscosity):
    assert 1e5 * gas.air_viscosity_pa_s(celsius + 273.15) == pytest.approx(viscosity, abs=6e-6)


@pytest.mark.parametrize(
    ("pascals", "celsius", "humidity", "density"),
    # CIPM-2007 (400 ppm CO2), computed; CoolProp HumidAir gives 1.199359 for the first.
    [
        (101325, 20, 0.5, 1.199314),
        (101325, 20, 1.0, 1.194087),
        (100000, 20, 0.5, 1.183557),
        (101325, 25, 1.0, 1.170357),
    ],
)
def test_moist_air(pascals, celsius, humidity, density):
    assert gas.moist_air_density_kg_m3(pascals, celsius + 273.15, humidity) == pytest.approx(density, abs=1.5e-6)


def test_speed_of_sound():
    assert gas.speed_of_sound_m_s(293.15) == pytest.approx(343.235, abs=1e-3)  # ideal gas, computed
    assert gas.speed_of_sound_m_s(293.15) == pytest.approx(343.344, rel=4e-4)  # CoolProp 8.0.0
    for length, quarter in ((0.5, 171.6), (1.0, 85.8), (2.0, 42.9)):
        assert 343.2 / (4 * length) == pytest.approx(quarter, abs=0.05)


def test_flow_unit_there_and_back():
    flows = np.array([-3.0, 0.0, 0.1, 40.0])
    assert gas.lpm_from_kg_s(gas.kg_s_from_lpm(flows)) == pytest.approx(flows, rel=1e-14)
    # 101325/(287.055 293.15) kg/m3, so one L/min is 20.0683 mg/s.
    assert 1e6 * gas.kg_s_from_lpm(1.0) == pytest.approx(20.0683, abs=1e-4)
