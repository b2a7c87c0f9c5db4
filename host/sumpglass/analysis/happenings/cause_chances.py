"""Chance of each sign under each cause, and how often each cause is met, for a loss and for a recovery.

First set from the physics by hand; then moved by maximum likelihood on drawn traces of several makers that know
nothing of each other, each maker weighing the same, with a ridge towards the hand's values; held against draws that
the fit had not seen, and against makers that were left out of it. Chances in per cent.
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
)

PRIOR_UP: dict[str, float] = {
    "opening": 0.2526, "suction_lost": 0.1516, "blow_by_rise": 0.0624, "engine_stop": 0.2720,
    "speed_change": 0.1205, "tap_off": 0.0541, "line_blocked": 0.0415, "engine_start": 0.0087,
    "sensor_fault": 0.0218, "unknown": 0.0147,
}  # fmt: skip
CHANCES_UP: dict[str, tuple[float, ...]] = {
    #                 dea mov gli lat pre sma sta ste gro bor shr qui fas slo ear hal tin per lea ran run
    "opening":       ( 4,  2, 12, 30,  1, 79,  1, 10,  3,  3, 32,  5, 55, 10,  6, 15,  9, 87,  1, 93, 90),
    "suction_lost":  ( 2,  2, 10, 31, 89, 54,  4,  5,  1,  3, 10,  5, 33, 36,  5, 19,  7, 96,  1, 94, 91),
    "blow_by_rise":  ( 1,  5,  9, 28, 95, 20,  9,  6, 94, 10,  2,  2, 23, 39,  6, 12,  6, 96,  1, 90, 95),
    "engine_stop":   (83, 75, 71, 40,  3, 68, 21,  2, 34,  1, 52, 13, 13, 39, 46, 11, 74, 28, 28, 93,  4),
    "speed_change":  ( 4, 81,  9, 30, 31, 48, 14,  3, 17, 28, 38,  5,  7, 17, 38, 27, 15, 55, 47, 95, 94),
    "tap_off":       (98, 21,  8,  6,  4, 97,  4, 90,  1,  1, 98, 15, 96,  1,  4,  2, 95, 11,  5, 95,  4),
    "line_blocked":  (94,  9,  7,  4,  5,  6, 89, 42,  1,  1, 96, 12, 52, 14,  4, 36,  2, 14,  2, 95,  8),
    "engine_start":  ( 2, 60, 20, 30, 10,  5,  5,  5, 59, 95,  5,  5,  6, 45, 50, 51,  5, 29, 40,  4, 95),
    "sensor_fault":  (97, 10, 10,  3, 11, 91,  9, 95,  1,  1, 97, 97, 98,  1,  5, 61, 48,  5,  5, 89,  5),
    "unknown":       (19, 21, 20, 30, 24, 41, 21, 15, 20, 10, 26, 10, 35, 25, 21, 33, 21, 58,  8, 55, 56),
}  # fmt: skip

PRIOR_DOWN: dict[str, float] = {
    "closing": 0.3086, "suction_back": 0.1543, "engine_start": 0.0103, "speed_change": 0.1389,
    "engine_stop": 0.2984, "tap_off": 0.0689, "unknown": 0.0206,
}  # fmt: skip
CHANCES_DOWN: dict[str, tuple[float, ...]] = {
    #                 dea mov gli lat pre sma sta ste gro bor shr qui fas slo ear hal tin per lea ran run
    "closing":       ( 2,  6, 20, 30,  3,  3,  3, 13, 49,  4,  5,  5, 36, 38,  5, 57,  5, 88,  1, 91, 93),
    "suction_back":  ( 2,  4, 20, 30,  3,  3,  4,  5,  7,  3,  9,  5, 27, 36,  5, 40,  5, 96,  1, 93, 93),
    "engine_start":  ( 2, 66, 20, 30, 10,  5,  5,  6, 42, 87,  5,  5,  9, 44, 55, 53,  5, 50, 31,  3, 95),
    "speed_change":  ( 4, 92,  9, 35, 29, 46, 10,  3, 30, 34, 32,  5,  8, 22, 46, 20, 11, 51, 37, 92, 95),
    "engine_stop":   (83, 75, 74, 48,  4, 65, 24,  3, 27,  1, 54, 13, 13, 38, 42, 11, 68, 23, 30, 93,  4),
    "tap_off":       (98, 21,  9,  5,  4, 97,  4, 83,  1,  1, 98, 12, 96,  1,  4,  2, 95, 10,  5, 95,  4),
    "unknown":       (21, 20, 20, 30, 28, 46, 22, 16, 19, 10, 26, 10, 35, 25, 21, 34, 22, 58,  8, 59, 57),
}  # fmt: skip
