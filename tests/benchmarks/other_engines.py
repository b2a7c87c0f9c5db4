"""Engines of the two makers of the happenings' bench, running steadily, and whether an engine's pulses can be seen.

Both know nothing of harmonics of a comb with layouts: `trace_maker` sums pulses in time over the cylinders and
`orifice_maker` draws every harmonic by itself, without crank or firing angles.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import orifice_maker
import trace_maker
from pulse_maker import RATES_HZ, PulseTrace, between

CLEAR, NEAR_SHARE, AROUND_SHARE = 8.0, 0.02, 0.25
"""A line can be seen that stands so many times above the middle of what lies around it."""


def in_time(count: int, first: int) -> Iterator[PulseTrace]:
    """Engines whose pulses are summed in time, at any rate."""
    for k in range(count):
        rng = np.random.default_rng([first, k, 81])
        rate = float(rng.choice(RATES_HZ))
        drawn = trace_maker.draw_engine(rng, rate)
        drawn["cylinders"] = int(rng.integers(1, 9))
        drawn["rpm"] = between(rng, 500.0, 1300.0) if rng.uniform() < 0.5 else between(rng, 400.0, 6000.0)
        trace = trace_maker.make(rng, [], float(rng.uniform(8, 20)), **drawn)
        yield PulseTrace(trace.pressure_pa, rate, drawn["cylinders"], f"layout {drawn['layout']}", drawn["rpm"])


def by_orifices(count: int, first: int) -> Iterator[PulseTrace]:
    """Engines whose every harmonic is drawn by itself, read at jittered times with samples missing."""
    for k in range(count):
        rng = np.random.default_rng([first, k, 83])
        plant = orifice_maker.draw_plant(rng)
        made = orifice_maker.make(rng, plant, [], float(rng.uniform(8, 20)))
        even = np.interp(np.arange(made.t_s[0], made.t_s[-1], 1.0 / made.rate_hz), made.t_s, made.pressure_pa)
        yield PulseTrace(even, made.rate_hz, plant.cylinders, "harmonics", plant.rpm)


def can_be_seen(trace: PulseTrace) -> bool:
    """Whether who knows the true speed sees a line of it: scipy's spectrum, nothing of the product's."""
    from scipy.signal import welch

    cycle = (trace.rpm or 0.0) / 120.0
    for segment_s in (4.0, 1.0):
        length = min(int(segment_s * trace.rate_hz), len(trace.pressure_pa))
        hz, density = welch(trace.pressure_pa, trace.rate_hz, nperseg=length)
        for tooth in {1, 2, 3, 4, 6, trace.cylinders, 2 * trace.cylinders}:
            at = tooth * cycle
            if not 3.0 < at < 0.97 * hz[-1]:
                continue
            near = np.abs(hz - at) < max(NEAR_SHARE * at, 1.5 / segment_s)
            around = (np.abs(hz - at) < max(AROUND_SHARE * at, 8.0 / segment_s)) & ~near
            if around.sum() >= 4 and density[near].max() > CLEAR * np.median(density[around]):
                return True
    return False
