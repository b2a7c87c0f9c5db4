"""Rate and gaps of a series of times, the same for every source."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.records import FloatArray

GAP_PERIODS = 1.5
"""A distance between samples of more than this many periods counts as a gap."""


@dataclass(frozen=True)
class Timing:
    """`rate_hz` is None for fewer than two samples. `missing` samples should stand in `gaps` gaps."""

    rate_hz: float | None
    missing: int
    gaps: int
    longest_gap_s: float = 0.0
    longest_gap_at_s: float = 0.0


def timing_of(t_s: FloatArray, nominal_rate_hz: float | None = None) -> Timing:
    """Rate and missing samples of the strictly increasing times `t_s` (n,).

    Without a nominal rate the period is the median distance (of two the smaller); the rate is the mean over all
    distances that are no gap.
    """
    if len(t_s) < 2:
        return Timing(nominal_rate_hz, 0, 0)
    steps = np.diff(t_s)
    period = 1.0 / nominal_rate_hz if nominal_rate_hz else _lower_median(steps)
    gap = steps > GAP_PERIODS * period
    wide = steps[gap]
    if nominal_rate_hz is None:
        narrow_sum = float(t_s[-1] - t_s[0]) - float(wide.sum())
        nominal_rate_hz = (len(steps) - len(wide)) / narrow_sum
    if not len(wide):
        return Timing(nominal_rate_hz, 0, 0)
    missing = int(np.maximum(np.rint(wide / period) - 1, 1).sum())
    longest = int(np.argmax(steps))
    return Timing(nominal_rate_hz, missing, len(wide), float(steps[longest]), float(t_s[longest]))


def _lower_median(steps: FloatArray) -> float:
    """The middle one, of two the smaller: a gap beside a single step must not pass for half of the rate."""
    middle = (len(steps) - 1) // 2
    return float(np.partition(steps, middle)[middle])
