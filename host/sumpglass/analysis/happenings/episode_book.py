"""Episodes: physical happenings under judgement, each with the flags that it raised."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from sumpglass.analysis.happenings.cause import PARTNER, as_mended
from sumpglass.analysis.happenings.episode import RIG_CAUSES, SURE, SURE_OF_DROP, Episode
from sumpglass.analysis.happenings.history import SampleHistory
from sumpglass.analysis.happenings.ledger import Ledger
from sumpglass.analysis.happenings.tracks import CALM, LENGTHS_S, Track
from sumpglass.analysis.happenings.triggers import LEAST_WANDERS, SIGN_WANDERS
from sumpglass.records import Happening

SAME_HAPPENING_S = 1.5
"""Flags raised within this time of each other, in the same direction, are one physical happening."""
ENGINE_STOPS_S = 3.0
"""An engine whose level goes has run down by then."""
LATE_S = 4.0
"""A level may creep through zero for so long after its happening began."""
NOT_LOST = 0.6
"""A loss is none when the level afterwards is still more than this part of that before."""
BACK_RATIO = 0.45
"""Pulses that are found to be this large after all had only waned for a while."""
MOST_TOLD, RECENT = 40, 4
SEEN_TO_GO = 18.0
"""Pulses whose strongest line stood no more than this above the noise may have waned by themselves."""
CLEARLY, NEXT_TO_NOTHING = 60.0, 0.12
"""Nothing that an engine does takes pulses so far above the noise down to this part, and leaves the level."""
HIDE_CODES, DITHERED = 0.7, 0.5
"""A square wave between two codes has an RMS of half a code; noise of so many codes keeps a code from hiding it."""
CUT_OFF = 0.25
RAN_DOWN = -0.2
GONE_RATIO = 0.3
"""Pulses that only shrank to this part are no line that is shut."""
LEVEL_FLAGS = ("sudden_loss", "recovery", "sign_reversal")
EITHER_WAY = ("drop", "still", "rail")
"""What shows that something happened without showing in which direction."""


class EpisodeBook:
    """Opens episodes, examines them at their checkpoints and writes what they say into the ledger.

    `time_of`: hop number -> time in seconds of its end.
    """

    def __init__(
        self, ledger: Ledger, samples: SampleHistory, hop_s: float, time_of: Callable[[int], float], zero_u95_pa: float
    ) -> None:
        self._ledger = ledger
        self._samples = samples
        self._hop_s = hop_s
        self._time = time_of
        self._zero_u95_pa = zero_u95_pa
        self.open: list[Episode] = []
        self._recent: list[Episode] = []
        self._told: dict[int, Episode] = {}
        self._earliest_s = -np.inf
        self.waiting: Callable[[int], bool] = lambda key: False
        """Whether the flag with this key has yet to hold."""

    def next_check(self, cursor: int, hop: int) -> int:
        """The first hop from `cursor` on at which an open episode is due, but not after `hop`."""
        for episode in self.open:
            hop = min(hop, max(cursor, self._due(episode)))
        return hop

    def _due(self, episode: Episode) -> int:
        return episode.raised_hop + round(episode.checkpoints_s[episode.next_check] / self._hop_s)

    def check_due(self, track: Track, hop: int) -> None:
        """Examine the episodes whose checkpoint has come."""
        for episode in list(self.open):
            if hop >= self._due(episode):
                self.check(episode, track, hop)

    def close_all(self, track: Track, hop: int) -> None:
        """Judge what is open with what there is."""
        for episode in list(self.open):
            self.check(episode, track, hop, last=True)

    def belonging(self, track: Track, hop: int, upward: bool, opened_by: str) -> Episode:
        """The open episode that a flag raised now belongs to, or a new one."""
        near = round(SAME_HAPPENING_S / self._hop_s)
        for episode in self.open:
            same_way = episode.upward == upward or opened_by in EITHER_WAY or episode.opened_by in EITHER_WAY
            if same_way and (hop - episode.raised_hop <= near or self._goes_on(episode, hop, opened_by)):
                return episode
        displaced = list(self.open)
        self.close_all(track, hop - 1 - round(0.15 / self._hop_s))
        window = max(3, round(2 * float(track.delay_hops[hop - track.first]) + 1))
        if opened_by == "recovery":
            window = min(window, round(LENGTHS_S[CALM + 1] / self._hop_s))
        new = Episode(upward, hop, window, opened_by, earliest_s=self._end_of_last(), displaced=displaced)
        self.open.append(new)
        self._recent.append(new)
        for key in list(self._told)[:-MOST_TOLD]:
            self._told.pop(key).lost = None
        self.check(new, track, hop)
        return new

    def _end_of_last(self) -> float:
        """When the state that holds now had settled: by the last happening that was one."""
        while len(self._recent) >= RECENT:
            oldest = self._recent.pop(0)
            if oldest.was_one:
                self._earliest_s = max(self._earliest_s, oldest.end_s)
        return max([self._earliest_s, *(e.end_s for e in self._recent if e.was_one)])

    def _goes_on(self, episode: Episode, hop: int, opened_by: str) -> bool:
        """Whether a flag is one more of a level still on its way: a loss is sudden, a refill or the rest of it need not
        be, and pulses that wane meanwhile are no happening of their own."""
        refills = opened_by == episode.opened_by == "recovery"
        wanes = opened_by == "drop" and episode.opened_by in LEVEL_FLAGS
        if not (refills or wanes) or episode.change is None:
            return False
        until_s = episode.change.duration_hops * self._hop_s
        return self._time(hop) < episode.onset_s + (max(until_s, ENGINE_STOPS_S) if wanes else until_s)

    def known_at(self, crossing_s: float, upward: bool) -> Episode | None:
        """The episode, open or lately closed, in which the level went this way through zero at that time."""
        for episode in reversed(self._recent):
            if episode.upward == upward and episode.onset_s - 0.3 <= crossing_s <= self._creeps_until_s(episode):
                return episode
        return None

    def _creeps_until_s(self, episode: Episode) -> float:
        """Until when a level that goes through zero does so in `episode`: longer where it is slow to settle."""
        slow_s = episode.change.duration_hops * self._hop_s + SAME_HAPPENING_S if episode.change is not None else 0.0
        return episode.onset_s + max(LATE_S, slow_s)

    def told_in(self, key: int) -> Episode | None:
        """The episode of the happening with this key; None where it is long past."""
        return self._told.get(key)

    def forget(self, key: int) -> None:
        """A flag was taken back: it is no longer part of its episode, and an episode of nothing else never was."""
        for episode in list(self.open):
            if key not in episode.keys:
                continue
            episode.keys.remove(key)
            if not episode.keys and episode.displaced:
                self.open.remove(episode)
                self.open += [e for e in episode.displaced if e.next_check < len(e.checkpoints_s)]

    def check_again(self, episode: Episode, track: Track, hop: int) -> None:
        """Examine now, out of turn."""
        episode.next_check = max(0, episode.next_check - 1)
        self.check(episode, track, hop)

    def check(self, episode: Episode, track: Track, hop: int, last: bool = False) -> None:
        """Examine an episode with everything up to the end of `hop`, and write what it says."""
        episode.closing = last
        episode.examine(track, self._samples, hop, self._hop_s, self._time(-1), self._zero_u95_pa)
        if not last:
            episode.next_check += 1
            last = episode.next_check >= len(episode.checkpoints_s)
        if last and episode in self.open:
            self.open.remove(episode)
        self._rig_fault(episode, hop, last)
        episode.end_s = max(episode.end_s, episode.settled_s(self._hop_s, self._time(hop)))
        if last:
            self._verify(episode, hop, float(track.long_wander_pa[min(hop - track.first, len(track) - 1)]))
        for key in episode.keys:
            self._told[key] = episode
            settled = last and not self.waiting(key)
            self._ledger.revise(key, episode.described(self._ledger[key], settled))
        for key, crossing in episode.late_keys.items():
            if self._ledger[key].withdrawn_s is None:
                self._ledger.revise(key, episode.described(self._ledger[key], last, crossing))
        if last:
            self._judge_loss_again(episode)

    def _judge_loss_again(self, back: Episode) -> None:
        """How a vacuum came back, and what did it, tells what had taken it."""
        gone = back.lost
        if (
            gone is None
            or back.upward
            or back.cause[0] == "unknown"
            or gone.cause[0] not in PARTNER
            or gone in self.open
        ):
            return
        gone.causes = as_mended(gone.causes, back.causes)
        cause, p = gone.cause
        for key in [*gone.keys, *gone.late_keys]:
            told = self._ledger[key]
            if told.withdrawn_s is None and told.kind != "rig_fault":
                self._ledger.revise(key, replace(told, cause=cause, p_cause=round(p, 4)))

    def _verify(self, episode: Episode, hop: int, wander_pa: float) -> None:
        """Take back what the settled sizes do not bear out."""
        before, after = episode.before_pa, episode.after_pa
        cause, p = episode.cause
        for key in [*episode.keys, *episode.late_keys]:
            told = self._ledger[key]
            if told.withdrawn_s is not None:
                continue
            no_loss = told.kind == "sudden_loss" and before < 0 and after < NOT_LOST * before
            # Where nothing turns, or the gauge hangs in the room, what is read beyond zero is the zero's error.
            at_rest = told.kind == "sign_reversal" and cause in ("engine_stop", "tap_off") and p > SURE
            if (no_loss or at_rest or self._wanders(told, episode, wander_pa)) and not self.waiting(key):
                self._ledger.withdraw(key, self._time(hop))
                if key in episode.keys:
                    episode.keys.remove(key)

    def _wanders(self, told: Happening, episode: Episode, wander_pa: float) -> bool:
        """Whether a sensor that wanders made it: by how much it does is asked again when more of it has been heard."""
        if told.key not in episode.keys:
            return False
        if told.kind == "sudden_loss":
            return abs(episode.before_pa) < LEAST_WANDERS * wander_pa
        return told.kind == "sign_reversal" and abs(episode.after_pa) < SIGN_WANDERS * wander_pa

    def _rig_fault(self, episode: Episode, hop: int, last: bool) -> None:
        """Raise, revise or withdraw the rig fault that goes with this episode's cause."""
        cause, p = episode.cause
        needed = SURE_OF_DROP if episode.opened_by == "drop" and not _surely_gone(episode) else SURE
        if episode.rig_key is not None:
            # Wavering while more is seen is no reason to strike it through; ending unsure is.
            back = last and episode.opened_by == "drop" and _pulses_left(episode) > BACK_RATIO
            if back or cause not in RIG_CAUSES or p < (0.9 * needed if last else 0.5 * SURE):
                episode.keys.remove(episode.rig_key)
                self._ledger.withdraw(episode.rig_key, self._time(hop))
                episode.rig_key = None
            return
        seen = episode.still or episode.railed or (episode.evidence is not None and episode.evidence.after_s > 0.15)
        # Nor does a hose that comes off bring a vacuum back.
        no_hose = episode.opened_by == "recovery" and cause == "tap_off"
        mended = not episode.upward and (episode.lost_cause in RIG_CAUSES or no_hose)
        if episode.opened_by == "drop" or cause == "line_blocked":
            seen = seen and _pulses_left(episode) < GONE_RATIO and not _ran_down(episode)
        if episode.opened_by == "drop" and not episode.still and not episode.railed and episode.evidence is not None:
            seen = seen and episode.evidence.line_snr > SEEN_TO_GO
        if seen and cause in RIG_CAUSES and p > needed and not mended:
            raised = self._time(hop)
            onset = episode.onset_s if np.isfinite(episode.onset_s) else raised
            episode.rig_key = self._ledger.add(Happening("rig_fault", onset, raised, None, None, cause, p))
            episode.keys.append(episode.rig_key)


def _surely_gone(episode: Episode) -> bool:
    """Whether next to nothing is left of pulses that stood far above the noise, or the code itself stands still."""
    seen = episode.evidence
    clear = seen is not None and seen.line_snr > CLEARLY and seen.pulse_ratio is not None
    return episode.still or (clear and _pulses_left(episode) < NEXT_TO_NOTHING)


def _ran_down(episode: Episode) -> bool:
    """Whether the engine slowed before its pulses ended, which no line that shuts makes it do."""
    seen = episode.evidence
    return seen is not None and seen.glide_octaves is not None and seen.glide_octaves < RAN_DOWN


def _pulses_left(episode: Episode) -> float:
    """Size of the pulses after over before; 1 where it cannot be told, 0 where the code stands still or on a rail."""
    if episode.still or episode.railed:
        return 0.0
    seen = episode.evidence
    if seen is None or seen.pulse_ratio is None or not seen.evenly:
        return 1.0
    if seen.cut_off > CUT_OFF:
        return 1.0
    # Pulses that a code or two show may hide in one when the level drifts to its middle.
    hide = seen.pulses_in_codes < HIDE_CODES and seen.codes_of_noise < DITHERED
    return 1.0 if hide else seen.pulse_ratio
