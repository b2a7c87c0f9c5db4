"""Chance of each sign under each cause, and how often each cause is met, for a loss and for a recovery.

First set from the physics by hand; then moved by maximum likelihood on drawn traces of several makers that know
nothing of each other, each maker weighing the same, with a ridge towards the hand's values; held against draws that
the fit had not seen, and against makers that were left out of it. The last four signs (`ahead`, `dips`, `holds`,
`beyond`) are the hand's still, and how seldom pulses die (`dead`) that suction or speed took away: fits moved them no
nearer to the truth on draws that they had not seen. In per cent.
"""

from __future__ import annotations

SIGNS = (
    "dead",
    "moved",
    "glide",
    "late_death",
    "pressure",
    "small",
    "stays",
    "step",
    "grown",
    "born",
    "shrunk",
    "quiet",
    "fast",
    "slow",
    "early",
    "half",
    "tiny",
    "persists",
    "leapt",
    "ran",
    "runs",
    "ahead",
    "dips",
    "holds",
    "beyond",
)

PRIOR_UP: dict[str, float] = {
    "opening": 0.3022, "suction_lost": 0.1615, "blow_by_rise": 0.0657, "engine_stop": 0.1630,
    "speed_change": 0.1247, "load_change": 0.04, "tap_off": 0.0752, "line_blocked": 0.0596, "engine_start": 0.0089,
    "sensor_fault": 0.0237, "unknown": 0.0155,
}  # fmt: skip
CHANCES_UP: dict[str, tuple[float, ...]] = {
    #               dea mov gli lat pre sma sta ste gro bor shr qui fas slo ear hal tin per lea ran run ahe dip hol bey
    "opening":     ( 5,  3, 10, 35,  1, 77,  2, 15,  3,  3, 36,  5, 58, 12,  5, 13, 10, 88,  1, 92, 91,  2,  2, 75,  1),
    "suction_lost":( 1,  3, 11, 34, 89, 50,  3,  4,  1,  3, 10,  5, 33, 33,  4, 24,  7, 98,  1, 95, 91,  2,  2, 45, 13),
    "blow_by_rise":( 1,  9, 10, 32, 93, 16, 10,  5, 96, 10,  2,  2, 18, 28,  6, 15,  6, 95,  1, 84, 96,  2,  2,  8, 30),
    "engine_stop": (95, 59, 70, 37,  5, 92, 12,  2,  7,  1, 86, 11, 15, 38, 58,  4, 82, 10, 27, 94,  5, 55, 60,  3,  1),
    "speed_change":( 9, 78,  9, 30, 22, 38, 10,  2, 27,  5, 22,  5,  6, 18, 43, 40, 17, 57, 49, 96, 94,  6,  8, 50, 10),
    "load_change": ( 2,  4, 10, 40, 30, 45, 10,  2, 55,  5,  5,  5,  5, 50,  5, 35,  8, 97,  1, 95, 95,  2,  3, 60, 12),
    "tap_off":     (98, 20,  8,  5,  4, 97,  5, 94,  1,  1, 98, 18, 97,  1,  4,  2, 96, 16,  5, 95,  5,  2,  3,  3,  1),
    "line_blocked":(96, 15,  8,  5,  4,  5, 90, 35,  1,  1, 96, 12, 45, 16,  5, 43,  2, 12,  2, 95,  9,  3,  3, 90,  2),
    "engine_start":( 2, 60, 20, 30,  9,  5,  5,  5, 59, 95,  5,  5,  6, 46, 51, 51,  5, 29, 39,  4, 95, 20,  5, 95,  5),
    "sensor_fault":(97, 10, 11,  3, 11, 93,  8, 95,  1,  1, 97, 97, 98,  1,  5, 70, 47,  5,  5, 89,  5,  3,  3, 40, 10),
    "unknown":     (18, 21, 21, 30, 22, 42, 23, 16, 20, 10, 26, 10, 36, 25, 22, 38, 22, 55,  8, 48, 53, 12, 10, 40, 10),
}  # fmt: skip

PRIOR_DOWN: dict[str, float] = {
    "closing": 0.3488, "suction_back": 0.1744, "engine_start": 0.0116, "speed_change": 0.1628,
    "engine_stop": 0.1628, "load_change": 0.04, "tap_off": 0.1163, "unknown": 0.0233,
}  # fmt: skip
CHANCES_DOWN: dict[str, tuple[float, ...]] = {
    #               dea mov gli lat pre sma sta ste gro bor shr qui fas slo ear hal tin per lea ran run ahe dip hol bey
    "closing":     ( 2,  9, 20, 30,  3,  3,  3, 10, 55,  3,  5,  5, 42, 42,  5, 51,  5, 75,  5, 92, 93,  3,  3, 98,  2),
    "suction_back":( 2,  6, 20, 30,  3,  3,  6,  5,  7,  3, 11,  5, 26, 38,  5, 36,  5, 96,  1, 94, 93,  3,  3, 98,  2),
    "engine_start":( 2, 75, 20, 30, 10,  5,  5,  8, 36, 77,  5,  5, 14, 44, 57, 56,  5, 67, 24,  4, 94, 20,  5, 95,  5),
    "speed_change":( 4, 96, 10, 40, 15, 32,  5,  2, 52, 14, 12,  5,  6, 33, 63, 35,  8, 60, 26, 88, 96,  6,  8, 50, 10),
    "engine_stop": (96, 60, 75, 50,  6, 93, 15,  2,  3,  1, 90, 12, 10, 30, 65,  4, 86,  5, 30, 93,  4, 55, 60,  3,  1),
    "load_change": ( 2,  4, 10, 40, 30, 45, 10,  2, 55,  5,  5,  5,  5, 50,  5, 35,  8, 97,  1, 95, 95,  2,  3, 60, 12),
    "tap_off":     (98, 20, 10,  4,  4, 97,  5, 85,  1,  1, 98, 12, 97,  1,  5,  2, 95, 15,  5, 95,  4,  2,  3,  3,  1),
    "unknown":     (22, 21, 20, 30, 32, 53, 24, 17, 18, 10, 26, 10, 36, 26, 21, 39, 24, 57,  8, 58, 54, 12, 10, 40, 10),
}  # fmt: skip
