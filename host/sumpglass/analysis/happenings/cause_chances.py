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
    "opening": 0.2542, "suction_lost": 0.1585, "blow_by_rise": 0.0564, "engine_stop": 0.2717,
    "speed_change": 0.1195, "tap_off": 0.0540, "line_blocked": 0.0404, "engine_start": 0.0087,
    "sensor_fault": 0.0218, "unknown": 0.0148,
}  # fmt: skip
CHANCES_UP: dict[str, tuple[float, ...]] = {
    #                 dea mov gli lat pre sma sta ste gro bor shr qui fas slo ear hal tin per lea ran run
    "opening":       ( 4,  2, 12, 30,  1, 79,  1, 10,  3,  3, 33,  5, 55, 11,  6, 14,  8, 86,  1, 93, 90),
    "suction_lost":  ( 2,  2, 11, 31, 90, 54,  4,  4,  1,  3, 10,  5, 34, 35,  5, 18,  7, 96,  1, 94, 91),
    "blow_by_rise":  ( 1,  5,  9, 28, 95, 20,  9,  6, 94, 10,  2,  2, 24, 38,  6, 13,  6, 96,  1, 89, 95),
    "engine_stop":   (83, 75, 71, 39,  3, 67, 21,  2, 36,  1, 52, 13, 13, 40, 46, 11, 75, 30, 28, 93,  4),
    "speed_change":  ( 4, 80,  9, 30, 32, 47, 14,  3, 16, 29, 38,  5,  7, 16, 38, 28, 16, 55, 47, 96, 94),
    "tap_off":       (98, 21,  8,  6,  4, 97,  4, 90,  1,  1, 98, 15, 96,  1,  4,  2, 95, 11,  5, 95,  4),
    "line_blocked":  (94,  9,  7,  4,  5,  6, 89, 42,  1,  1, 96, 12, 52, 14,  4, 35,  2, 15,  2, 95,  8),
    "engine_start":  ( 2, 60, 20, 30,  9,  5,  5,  5, 59, 95,  5,  5,  6, 45, 51, 51,  5, 29, 40,  4, 95),
    "sensor_fault":  (97, 10, 11,  3, 11, 92,  8, 95,  1,  1, 97, 97, 98,  1,  5, 63, 47,  5,  5, 89,  5),
    "unknown":       (19, 21, 20, 30, 23, 41, 22, 15, 20, 10, 26, 10, 36, 25, 21, 34, 21, 57,  8, 53, 56),
}  # fmt: skip

PRIOR_DOWN: dict[str, float] = {
    "closing": 0.3086, "suction_back": 0.1543, "engine_start": 0.0103, "speed_change": 0.1389,
    "engine_stop": 0.2984, "tap_off": 0.0689, "unknown": 0.0206,
}  # fmt: skip
CHANCES_DOWN: dict[str, tuple[float, ...]] = {
    #                 dea mov gli lat pre sma sta ste gro bor shr qui fas slo ear hal tin per lea ran run
    "closing":       ( 2,  6, 20, 30,  3,  3,  3, 13, 49,  4,  5,  5, 35, 39,  5, 56,  5, 85,  1, 91, 93),
    "suction_back":  ( 2,  5, 20, 30,  3,  3,  4,  5,  7,  3, 10,  5, 27, 35,  5, 37,  5, 96,  1, 94, 93),
    "engine_start":  ( 2, 68, 20, 30, 10,  5,  5,  7, 39, 86,  5,  5, 10, 44, 56, 55,  5, 55, 29,  3, 95),
    "speed_change":  ( 4, 93,  9, 35, 30, 46, 10,  3, 32, 36, 31,  5,  7, 22, 47, 20, 12, 52, 35, 91, 95),
    "engine_stop":   (83, 75, 74, 48,  4, 65, 24,  3, 27,  1, 54, 13, 13, 38, 42, 11, 68, 23, 30, 93,  4),
    "tap_off":       (98, 21,  9,  5,  4, 97,  4, 83,  1,  1, 98, 12, 96,  1,  4,  2, 95, 10,  5, 95,  4),
    "unknown":       (21, 21, 20, 30, 29, 48, 22, 16, 19, 10, 26, 10, 35, 25, 21, 35, 22, 58,  8, 59, 56),
}  # fmt: skip
