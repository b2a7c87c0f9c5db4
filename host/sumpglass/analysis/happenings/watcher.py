"""The state machine over hops: raises flags, holds them, takes them back, and remembers what was lost.

It runs only where a mask of triggers.py says that something may be happening, so an hour of quiet costs little; what
it does depends on hops alone, so the outcome is the same for samples that come one by one or all at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sumpglass.analysis.happenings.episode import Episode
from sumpglass.analysis.happenings.episode_book import EITHER_WAY, EpisodeBook
from sumpglass.analysis.happenings.flags import HOLD_S, Pending, fell_early, last_crossing_s
from sumpglass.analysis.happenings.history import SampleHistory
from sumpglass.analysis.happenings.ledger import Ledger
from sumpglass.analysis.happenings.pulse_end import lines_gone
from sumpglass.analysis.happenings.rig_watch import RigWatch
from sumpglass.analysis.happenings.tracks import Track
from sumpglass.analysis.happenings.triggers import Watch, interesting
from sumpglass.records import Happening

MOST_LOSSES, MOST_REVERSALS = 8, 4
DROP_AGAIN = 0.3
"""Pulses that were told gone must have had this part of their energy again before they can be found gone anew."""
DROP_REST_S = 3.0
AFTER_SILENCE_S = 1.2
"""For so long the share of missing samples still remembers a silence."""
FAINT_BACK_S, FAINT_NOW_S = 4.5, 0.9
LOOK_BACK_S = 6.0
"""More than any mask looks back."""
STRETCH_HOPS, LONGEST_STRETCH_HOPS = 1024, 8192
"""Masks are made for so many hops at a time, and for more where it stays quiet: they have to be made anew whenever
something has happened."""


class HopWatcher:
    """Watches tracks for losses, recoveries, reversals and faults of the rig."""

    def __init__(
        self, watch: Watch, ledger: Ledger, samples: SampleHistory, hop_s: float, time_of: Callable[[int], float],
        zero_u95_pa: float,
    ) -> None:  # fmt: skip
        self.watch = watch
        self.silence_told = False
        self.silent_until_s = -np.inf
        """End of the last silence that was told: the samples that it left out are no second fault."""
        self._ledger = ledger
        self._hop_s = hop_s
        self._time = time_of
        self._samples = samples
        self._book = EpisodeBook(ledger, samples, hop_s, time_of, zero_u95_pa)
        self._book.waiting = lambda key: any(p.key == key for p in self._pending)
        self._rig = RigWatch(watch, self._book, ledger, samples, hop_s, time_of)
        self._last_drop: tuple[Episode, float] | None = None
        """What was opened when the pulses last waned, and their energy until then."""
        self._pending: list[Pending] = []
        self._stretch = STRETCH_HOPS
        self._lost: list[tuple[float, int]] = []
        """Level and key of each loss that has not been recovered."""
        self._reversals: list[tuple[int, int]] = []
        """Key and new sign of the latest reversals."""

    def advance(self, track: Track, cursor: int) -> None:
        """Watch the hops of `track` from absolute hop number `cursor` on."""
        end = track.first + len(track)
        back = round(LOOK_BACK_S / self._hop_s)
        while cursor < end:
            upto = min(end, cursor + self._stretch)
            cursor, quiet = self._advance_stretch(track.part(cursor - back, upto), track, cursor, upto)
            self._stretch = min(2 * self._stretch, LONGEST_STRETCH_HOPS) if quiet else STRETCH_HOPS

    def _advance_stretch(self, seen: Track, track: Track, cursor: int, end: int) -> tuple[int, bool]:
        """Watch until `end`, or until what the masks depend on has changed: (next hop, whether it has not)."""
        masks, places = self._masks(seen)
        before = self._state_of_masks()
        while (hop := self._next(places, cursor, end)) < end:
            at = hop - seen.first
            shown = {name for name, mask in masks.items() if name != "reference" and mask[at]}
            self._step(track, shown, float(masks["reference"][at]), hop)
            cursor = hop + 1
            if self._state_of_masks() != before:
                return cursor, False
        return end, True

    def end(self, track: Track) -> None:
        """No more hops will follow these: flags that had no time to hold are withdrawn, the rest is judged."""
        hop = track.first + len(track) - 1
        for pending in list(self._pending):
            self._pending.remove(pending)
            self._withdraw(pending, hop)
        self._book.close_all(track, hop)
        self._forget_withdrawn(hop)

    def restart(self, hop: int) -> None:
        """After a long silence: nothing that was known of level and pulses holds from `hop` on."""
        watch = self.watch
        watch.still = watch.railed = watch.rests = watch.lacking = False
        watch.fresh_from = watch.drop_from = watch.recovery_from = hop

    def _masks(self, track: Track) -> tuple[dict[str, np.ndarray], np.ndarray]:
        masks = interesting(track, self._hop_s, self.watch)
        anything = np.zeros(len(track), bool)
        for name, mask in masks.items():
            if name != "reference":
                anything |= mask
        return masks, np.flatnonzero(anything) + track.first

    def _state_of_masks(self) -> tuple[object, ...]:
        w = self.watch
        return (w.fresh_from, w.lost_pa, w.recovery_from, w.sign, w.still, w.railed, w.rests, w.drop_from, w.lacking)

    def _next(self, places: np.ndarray, cursor: int, end: int) -> int:
        if self._pending:
            return cursor
        at = int(np.searchsorted(places, cursor))
        return self._book.next_check(cursor, int(places[at]) if at < len(places) else end)

    def _step(self, track: Track, shown: set[str], reference: float, hop: int) -> None:
        """One hop at which the masks `shown` are set, with the settled vacuum before it."""
        at = hop - track.first
        done = self._settle_pending(track, hop)
        if "still" in shown:
            self._rig.still(track, hop)
        if "rail" in shown:
            self._rig.rail(track, hop)
        if "touching" in shown:
            self._rig.touching(hop)
        if ("still" in shown and not self.watch.still) or ("rail" in shown and not self.watch.railed):
            self._forget_sensor()
        if "lacking" in shown:
            told = self.silence_told or self._time(hop) < self.silent_until_s + AFTER_SILENCE_S
            self._rig.lacking(track, hop, told)
        if "sign" in shown:
            self.watch.sign = 1 if track.slow_pa[at] > 0 else -1
        # A flag that was just settled has moved the yardsticks: the masks of this hop know nothing of it yet.
        idle = {kind for kind in HOLD_S if kind not in done and not any(p.kind == kind for p in self._pending)}
        early = (
            "loss" in shown and track.level_pa[at] > 0.5 * reference and fell_early(track, hop, self._hop_s, reference)
        )
        if "loss" in shown and "sudden_loss" in idle and not early:
            self._flag("sudden_loss", track, hop, 0.5 * reference, 1, reference)
        elif "fade" in shown:
            self._book.belonging(track, hop, False, "fade")
            self.watch.fresh_from = hop + round(1.0 / self._hop_s)
        lost = self.watch.lost_pa
        if "recovery" in shown and "recovery" in idle and not done and lost is not None:
            self._flag("recovery", track, hop, 0.5 * lost, -1, lost)
        if "reversal" in shown and "sign_reversal" in idle:
            self._flag("sign_reversal", track, hop, 0.0, -self.watch.sign, None)
        if "drop" in shown or ("faint" in shown and not self._book.open and self._lines_gone(hop)):
            self._drop(track, hop)
        self._book.check_due(track, hop)
        self._forget_withdrawn(hop)

    def _lines_gone(self, hop: int) -> bool:
        """Whether lines that stood in the last seconds are no longer there, however faint they were."""
        now = self._time(hop)
        t, p = self._samples.between(now - FAINT_BACK_S, now)
        return lines_gone(t, p, now - FAINT_NOW_S)

    def _drop(self, track: Track, hop: int) -> None:
        """The pulses waned: once more, and deeper, where the time before came to nothing."""
        reference = float(track.energy_ref_pa2[hop - track.first])
        last = self._last_drop
        if last is not None and last[0].rig_key is not None and reference < DROP_AGAIN * last[1]:
            self.watch.drop_from = hop + round(1.0 / self._hop_s)
            return
        self._last_drop = (self._book.belonging(track, hop, True, "drop"), reference)
        self.watch.drop_from = hop + round(DROP_REST_S / self._hop_s)

    def _forget_withdrawn(self, hop: int) -> None:
        """A loss that was taken back after all cannot be recovered; nor is there a way back from where no level was."""
        self._keep_lost(lambda key: self._ledger[key].withdrawn_s is None)
        for at, (key, side) in enumerate(self._reversals):
            if self._ledger[key].withdrawn_s is None:
                continue
            later = [key for key, _ in self._reversals[at + 1 : at + 2]]
            if later:
                self._pending = [p for p in self._pending if p.key != later[0]]
                self._ledger.withdraw(later[0], self._time(hop))
                self._book.forget(later[0])
            else:
                self.watch.sign = -side
            del self._reversals[at : at + 2]
            return

    def _forget_sensor(self) -> None:
        """The sensor is well again: what it had shown for a loss or a reversal was none, so nothing takes it back."""
        self._keep_lost(lambda key: self._ledger[key].cause != "sensor_fault")
        if self._reversals and self._ledger[self._reversals[-1][0]].cause == "sensor_fault":
            self.watch.sign = -self._reversals.pop()[1]

    def _keep_lost(self, kept: Callable[[int], bool]) -> None:
        left = [(level, key) for level, key in self._lost if kept(key)]
        if len(left) < len(self._lost):
            self._lost = left
            self.watch.lost_pa = left[-1][0] if left else None

    def _flag(self, kind: str, track: Track, hop: int, limit: float, side: int, before: float | None) -> None:
        at, raised = hop - track.first, self._time(hop)
        level = float(track.regain_pa[at] if kind == "recovery" else track.level_pa[at])
        key = self._ledger.add(Happening(kind, raised, raised, before, level, "unknown", 0.0))
        crossed = side * (level - limit) > 0 or kind == "sign_reversal"
        due = hop + round(HOLD_S[kind] / self._hop_s)
        self._pending.append(Pending(key, kind, hop, due, limit, side, level, crossed))
        if kind == "sign_reversal":
            self.watch.sign = side
            self._reversals = [*self._reversals[1 - MOST_REVERSALS :], (key, side)]
            crossing = last_crossing_s(track, hop, side, self._hop_s, self._time)
            known = self._book.known_at(crossing, side > 0)
            if known is not None:
                # The level had crossed in a happening that is already judged; only now is it sure.
                known.late_keys[key] = crossing
                self._ledger.revise(key, known.described(replace(self._ledger[key], t_s=crossing), False, crossing))
                return
        episode = self._book.belonging(track, hop, side > 0, kind)
        if episode.opened_by in EITHER_WAY and episode.level_hop is None:
            episode.level_hop = hop
        if kind == "sign_reversal":
            episode.crossings[key] = crossing
        if kind == "recovery" and self._lost:
            episode.lost_cause = self._ledger[self._lost[-1][1]].cause
            episode.lost = self._book.told_in(self._lost[-1][1])
            episode.lost_causes = None if episode.lost is None else episode.lost.causes
        episode.keys.append(key)
        self._ledger.revise(key, episode.described(self._ledger[key], False))

    def _settle_pending(self, track: Track, hop: int) -> set[str]:
        """Confirm or withdraw what waits; returns the kinds of which one was."""
        done = set()
        for pending in list(self._pending):
            if pending.failed(track, hop, self._hop_s):
                self._pending.remove(pending)
                self._withdraw(pending, hop)
                done.add(pending.kind)
            elif pending.crossed and hop >= pending.due_hop:
                self._pending.remove(pending)
                self._confirm(pending, hop)
                done.add(pending.kind)
        return done

    def _withdraw(self, pending: Pending, hop: int) -> None:
        self._ledger.withdraw(pending.key, self._time(hop))
        self._book.forget(pending.key)
        if pending.kind == "sign_reversal":
            self.watch.sign = -pending.side
            self._reversals = [(key, side) for key, side in self._reversals if key != pending.key]

    def _confirm(self, pending: Pending, hop: int) -> None:
        watch = self.watch
        if pending.kind == "sudden_loss":
            self._lost.append((2.0 * pending.limit_pa, pending.key))
            del self._lost[:-MOST_LOSSES]
            watch.fresh_from = pending.raised_hop + round(1.0 / self._hop_s)
        elif pending.kind == "recovery":
            while self._lost and self._lost[-1][0] >= 2.0 * pending.limit_pa:
                self._lost.pop()
        if pending.kind != "sign_reversal":
            watch.recovery_from = hop
        watch.lost_pa = self._lost[-1][0] if self._lost else None
