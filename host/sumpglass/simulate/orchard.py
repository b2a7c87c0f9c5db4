"""Named scenarios: the irrigation pump engines of an invented orchard co-operative, Fennick Hollow Growers.

Each is a job that a practitioner meets there. They feed the demo, the virtual board, the demo traces and the tests.
"""

from __future__ import annotations

from dataclasses import replace

from sumpglass.errors import InputError
from sumpglass.simulate.orchard_engines import (
    EAST_BANK_FOUR,
    FOUR_KPA,
    LEAKY,
    NURSERY_TWIN,
    PACKHOUSE_EIGHT,
    RESERVOIR_SIX,
    RIG,
    TEN_KPA,
    TIGHT,
    TWO_KPA,
    WINDBREAK_SINGLE,
)
from sumpglass.simulate.plant import SprungValve, Ventilation
from sumpglass.simulate.script import (
    Scenario,
    blip,
    blow_by,
    breather,
    closing,
    drift,
    engine_start,
    engine_stop,
    handle,
    line_block,
    load,
    note,
    opening,
    pump,
    sensor,
    speed,
    suction,
    tap,
)

_LEAK_TEST = Scenario(
    name="leak-test",
    title="Leak test on the East Bank pump",
    story="Breather hose dead-ended on the gauge at idle. A barb on the access port is opened and stopped again: the "
    "vacuum goes at once and comes back. Then a smaller one, a throttle blip that must not pass for a leak, and two "
    "that are smaller still, so that the leak can be sized.",
    engine=EAST_BANK_FOUR,
    ventilation=TIGHT,
    rig=RIG,
    duration_s=92.0,
    steps=(
        note(0.0, "engine on"),
        breather(2.0, 0.0, 0.4, "breather hose dead-ended on the gauge"),
        opening(12.0, 5.0, mark="opening 5.0 mm"),
        closing(21.0, mark="closed"),
        opening(33.0, 4.0, mark="opening 4.0 mm"),
        closing(43.0, mark="closed"),
        blip(56.0, 2200.0, 2.0, "note throttle blip"),
        opening(64.0, 2.0, mark="opening 2.0 mm"),
        opening(73.0, 1.0, mark="opening 1.0 mm"),
        closing(82.0, mark="closed"),
    ),
)

_SUCTION_LOST = Scenario(
    name="suction-lost",
    title="Suction hose splits on the Reservoir pump",
    story="As driven at idle the six holds a slight vacuum; the suction hose splits, blow-by builds pressure, and the "
    "hose is pushed together again.",
    engine=RESERVOIR_SIX,
    ventilation=Ventilation(restriction_cda_m2=2.2e-6, breather_cda_m2=14e-6, seal_cda_m2=0.8e-6),
    rig=replace(RIG, sensor=TWO_KPA),
    duration_s=60.0,
    steps=(suction(20.0, 0.0, 0.15, "note hiss under the manifold"), suction(40.0, 1.0, 0.3, "note hose pushed on")),
)

_STALL = Scenario(
    name="stall",
    title="The East Bank pump stalls in the middle of a test",
    story="Breather dead-ended at idle; the engine stalls, is cranked, and runs again. No leak anywhere.",
    engine=EAST_BANK_FOUR,
    ventilation=TIGHT,
    rig=RIG,
    duration_s=60.0,
    steps=(breather(0.0, 0.0), engine_stop(18.0, 0.9), engine_start(31.0, cranking_s=1.4)),
)

_HOSE_OFF = Scenario(
    name="hose-off",
    title="The gauge hose comes off",
    story="Somebody brushes past the gauge hose: bumps first, then it is off its barb, and is put back.",
    engine=EAST_BANK_FOUR,
    ventilation=LEAKY,
    rig=RIG,
    duration_s=50.0,
    steps=(
        breather(0.0, 0.0), handle(16.0, 60.0, 1.5), tap(18.0, False), tap(32.0, True, mark="note hose back on"),
        handle(32.0, 60.0, 0.8),
    ),
)  # fmt: skip

_LINE_BLOCKED = Scenario(
    name="line-blocked",
    title="Condensate in the gauge line of the East Bank pump",
    story="As driven at idle; oily water creeps into the gauge hose: first a slow line, then none. The level stands "
    "still and the pulses die, which looks like a fine quiet engine. Drained at the end.",
    engine=EAST_BANK_FOUR,
    ventilation=Ventilation(restriction_cda_m2=1.5e-6, breather_cda_m2=15e-6, seal_cda_m2=0.6e-6),
    rig=RIG,
    duration_s=60.0,
    steps=(line_block(16.0, 0.6, 2.0), line_block(26.0, 1.0, 0.5), line_block(46.0, 0.0, 0.2, "note line drained")),
)

_SENSOR_RAIL = Scenario(
    name="sensor-rail",
    title="A wet connector at the sensor",
    story="The signal wire shorts to the supply, then the sensor stops answering for a while, then all is well.",
    engine=EAST_BANK_FOUR,
    ventilation=TIGHT,
    rig=replace(RIG, sensor=replace(FOUR_KPA, spike_pa=80.0)),
    duration_s=50.0,
    steps=(sensor(15.0, "rail_high"), sensor(22.0, "well"), sensor(30.0, "missing"), sensor(36.0, "well")),
)

_QUIET_EIGHT = Scenario(
    name="quiet-eight",
    title="Packhouse pump, healthy and quiet",
    story="An evenly firing eight hardly moves its crankcase gas: small pulses, a slight vacuum, wind at the sensor's "
    "open side and a whistle at the breather. Nothing happens.",
    engine=PACKHOUSE_EIGHT,
    ventilation=Ventilation(
        restriction_cda_m2=3.5e-6, breather_cda_m2=22e-6, seal_cda_m2=1.0e-6, whistle_pa=6.0, whistle_hz=118.0
    ),
    rig=replace(RIG, sensor=TWO_KPA, gust_pa=3.0),
    duration_s=60.0,
    steps=(handle(30.0, 15.0, 2.0),),
)

_AS_DRIVEN = Scenario(
    name="as-driven",
    title="Healthy engine, closed up as driven",
    story="Gauge on an access port, breather connected: idle, raised speed, then load. A slight vacuum at each.",
    engine=replace(EAST_BANK_FOUR, blow_by_share=0.006),
    ventilation=Ventilation(restriction_cda_m2=1.6e-6, breather_cda_m2=17e-6, seal_cda_m2=0.4e-6),
    rig=RIG,
    duration_s=80.0,
    steps=(speed(25.0, 2000.0, 2.0, "rpm 2000"), load(50.0, 0.55, 1.5, "note under load")),
)

_WORN_SIX = Scenario(
    name="worn-six",
    title="Worn six with one weak cylinder",
    story="The Reservoir pump after a dusty season: the third cylinder in firing order blows by four times as much as "
    "its neighbours. With the breather dead-ended and the suction as it is, the balance of the pulses tells.",
    engine=replace(RESERVOIR_SIX, blow_by_share=0.03, cylinder_strength=(1.0, 1.1, 4.0, 0.9, 1.0, 1.05)),
    ventilation=Ventilation(restriction_cda_m2=3.6e-6, breather_cda_m2=16e-6, seal_cda_m2=3.0e-6),
    rig=replace(RIG, sensor=TWO_KPA),
    duration_s=60.0,
    steps=(speed(30.0, 850.0, 1.5, "rpm 850"),),
)

_TWIN = Scenario(
    name="twin",
    title="Uneven twin on the nursery sprayer",
    story="A 180-degree twin: firing 180 and 540 degrees apart, so its pulses are uneven by nature. An opening comes "
    "and goes.",
    engine=NURSERY_TWIN,
    ventilation=Ventilation(restriction_cda_m2=0.7e-6, breather_cda_m2=8e-6, seal_cda_m2=1.5e-6),
    rig=replace(RIG, sensor=TEN_KPA),
    duration_s=50.0,
    steps=(breather(0.0, 0.0), opening(20.0, 5.0, mark="opening 5.0 mm"), closing(34.0, mark="closed")),
)

_SINGLE = Scenario(
    name="single",
    title="Single-cylinder well pump",
    story="Whole-turn pulses far larger than the level; a slow drift of the sensor in the sun, which is no leak.",
    engine=WINDBREAK_SINGLE,
    ventilation=Ventilation(restriction_cda_m2=0.5e-6, breather_cda_m2=6e-6, seal_cda_m2=0.9e-6),
    rig=replace(RIG, sensor=replace(TEN_KPA, range_low_pa=-50e3, range_high_pa=50e3, part="membrane 50 kPa")),
    duration_s=50.0,
    steps=(breather(0.0, 0.0), drift(10.0, 2.0), engine_stop(40.0, 0.8)),
)

_REED = Scenario(
    name="reed",
    title="Single with a reed breather, as driven",
    story="No manifold suction at all: the piston pumps gas out past the breather's reed. The reed sticks open for a "
    "while and the vacuum is gone, though nothing leaks.",
    engine=WINDBREAK_SINGLE,
    ventilation=Ventilation(restriction_cda_m2=1e-12, breather_cda_m2=40e-6, breather_one_way=True, seal_cda_m2=0.9e-6),
    rig=replace(RIG, sensor=replace(TEN_KPA, range_low_pa=-50e3, range_high_pa=50e3, part="membrane 50 kPa")),
    duration_s=50.0,
    steps=(opening(20.0, cda_m2=40e-6, name="stuck reed"), closing(34.0, name="stuck reed")),
)

_KNOWN_OPENINGS = Scenario(
    name="known-openings",
    title="Known openings on the East Bank pump",
    story="Drilled plugs in the access port, largest first, breather dead-ended: sizes the unknown leak.",
    engine=EAST_BANK_FOUR,
    ventilation=TIGHT,
    rig=replace(RIG, sensor=TEN_KPA),
    duration_s=90.0,
    start_rpm=None,
    steps=(
        breather(0.0, 0.0), opening(0.0, 5.0, mark="opening 5.0 mm"), opening(18.0, 4.0, mark="opening 4.0 mm"),
        opening(33.0, 3.2, mark="opening 3.2 mm"), opening(48.0, 2.5, mark="opening 2.5 mm"),
        opening(63.0, 1.6, mark="opening 1.6 mm"), closing(78.0, mark="closed"),
    ),
)  # fmt: skip

_HOLD = Scenario(
    name="hold",
    title="Hold with the engine off",
    story="Hose ends stopped, a hand pump to about -2 kPa, then watch it fall; once more with a 1 mm opening.",
    engine=EAST_BANK_FOUR,
    ventilation=replace(TIGHT, seal_cda_m2=0.12e-6),
    rig=RIG,
    duration_s=90.0,
    start_rpm=0.0,
    steps=(
        breather(0.0, 0.0), suction(0.0, 0.0), note(0.0, "engine off"), pump(5.0, 3.5, 2.4, "note pumped down"),
        opening(50.0, 1.0, mark="opening 1.0 mm"), pump(52.0, 4.6, 2.4, "note pumped down"),
    ),
)  # fmt: skip

_BLOW_BY_RISE = Scenario(
    name="blow-by-rise",
    title="A ring lets go",
    story="As driven; blow-by rises past what the suction can carry, and the crankcase goes above atmospheric.",
    engine=EAST_BANK_FOUR,
    ventilation=Ventilation(restriction_cda_m2=1.3e-6, breather_cda_m2=14e-6, seal_cda_m2=0.5e-6),
    rig=RIG,
    duration_s=50.0,
    steps=(blow_by(24.0, 14.0, 0.6),),
)

_SEAL_HUNT = Scenario(
    name="seal-hunt",
    title="Which seal leaks",
    story="Breather dead-ended; filler cap, dipstick and a cover gasket are stopped one after the other. The filler "
    "cap's seal carries most of the leak.",
    engine=EAST_BANK_FOUR,
    ventilation=replace(TIGHT, seal_cda_m2=1.6e-6),
    rig=replace(RIG, sensor=TEN_KPA),
    duration_s=110.0,
    steps=(
        breather(0.0, 0.0), opening(0.0, cda_m2=2.2e-6, name="filler cap"),
        opening(0.0, cda_m2=0.25e-6, name="dipstick"), opening(0.0, cda_m2=0.05e-6, name="cover gasket"),
        closing(15.0, 0.8, "dipstick", "cap dipstick"),
        opening(30.0, cda_m2=0.25e-6, seconds=0.5, name="dipstick", mark="uncap dipstick"),
        closing(45.0, 0.8, "filler cap", "cap filler_cap"),
        opening(62.0, cda_m2=2.2e-6, seconds=0.5, name="filler cap", mark="uncap filler_cap"),
        closing(77.0, 0.8, "cover gasket", "cap cover_gasket"),
        opening(92.0, cda_m2=0.05e-6, seconds=0.5, name="cover gasket", mark="uncap cover_gasket"),
    ),
)  # fmt: skip

_VALVE = Scenario(
    name="valve-response",
    title="Sprung valve: idle, snap, cruise",
    story="A valve that a spring opens as manifold vacuum falls: whether it moves shows in the level.",
    engine=EAST_BANK_FOUR,
    ventilation=Ventilation(valve=SprungValve(), breather_cda_m2=16e-6, seal_cda_m2=0.5e-6),
    rig=RIG,
    duration_s=70.0,
    steps=(
        note(0.0, "rpm 820"), blip(20.0, 2600.0, 2.0, "note snap"), speed(32.0, 2000.0, 1.5, "rpm 2000"),
        load(36.0, 0.45, 1.0, "note cruise"), load(55.0, 0.0, 0.5), speed(55.0, 820.0, 1.5, "rpm 820"),
    ),
)  # fmt: skip

_ZERO = Scenario(
    name="zero",
    title="Zero of the rig",
    story="Engine off, port open to the room: offset and noise of the rig, and a moment in which the hose is moved.",
    engine=EAST_BANK_FOUR,
    ventilation=TIGHT,
    rig=replace(RIG, sensor=replace(FOUR_KPA, offset_pa=38.0, hum_pa=3.0)),
    duration_s=40.0,
    start_rpm=0.0,
    steps=(note(0.0, "engine off"), handle(26.0, 40.0, 3.0)),
)

SCENARIOS: dict[str, Scenario] = {
    scenario.name: scenario
    for scenario in (
        _LEAK_TEST, _SUCTION_LOST, _STALL, _HOSE_OFF, _LINE_BLOCKED, _SENSOR_RAIL, _AS_DRIVEN, _QUIET_EIGHT, _WORN_SIX,
        _TWIN, _SINGLE, _REED, _KNOWN_OPENINGS, _HOLD, _BLOW_BY_RISE, _SEAL_HUNT, _VALVE, _ZERO,
    )
}  # fmt: skip
"""All named scenarios; the first is the demo's."""


def scenario_named(name: str) -> Scenario:
    """The scenario of that name. Raises InputError that lists the names."""
    if name not in SCENARIOS:
        raise InputError(f"there is no scenario {name!r}, expected one of {', '.join(SCENARIOS)}")
    return SCENARIOS[name]
