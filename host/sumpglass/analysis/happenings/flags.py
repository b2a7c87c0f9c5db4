"""Flags that have yet to hold, and what the tracks must show for them to hold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sumpglass.analysis.happenings.tracks import CALM, LENGTHS_S, Track

HOLD_S = {"sudden_loss": 0.5, "recovery": 0.3, "sign_reversal": 1.0}
"""How long a flag must hold. A reversal is one of settled levels: a second, so that a blip is none."""
YOUNG_S = 0.25
"""A flag is not taken back before the calm level, which lags, can have followed."""
CROSS_S = {"sudden_loss": 2.0, "recovery": 4.0}
"""A flag that was raised on the trend must have passed its limit within this time: a loss that takes longer is none."""
FALL_WITHIN_S, FALL_LOOK_S = 2.1, 0.5
"""A sudden loss takes under 2 s from the beginning of the fall to half; so much before half the level still stood."""
FALL_BEGUN = 0.05
"""What had gone by then, as a part of the level, if the fall had begun: more than a level that idles unevenly moves."""
FALL_GOES_ON = 0.4
"""A fall goes on that makes this part of its way again in the next half second."""
FALLS_BACK = 2.0
"""A level on its way has turned back when it is this many spreads behind where it was flagged."""
CRANKED_S = 1.2
"""A vacuum that comes back under pulses larger than itself is judged on the slow level after this time."""
CRANKED = 0.7
CROSSING_BACK_S = 6.0
UNSURE_S = 0.12
"""Where the calm level's spread shakes the time of a slow crossing by more than this, the slow level tells it."""


@dataclass
class Pending:
    """A flag that has to hold until `due_hop`."""

    key: int
    kind: str
    raised_hop: int
    due_hop: int
    limit_pa: float
    side: int
    """The flag holds while side * (level - limit) > 0."""
    raised_pa: float
    crossed: bool = True
    """False while the flag rests on a trend that has yet to pass the limit."""
    cranked: bool = False
    """Under pulses so large and slow that only a longer mean shows the level."""

    def failed(self, track: Track, hop: int, hop_s: float) -> bool:
        """Whether what was flagged is not so; marks the moment at which the limit is passed."""
        at = hop - track.first
        back = self.kind == "recovery"
        level = float(track.regain_pa[at] if back else track.level_pa[at])
        young = hop - self.raised_hop < round(YOUNG_S / hop_s)
        stray = FALLS_BACK * float((track.regain_sigma_pa if back else track.sigma_pa)[at])
        if self.crossed:
            shaken = back and not self.cranked and self._shaken(track, hop)
            if shaken and (hop >= self.due_hop or self.side * (level - self.limit_pa) <= 0):
                self.cranked = True
                self.due_hop = self.raised_hop + round(CRANKED_S / hop_s)
            if self.cranked:
                return hop >= self.due_hop and self.side * (float(track.slow_pa[at]) - self.limit_pa) <= 0
            short = self.side * ((level if back else float(track.calm_pa[at])) - self.limit_pa)
            if back and -stray < short <= 0 and not young:
                # A vacuum that comes back slowly passes its limit more than once: it has to pass it again.
                self.crossed = False
                return False
            return not young and short <= 0
        if self.side * (level - self.limit_pa) > 0:
            self.crossed = True
            self.raised_hop, self.due_hop = hop, hop + round(HOLD_S[self.kind] / hop_s)
            return self.kind == "sudden_loss" and fell_early(track, hop, hop_s, 2.0 * self.limit_pa)
        late = hop - self.raised_hop > round(CROSS_S[self.kind] / hop_s)
        return late or (not young and self.side * (level - self.raised_pa) <= -stray)

    def _shaken(self, track: Track, hop: int) -> bool:
        """Whether pulses carry the level past its limit and back by themselves, should they be slow."""
        return float(np.sqrt(track.energy_pa2[hop - track.first])) > CRANKED * abs(self.limit_pa)


def fell_early(track: Track, hop: int, hop_s: float, before_pa: float) -> bool:
    """Whether a vacuum of `before_pa` that passes half of itself at `hop` had begun to fall more than 2 s ago."""
    now = hop - track.first
    # The slow level shows no pulses, of whatever speed; half of its second comes after the moment that it tells of.
    then = round(now - float(track.delay_hops[now]) + _slow_delay(hop_s) - FALL_WITHIN_S / hop_s)
    look = round(FALL_LOOK_S / hop_s)
    if then < look or not np.isfinite(track.slow_sigma_pa[then]):
        return False
    earlier_pa, then_pa, later_pa = (float(track.slow_pa[min(then + k * look, now)]) for k in (-1, 0, 1))
    gone = then_pa - earlier_pa
    # What came to rest in between was another fall.
    goes_on = later_pa - then_pa > FALL_GOES_ON * gone
    return goes_on and gone > FALL_BEGUN * abs(before_pa) + 2.0 * float(track.slow_sigma_pa[then])


def _slow_delay(hop_s: float) -> float:
    return (round(LENGTHS_S[-1] / hop_s) - 1) / 2


def last_crossing_s(track: Track, hop: int, side: int, hop_s: float, time_of: Callable[[int], float]) -> float:
    """When the calm level last crossed zero towards `side` before `hop`, in seconds, its delay taken off.

    Where it crosses so slowly that what is left of the pulses makes it cross and cross again, the slow level's time.
    """
    at = hop - track.first
    # The same reach whether samples come one by one or all at once.
    begin = max(0, at - round(CROSSING_BACK_S / hop_s))
    back = begin + _last_beyond(track.calm_pa[begin : at + 1], side)
    delay = max(float(track.delay_hops[at]), (round(LENGTHS_S[CALM] / hop_s) - 1) / 2)
    slow_back = begin + _last_beyond(track.slow_pa[begin : at + 1], side)
    passed = side * (float(track.slow_pa[at]) - float(track.slow_pa[slow_back])) / max(at - slow_back, 1)
    if slow_back < at and float(track.calm_sigma_pa[at]) > UNSURE_S / hop_s * passed:
        back, delay = slow_back, _slow_delay(hop_s)
    return time_of(track.first + back) - delay * hop_s


def _last_beyond(level_pa: np.ndarray, side: int) -> int:
    beyond = np.flatnonzero(side * level_pa <= 0)
    return int(beyond[-1]) if len(beyond) else len(level_pa) - 1
