"""Signs of a rig at fault that need no level: a code that stands still, a rail, samples that do not come."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from sumpglass.analysis.happenings.episode_book import EpisodeBook
from sumpglass.analysis.happenings.history import SampleHistory
from sumpglass.analysis.happenings.ledger import Ledger
from sumpglass.analysis.happenings.tracks import PULSE_S, Track
from sumpglass.analysis.happenings.triggers import RAIL_SHARE, RESTS_S, Watch
from sumpglass.records import FloatArray, Happening

RAIL_HOLDS_S = 0.5
"""Crests that touch the rail for less than this are no level that stands there."""
RESTS_SHARE, LEFT_SHARE = 0.5, 0.3
LATELY_S, FEW_CODES = 3.0, 3
"""A reading that had only gone to and fro between so few codes stands still by itself, now and then."""
LED_BY = 60
"""Samples before the rail whose steps tell what a step of the signal is."""
SLOWLY = 100.0
"""Samples that a signal is taken to need to a rail that it did not jump to."""


class RigWatch:
    """Turns the masks "still", "rail" and "lacking" into episodes and rig faults."""

    def __init__(
        self, watch: Watch, book: EpisodeBook, ledger: Ledger, samples: SampleHistory, hop_s: float,
        time_of: Callable[[int], float],
    ) -> None:  # fmt: skip
        self._watch = watch
        self._book = book
        self._ledger = ledger
        self._samples = samples
        self._hop_s = hop_s
        self._time = time_of

    def still(self, track: Track, hop: int) -> None:
        """The code began, or ceased, to stand still."""
        if self._watch.still:
            self._watch.still = False
            self._left_rail(track, hop)
            return
        self._watch.still = True
        at = hop - track.first
        began_s = self._time(hop) - float(track.still_hops[at]) * self._hop_s
        _, lately = self._samples.between(began_s - LATELY_S, began_s)
        if len(np.unique(lately)) <= FEW_CODES or abs(float(track.mean_pa[at])) <= self._nil_pa():
            # At zero a converter coarser than the sensor's noise stands still in the room, as it should.
            return
        episode = self._book.belonging(track, hop, True, "still")
        edge = self._edge(float(track.mean_pa[at]), began_s)
        episode.fault_s = began_s
        episode.still, episode.railed, episode.edge_samples = edge is None, edge is not None, edge or 0.0
        self._book.check_again(episode, track, hop)

    def _nil_pa(self) -> float:
        return float(np.hypot(self._watch.zero_u95_pa, self._watch.code_pa))

    def rail(self, track: Track, hop: int) -> None:
        """The readings came to lie on a rail of the sensor, or left it."""
        if self._watch.railed:
            self._watch.railed = False
            self._left_rail(track, hop)
            return
        self._watch.railed = True
        if self._watch.rests:
            return  # The same fault, deeper: it is told.
        self._watch.rests = True
        episode = self._book.belonging(track, hop, True, "rail")
        edge = self._edge(float(track.mean_pa[hop - track.first]), self._time(hop) - 0.3)
        if edge is None:
            # On it from the first sample: no jump was seen, and in a dead-ended test a range is soon too small.
            edge = SLOWLY if self._never_off(self._time(hop)) else 0.0
        episode.railed, episode.edge_samples = True, edge
        episode.fault_s = self._time(hop) - RAIL_SHARE * PULSE_S
        self._book.check_again(episode, track, hop)

    def touching(self, hop: int) -> None:
        """Whether half of the last second's samples lie on a rail: of a level that pulses, that is the level itself."""
        if self._watch.railed:
            return
        now_s = self._time(hop)
        t, p = self._samples.between(now_s - RESTS_S, now_s)
        if not len(t):
            return  # A clock that leaps leaves hops without samples.
        rails = self._on_rails(p)
        share = max((float(on.mean()) for on in rails), default=0.0)
        watch = self._watch
        if watch.rests:
            watch.rests = share > LEFT_SHARE
        elif share > RESTS_SHARE:
            watch.rests = True
            on = rails[int(np.argmax([on.mean() for on in rails]))]
            level = float(p.mean())
            # Since when: the last peak of what was not there beyond what is there now.
            begin = t[int(np.argmin(np.cumsum(on - 0.5 * RESTS_SHARE)))]
            self._ledger.add(
                Happening("rig_fault", float(begin), now_s, None, level, "out_of_range", 0.9, settled=True)
            )

    def _on_rails(self, pressure_pa: FloatArray) -> list[FloatArray]:
        """Which samples (n,) lie on each rail that is known: 1 or 0."""
        low, high, margin = self._watch.range_low_pa, self._watch.range_high_pa, self._watch.rail_margin_pa
        low_on = [] if low is None else [(pressure_pa <= low + margin).astype(float)]
        return low_on + ([] if high is None else [(pressure_pa >= high - margin).astype(float)])

    def _never_off(self, now_s: float) -> bool:
        """Whether every sample that is known up to now lies on a rail."""
        _, p = self._samples.between(-np.inf, now_s)
        return any(bool(on.all()) for on in self._on_rails(p))

    def _left_rail(self, track: Track, hop: int) -> None:
        """What stood on a rail for a moment only was no level there."""
        for episode in list(self._book.open):
            if episode.railed and (hop - episode.raised_hop) * self._hop_s < RAIL_HOLDS_S:
                episode.railed = False
                self._book.check_again(episode, track, hop)

    def lacking(self, track: Track, hop: int, silence_told: bool) -> None:
        """Too many samples are missing, or no longer."""
        watch = self._watch
        watch.lacking = not watch.lacking
        if not watch.lacking or silence_told:
            return
        at = hop - track.first
        # Where what came falls behind for good: the last peak of what came beyond nine tenths of what should have.
        came = track.count[max(0, at - round(2.0 / self._hop_s)) : at + 1] - 0.9 * watch.samples_per_hop
        peak = int(np.argmax(np.concatenate([[0.0], np.cumsum(came)])))
        begin = self._time(hop - (len(came) - peak))
        level = float(track.level_pa[at])
        self._ledger.add(
            Happening("rig_fault", begin, self._time(hop), level, level, "sensor_fault", 0.95, settled=True)
        )

    def _edge(self, value: float, near_s: float) -> float | None:
        """Samples that the signal took to an extreme `value` about `near_s`: 0 for a jump; None where it is none."""
        _, p = self._samples.between(near_s - 4.0, near_s + 1.0)
        watch = self._watch
        rails = [rail for rail in (watch.range_low_pa, watch.range_high_pa) if rail is not None]
        if len(p) < 16 or (rails and min(abs(value - rail) for rail in rails) > watch.rail_margin_pa + 1e-6):
            return None
        same = np.abs(p - value) <= max(watch.rail_margin_pa, 1e-9)
        # Pulses may reach the other rail too.
        if np.any(np.sign(value) * p[~same] > abs(value)) or not same.any():
            return None
        arrivals = np.flatnonzero(same[1:] & ~same[:-1]) + 1
        if len(arrivals) > (2 if rails else 8):
            return SLOWLY
        if not len(arrivals):
            return None
        at = int(arrivals[-1])
        gap = abs(value - p[at - 1])
        steps = np.abs(np.diff(p[max(0, at - LED_BY) : at]))
        # Pulses sampled coarsely make steps of their own: a jump is beyond all of them, or far beyond most.
        usual = min(4.0 * float(np.quantile(steps, 0.9)), 1.5 * float(steps.max())) if len(steps) else 0.0
        return 0.0 if gap > max(usual, 0.05 * abs(value)) else SLOWLY
