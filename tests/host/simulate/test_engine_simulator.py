"""The simulator as a whole: reproducible, independent of chunking, and right about what it should show."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpglass.errors import InputError
from sumpglass.physics.gas import lpm_from_kg_s
from sumpglass.physics.orifice import flow_level_pa, mass_flow_kg_s
from sumpglass.simulate.engine import EngineSimulator, simulate
from sumpglass.simulate.plant import Engine, Rig, Sensor, Ventilation
from sumpglass.simulate.script import (
    Scenario,
    Step,
    blip,
    breather,
    closing,
    engine_start,
    engine_stop,
    handle,
    note,
    opening,
    sensor,
    speed,
)

BUSY = Scenario(
    duration_s=6.0,
    rig=Rig(rate_hz=500.0, sensor=Sensor(hum_pa=3.0, spike_pa=40.0, shake_pa=5.0)),
    steps=(opening(1.0, 3.0), sensor(2.0, "dropouts"), sensor(2.5, "well"), blip(3.0, 1500.0), handle(4.5, 50.0, 1.0)),
)


@settings(max_examples=8, deadline=None)
@given(st.lists(st.integers(1, 400), min_size=1, max_size=12))
def test_pieces_do_not_matter(pieces):
    whole = EngineSimulator(BUSY, 7).take(sum(pieces))
    live = EngineSimulator(BUSY, 7)
    parts = [live.take(piece) for piece in pieces]
    for name in ("t_s", "counts", "port_pa", "rpm", "present"):
        assert np.array_equal(getattr(whole, name), np.concatenate([getattr(part, name) for part in parts]))


def test_seeds():
    first, again, other = simulate(BUSY, 1), simulate(BUSY, 1), simulate(BUSY, 2)
    assert np.array_equal(first.counts, again.counts)
    assert first.truth == again.truth
    assert not np.array_equal(first.counts[:100], other.counts[:100])


def test_advance_owes_fractions():
    live = EngineSimulator(Scenario(rig=Rig(rate_hz=300.0)), 1)
    lengths = [len(live.advance(0.0511).t_s) for _ in range(40)]
    assert sum(lengths) == int(40 * 0.0511 * 300 + 1e-6)
    assert set(lengths) == {15, 16}


def test_applied_live_is_the_same_as_scripted():
    scripted = simulate(Scenario(duration_s=5.0, steps=(opening(3.0, 4.0),)), 4)
    live = EngineSimulator(Scenario(duration_s=5.0), 4)
    start = live.take(1000)
    live.apply(opening(3.0, 4.0))
    rest = live.take(4000)
    assert np.array_equal(scripted.counts, np.concatenate((start.counts, rest.counts)))


def test_applied_in_the_past_means_now():
    live = EngineSimulator(Scenario(), 4)
    live.advance(2.0)
    placed = live.apply(engine_stop(0.0, 0.5, mark="engine off"))
    assert 2.0 <= placed.t_s <= 2.2
    assert live.advance(4.0).rpm[-1] == 0.0
    assert [mark.text for mark in live.marks] == ["engine off"]


def test_mean_flow_through_the_openings_is_the_net_draw():
    # Breather open on a big four: the mean is several times as deep as the level that drives the flow. Gas that is
    # breathed out is hot, so it carries less mass than the same pressure brings in.
    job = Scenario(duration_s=30.0, ventilation=Ventilation(breather_cda_m2=14e-6, seal_cda_m2=0.5e-6))
    result = simulate(job, 2)
    stretch = result.stretches[0]
    inflow = mass_flow_kg_s(stretch.opening_cda_m2, 101325.0, 101325.0 + result.port_pa, 293.15, 343.15)
    assert lpm_from_kg_s(np.mean(inflow)) == pytest.approx(stretch.net_draw_lpm, rel=0.015)
    assert stretch.mean_pa < 3.0 * stretch.flow_level_pa < 0
    assert stretch.flow_level_pa == pytest.approx(flow_level_pa(result.port_pa), rel=0.02)


def line_at(samples, order):
    """Amplitude of the port's pressure at `order` times crank speed, over whole cycles."""
    cycles = (samples.turns - samples.turns[0]) / 2.0
    kept = cycles < np.floor(cycles[-1])
    window = np.hanning(kept.sum())
    swing = (samples.port_pa[kept] - samples.port_pa[kept].mean()) * window
    return 2.0 * np.abs(np.sum(swing * np.exp(-2j * np.pi * order * samples.turns[kept]))) / window.sum()


def test_one_weak_cylinder_shows_once_a_cycle():
    vent = Ventilation(seal_cda_m2=3e-6, breather_cda_m2=0.0)
    even = Engine(cylinders=6, idle_rpm=700.0, blow_by_share=0.02)
    weak = Engine(cylinders=6, idle_rpm=700.0, blow_by_share=0.02, cylinder_strength=(1, 1, 4, 1, 1, 1))
    rig = Rig(turbulence=0.0)
    level = {
        engine: line_at(EngineSimulator(Scenario(engine=engine, ventilation=vent, rig=rig), 1).take(20000), 0.5)
        for engine in (even, weak)
    }
    assert level[weak] > 5 * level[even]


@pytest.mark.parametrize(("cylinders", "layout", "order"), [(1, "inline", 1), (2, "twin_180", 2), (4, "inline", 2)])
def test_strongest_line_is_the_pistons(cylinders, layout, order):
    samples = EngineSimulator(Scenario(engine=Engine(cylinders=cylinders, layout=layout)), 1).take(8000)
    sizes = {candidate: line_at(samples, candidate) for candidate in (0.5, 1, 1.5, 2, 3, 4)}
    assert max(sizes, key=sizes.get) == order


def test_speed_follows_the_script():
    job = Scenario(
        duration_s=20.0, steps=(speed(3.0, 2000.0, 1.0), engine_stop(8.0, 1.0), engine_start(11.0, cranking_s=1.0))
    )
    result = simulate(job, 3)

    def mean(begin, end):
        return result.rpm[int(begin * 1000) : int(end * 1000)].mean()

    assert mean(0, 3) == pytest.approx(800, rel=0.01)
    assert mean(5, 8) == pytest.approx(2000, rel=0.01)
    assert mean(9.2, 11) == 0.0
    assert mean(11.4, 11.9) == pytest.approx(200, rel=0.05)
    assert mean(15, 20) == pytest.approx(800, rel=0.01)


def test_missing_samples_are_left_out_and_counted():
    job = Scenario(duration_s=4.0, steps=(sensor(1.0, "missing"), sensor(2.0, "well")))
    result = simulate(job, 1)
    assert len(result.t_s) == 3000
    assert result.recording().missing == 1000
    assert np.max(np.diff(result.t_s)) == pytest.approx(1.001)
    assert len(result.everything.t_s) == 4000


def test_recording_carries_the_rig():
    recording = simulate(Scenario(duration_s=1.0, steps=(note(0.5, "engine on"),)), 1).recording()
    assert (recording.rate_hz, recording.cylinders, recording.source) == (1000.0, 4, "simulation")
    assert recording.sensor.range_low_pa == -2000.0
    assert recording.line is not None
    assert [mark.text for mark in recording.marks] == ["engine on"]


def test_reed_lets_the_pistons_pump():
    # A single without any suction: its piston pushes gas out past the reed, and only the seals let air back in.
    vent = Ventilation(restriction_cda_m2=1e-15, breather_cda_m2=40e-6, breather_one_way=True, seal_cda_m2=0.9e-6)
    single = Engine(cylinders=1, idle_rpm=1300.0)
    pumped = EngineSimulator(Scenario(engine=single, ventilation=vent), 1).take(5000)
    both_ways = replace(vent, breather_one_way=False)
    open_breather = EngineSimulator(Scenario(engine=single, ventilation=both_ways), 1).take(5000)
    assert pumped.port_mean_pa.mean() < -2000
    assert abs(open_breather.port_mean_pa.mean()) < 600


def test_jittered_times_are_the_true_ones():
    job = Scenario(
        duration_s=4.0, rig=Rig(rate_hz=200.0, time_jitter_s=1e-3, turbulence=0.0, sensor=Sensor(response_s=0.0))
    )
    steady = simulate(job.with_rig(time_jitter_s=0.0), 5).everything
    jittered = simulate(job, 5).everything
    late = steady.t_s - jittered.t_s
    assert np.all(np.diff(jittered.t_s) > 0)
    assert 2e-4 < late.mean() < 2e-3
    assert late.max() < 1 / 200
    fine = simulate(job.with_rig(rate_hz=4000.0, time_jitter_s=0.0), 5).everything
    # The slow recording's first sample period begins 19 fine steps sooner, and the crank with it.
    true = np.interp(jittered.t_s + 19 / 4000.0, fine.t_s, fine.port_pa)
    assert np.std(jittered.port_pa - true) < 0.01 * np.std(jittered.port_pa)


def test_rough_running_blurs_no_angle():
    rough = Engine(speed_ripple=0.1, speed_jitter=0.02, speed_wander=0.02)
    turns = EngineSimulator(Scenario(engine=rough), 1).take(10000).turns
    assert np.all(np.diff(turns) > 0)
    assert turns[-1] - turns[0] == pytest.approx(10 * 800 / 60, rel=0.02)


def test_wind_moves_the_reading_and_not_the_crankcase():
    calm = simulate(Scenario(duration_s=4.0), 1)
    windy = simulate(Scenario(duration_s=4.0).with_rig(gust_pa=20.0), 1)
    assert np.array_equal(calm.port_pa, windy.port_pa)
    assert 5 < np.std(windy.everything.sensed_pa - calm.everything.sensed_pa) < 40


def test_clipping_at_the_range():
    job = Scenario(duration_s=5.0, ventilation=Ventilation(seal_cda_m2=2e-6), steps=(breather(0.0, 0.0),))
    result = simulate(job, 1)
    assert result.port_pa.mean() < -2500
    assert result.pressure_pa.min() == pytest.approx(job.rig.sensor.lowest_pa)
    assert np.mean(result.counts == 0) > 0.3


@pytest.mark.parametrize(
    "make",
    [
        lambda: Step(0.0, "explode"),
        lambda: sensor(1.0, "tired"),
        lambda: opening(float("nan"), 2.0),
        lambda: closing(1.0, -1.0),
        lambda: Scenario(duration_s=0.0),
        lambda: Scenario(engine=Engine(cylinder_strength=(1.0, 2.0))),
    ],
)
def test_wrong_scripts_are_refused(make):
    with pytest.raises(InputError, match="expected|no plain number"):
        make()
