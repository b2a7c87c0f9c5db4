"""The last half minute of the signal as the conditions of a guided test see it. No clock: time is that of the
samples."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sumpglass.procedures.settled import SettledLevel, is_flat, level_of
from sumpglass.procedures.taken import Taken
from sumpglass.records import FloatArray

KEEP_S = 40.0
LONGEST_S = 900.0
NEED_S = 4.0
"""A level that has been flat for so long has settled."""
BLOCK_S = 0.25
SETTLING_LONGEST_S = 30.0
WANDERS_AFTER_S, WANDER_S, WANDER_BLOCK_S = 15.0, 12.0, 1.0
"""An engine that hunts is never flat: so late in a step, a stretch so long that goes nowhere is its level."""
LEAST_SETTLING_PA = 1.0
"""Windows that differ by less differ by the sensor's own slow wander: a port open to the room would never rest."""
QUIET_RMS_PA = 4.0
"""Swing below which nothing tells a running engine from a stopped one, unless the detector does."""


@dataclass(frozen=True)
class SignalView:
    """The signal now. Levels are Pa gauge over the last second; None where there are no samples yet.

    `engine` is "running", "stopped" or "unknown"; `began_s` when the step began (or was resumed), `step_level_pa` the
    level at that moment; `steady_s` how long the level has been flat.
    """

    now_s: float
    began_s: float
    level_pa: float | None
    fast_pa: float | None
    """Mean of the last 0.3 s."""
    swing_pa: float
    """RMS about the mean over the last second."""
    engine: str
    step_level_pa: float | None
    deepest_pa: float | None
    """Deepest and highest level (one-second mean) since the step began."""
    highest_pa: float | None
    steady_s: float
    clipped: bool
    taken: Sequence[Taken]
    firing_hz: float | None = None

    @property
    def in_step_s(self) -> float:
        """Seconds in this step."""
        return self.now_s - self.began_s

    def last(self, name: str) -> Taken | None:
        """The newest reading of that name."""
        return next((t for t in reversed(self.taken) if t.name == name), None)


class SignalKeeper:
    """Keeps the newest samples and makes views of them."""

    def __init__(self, range_pa: float | None = None) -> None:
        self._chunks: deque[tuple[FloatArray, FloatArray]] = deque()
        self._range_pa = range_pa
        self.engine = "unknown"
        self.engine_told = False
        """True once the detector, which knows pulses better, has said what the engine does."""
        self.firing_hz: float | None = None
        self.clipped_told = False
        self.keep_from_s: float | None = None
        """Keep everything from here on (a decay); None: the newest `KEEP_S`."""

    def add(self, t_s: FloatArray, pressure_pa: FloatArray) -> None:
        """Samples in order of time; NaN (a faulty sensor) is left out."""
        good = np.isfinite(pressure_pa)
        if good.any():
            self._chunks.append((np.asarray(t_s, float)[good], np.asarray(pressure_pa, float)[good]))
        oldest = self.now_s - KEEP_S
        if self.keep_from_s is not None:
            oldest = min(oldest, max(self.keep_from_s, self.now_s - LONGEST_S))
        while len(self._chunks) > 1 and self._chunks[0][0][-1] < oldest:
            self._chunks.popleft()

    def clear(self) -> None:
        """Forget everything: the rig was away."""
        self._chunks.clear()

    @property
    def now_s(self) -> float:
        """Time of the newest sample."""
        return float(self._chunks[-1][0][-1]) if self._chunks else 0.0

    def since(self, t0_s: float) -> tuple[FloatArray, FloatArray]:
        """Samples from `t0_s` on, as far as they are kept."""
        parts = [c for c in self._chunks if c[0][-1] >= t0_s]
        if not parts:
            return np.empty(0), np.empty(0)
        t, p = np.concatenate([c[0] for c in parts]), np.concatenate([c[1] for c in parts])
        first = int(np.searchsorted(t, t0_s))
        return t[first:], p[first:]

    def mean(self, seconds: float) -> float | None:
        """Mean of the last `seconds`."""
        t, p = self.since(self.now_s - seconds)
        return float(p.mean()) if len(p) else None

    def settled(self, began_s: float, need_s: float = NEED_S) -> SettledLevel | None:
        """The level of the last `need_s`, if it lies within the step and is flat."""
        start = self.now_s - need_s
        if start < began_s:
            return None
        t, p = self.since(start)
        if len(p) < 8 or t[-1] - t[0] < 0.9 * need_s:
            return None
        if is_flat(t, p, BLOCK_S) and not self._still_settling(began_s, float(p.mean())):
            return level_of(t, p)
        return self._wandering() if self.now_s - began_s > WANDERS_AFTER_S else None

    def _wandering(self) -> SettledLevel | None:
        """The level of an engine that hunts and never rests: a longer stretch that goes nowhere.

        Its slow scatter is in the uncertainty of `level_of`, which knows of autocorrelation.
        """
        t, p = self.since(self.now_s - WANDER_S)
        if len(p) < 32 or t[-1] - t[0] < 0.9 * WANDER_S:
            return None
        slope, at_start = np.polyfit(t - t[0], p, 1)
        rest = level_of(t, p - (slope * (t - t[0]) + at_start))
        change = abs(float(slope)) * WANDER_S
        # A line through scatter alone rises by sqrt(12) standard uncertainties of the mean from end to end.
        by_chance = 2.0 * math.sqrt(12.0) * rest.u_pa
        level = level_of(t, p)
        let_pass = 0.01 * abs(level.mean_pa)
        # A step at the very end is no wander: the last moment lies where the moments before it lay.
        cuts = np.searchsorted(t, t[-1] - WANDER_BLOCK_S * np.arange(int(WANDER_S / WANDER_BLOCK_S))[::-1])
        moments = np.array([part.mean() for part in np.split(p, cuts[:-1]) if len(part)])
        aside = abs(float(moments[-1] - moments[:-1].mean()))
        if aside > 3.0 * float(moments[:-1].std()) + let_pass:
            return None
        return level if change <= max(by_chance, let_pass) else None

    def _still_settling(self, began_s: float, level_pa: float) -> bool:
        """Is a slow settling still under way beneath the noise? Given up after a while: an engine that wanders never
        rests."""
        if self.now_s - began_s > SETTLING_LONGEST_S:
            return False
        least_pa = max(0.004 * abs(level_pa), LEAST_SETTLING_PA)
        return abs(self.to_come_pa(began_s, least_pa)) > 0.005 * abs(level_pa) + 0.5

    def to_come_pa(self, began_s: float, least_pa: float = 0.0) -> float:
        """What a settling that runs out exponentially still has to go, signed; 0 where none is seen.

        Three windows in a row: their differences shrink by a constant ratio r, and r/(1-r) of the last one is to come.
        Differences under `least_pa` are no settling.
        """
        window = min(4.0, (self.now_s - began_s) / 4.0)
        t, p = self.since(self.now_s - 3.0 * window)
        parts = [p[(t >= self.now_s - k * window) & (t < self.now_s - (k - 1) * window)] for k in (3, 2, 1)]
        if min(len(part) for part in parts) < 4:
            return 0.0
        first, second, third = (float(part.mean()) for part in parts)
        before, last = second - first, third - second
        if before * last <= 0 or abs(before) < least_pa:
            return 0.0
        ratio = min(last / before, 0.9)
        return last * ratio / (1.0 - ratio)

    def view(
        self,
        began_s: float,
        step_level: float | None,
        extremes: tuple[float | None, float | None],
        steady_s: float,
        taken: Sequence[Taken],
    ) -> SignalView:
        """The view now."""
        t, p = self.since(self.now_s - 1.0)
        swing = float(p.std()) if len(p) else 0.0
        fast = p[t >= self.now_s - 0.3] if len(p) else p
        return SignalView(
            self.now_s,
            began_s,
            float(p.mean()) if len(p) else None,
            float(fast.mean()) if len(fast) else None,
            swing,
            self._engine(swing),
            step_level,
            extremes[0],
            extremes[1],
            steady_s,
            self._clipped(fast),
            taken,
            self.firing_hz,
        )

    def _engine(self, swing: float) -> str:
        if self.engine_told:
            return self.engine
        # Without a detector: pulses are a sign of a running engine, their lack is a sign of nothing.
        return "running" if swing > QUIET_RMS_PA else "unknown"

    def _clipped(self, fast: FloatArray) -> bool:
        if self.clipped_told:
            return True
        if self._range_pa is None or len(fast) == 0:
            return False
        return bool(np.mean(np.abs(fast) >= 0.995 * self._range_pa) > 0.02)


def resting(view: SignalView, within_pa: float) -> bool:
    """Open to the room: near zero and without pulses."""
    return view.level_pa is not None and abs(view.level_pa) <= within_pa and view.engine != "running"


def fallen_share(view: SignalView, reference_pa: float) -> float:
    """How much of the vacuum `reference_pa` (negative) is gone now, 0 to 1."""
    if view.fast_pa is None or reference_pa >= 0:
        return 0.0
    return 1.0 - min(max(view.fast_pa / reference_pa, 0.0), 1.0) if math.isfinite(reference_pa) else 0.0
