"""What the simulator says is true must follow from the contract's definitions and from the trace itself."""

from dataclasses import replace

import numpy as np
import pytest

from sumpglass.physics.crankcase import intake_flow_lpm
from sumpglass.physics.gas import kg_s_from_lpm
from sumpglass.records import CAUSES, HAPPENING_KINDS
from sumpglass.simulate.cycle_mean import cycle_mean
from sumpglass.simulate.drawn import KINDS, draw_scenario
from sumpglass.simulate.engine import simulate
from sumpglass.simulate.orchard import SCENARIOS, scenario_named
from sumpglass.simulate.plant import Engine, Rig, Sensor, Ventilation
from sumpglass.simulate.script import Scenario, breather, line_block, opening, sensor
from sumpglass.simulate.truth import allowed

EXPECTED = {
    "leak-test": ["sudden_loss opening", "recovery closing", "sudden_loss opening", "recovery closing"],
    "suction-lost": ["sudden_loss suction_lost", "sign_reversal suction_lost", "recovery suction_back",
                     "sign_reversal suction_back"],
    "stall": ["sudden_loss engine_stop", "recovery engine_start"],
    "hose-off": ["rig_fault tap_off"],
    "line-blocked": ["rig_fault line_blocked"],
    "sensor-rail": ["rig_fault sensor_fault", "rig_fault sensor_fault"],
    "blow-by-rise": ["sudden_loss blow_by_rise", "sign_reversal blow_by_rise"],
}  # fmt: skip


@pytest.fixture(scope="module")
def carried_out():
    return {name: simulate(SCENARIOS[name], 1) for name in EXPECTED}


@pytest.mark.parametrize("name", list(EXPECTED))
def test_named_scenarios_tell_what_happens(carried_out, name):
    told = [f"{h.kind} {h.cause}" for h in carried_out[name].truth if not h.optional]
    assert told == EXPECTED[name]


def test_words_are_the_contracts(carried_out):
    for result in carried_out.values():
        for happening in result.truth:
            assert happening.kind in HAPPENING_KINDS
            assert {happening.cause, *happening.also_causes} <= set(CAUSES)


def test_losses_are_losses(carried_out):
    losses = [(r, h) for r in carried_out.values() for h in r.truth if h.kind == "sudden_loss" and not h.optional]
    assert len(losses) >= 5
    for result, happening in losses:
        assert happening.before_pa < 0
        assert happening.after_pa > 0.5 * happening.before_pa
        everything = result.everything
        level = cycle_mean(everything.t_s, everything.sensed_mean_pa, everything.turns)
        later = (everything.t_s > happening.t_s + 2.0) & (everything.t_s < happening.t_s + 2.5)
        assert np.all(level[later] > 0.5 * happening.before_pa)


def test_onset_lies_in_the_change(carried_out):
    for result in carried_out.values():
        for happening in result.truth:
            if happening.until_s is not None:
                continue
            near = [s for s in result.scenario.steps if -0.01 <= happening.t_s - s.t_s <= s.seconds + 1.5]
            assert near, happening


def test_sizes_agree_with_the_stretches(carried_out):
    result = carried_out["suction-lost"]
    loss = next(h for h in result.truth if h.kind == "sudden_loss")
    assert loss.before_pa == pytest.approx(result.stretches[0].mean_pa, rel=0.05)
    assert loss.after_pa == pytest.approx(result.stretches[1].mean_pa, rel=0.1)


def test_stretches_know_the_engine(carried_out):
    engines = [stretch.engine for stretch in carried_out["stall"].stretches]
    assert engines == ["running", "stopped", "running"]
    assert carried_out["stall"].stretches[1].rpm == 0.0


def test_half_order_of_a_weak_cylinder():
    # With the suction steady, one cylinder's extra blow-by m(t) makes p' = R T m'/V: about its first harmonic. A pulse
    # of 90 degrees in 720 has a first harmonic of nearly twice its mean, so amplitude 2 R T dm/(V 2 pi f), isothermal
    # to adiabatic: a factor of 1.4 between.
    engine = Engine(
        cylinders=6, idle_rpm=900.0, cylinder_strength=(3, 1, 1, 1, 1, 1), cycle_variation=0.0, speed_jitter=0.0,
        speed_wander=0.0, blow_by_share=0.02, speed_ripple=0.0,
    )  # fmt: skip
    job = Scenario(
        engine=engine, duration_s=12.0, steps=(breather(0.0, 0.0),), ventilation=Ventilation(seal_cda_m2=2e-6)
    )
    stretch = simulate(job, 1).stretches[-1]
    mean_kg_s = kg_s_from_lpm(0.02 * intake_flow_lpm(engine.displacement_m3, 900.0, 35e3))
    extra = mean_kg_s * 2.0 / 8.0
    isothermal = 2.0 * 287.055 * 343.15 * extra / (6e-3 * 2 * np.pi * 7.5)
    assert 0.85 * isothermal < stretch.half_order_pa < 1.4 * isothermal
    even = replace(job, engine=replace(engine, cylinder_strength=()))
    assert simulate(even, 1).stretches[-1].half_order_pa < 0.03 * stretch.half_order_pa


def test_cycle_mean_takes_the_pulses_out():
    t = np.arange(5000) / 1000.0
    turns = t * 800 / 60
    values = -300 + 800 * np.sin(4 * np.pi * turns) + 100 * np.sin(np.pi * turns)
    assert np.max(np.abs(cycle_mean(t, values, turns) + 300)) < 2.0


def test_cycle_mean_of_a_stopped_engine_is_short():
    t = np.arange(3000) / 1000.0
    step = np.where(t < 1.5, -500.0, 0.0)
    mean = cycle_mean(t, step, np.zeros(3000))
    assert mean[1000] == -500.0 and mean[2000] == 0.0


@pytest.mark.parametrize("kind", KINDS)
def test_drawn_scenarios_tell_their_kind(kind):
    causes = {
        "opening": {"opening", "closing"}, "suction_lost": {"suction_lost", "suction_back"},
        "stall": {"engine_stop", "engine_start"}, "start": {"engine_start"}, "speed_change": {"speed_change"},
        "tap_off": {"tap_off"}, "line_blocked": {"line_blocked"}, "sensor_fault": {"sensor_fault"},
        "blow_by_rise": {"blow_by_rise"}, "mixed": set(CAUSES),
    }.get(kind, set())  # fmt: skip
    seconds = 18.0 if kind in ("steady", "drift", "handling") else 28.0
    result = simulate(draw_scenario(np.random.default_rng([11, KINDS.index(kind)]), kind, duration_s=seconds), 1)
    told = {h.cause for h in result.truth if not h.optional}
    assert told <= causes | {"out_of_range"}
    if kind in ("opening", "suction_lost", "stall", "tap_off", "line_blocked", "sensor_fault", "blow_by_rise"):
        assert causes & {h.cause for h in result.truth}


def test_rig_faults_allow_what_they_look_like(carried_out):
    truth = carried_out["hose-off"].truth
    assert allowed(truth, "sudden_loss", 18.1) and allowed(truth, "recovery", 33.0)
    assert not allowed(truth, "sudden_loss", 26.0)
    assert not allowed(truth, "rig_fault", 10.0)


def test_nothing_is_asked_that_cannot_be_heard():
    engine = Engine(cylinders=6, cycle_variation=0.0)
    quiet = Scenario(
        engine=engine, duration_s=12.0, rig=Rig(sensor=Sensor(white_pa=60.0), turbulence=0.0),
        steps=(line_block(6.0),),
    )  # fmt: skip
    assert all(happening.optional for happening in simulate(quiet, 1).truth)
    ends = Scenario(duration_s=8.0, steps=(sensor(5.0, "missing"),))
    assert all(happening.optional for happening in simulate(ends, 1).truth)


def test_loss_from_an_unsettled_level_is_not_insisted_on():
    filling = Scenario(
        duration_s=16.0, rig=Rig(sensor=Sensor(range_low_pa=-7e3, range_high_pa=7e3)),
        ventilation=Ventilation(restriction_cda_m2=0.5e-6, seal_cda_m2=1.0e-6),
        steps=(breather(4.0, 0.0), opening(6.5, 6.0)),
    )  # fmt: skip
    losses = [happening for happening in simulate(filling, 1).truth if happening.kind == "sudden_loss"]
    assert losses and all(happening.optional for happening in losses)


def test_drawing_is_reproducible():
    first = draw_scenario(np.random.default_rng(3))
    assert first == draw_scenario(np.random.default_rng(3))
    assert first != draw_scenario(np.random.default_rng(4))


def test_unknown_names_list_what_there_is():
    from sumpglass.errors import InputError

    with pytest.raises(InputError, match="leak-test"):
        scenario_named("nowhere")
    with pytest.raises(InputError, match="steady"):
        draw_scenario(np.random.default_rng(1), "weather")
