"""Sources that size-leak has to tell apart: a draw that does not fall at all, a bend beside pulses and warm gas."""

import math
from dataclasses import replace

import numpy as np
import pytest

from sumpglass.procedures.leak_gas import gas_temperatures
from sumpglass.procedures.leak_posterior import fit_sources
from sumpglass.procedures.leak_problem import LeakProblem
from sumpglass.procedures.leak_rows import SourceRows
from sumpglass.procedures.leak_size import size_leak
from sumpglass.procedures.openings import Reading, Room
from sumpglass.procedures.source_models import CHOKED, FINITE

P0, T0, R = 101325.0, 293.15, 287.055
CD, LEAK_MM2, NET_KG_S = 0.61, 2.5, 9e-5
STILL = np.zeros(1)


def flow_kg_s_m2(vacuum_pa, gas_k=T0):
    """Isentropic flow into the crankcase, or of gas at `gas_k` out of it, by density ratio."""
    v = np.asarray(vacuum_pa, dtype=float)
    up, down = np.where(v >= 0, P0, P0 - v), np.where(v >= 0, P0 - v, P0)
    ratio = down / up
    speed = np.sqrt(7.0 * R * T0 * (1.0 - ratio ** (0.4 / 1.4)))
    return np.sign(v) * up / (R * T0) * ratio ** (1 / 1.4) * speed * np.where(v >= 0, 1.0, math.sqrt(T0 / gas_k))


def readings_under(share, bores_mm, wave_pa=STILL, gas_k=T0, name=""):
    """Exact levels under a source that draws `share(vacuum)` of the draw at none, read to 0.3 %."""
    rows = []
    for bore in bores_mm:
        low, high = -3000.0, 60e3
        for _ in range(60):
            vacuum = 0.5 * (low + high)
            taken = CD * 1e-6 * (LEAK_MM2 + math.pi / 4 * bore**2) * np.mean(flow_kg_s_m2(vacuum + wave_pa, gas_k))
            low, high = (vacuum, high) if taken < NET_KG_S * share(vacuum) else (low, vacuum)
        rows.append(Reading(bore, vacuum, math.hypot(0.5, 0.003 * vacuum), shape_pa=wave_pa, name=name))
    return rows


@pytest.mark.parametrize("fall", [0.0, 1.0, 1.4])
def test_a_draw_that_does_not_fall_and_one_that_falls_with_the_absolute_pressure_are_both_straight(fall):
    # Down to 7 kPa of vacuum, where the one has fallen by a tenth.
    size = size_leak(readings_under(lambda v: 1.0 - fall * v / P0, (5.0, 4.0, 3.2, 2.5, 2.0, 1.5, 1.0, 0.0)))
    assert not size.bent
    assert size.lo95_mm2 <= LEAK_MM2 <= size.hi95_mm2
    assert size.area_mm2 == pytest.approx(LEAK_MM2, rel=0.02)


def test_the_chances_of_a_choked_source_sum_to_one_and_a_steady_draw_has_its_own():
    chances = CHOKED.chances(np.array(CHOKED.values))
    assert chances.sum() == pytest.approx(1.0)
    assert chances[0] == CHOKED.steady
    assert CHOKED.penalty(0.0) < CHOKED.penalty(0.5)


def test_a_bend_is_not_laid_to_the_gas_that_pulses_push_out():
    angle = (np.arange(256) + 0.5) * (2 * np.pi / 256)
    readings = readings_under(
        lambda v: math.sqrt(max(1.0 - v / 1900.0, 0.0)), (4.0, 3.5, 2.5, 1.6, 1.2, 0.0), 190.0 * np.sin(angle),
        name="recorded",
    )  # fmt: skip
    gases = gas_temperatures(readings, Room(), 0.1, 343.15, 0.005)
    assert sum(chance for _, chance in gases) == pytest.approx(1.0)
    assert min(gas_k for gas_k, _ in gases) < 300.0
    size = size_leak(readings, Room(), 0.1, other_gas_k=343.15)
    assert size.bent
    assert size.lo95_mm2 <= LEAK_MM2 <= size.hi95_mm2
    assert size.net_draw_at_cd_lo95 <= NET_KG_S / 1.2041 * 60e3 <= size.net_draw_at_cd_hi95


def test_values_of_another_gas_do_not_cut_a_family_off():
    problem = LeakProblem(readings_under(lambda v: math.sqrt(max(1.0 - v / 1900.0, 0.0)), (4.0, 2.5, 1.6, 0.0)), Room())
    family = FINITE[0]
    own = fit_sources(problem, [family])
    low = 0.6 * own.grids[0][1]
    of_other = replace(own, grids=[(family, low)], looked_at=SourceRows(problem, [(family, float(v)) for v in low]))
    found = fit_sources(problem, [family], of_other)
    assert found.grids[0][1].max() > own.rows[int(np.argmin(own.least))][1]
    assert found.least.min() < own.least.min() + 0.1


def test_the_words_of_a_bend_follow_its_chance():
    exact = readings_under(lambda v: math.sqrt(max(1.0 - v / 3000.0, 0.0)), (5.0, 4.0, 3.0, 2.0, 1.0, 0.0))
    sure = size_leak(exact)
    assert sure.bent and sure.bend_chance > 0.9
    assert any("The line bends" in text for text in sure.warnings)
    unsure = size_leak([replace(r, u_pa=8.0 * r.u_pa) for r in exact])
    assert unsure.bent and unsure.bend_chance < 0.5
    assert any("The line may bend" in text for text in unsure.warnings)
    assert unsure.lo95_mm2 <= LEAK_MM2 <= unsure.hi95_mm2
