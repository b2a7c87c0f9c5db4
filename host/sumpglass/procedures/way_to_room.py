"""How the signal went to the room's pressure: what tells a gauge hose that came off from an engine that stopped.

Both leave a port without pulses at the room's pressure. Off its barb the gauge stands open to the room at once, with
the level and the pulses of a moment ago cut short. An engine coasts down, its manifold fills, and the crankcase
breathes in through what openings it has: level or pulses have long dwindled when the last of them is heard.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sumpglass.records import FloatArray

LEAP, RUN_DOWN, UNSURE = "leap", "run down", "unsure"
REST_S = 0.5
LOOK_BACK_S = 6.0
REACH_S = 0.25
SMOOTH_S = 0.02
SLOWEST_SAMPLING_S = 0.04
NEAR_ROOM_PA = 60.0
LEAST_SIZE = 8.0
"""Over the noise at rest: what is fainter is not told."""
BEFORE_S = 0.4, 0.12
"""Close by: a speed or an opening may have been changed a second ago."""
END_S = 0.12
LOST_SHARE, FALL_S = 0.5, 0.19
"""What each sign of a run-down is counted in."""
LEAP_BELOW, RUN_DOWN_ABOVE = 0.95, 1.3
"""Sum of the two signs, set on 160 drawn engines, rigs, openings and changes of speed just before. On 160 others one
stop passed for a leap, four leaps for a run-down, and twelve of the 320 stayed open."""


@dataclass(frozen=True)
class WayToRoom:
    """`share`: size of the signal in the last moment that it is heard, relative to a moment before; `fall_s`: time
    from three quarters of its greatest size to the last that is heard."""

    share: float
    fall_s: float

    @property
    def kind(self) -> str:
        """`LEAP`, `RUN_DOWN` or `UNSURE`."""
        score = (1.0 - self.share) / LOST_SHARE + self.fall_s / FALL_S
        if score <= LEAP_BELOW:
            return LEAP
        return RUN_DOWN if score >= RUN_DOWN_ABOVE else UNSURE


def way_to_room(t_s: FloatArray, pressure_pa: FloatArray) -> str:
    """`LEAP` (the hose came off), `RUN_DOWN` (the engine stopped) or `UNSURE`.

    `t_s`, `pressure_pa` (n,): the newest samples, Pa gauge, the zero subtracted, at rest by now. A signal that rests
    away from the room's pressure is none of an open hose: `RUN_DOWN`.
    """
    if len(t_s) < 16:
        return UNSURE
    recent = t_s >= t_s[-1] - LOOK_BACK_S
    t, p = t_s[recent], pressure_pa[recent]
    resting = t >= t[-1] - REST_S
    step = float(np.median(np.diff(t)))
    if step > SLOWEST_SAMPLING_S or np.count_nonzero(resting) < 8:
        return UNSURE
    rest, noise = float(np.median(p[resting])), float(np.std(p[resting]))
    if abs(rest) > max(NEAR_ROOM_PA, 3.0 * noise):
        return RUN_DOWN
    way = _measure(t, p - rest, noise, step)
    return UNSURE if way is None else way.kind


def _measure(t: FloatArray, p: FloatArray, noise: float, step_s: float) -> WayToRoom | None:
    width = max(1, round(SMOOTH_S / step_s))
    size = np.abs(np.convolve(p, np.ones(width) / width, mode="same"))
    size[len(size) - width :] = 0.0
    heard = np.flatnonzero(size > 5.0 * noise + 1.0)
    if not len(heard):
        return None
    last = int(heard[-1])
    end = float(t[last])
    greatest = float(size[np.searchsorted(t, end - REACH_S) : last + 1].max())
    before = size[np.searchsorted(t, end - BEFORE_S[0]) : np.searchsorted(t, end - BEFORE_S[1])]
    if greatest < LEAST_SIZE * noise or len(before) < 2:
        return None
    high = float(t[np.flatnonzero(size >= 0.75 * greatest)[-1]])
    ending = size[np.searchsorted(t, end - END_S) : last + 1]
    return WayToRoom(_rms(ending) / max(_rms(before), 1e-9), end - high)


def _rms(values: FloatArray) -> float:
    return math.sqrt(float(np.mean(values**2)))
