"""Pulses of a recording from those of its settled stretches: the same engine turned in all of them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sumpglass.analysis.pulses import PulseReading

DOUBTFUL, SAME_SPEED = 0.3, 0.04
"""Weight of a stretch whose speed is in doubt, and how near (log) speeds must lie to be one."""


def pulses_together(
    lengths_s: list[float], readings: list[PulseReading], again: Callable[[int, float], PulseReading]
) -> tuple[PulseReading, list[PulseReading]]:
    """Pulses of the file, and of each stretch in the light of the others.

    Stretches that agree speak together, doubtful ones with less weight; the longest of the weightiest group stands for
    the file. Stretches that heard otherwise and doubt it, or heard lines and no speed, are read `again`, which takes
    the number of the stretch and the firing frequency heard elsewhere, for it is the same engine. Where all that claim
    pulses are doubtful and brief against those that hear none, nothing turns.
    """
    running = [k for k, reading in enumerate(readings) if reading.firing_hz is not None]
    if not running:
        return PulseReading(), readings
    firing = np.log([readings[k].firing_hz or 1.0 for k in running])
    weights = np.array([lengths_s[k] * (DOUBTFUL if readings[k].warnings else 1.0) for k in running])
    group = np.abs(firing[:, None] - firing) < SAME_SPEED
    best = int(np.argmax(group @ weights))
    members = [running[row] for row in np.flatnonzero(group[best])]
    heard = sum(lengths_s[k] for k in members)
    silent = sum(length for k, length in enumerate(lengths_s) if k not in running)
    if all(readings[k].warnings for k in running) and heard < DOUBTFUL * silent:
        return PulseReading(), [PulseReading() if k in running else reading for k, reading in enumerate(readings)]
    main = max(members, key=lambda k: (not readings[k].warnings, lengths_s[k]))
    expected = readings[main].firing_hz
    told = list(readings)
    for k, reading in enumerate(readings):
        if expected is None or readings[main].warnings and reading.firing_hz is None:
            continue
        unheard = reading.firing_hz is None and reading.strongest_hz is not None
        apart = reading.firing_hz is not None and abs(float(np.log(reading.firing_hz / expected))) > SAME_SPEED
        if unheard or (apart and reading.warnings):
            told[k] = again(k, expected)
    return told[main], told
