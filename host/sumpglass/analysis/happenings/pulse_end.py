"""When the pulses ended, from the scatter of the samples in short windows."""

from __future__ import annotations

import numpy as np

from sumpglass.records import FloatArray

LONGEST_S = 2.6
"""A gauge line does not take longer than this to shut in one go."""


def pulse_end(t_s: FloatArray, pressure_pa: FloatArray, edge: int, period_s: float = 0.0) -> tuple[float, float] | None:
    """Times at which the pulses of samples (n,) began to fall, and had fallen for good, from what they were before
    sample `edge`; None if they live.
    """
    rate = (len(t_s) - 1) / (t_s[-1] - t_s[0])
    width = max(4, int(max(0.1, 1.2 * period_s) * rate))
    if len(pressure_pa) < edge + 3 or edge < 2 * width:
        return None
    # The straight line through each window is taken off, so that a level that moves is no pulse.
    rms2 = _scatter_about_line(pressure_pa - pressure_pa[0], width)
    reference = float(np.median(rms2[: edge - width]))
    least = float(np.partition(rms2, len(rms2) // 50)[len(rms2) // 50])
    if least > 0.6 * reference:
        return None
    limit = least + 0.15 * (reference - least)
    alive = np.flatnonzero(rms2 > limit)
    if not len(alive) or alive[-1] >= len(rms2) - max(2, width // 3):
        return None
    whole = np.flatnonzero(rms2[: alive[-1] + 1] > least + 0.81 * (reference - least))
    # A window that holds a share of the pulses' time reaches that far beyond their end.
    begin = whole[-1] + 0.81 * width if len(whole) else alive[-1]
    end = alive[-1] + 0.15 * width
    if end - begin > LONGEST_S * rate:
        # They had waned before and held so for a while: only the last fall is their end.
        held = rms2[max(0, int(end - 2.0 * rate)) : int(end - 0.7 * rate)]
        whole = np.flatnonzero(rms2[: alive[-1] + 1] > least + 0.81 * (float(np.median(held)) - least))
        begin = whole[-1] + 0.81 * width if len(whole) else begin
    return float(t_s[0] + min(begin, end) / rate), float(t_s[0] + end / rate)


def _scatter_about_line(values: FloatArray, width: int) -> FloatArray:
    """Mean square (n - width + 1,) about the straight line in each window."""
    axis = np.arange(len(values), dtype=float)
    sums = [np.concatenate([[0.0], np.cumsum(v)]) for v in (values, values * values, values * axis)]
    total, square, moment = (s[width:] - s[:-width] for s in sums)
    middle = np.arange(len(total)) + (width - 1) / 2
    slope_moment = moment - middle * total
    spread = width * (width * width - 1) / 12.0
    return np.maximum(square - total**2 / width - slope_moment**2 / spread, 0.0) / width
