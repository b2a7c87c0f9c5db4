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
    "opening": 0.2905, "suction_lost": 0.1752, "blow_by_rise": 0.0663, "engine_stop": 0.2543,
    "speed_change": 0.1186, "tap_off": 0.0361, "line_blocked": 0.0474, "engine_start": 0.0039,
    "sensor_fault": 0.0039, "unknown": 0.0038,
}  # fmt: skip
CHANCES_UP: dict[str, tuple[float, ...]] = {
    #                 dea mov gli lat pre sma sta ste gro bor shr qui fas slo ear hal tin per lea ran run
    "opening":       ( 4,  2, 12, 31,  1, 79,  1,  8,  3,  3, 29,  5, 53, 10,  6, 16,  7, 87,  1, 93, 89),
    "suction_lost":  ( 2,  2, 10, 31, 89, 56,  4,  5,  1,  3, 10,  5, 33, 34,  5, 20,  7, 96,  1, 94, 91),
    "blow_by_rise":  ( 1,  5,  9, 28, 95, 20,  9,  6, 94, 10,  2,  2, 23, 38,  6, 12,  6, 96,  1, 91, 95),
    "engine_stop":   (83, 75, 71, 40,  3, 66, 22,  2, 34,  1, 52, 13, 13, 41, 47, 11, 72, 28, 28, 93,  4),
    "speed_change":  ( 4, 80,  9, 30, 31, 47, 14,  3, 17, 28, 38,  5,  7, 19, 38, 26, 15, 55, 46, 96, 94),
    "tap_off":       (98, 20,  8,  6,  4, 97,  4, 89,  1,  1, 98, 13, 96,  1,  4,  2, 95, 13,  5, 95,  6),
    "line_blocked":  (94,  9,  7,  4,  5,  6, 89, 38,  1,  1, 96, 12, 49, 14,  4, 38,  2, 14,  2, 95,  7),
    "engine_start":  ( 2, 60, 20, 30, 10,  5,  5,  5, 60, 95,  5,  5,  6, 45, 50, 50,  5, 30, 40,  4, 95),
    "sensor_fault":  (97, 10, 10,  3, 10, 90, 10, 95,  1,  1, 97, 97, 98,  1,  5, 53, 49,  5,  5, 90,  5),
    "unknown":       (20, 20, 20, 30, 25, 40, 20, 15, 20, 10, 25, 10, 35, 25, 20, 31, 20, 59,  8, 59, 59),
}  # fmt: skip

PRIOR_DOWN: dict[str, float] = {
    "closing": 0.3086, "suction_back": 0.1543, "engine_start": 0.0103, "speed_change": 0.1389,
    "engine_stop": 0.2984, "tap_off": 0.0689, "unknown": 0.0206,
}  # fmt: skip
CHANCES_DOWN: dict[str, tuple[float, ...]] = {
    #                 dea mov gli lat pre sma sta ste gro bor shr qui fas slo ear hal tin per lea ran run
    "closing":       ( 2,  5, 20, 30,  3,  3,  3, 12, 41,  4,  5,  5, 25, 54,  5, 46,  5, 85,  1, 92, 93),
    "suction_back":  ( 2,  5, 20, 30,  3,  3,  4,  5,  8,  3, 10,  5, 27, 28,  5, 44,  5, 96,  1, 93, 93),
    "engine_start":  ( 2, 57, 20, 30, 10,  5,  5,  6, 37, 86,  5,  5, 10, 38, 59, 56,  5, 57, 26,  2, 95),
    "speed_change":  ( 4, 92,  9, 35, 30, 47, 11,  3, 34, 34, 31,  5,  8, 22, 45, 20, 11, 50, 40, 93, 95),
    "engine_stop":   (83, 75, 74, 48,  4, 65, 24,  3, 27,  1, 54, 13, 13, 38, 42, 11, 68, 23, 30, 93,  4),
    "tap_off":       (98, 21,  9,  5,  4, 97,  4, 83,  1,  1, 98, 12, 96,  1,  4,  2, 95, 10,  5, 95,  4),
    "unknown":       (21, 20, 20, 30, 28, 46, 22, 16, 19, 10, 26, 10, 35, 25, 21, 34, 22, 59,  8, 59, 57),
}  # fmt: skip
