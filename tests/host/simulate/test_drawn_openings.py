"""Drawn known-opening series and holds: the leak beside them is the one that the trace obeys."""

import numpy as np
import pytest

from sumpglass.physics import decay, orifice
from sumpglass.physics.gas import lpm_from_kg_s
from sumpglass.simulate.drawn_openings import SEAL_LIMIT_PA, draw_hold, draw_known_openings
from sumpglass.simulate.engine import simulate


def test_series_is_reproducible_and_goes_down():
    job = draw_known_openings(np.random.default_rng(3))
    assert job == draw_known_openings(np.random.default_rng(3))
    areas = [step.value for step in job.scenario.steps if step.action == "opening"]
    assert len(areas) >= 3
    assert all(later < earlier for earlier, later in zip(areas, areas[1:]))
    assert [s.mark.split()[0] for s in job.scenario.steps if s.mark][0] == "opening"


@pytest.mark.parametrize("seed", [2, 12])
def test_each_level_balances_the_draw(seed):
    # Seeds with small pulses: inflow through leak and plug is what the choked suction draws, less the blow-by.
    job = draw_known_openings(np.random.default_rng([5, seed]), straight=True)
    engine, vent = job.scenario.engine, job.scenario.ventilation
    for stretch in simulate(job.scenario, seed).stretches:
        room = vent.room_pa
        come_in = orifice.mass_flow_kg_s(stretch.opening_cda_m2, room, room + stretch.flow_level_pa)
        at_room, at_level = orifice.mass_flow_kg_s(
            vent.restriction_cda_m2,
            np.array([room, room + stretch.port_mean_pa]),
            engine.manifold_idle_pa,
            engine.gas_k,
        )
        draw = stretch.net_draw_lpm - lpm_from_kg_s(at_room - at_level)
        assert lpm_from_kg_s(come_in) == pytest.approx(draw, rel=0.025)
        assert stretch.mean_pa > -SEAL_LIMIT_PA


def test_bent_series_are_bent():
    # Not choked, or a valve that moves: the draw differs between the shallowest and the deepest level.
    bent = [draw_known_openings(np.random.default_rng(seed), straight=False) for seed in range(6)]
    assert all(job.scenario.ventilation.valve or job.scenario.engine.manifold_idle_pa > 6e4 for job in bent)
    assert {bool(job.scenario.ventilation.valve) for job in bent} == {True, False}


def test_hold_falls_in_the_time_of_its_leak():
    job = draw_hold(np.random.default_rng(4))
    result = simulate(job.scenario, 1)
    level, t = result.everything.port_mean_pa, result.everything.t_s
    deepest = int(np.argmin(level))
    assert -4000 < level[deepest] < -1000
    engine = job.scenario.engine
    isothermal = float(decay.orifice_rate_sqrt_pa_s(job.leak_cda_m2, engine.crankcase_volume_m3, engine.gas_k))
    half = decay.orifice_decay_time_s(-level[deepest], -level[deepest] / 2, isothermal)
    fallen = t[deepest:][level[deepest:] > level[deepest] / 2][0] - t[deepest]
    # Between adiabatic (1.4 times as fast) and isothermal.
    assert half / 1.45 < fallen < 1.1 * half
