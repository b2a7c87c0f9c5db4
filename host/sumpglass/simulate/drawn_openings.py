"""Known-opening series and holds drawn at random, with the leak that they should find.

job = draw_known_openings(np.random.default_rng(7))
recording = simulate(job.scenario, seed=7).recording()      # marks say "opening 2.5 mm", "closed"
job.leak_cda_m2                                              # what size-leak should answer
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sumpglass.physics.crankcase import intake_flow_lpm
from sumpglass.physics.decay import draw_down_time_s
from sumpglass.physics.gas import kg_s_from_lpm, lpm_from_kg_s
from sumpglass.physics.orifice import (
    DISCHARGE_COEFFICIENT,
    bore_m,
    effective_area_for_flow_m2,
    effective_area_m2,
    incompressible_flow_kg_s,
)
from sumpglass.simulate import script
from sumpglass.simulate.drawn import (
    Random,
    draw_engine,
    draw_line,
    draw_sensor,
    draw_ventilation,
    log_uniform,
    swing_pa,
)
from sumpglass.simulate.plant import Engine, Rig, SprungValve, Ventilation
from sumpglass.simulate.script import Scenario, Step

PLUGS_MM = (6.0, 5.0, 4.0, 3.2, 2.5, 2.0, 1.6, 1.2, 1.0)
SEAL_LIMIT_PA = 6000.0


@dataclass(frozen=True)
class DrawnSeries:
    """A series with the answer beside it."""

    scenario: Scenario
    leak_cda_m2: float
    """The unknown leak: everything between crankcase and room but the known opening."""
    straight: bool
    """Whether the draw stays choked and fixed, so that 1/sqrt(dp) is linear in the opening."""

    @property
    def leak_mm(self) -> float:
        """Bore of the drilled hole that leaks as much."""
        return 1e3 * float(bore_m(self.leak_cda_m2, DISCHARGE_COEFFICIENT))


def _level_pa(draw_kg_s: float, cda_m2: float) -> float:
    return (draw_kg_s / float(incompressible_flow_kg_s(cda_m2, 1.0))) ** 2


def draw_known_openings(rng: Random, straight: bool | None = None, rate_hz: float = 500.0) -> DrawnSeries:
    """Breather dead-ended, plugs in turn, largest first, going down as far as the seals' limit allows.

    `straight=False`: a manifold so shallow that the draw is not choked, or a soft sprung valve. None: one in five.
    """
    line_is_straight = bool(rng.uniform() > 0.2) if straight is None else straight
    engine = replace(draw_engine(rng, int(rng.choice([3, 4, 4, 6, 6, 8]))), hunting_share=0.0)
    leak = float(effective_area_m2(log_uniform(rng, 0.5e-3, 3.5e-3)))
    vent, _ = draw_ventilation(rng, engine, engine.idle_rpm, dead_ended=True)
    draw = float(kg_s_from_lpm(log_uniform(rng, 4.0, 18.0)))
    drawn_in = float(intake_flow_lpm(engine.displacement_m3, engine.idle_rpm, engine.manifold_idle_pa))
    # Blow-by a tenth to nine tenths of the net draw: all that the suction draws goes with the absolute pressure.
    engine = replace(engine, blow_by_share=float(lpm_from_kg_s(draw)) * rng.uniform(0.1, 0.9) / drawn_in)
    vent = replace(_with_draw(vent, draw, engine), seal_cda_m2=leak, whistle_pa=0.0)
    if not line_is_straight:
        if rng.uniform() < 0.5:
            engine = replace(engine, manifold_idle_pa=rng.uniform(80e3, 93e3))
            vent = _with_draw(vent, draw, engine)
        else:
            area = vent.restriction_cda_m2
            # The valve's own pressure difference moves it: with the manifold near its spring, it is not fixed.
            vent = replace(vent, valve=SprungValve(area, area * 3.0, 101325.0 - engine.manifold_idle_pa, 3e3))
    plugs = _plugs(rng, draw, leak)
    steps: list[Step] = [script.breather(0.0, 0.0)]
    end_s = deepest = 0.0
    for bore_mm in plugs:
        mark = f"opening {bore_mm:g} mm" if bore_mm > 0 else "closed"
        steps.append(script.opening(end_s, bore_mm, seconds=rng.uniform(0.2, 1.5), mark=mark))
        deepest = _level_pa(draw, leak + float(effective_area_m2(bore_mm / 1e3)))
        # A patient tester stays until the level has settled, twice the rule's time, and some cycles more.
        filling_s = float(draw_down_time_s(deepest, engine.crankcase_volume_m3, draw, engine.gas_k))
        end_s += rng.uniform(8.0, 12.0) + 2.0 * filling_s
    sensor = draw_sensor(rng, 1.3 * deepest + 1.5 * swing_pa(engine))
    scenario = Scenario(
        name="drawn known openings", engine=engine, ventilation=vent,
        rig=Rig(sensor=replace(sensor, drift_pa_per_s=0.0), line=draw_line(rng), rate_hz=rate_hz),
        duration_s=end_s, steps=tuple(steps),
    )  # fmt: skip
    return DrawnSeries(scenario, leak, line_is_straight)


def _with_draw(vent: Ventilation, draw_kg_s: float, engine: Engine) -> Ventilation:
    """A restriction that leaves this net draw at zero gauge pressure."""
    drawn_in = intake_flow_lpm(engine.displacement_m3, engine.idle_rpm, engine.manifold_idle_pa)
    blow_by = float(kg_s_from_lpm(engine.blow_by_share * drawn_in))
    area = effective_area_for_flow_m2(draw_kg_s + blow_by, vent.room_pa, engine.manifold_idle_pa, engine.gas_k)
    return replace(vent, restriction_cda_m2=float(area), valve=None)


def _plugs(rng: Random, draw_kg_s: float, leak_m2: float) -> list[float]:
    """Four to six plugs whose levels lie between 30 Pa and the limit; closed at the end where that is allowed."""
    fitting = [
        bore for bore in (*PLUGS_MM, 0.0)
        if 30.0 < _level_pa(draw_kg_s, leak_m2 + float(effective_area_m2(bore / 1e3))) < SEAL_LIMIT_PA
    ]  # fmt: skip
    if len(fitting) < 3:
        return [6.0, 5.0, 4.0, 3.2]
    count = min(len(fitting), int(rng.integers(4, 7)))
    picked = np.unique(np.round(np.linspace(0, len(fitting) - 1, count)).astype(int))
    return [fitting[index] for index in picked]


def draw_hold(rng: Random, rate_hz: float = 100.0) -> DrawnSeries:
    """Engine off, ends stopped, a hand pump down to about -2 kPa, then the fall, with no known opening."""
    engine = draw_engine(rng, int(rng.choice([3, 4, 6, 8])))
    volume = engine.crankcase_volume_m3
    # Half of the vacuum gone in 1.5 to 15 s.
    half_s = log_uniform(rng, 1.5, 15.0)
    leak = volume / (287.055 * engine.gas_k * half_s) * 2.0 * 0.2929 * 2000.0**0.5 / (2.0 * 1.2041) ** 0.5
    pumped_s = rng.uniform(1.5, 3.0)
    gone = 2000.0 * volume / 101325.0 * 60e3 * 293.15 / engine.gas_k
    scenario = Scenario(
        name="drawn hold", engine=replace(engine, gas_k=rng.uniform(288.0, 320.0)),
        ventilation=Ventilation(breather_cda_m2=12e-6, seal_cda_m2=leak),
        rig=Rig(sensor=draw_sensor(rng, 4000.0), line=draw_line(rng), rate_hz=rate_hz), start_rpm=0.0,
        duration_s=8.0 + 5.0 * half_s,
        steps=(
            script.breather(0.0, 0.0), script.suction(0.0, 0.0), script.note(0.0, "engine off"),
            script.pump(3.0, gone / pumped_s * 1.2, pumped_s, "note pumped down"),
        ),
    )  # fmt: skip
    return DrawnSeries(scenario, leak, True)
