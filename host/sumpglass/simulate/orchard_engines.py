"""Engines and rigs of the invented orchard co-operative, which its scenarios (`orchard`) play on."""

from __future__ import annotations

from sumpglass.records import SensorLine
from sumpglass.simulate.plant import Engine, Rig, Sensor, Ventilation

EAST_BANK_FOUR = Engine(name="East Bank pump, four, 2.0 L", idle_rpm=820.0)
RESERVOIR_SIX = Engine(
    name="Reservoir pump, six, 3.9 L", cylinders=6, bore_m=0.098, stroke_m=0.0865, rod_m=0.158,
    crankcase_volume_m3=9e-3, idle_rpm=650.0, manifold_idle_pa=38e3, blow_by_share=0.014, speed_wander=0.006,
)  # fmt: skip
NURSERY_TWIN = Engine(
    name="Nursery sprayer, 180-degree twin, 0.7 L", cylinders=2, bore_m=0.076, stroke_m=0.077, rod_m=0.125,
    layout="twin_180", crankcase_volume_m3=4e-3, idle_rpm=1100.0, manifold_idle_pa=45e3, speed_jitter=0.006,
)  # fmt: skip
WINDBREAK_SINGLE = Engine(
    name="Windbreak well pump, single, 0.41 L", cylinders=1, bore_m=0.086, stroke_m=0.07, rod_m=0.115,
    crankcase_volume_m3=6e-3, idle_rpm=1300.0, manifold_idle_pa=50e3, speed_jitter=0.01, cycle_variation=0.25,
)  # fmt: skip
PACKHOUSE_EIGHT = Engine(
    name="Packhouse standby pump, vee eight, 5.0 L", cylinders=8, bore_m=0.0985, stroke_m=0.082, rod_m=0.15,
    layout="vee", crankcase_volume_m3=12e-3, idle_rpm=600.0, manifold_idle_pa=40e3, blow_by_share=0.012,
)  # fmt: skip

TIGHT = Ventilation(restriction_cda_m2=1.0e-6, breather_cda_m2=15e-6, seal_cda_m2=2.6e-6)
LEAKY = Ventilation(restriction_cda_m2=1.3e-6, breather_cda_m2=16e-6, seal_cda_m2=4.2e-6)
FOUR_KPA = Sensor(part="membrane 7 kPa", range_low_pa=-7000.0, range_high_pa=7000.0, white_pa=4.0, flicker_pa=1.5)
TWO_KPA = Sensor(part="membrane 2 kPa")
TEN_KPA = Sensor(part="membrane 10 kPa", range_low_pa=-10e3, range_high_pa=10e3, bits=14, white_pa=3.0, flicker_pa=2.0)
RIG = Rig(sensor=FOUR_KPA, line=SensorLine(4e-3, 0.5, 1e-6))
