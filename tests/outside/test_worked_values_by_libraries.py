"""Orifice flow, expansibility, choking and decay worked by `fluids` and CoolProp at the time of the test.

The decays are integrated step by step with flows of `fluids` and gas of CoolProp; nothing of the program goes in.
"""

import math

import numpy as np
import pytest

from sumpglass.physics import decay, gas, iso5167, orifice
from sumpglass.procedures.decay_judge import judge_hold
from sumpglass.records import Recording

fluids = pytest.importorskip("fluids")
coolprop = pytest.importorskip("CoolProp.CoolProp")
ROOM_PA, ROOM_K = 101325.0, 293.15
CD, HOLE_M, VOLUME_M3 = 0.61, 1e-3, 5e-3


@pytest.mark.parametrize("ratio", [0.999, 0.99, 0.95, 0.85])
@pytest.mark.parametrize("beta", [0.2, 0.3004, 0.55, 0.7])
def test_expansibility_of_iso_5167(beta, ratio):
    """ISO 5167-2 orifice plates and ISO 5167-3 nozzles as `fluids.flow_meter` has them."""
    meter = fluids.flow_meter
    plate = meter.orifice_expansibility(D=1.0, Do=beta, P1=1e5, P2=ratio * 1e5, k=1.4)
    nozzle = meter.nozzle_expansibility(D=1.0, Do=beta, P1=1e5, P2=ratio * 1e5, k=1.4)
    assert float(iso5167.orifice_expansibility(beta, ratio)) == pytest.approx(plate, rel=1e-12)
    assert float(iso5167.nozzle_expansibility(beta, ratio)) == pytest.approx(nozzle, rel=1e-9)


@pytest.mark.parametrize("ratio", [0.999, 0.98, 0.9, 0.7, 0.55])
def test_isentropic_expansibility_is_that_of_a_nozzle_in_a_wide_pipe(ratio):
    """With a vanishing diameter ratio the nozzle's expansibility is the isentropic one (ISO 5167-3, `fluids`)."""
    nozzle = fluids.flow_meter.nozzle_expansibility(D=1.0, Do=1e-4, P1=1e5, P2=ratio * 1e5, k=1.4)
    assert float(orifice.isentropic_expansibility(ratio)) == pytest.approx(nozzle, rel=1e-9)


@pytest.mark.parametrize("difference_pa", [100.0, 500.0, 2000.0, 20000.0])
def test_mass_flow_of_a_small_hole(difference_pa):
    """`fluids.flow_meter_discharge` with that nozzle's expansibility and density of the ideal gas."""
    down = ROOM_PA - difference_pa
    density = ROOM_PA / (gas.R_AIR_J_KG_K * ROOM_K)
    expansibility = fluids.flow_meter.nozzle_expansibility(D=10.0, Do=HOLE_M, P1=ROOM_PA, P2=down, k=1.4)
    theirs = fluids.flow_meter_discharge(10.0, HOLE_M, ROOM_PA, down, density, CD, expansibility)
    area = float(orifice.effective_area_m2(HOLE_M, CD))
    assert float(orifice.mass_flow_kg_s(area, ROOM_PA, down)) == pytest.approx(theirs, rel=1e-8)


@pytest.mark.parametrize(("bore_mm", "grams"), [(1.6, 0.436726), (2.0, 0.682385), (2.5, 1.066226)])
def test_choked_flow_with_the_throat_of_fluids(bore_mm, grams):
    """101 kPa, 80 degC: throat at `fluids`' critical pressure, its density and speed of sound by the ideal gas."""
    throat_pa = fluids.P_critical_flow(101e3, 1.4)
    throat_k = fluids.isentropic_T_rise_compression(353.15, 101e3, throat_pa, 1.4, 1.0)
    speed = math.sqrt(1.4 * gas.R_AIR_J_KG_K * throat_k)
    theirs = math.pi / 4e6 * bore_mm**2 * throat_pa / (gas.R_AIR_J_KG_K * throat_k) * speed
    ours = float(orifice.mass_flow_kg_s(orifice.bore_area_m2(bore_mm / 1e3), 101e3, 35e3, 353.15))
    assert ours == pytest.approx(theirs, rel=1e-9)
    assert 1e3 * ours == pytest.approx(grams, abs=6e-7)


def test_regulation_pressure_rise_in_moles_of_real_air():
    """40 CFR 1065.644: the moles in 2.0000 L at both pressures by CoolProp's density; air is ideal to 0.1 % there."""
    moles = [coolprop.PropsSI("DMOLAR", "P", p, "T", 293.15, "Air") * 2e-3 for p in (25.3e3, 50.6e3)]
    real = (moles[1] - moles[0]) / 70.0
    assert decay.molar_leak_mol_s(2e-3, 25.3e3, 50.6e3, 70.0, 293.15) == pytest.approx(real, rel=1e-3)


def test_sealed_vessel_warmed_by_a_kelvin():
    """At constant density CoolProp's air gains 346.5 Pa a kelvin: the ideal gas's 345.6 is right to 0.25 %."""
    density = coolprop.PropsSI("D", "P", ROOM_PA, "T", ROOM_K, "Air")
    gained = coolprop.PropsSI("P", "D", density, "T", ROOM_K + 1.0, "Air") - ROOM_PA
    assert decay.temperature_effect_pa_k() == pytest.approx(gained, rel=2.6e-3)


def test_refill_without_heat_warms_real_air():
    """Mass and energy of real air: room air of its enthalpy is let into 5 L at -2 kPa until 101325 Pa."""
    d0, u0 = (coolprop.PropsSI(x, "P", ROOM_PA - 2000.0, "T", ROOM_K, "Air") for x in ("D", "U"))
    h = coolprop.PropsSI("H", "P", ROOM_PA, "T", ROOM_K, "Air")
    low, high = ROOM_K, ROOM_K + 5.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        d, u = (coolprop.PropsSI(x, "P", ROOM_PA, "T", middle, "Air") for x in ("D", "U"))
        low, high = (middle, high) if d * u - d0 * u0 < (d - d0) * h else (low, middle)
    assert decay.refill_temperature_k(ROOM_PA - 2000.0, ROOM_PA) - ROOM_K == pytest.approx(low - ROOM_K, rel=0.01)


def decay_by_libraries(t_s):
    """Vacuum of 5 L of real air through a 1 mm hole, walls at 20 degC: flow of `fluids`, states of CoolProp."""
    from scipy.integrate import solve_ivp

    density = coolprop.PropsSI("D", "P", ROOM_PA, "T", ROOM_K, "Air")
    at = np.linspace(ROOM_PA - 2500.0, ROOM_PA, 200)
    inside = np.array([coolprop.PropsSI("D", "P", p, "T", ROOM_K, "Air") for p in at])

    def flow(t, mass):
        pressure = min(float(np.interp(mass[0] / VOLUME_M3, inside, at)), ROOM_PA - 1e-3)
        expansibility = fluids.flow_meter.nozzle_expansibility(D=10.0, Do=HOLE_M, P1=ROOM_PA, P2=pressure, k=1.4)
        return [fluids.flow_meter_discharge(10.0, HOLE_M, ROOM_PA, pressure, density, CD, expansibility)]

    first = coolprop.PropsSI("D", "P", ROOM_PA - 2000.0, "T", ROOM_K, "Air") * VOLUME_M3
    solved = solve_ivp(flow, (0.0, t_s[-1]), [first], t_eval=t_s, rtol=1e-8, atol=1e-12, max_step=0.1)
    return ROOM_PA - np.interp(solved.y[0] / VOLUME_M3, inside, at)


def test_decay_of_real_air_is_sized_by_the_hold():
    """The hold test names the law, the hole and its flow (0.8284 L/min incompressible, less 0.26 % of expansion)."""
    t = np.arange(0.0, 6.5, 0.02)
    vacuum = decay_by_libraries(t)
    assert np.interp(-1000.0, -vacuum, t) == pytest.approx(2.093649, rel=0.01), "expansion slows it by 0.8 %"
    hold = judge_hold(Recording(t, -vacuum), 1e3 * VOLUME_M3, zero_pa=0.0)
    assert hold.model == "orifice"
    assert hold.equivalent_mm == pytest.approx(1.0, rel=3e-3)
    assert hold.leak_lpm_at_500pa == pytest.approx(0.8284 * (1 - 0.0026), rel=3e-3)
    assert hold.leak_lo95 < 0.8284 * (1 - 0.0026) < hold.leak_hi95
