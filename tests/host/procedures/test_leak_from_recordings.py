"""Leaks from recordings: slow settling, marks beside the change-over, strong pulses of hot gas, a known hose."""

import math

import numpy as np
import pytest

from sumpglass.physics.line import transfer
from sumpglass.procedures.leak_recording import port_pressure_pa, readings_of
from sumpglass.procedures.leak_size import size_leak
from sumpglass.procedures.openings import Room, mean_flux_kg_s_m2
from sumpglass.procedures.settled import settled_level
from sumpglass.records import Mark, Recording, SensorLine

CD, LEAK_MM2, NET_KG_S, RHO = 0.61, 2.5, 9e-5, 1.20407


def exact_flux(vacuum, gas_k):
    """Incompressible: what a simple model of the crankcase would use."""
    return np.sign(vacuum) * np.sqrt(2 * RHO * np.abs(vacuum)) * np.where(vacuum >= 0, 1.0, math.sqrt(293.15 / gas_k))


def level_under(swing, opening_mm, gas_k):
    low, high = -2000.0, 20_000.0
    area = CD * 1e-6 * (LEAK_MM2 + math.pi / 4 * opening_mm**2)
    for _ in range(60):
        middle = (low + high) / 2
        draws = NET_KG_S * (1 - 1.2 * middle / 101325)
        low, high = (middle, high) if area * exact_flux(middle + swing, gas_k).mean() < draws else (low, middle)
    return (low + high) / 2


def series(rng, amplitude, gas_k=293.15, tau_s=0.8, rate_hz=250.0, hold_s=20.0):
    phase = np.arange(2000) / 2000 * 2 * np.pi
    cycle = amplitude * (np.sin(2 * phase) + 0.2 * np.sin(4 * phase + 1) + 0.1 * np.sin(phase))
    pieces, marks, before, now = [], [], 0.0, 0.0
    for opening in (4.0, 3.2, 2.5, 1.6, 0.0):
        t = np.arange(int(hold_s * rate_hz)) / rate_hz
        level = level_under(cycle, opening, gas_k)
        pieces.append(level + (before - level) * np.exp(-t / tau_s))
        marks.append(Mark(max(now + rng.uniform(-1, 1), 0.0), f"opening {opening} mm" if opening else "closed"))
        before, now = pieces[-1][-1], now + hold_s
    vacuum = np.concatenate(pieces)
    t = np.arange(len(vacuum)) / rate_hz
    turn = (np.cumsum(13.37 * (1 + 0.003 * rng.standard_normal(len(t)))) / rate_hz) % 1.0
    vacuum = vacuum + np.interp(turn * 2000, np.arange(2000), cycle) + 3 * rng.standard_normal(len(t))
    return Recording(t, -vacuum, tuple(marks), rate_hz, source="csv")


@pytest.mark.parametrize(("amplitude", "gas_k"), [(0.0, 293.15), (150.0, 293.15), (700.0, 293.15), (700.0, 350.0)])
def test_pulses_of_any_size_and_gas_leave_the_leak_within_three_per_cent(amplitude, gas_k):
    taken = readings_of(series(np.random.default_rng(5), amplitude, gas_k), zero_pa=0.0)
    size = size_leak(taken.readings, Room(), taken.zero_u_pa, other_gas_k=343.15)
    assert size.equivalent_mm == pytest.approx(math.sqrt(4 / math.pi * LEAK_MM2), rel=0.03)
    assert size.lo95_mm2 < LEAK_MM2 < size.hi95_mm2
    assert not size.bent


def test_what_is_left_of_a_slow_settling_is_taken_off():
    rng = np.random.default_rng(3)
    t = np.arange(0, 20, 0.01)
    level = settled_level(t, -1000 + 900 * np.exp(-t / 3.5) + 4 * rng.standard_normal(len(t)), 0.0, 20.0)
    assert level is not None
    assert level.mean_pa == pytest.approx(-1000, abs=max(2.5 * level.u_pa, 1.0))
    assert level.u_pa < 10


def test_a_stretch_that_is_far_from_where_it_goes_is_no_reading():
    t = np.arange(0, 10, 0.01)
    assert settled_level(t, -1000 + 900 * np.exp(-t / 12), 0.0, 10.0) is None


def test_a_known_hose_is_undone_and_the_mean_stays():
    hose = SensorLine(3e-3, 1.0, 1e-6)
    t = np.arange(20_000) / 1000.0
    seen = transfer(np.array([40.0]), hose)[0]
    port = -300 + 500 * np.cos(2 * np.pi * 40 * t)
    sensor = -300 + 500 * np.real(seen * np.exp(2j * np.pi * 40 * t))
    restored = port_pressure_pa(Recording(t, sensor, rate_hz=1000.0, line=hose), sensor)
    assert abs(abs(seen) - 1) > 0.1
    assert np.abs(restored - port)[2000:-2000].max() < 15
    assert restored.mean() == pytest.approx(-300, abs=1)


def test_the_table_of_the_flux_is_as_good_as_the_flux():
    from sumpglass.procedures.openings import flux_kg_s_m2

    shape, at, room = np.random.default_rng(1).normal(0, 600, 256), np.array([0.0, 150.0, 4000.0]), Room(gas_k=343.15)
    directly = flux_kg_s_m2(at[:, None] + shape, room).mean(axis=1)
    assert mean_flux_kg_s_m2(at, shape, room) == pytest.approx(directly, rel=1e-5, abs=1e-3)
