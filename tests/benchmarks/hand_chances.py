"""Chances of the signs as the hand set them from the physics of a crankcase and its gauge line, before any fit.

In per cent, in the order of cause_chances.SIGNS. The fit of causes moves away from these only as far as it must.
"""

HAND_PRIOR: dict[str, float] = {
    "opening": 0.28, "suction_lost": 0.14, "blow_by_rise": 0.08, "engine_stop": 0.14,
    "speed_change": 0.14, "tap_off": 0.1, "line_blocked": 0.06, "sensor_fault": 0.03,
    "engine_start": 0.01, "unknown": 0.02, "closing": 0.3, "suction_back": 0.15, "load_change": 0.05,
}  # fmt: skip
PERCENT: dict[str, tuple[float, ...]] = {
    #               dea mov gli lat pre sma sta ste gro bor shr qui fas slo ear hal tin per lea ran run ahe dip hol bey
    "opening":     ( 8,  3, 10, 30,  8, 70,  3, 15,  5,  3, 30,  5, 55,  8,  5, 12, 25, 95,  1, 93, 90,  2,  2, 75,  1),
    "closing":     ( 2,  3, 20, 30,  3,  3,  3, 15, 30,  5,  5,  5, 45, 35,  5, 50,  5, 95,  1, 90, 93,  3,  3, 98,  2),
    "suction_lost":( 2,  3, 10, 30, 75, 25,  3,  5,  5,  3,  8,  5, 25, 40,  5, 30,  6, 97,  1, 93, 93,  2,  2, 45, 13),
    "suction_back":( 2,  3, 20, 30,  3,  3,  3,  5,  8,  3,  8,  5, 25, 40,  5, 50,  5, 97,  1, 93, 93,  3,  3, 98,  2),
    "blow_by_rise":( 1,  5, 10, 30, 85, 30, 10,  5, 90, 10,  2,  2, 15, 40,  5, 15,  6, 97,  1, 93, 95,  2,  2,  8, 30),
    "engine_stop": (96, 60, 75, 50,  6, 92, 15,  2,  3,  1, 90, 12, 10, 30, 65,  4, 85,  5, 30, 93,  4, 55, 60,  3,  1),
    "engine_start":( 2, 60, 20, 30, 10,  5,  5,  5, 60, 95,  5,  5,  6, 45, 50, 50,  5, 30, 40,  4, 95, 20,  5, 95,  5),
    "speed_change":( 4, 92, 10, 40, 15, 35, 10,  2, 30,  5, 15,  5,  8, 40, 50, 35,  8, 50, 45, 95, 95,  6,  8, 50, 10),
    "load_change": ( 2,  4, 10, 40, 30, 45, 10,  2, 55,  5,  5,  5,  5, 50,  5, 35,  8, 97,  1, 95, 95,  2,  3, 60, 12),
    "tap_off":     (98, 20, 10,  4,  4, 97,  5, 85,  1,  1, 98, 12, 97,  1,  5,  2, 95, 15,  5, 95,  4,  2,  3,  3,  1),
    "line_blocked":(96, 15,  8,  5,  5,  6, 85, 20,  1,  1, 96, 12, 30, 20,  5, 50,  2, 10,  2, 95,  7,  3,  3, 90,  2),
    "sensor_fault":(97, 10, 10,  3, 10, 90, 10, 95,  1,  1, 97, 97, 98,  1,  5, 50, 50,  5,  5, 90,  5,  3,  3, 40, 10),
    "unknown":     (20, 20, 20, 30, 25, 40, 20, 15, 20, 10, 25, 10, 35, 25, 20, 30, 20, 60,  8, 60, 60, 12, 10, 40, 10),
}  # fmt: skip
HAND = {cause: tuple(percent / 100.0 for percent in row) for cause, row in PERCENT.items()}
