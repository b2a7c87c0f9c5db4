"""Scenarios drawn at random, for benches that need data nobody tuned on.

    scenario = draw_scenario(np.random.default_rng(7), kind="opening")

Engines of one to eight cylinders, even and uneven, 400 to 6000 rpm; sensors of 125 Pa to 50 kPa with 10 to 16 bits;
100 Hz to 1 kHz; several kinds of noise and electrical trouble. What is true of each comes with `simulate(...).truth`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sumpglass.errors import InputError
from sumpglass.physics import crankcase
from sumpglass.physics.gas import GAMMA_AIR, kg_s_from_lpm
from sumpglass.physics.orifice import critical_flow_function, incompressible_flow_kg_s
from sumpglass.records import SensorLine
from sumpglass.simulate import script
from sumpglass.simulate.plant import Engine, Rig, Sensor, SprungValve, Ventilation
from sumpglass.simulate.script import Scenario, Step

Random = np.random.Generator

SENSOR_RANGES_PA = (125.0, 500.0, 2000.0, 7000.0, 10000.0, 50000.0)
LAYOUTS_BY_CYLINDERS: dict[int, tuple[tuple[str, float], ...]] = {
    1: (("inline", 0.0),),
    2: (("inline", 0.0), ("twin_180", 0.0), ("odd_vee", 90.0), ("odd_vee", 45.0), ("boxer", 180.0)),
    3: (("inline", 0.0),),
    4: (("inline", 0.0), ("boxer", 180.0)),
    5: (("inline", 0.0),),
    6: (("inline", 0.0), ("vee", 60.0), ("odd_vee", 90.0)),
    7: (("inline", 0.0),),
    8: (("vee", 90.0), ("inline", 0.0)),
}


def log_uniform(rng: Random, low: float, high: float) -> float:
    """A draw whose logarithm is uniform between `low` and `high`."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def draw_engine(rng: Random, cylinders: int | None = None) -> Engine:
    """Any engine. Sevens are rare, fours and sixes common, as in life."""
    counts, weights = np.arange(1, 9), np.array([2, 2, 3, 6, 1.5, 4, 0.3, 3])
    number = int(rng.choice(counts, p=weights / weights.sum())) if cylinders is None else cylinders
    layout, bank = LAYOUTS_BY_CYLINDERS[number][int(rng.integers(len(LAYOUTS_BY_CYLINDERS[number])))]
    one_m3 = log_uniform(rng, 0.2e-3, 0.75e-3)
    ratio = rng.uniform(0.75, 1.15)
    bore = (4.0 * one_m3 / (math.pi * ratio)) ** (1.0 / 3.0)
    strength = tuple(np.round(rng.lognormal(0.0, 0.12, number), 3).tolist()) if rng.uniform() < 0.6 else ()
    volume = number * one_m3 * rng.uniform(1.6, 3.2) + rng.uniform(1.0e-3, 3.0e-3)
    return Engine(
        name=f"drawn {layout} {number}",
        cylinders=number, bore_m=bore, stroke_m=ratio * bore, rod_m=ratio * bore * rng.uniform(1.5, 1.9),
        layout=layout, bank_deg=bank, crankcase_volume_m3=volume, gas_k=rng.uniform(310.0, 365.0),
        wall_time_s=log_uniform(rng, 0.03, 0.3), idle_rpm=rng.uniform(500.0, 1100.0),
        manifold_idle_pa=rng.uniform(28e3, 48e3), blow_by_share=log_uniform(rng, 0.004, 0.02),
        cylinder_strength=strength, cycle_variation=rng.uniform(0.05, 0.35), speed_jitter=log_uniform(rng, 1e-3, 1e-2),
        speed_ripple=log_uniform(rng, 0.01, 0.12) / number,
        speed_wander=log_uniform(rng, 1e-3, 1.2e-2), wander_time_s=rng.uniform(0.7, 4.0),
        hunting_share=rng.uniform(0.005, 0.03) if rng.uniform() < 0.1 else 0.0, hunting_s=rng.uniform(1.5, 4.0),
    )  # fmt: skip


def swing_pa(engine: Engine) -> float:
    """Amplitude of the pistons' pulses with everything shut: gamma p dV/V, the strongest order."""
    orders = crankcase.order_amplitudes_m3(engine.geometry)
    return float(GAMMA_AIR * 1e5 * np.max(orders[1:]) / engine.crankcase_volume_m3)


def draw_rate_hz(rng: Random, firing_hz: float = 0.0) -> float:
    """One of the usual rates; nothing keeps it above the pulses, as nothing does in life."""
    return float(rng.choice([100.0, 200.0, 250.0, 400.0, 500.0, 800.0, 1000.0, 1000.0]))


def draw_sensor(rng: Random, wanted_pa: float) -> Sensor:
    """A part whose range holds `wanted_pa`, or now and then the next smaller one, with its noise and errors."""
    fitting = [r for r in SENSOR_RANGES_PA if r >= wanted_pa] or [SENSOR_RANGES_PA[-1]]
    span = float(rng.choice(fitting[:2]))
    bits = int(rng.choice([10, 11, 12, 12, 12, 13, 14, 15, 16]))
    code = 2.0 * span / 2**bits
    return Sensor(
        part=f"drawn {span:g} Pa, {bits} bits",
        range_low_pa=-span, range_high_pa=span, headroom=rng.uniform(0.0, 0.08), bits=bits,
        response_s=log_uniform(rng, 2e-4, 3e-3), gain_error=rng.normal(0.0, 0.01),
        offset_pa=rng.normal(0.0, 0.002 * span),
        white_pa=max(0.3 * code, log_uniform(rng, 3e-4, 3e-3) * span),
        flicker_pa=log_uniform(rng, 1e-4, 1.5e-3) * span,
        drift_pa_per_s=rng.normal(0.0, 2e-5 * span),
        hum_pa=log_uniform(rng, 1e-3, 5e-3) * span if rng.uniform() < 0.25 else 0.0,
        spike_pa=log_uniform(rng, 0.01, 0.1) * span if rng.uniform() < 0.2 else 0.0,
        shake_pa=log_uniform(rng, 1e-4, 1e-3) * span if rng.uniform() < 0.25 else 0.0,
        sticky_codes=int(rng.integers(1, 5)) if bits == 12 and rng.uniform() < 0.4 else 0,
        offset_u95_pa=0.004 * span,
    )  # fmt: skip


def draw_line(rng: Random) -> SensorLine:
    """A gauge hose of the kinds that lie about in a workshop."""
    return SensorLine(rng.uniform(2e-3, 5e-3), rng.uniform(0.15, 1.8), log_uniform(rng, 0.2e-6, 4e-6))


def draw_ventilation(rng: Random, engine: Engine, rpm: float, dead_ended: bool) -> tuple[Ventilation, float]:
    """A system that stands at a plausible vacuum at this speed without load; returns it and about that level."""
    level = log_uniform(rng, 600.0, 6000.0) if dead_ended else log_uniform(rng, 60.0, 600.0)
    blow_by = float(
        kg_s_from_lpm(
            engine.blow_by_share * crankcase.intake_flow_lpm(engine.displacement_m3, rpm, engine.manifold_idle_pa)
        )
    )
    draw = max(blow_by * rng.uniform(0.6, 4.0), float(kg_s_from_lpm(log_uniform(rng, 2.0, 12.0))))
    flux = critical_flow_function() * 101325.0 / math.sqrt(287.055 * engine.gas_k)
    everything = draw / float(incompressible_flow_kg_s(1.0, level))
    seal = everything if dead_ended else everything * rng.uniform(0.02, 0.2)
    breather = log_uniform(rng, 8e-6, 25e-6) if dead_ended else everything - seal
    hose = rng.uniform(0.3, 1.2) if rng.uniform() < 0.4 else 0.0
    area = (draw + blow_by) / flux
    valve = SprungValve(idle_cda_m2=area, cruise_cda_m2=area * rng.uniform(1.8, 4.0)) if rng.uniform() < 0.15 else None
    reed = not dead_ended and swing_pa(engine) > 3000.0 and rng.uniform() < 0.5
    ventilation = Ventilation(
        restriction_cda_m2=area, valve=valve, breather_cda_m2=breather, breather_length_m=hose,
        breather_bore_m=rng.uniform(0.012, 0.022), breather_one_way=reed, seal_cda_m2=seal,
        whistle_pa=level * log_uniform(rng, 0.01, 0.15) if rng.uniform() < 0.15 else 0.0,
        whistle_hz=log_uniform(rng, 40.0, 400.0),
    )  # fmt: skip
    return ventilation, level


def _opening(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    vent = scenario.ventilation
    everything = vent.seal_cda_m2 + (0.0 if dead else vent.breather_cda_m2)
    area = everything * log_uniform(rng, 1.5, 10.0)
    opens = rng.uniform(12.0, 20.0)
    steps = [script.opening(opens, cda_m2=area, seconds=log_uniform(rng, 0.02, 0.5))]
    if rng.uniform() < 0.8:
        steps.append(script.closing(opens + rng.uniform(5.0, 15.0), log_uniform(rng, 0.03, 0.6)))
    return tuple(steps)


def _suction(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    lost = rng.uniform(12.0, 20.0)
    steps = [script.suction(lost, 0.0, log_uniform(rng, 0.03, 0.5))]
    if rng.uniform() < 0.8:
        steps.append(script.suction(lost + rng.uniform(6.0, 15.0), 1.0, log_uniform(rng, 0.05, 0.5)))
    return tuple(steps)


def _stall(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    stops = rng.uniform(12.0, 20.0)
    steps = [script.engine_stop(stops, rng.uniform(0.4, 1.6))]
    if rng.uniform() < 0.8:
        steps.append(script.engine_start(stops + rng.uniform(6.0, 12.0), scenario.rpm_at_start, rng.uniform(0.6, 2.0)))
    return tuple(steps)


def _start(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    off = script.engine_stop(0.0, 0.0)
    return (off, script.engine_start(rng.uniform(8.0, 15.0), scenario.rpm_at_start, rng.uniform(0.6, 2.0)))


def _speed(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    changes = rng.uniform(12.0, 18.0)
    rpm = float(np.clip(scenario.rpm_at_start * log_uniform(rng, 1.3, 3.0), 500.0, 6000.0))
    steps = [script.speed(changes, rpm, rng.uniform(0.5, 2.5))]
    if rng.uniform() < 0.4:
        steps.append(script.load(changes + 6.0, rng.uniform(0.2, 0.7), rng.uniform(0.2, 1.0)))
    steps.append(script.speed(changes + 14.0, scenario.rpm_at_start, rng.uniform(0.5, 2.5)))
    return tuple(steps)


def _blip(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    first = rng.uniform(10.0, 14.0)
    high = float(np.clip(scenario.rpm_at_start * rng.uniform(1.6, 3.0), 900.0, 6000.0))
    return tuple(script.blip(first + 9.0 * i, high, rng.uniform(0.8, 2.0)) for i in range(3))


def _tap(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    off = rng.uniform(12.0, 20.0)
    steps = [script.tap(off, False, log_uniform(rng, 0.01, 0.08))]
    if rng.uniform() < 0.5:
        steps.insert(0, script.handle(off - 1.0, 0.05 * level, 1.0))
    if rng.uniform() < 0.7:
        steps.append(script.tap(off + rng.uniform(6.0, 14.0), True, log_uniform(rng, 0.01, 0.08)))
    return tuple(steps)


def _blocked(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    shuts = rng.uniform(12.0, 20.0)
    steps = [script.line_block(shuts, 1.0, log_uniform(rng, 0.1, 1.5))]
    if rng.uniform() < 0.5:
        steps.append(script.line_block(shuts + rng.uniform(8.0, 14.0), 0.0, log_uniform(rng, 0.05, 0.5)))
    return tuple(steps)


def _sensor(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    fails = rng.uniform(12.0, 20.0)
    mode = str(rng.choice(["stuck", "rail_low", "rail_high", "dead", "missing", "dropouts"]))
    steps = [script.sensor(fails, mode)]
    if rng.uniform() < 0.5:
        steps.append(script.sensor(fails + rng.uniform(3.0, 12.0), "well"))
    return tuple(steps)


def _drift(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    rate = float(rng.choice([-1.0, 1.0])) * level * rng.uniform(0.01, 0.04)
    return (script.drift(rng.uniform(3.0, 8.0), rate), script.drift(rng.uniform(20.0, 30.0), 0.0))


def _handling(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    return tuple(
        script.handle(rng.uniform(8.0, 12.0) + 9.0 * i, level * rng.uniform(0.02, 0.15), rng.uniform(0.5, 3.0))
        for i in range(3)
    )


def _blow_by(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    rises = rng.uniform(12.0, 20.0)
    engine, vent = scenario.engine, scenario.ventilation
    drawn = float(
        kg_s_from_lpm(crankcase.intake_flow_lpm(engine.displacement_m3, scenario.rpm_at_start, engine.manifold_idle_pa))
    )
    flux = critical_flow_function() * 101325.0 / math.sqrt(287.055 * engine.gas_k)
    carried = flux * vent.restriction_cda_m2 / (engine.blow_by_share * drawn)
    return (script.blow_by(rises, carried * rng.uniform(1.4, 3.0), log_uniform(rng, 0.1, 1.0)),)


def _mixed(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    first = _opening(rng, scenario, level, dead)
    later = first[-1].t_s + 10.0
    maker = MAKERS[str(rng.choice(["stall", "suction_lost", "blip", "tap_off", "opening"]))]
    shifted = [
        script.Step(s.t_s - 12.0 + later, s.action, s.value, s.seconds, "second" if s.action == "opening" else s.name)
        for s in maker(rng, scenario, level, dead)
    ]
    return first + tuple(shifted)


def _steady(rng: Random, scenario: Scenario, level: float, dead: bool) -> tuple[Step, ...]:
    return ()


Maker = Callable[[Random, Scenario, float, bool], tuple[Step, ...]]
MAKERS: dict[str, Maker] = {
    "steady": _steady,
    "opening": _opening,
    "suction_lost": _suction,
    "stall": _stall,
    "start": _start,
    "speed_change": _speed,
    "blip": _blip,
    "tap_off": _tap,
    "line_blocked": _blocked,
    "sensor_fault": _sensor,
    "drift": _drift,
    "handling": _handling,
    "blow_by_rise": _blow_by,
    "mixed": _mixed,
}
KINDS = tuple(MAKERS)
"""What can be drawn; "steady", "drift", "handling" and "blip" must raise nothing."""


def draw_scenario(
    rng: Random,
    kind: str | None = None,
    cylinders: int | None = None,
    rate_hz: float | None = None,
    duration_s: float = 45.0,
) -> Scenario:
    """A scenario of `kind` (one of `KINDS`; None: any), everything else drawn too. Same generator state, same scenario.

    Raises InputError for another kind.
    """
    if kind is not None and kind not in MAKERS:
        raise InputError(f"scenario kind {kind!r} is not known, expected one of {', '.join(KINDS)}")
    chosen = str(rng.choice(KINDS)) if kind is None else kind
    engine = draw_engine(rng, cylinders)
    dead = bool(rng.uniform() < 0.6)
    rpm = engine.idle_rpm if rng.uniform() < 0.6 else log_uniform(rng, 400.0, 6000.0)
    ventilation, level = draw_ventilation(rng, engine, rpm, dead)
    wanted = level * rng.uniform(1.1, 2.0) + swing_pa(engine) * rng.uniform(0.7, 2.0)
    rig = Rig(
        sensor=draw_sensor(rng, wanted),
        line=draw_line(rng),
        rate_hz=draw_rate_hz(rng) if rate_hz is None else rate_hz,
        turbulence=log_uniform(rng, 0.003, 0.03),
        port_cda_m2=log_uniform(rng, 3e-6, 12e-6),
        gust_pa=log_uniform(rng, 0.3, 8.0) if rng.uniform() < 0.3 else 0.0,
        time_jitter_s=log_uniform(rng, 1e-5, 1e-3) if rng.uniform() < 0.3 else 0.0,
    )
    bare = Scenario(
        name=f"drawn {chosen}", engine=engine, ventilation=ventilation, rig=rig, duration_s=duration_s, start_rpm=rpm
    )
    steps = MAKERS[chosen](rng, bare, level, dead)
    if dead:
        steps = (script.breather(0.0, 0.0), *steps)
    inside = tuple(step for step in steps if step.t_s < duration_s - 6.0)
    return replace(bare, steps=inside)
