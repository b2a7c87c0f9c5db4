"""Plays what was recorded at any speed: pause, step, seek. Knows no files: cues come from whoever reads them."""

from __future__ import annotations

import itertools
import math
import time
from bisect import bisect_right
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sumpglass.errors import InputError
from sumpglass.link.source import Arrival, Chunk, End, Readings, SourceFacts

MOST_CUES = 400
"""Cues given at one poll: at full speed the screen still gets its turn."""
JOINED_FROM = 20
"""So many cues at once (a seek) are given in fewer, longer pieces: decoder and detector take them ten times as fast."""
SLOWEST, FASTEST = 0.01, 1e6


@dataclass(frozen=True)
class Cue:
    """Something to be given when the replay comes to `t_s`; `load` makes it only then."""

    t_s: float
    load: Callable[[], Arrival]


class ReplaySource:
    """Gives each cue at its time, `speed` times as fast as it was recorded. `math.inf`: as fast as it is polled."""

    def __init__(
        self,
        cues: Sequence[Cue],
        facts: SourceFacts,
        speed: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.facts = facts
        self._cues = cues
        self._times = [cue.t_s for cue in cues]
        self._clock = clock
        self._next = 0
        self._position_s = self._times[0] if self._times else 0.0
        self._then = clock()
        self._ended = False
        self.paused = False
        self.speed = 1.0
        self.set_speed(speed)

    @property
    def position_s(self) -> float:
        """Where the replay stands, in seconds of the recording."""
        return min(self._position_s, self.duration_s)

    @property
    def duration_s(self) -> float:
        """Time of the last cue."""
        return self._times[-1] if self._times else 0.0

    def set_speed(self, speed: float) -> None:
        """Raises InputError for a speed that is no positive number."""
        if not (speed == math.inf or SLOWEST <= speed <= FASTEST):
            raise InputError(f"found the speed {speed:g}, expected {SLOWEST:g} to {FASTEST:g}")
        self._advance()
        self.speed = speed

    def pause(self, paused: bool = True) -> None:
        """Hold still, or go on."""
        self._advance()
        self.paused = paused

    def step(self, seconds: float = 0.1) -> None:
        """Hold still, that much further on."""
        self.pause()
        self._position_s = min(self._position_s + max(seconds, 0.0), self.duration_s)

    def seek(self, t_s: float) -> bool:
        """Go to `t_s`. True when that lies behind: all is given again from the start, so that what is shown there is
        what was shown live; the caller forgets everything first."""
        self._advance()
        back = t_s < self._position_s
        if back:
            self._next = 0
            self._ended = False
        self._position_s = max(0.0, min(t_s, self.duration_s))
        return back

    def poll(self, wait_s: float = 0.0) -> list[Arrival]:
        """Cues that are due."""
        self._advance()
        due = bisect_right(self._times, self._position_s)
        if self.speed == math.inf and not self.paused:
            due = len(self._cues)
        stop = min(due, self._next + MOST_CUES)
        arrivals = [cue.load() for cue in self._cues[self._next : stop]]
        self._next = stop
        if self.speed == math.inf and stop:
            self._position_s = max(self._position_s, self._times[stop - 1])
        if stop == len(self._cues) and not self._ended and not (self.paused and stop < due):
            self._ended = True
            arrivals.append(End("The recording ends here."))
        if len(arrivals) > JOINED_FROM:
            arrivals = joined(arrivals)
        if not arrivals and wait_s > 0:
            time.sleep(min(wait_s, 0.05))
        return arrivals

    @property
    def behind(self) -> bool:
        """True while cues before the position wait for the next poll (after a seek)."""
        return self._next < bisect_right(self._times, self._position_s)

    def request(self, kind: int, fields: dict[str, Any] | None = None) -> int | None:
        """A recording takes no requests."""
        del kind, fields
        return None

    def restart(self) -> None:
        """A recording has no board to be started."""

    def close(self) -> None:
        """Nothing to let go of."""

    def _advance(self) -> None:
        now = self._clock()
        if not self.paused and self.speed != math.inf:
            self._position_s += (now - self._then) * self.speed
        self._then = now


def joined(arrivals: list[Arrival]) -> list[Arrival]:
    """The same with chunks in a row, and readings in a row, made one. The last time of arrival is kept."""
    out: list[Arrival] = []
    for kind, group in itertools.groupby(arrivals, type):
        row = list(group)
        if kind is Chunk:
            chunks = [arrival for arrival in row if isinstance(arrival, Chunk)]
            out.append(Chunk(b"".join(chunk.data for chunk in chunks), chunks[-1].received_s))
        elif kind is Readings:
            readings = [arrival for arrival in row if isinstance(arrival, Readings)]
            times = np.concatenate([piece.t_s for piece in readings])
            out.append(Readings(times, np.concatenate([piece.pressure_pa for piece in readings])))
        else:
            out += row
    return out
