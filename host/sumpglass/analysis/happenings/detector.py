"""The causal detector: one class for live, replay and batch, sample for sample.

Samples become hops (hops.py), hops become tracks of level and pulses (tracks.py), masks over the tracks say where
something may be happening (triggers.py); only there does the state machine below run, hop by hop. Around each happening
the onset is fitted (onset.py), evidence measured on the samples (evidence.py) and the cause judged (cause.py), again at
a few checkpoints while more of the aftermath is seen.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sumpglass.analysis.happenings.episode import CHECKPOINTS_S, RIG_CAUSES, SURE, SURE_OF_DROP, Episode
from sumpglass.analysis.happenings.history import HopHistory, SampleHistory
from sumpglass.analysis.happenings.hops import RATE_SAMPLES, HopGatherer, Hops
from sumpglass.analysis.happenings.live_reading import LivePulses
from sumpglass.analysis.happenings.settings import DetectorSettings, LiveState
from sumpglass.analysis.happenings.tracks import CALM, LENGTHS_S, Track, Tracker
from sumpglass.analysis.happenings.triggers import Watch, interesting
from sumpglass.records import FloatArray, Happening

HOLD_S = {"sudden_loss": 0.5, "recovery": 0.3, "sign_reversal": 1.0}
SAME_HAPPENING_S = 1.5
"""Flags raised within this time of each other, in the same direction, are one physical happening."""
LATE_S = 4.0
"""A level may creep through zero for so long after its happening began."""
RAIL_HOLDS_S = 0.4
YOUNG_S = 0.25
"""A flag is not taken back before the calm level, which lags, can have followed."""
CROSS_S = 4.0
"""A flag that was raised on the trend must have passed its limit within this time."""
GAP_S = 0.4
LONG_GAP_S = 2.0
PIECE = 65536
SIGN_FLOOR_PA = 8.0
"""No sign is told from a level nearer to zero than this: cheap sensors wander by as much (common practice, no source)."""


@dataclass
class _Pending:
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


class HappeningDetector:
    """Flags happenings while samples come in; sees only the past; memory does not grow with time."""

    def __init__(self, settings: DetectorSettings) -> None:
        self.settings = settings
        self._gatherer: HopGatherer | None = None
        self._learning: list[tuple[FloatArray, FloatArray]] = []
        self._samples = SampleHistory()
        self._last_t: float | None = None
        self._latest_t: float | None = None
        self._silence_told = False
        self._happenings: dict[int, Happening] = {}
        self._changed: dict[int, Happening] = {}
        self._next_key = 1
        self._pending: list[_Pending] = []
        self._episodes: list[Episode] = []
        self._lost: list[tuple[float, str, int]] = []
        self._earliest_s = -np.inf
        self._recent: list[Episode] = []
        if settings.rate_hz is not None:
            self._begin(settings.rate_hz)

    # ---- samples in ----

    def feed(self, t_s: FloatArray, pressure_pa: FloatArray) -> list[Happening]:
        """Take samples (n,), any n; NaN is a faulty sample. Returns the happenings that are new, revised or withdrawn."""
        for at in range(0, len(t_s), PIECE):
            self._feed_piece(t_s[at : at + PIECE], pressure_pa[at : at + PIECE])
        self._tell_silence()
        return self._collect()

    def _feed_piece(self, t_s: FloatArray, pressure_pa: FloatArray) -> None:
        t, p = np.asarray(t_s, dtype=np.float64), np.asarray(pressure_pa, dtype=np.float64) - self.settings.zero_pa
        self._latest_t = float(t[-1])
        valid = np.isfinite(p)
        if not valid.all():
            t, p = t[valid], p[valid]
        if self._gatherer is None:
            self._learning.append((t, p))
            if sum(len(piece[0]) for piece in self._learning) < RATE_SAMPLES:
                return
            t, p = self._learn_rate()
        self._take(t, p)

    def finish(self) -> list[Happening]:
        """No more samples will come: all happenings so far, withdrawn ones too."""
        if self._gatherer is None:
            if sum(len(piece[0]) for piece in self._learning) < 2:
                return []
            self._take(*self._learn_rate())
        assert self._gatherer is not None
        hops = self._gatherer.push(np.empty(0), np.empty(0), close=True)
        if hops is not None:
            self._advance(hops)
        self._end_all()
        return sorted(self._happenings.values(), key=lambda h: (h.t_s, h.key))

    def _learn_rate(self) -> tuple[FloatArray, FloatArray]:
        t = np.concatenate([piece[0] for piece in self._learning])
        p = np.concatenate([piece[1] for piece in self._learning])
        self._learning = []
        self._begin(1.0 / float(np.median(np.diff(t))))
        return t, p

    def _begin(self, rate_hz: float) -> None:
        self._rate_hz = rate_hz
        self._gap_s = max(GAP_S, 6.0 / rate_hz)
        self._gatherer = HopGatherer(rate_hz)
        self._hop_s = self._gatherer.hop_s
        self._tracker = Tracker(self._hop_s, self._hop_s * rate_hz)
        self._history = HopHistory(self._hop_s)
        s = self.settings
        self._live = LivePulses(rate_hz, s.cylinders)
        margin = 0.75 * (s.resolution_pa or 0.0)
        if s.range_high_pa is not None and s.range_low_pa is not None:
            margin = max(margin, 0.002 * (s.range_high_pa - s.range_low_pa) / 2)
        self._watch = Watch(
            max(s.zero_u95_pa, 3.0 * (s.resolution_pa or 0.0)),
            max(s.zero_u95_pa, SIGN_FLOOR_PA, 3.0 * (s.resolution_pa or 0.0)),
            None if s.range_low_pa is None else s.range_low_pa - s.zero_pa,
            None if s.range_high_pa is None else s.range_high_pa - s.zero_pa, margin,
            samples_per_hop=self._hop_s * rate_hz,
        )  # fmt: skip

    def _take(self, t: FloatArray, p: FloatArray) -> None:
        if not len(t):
            return
        lead = self._last_t if self._last_t is not None else float(t[0])
        steps = np.diff(t, prepend=lead)
        begin = 0
        for gap in np.flatnonzero(steps > self._gap_s):
            self._push(t[begin:gap], p[begin:gap])
            self._gap(float(t[gap]))
            begin = int(gap)
        self._push(t[begin:], p[begin:])

    def _push(self, t: FloatArray, p: FloatArray) -> None:
        if not len(t):
            return
        assert self._gatherer is not None
        self._samples.append(t, p)
        self._last_t = float(t[-1])
        self._silence_told = False
        hops = self._gatherer.push(t, p)
        if hops is not None:
            self._advance(hops)

    def _tell_silence(self) -> None:
        """Faulty samples only, for too long: say so without waiting for a good one."""
        if self._last_t is None or self._latest_t is None or self._silence_told or self._gatherer is None:
            return
        if self._latest_t - self._last_t > self._gap_s:
            self._raise_silence()

    def _raise_silence(self) -> None:
        assert self._last_t is not None
        self._silence_told = True
        level = self._level_now()
        happening = Happening("rig_fault", self._last_t, self._last_t + self._gap_s, level, None, "sensor_fault", 0.97, settled=True)
        self._add(happening)

    def _gap(self, until_s: float) -> None:
        """No valid sample from the last one to `until_s`."""
        assert self._gatherer is not None and self._last_t is not None
        if not self._silence_told:
            self._raise_silence()
        if until_s - self._last_t <= LONG_GAP_S:
            return
        hops = self._gatherer.push(np.empty(0), np.empty(0), close=True)
        if hops is not None:
            self._advance(hops)
        self._end_all()
        self._history.clear()
        self._samples.clear()
        number = int(np.ceil((until_s - self._gatherer.start_s) / self._hop_s))
        self._gatherer.restart(until_s, number)
        self._tracker.reset(number)
        watch = self._watch
        watch.still = watch.railed = False
        watch.fresh_from = watch.drop_from = watch.recovery_from = number

    # ---- hops ----

    def _time(self, hop: int) -> float:
        assert self._gatherer is not None
        return self._gatherer.end_of(hop)

    def _advance(self, hops: Hops) -> None:
        new = self._tracker.extend(hops)
        track = self._history.append(new)
        cursor, end = new.first, new.first + len(new)
        masks, places = self._masks(track, cursor)
        while cursor < end:
            hop = self._next(places, cursor, end)
            if hop >= end:
                break
            before = self._fingerprint()
            self._step(track, masks, hop)
            cursor = hop + 1
            if self._fingerprint() != before:
                masks, places = self._masks(track, cursor)

    def _masks(self, track: Track, cursor: int) -> tuple[dict[str, np.ndarray], np.ndarray]:
        masks = interesting(track, self._hop_s, self._watch)
        anything = np.zeros(len(track), bool)
        for name, mask in masks.items():
            if name != "reference":
                anything |= mask
        return masks, np.flatnonzero(anything) + track.first

    def _fingerprint(self) -> tuple[object, ...]:
        w = self._watch
        return (w.fresh_from, w.lost_pa, w.recovery_from, w.sign, w.still, w.railed, w.drop_from, w.lacking)

    def _next(self, places: np.ndarray, cursor: int, end: int) -> int:
        if self._pending:
            return cursor
        at = int(np.searchsorted(places, cursor))
        hop = int(places[at]) if at < len(places) else end
        for episode in self._episodes:
            hop = min(hop, max(cursor, self._check_hop(episode)))
        return hop

    def _check_hop(self, episode: Episode) -> int:
        return episode.raised_hop + round(CHECKPOINTS_S[episode.next_check] / self._hop_s)

    def _step(self, track: Track, masks: dict[str, np.ndarray], hop: int) -> None:
        at = hop - track.first
        done = self._settle_pending(track, hop)
        level = float(track.level_pa[at])
        watch = self._watch
        if masks["still"][at]:
            self._still(track, hop)
        if "rail" in masks and masks["rail"][at]:
            self._rail(track, hop)
        if masks["lacking"][at]:
            self._lacking(track, hop)
        if "sign" in masks and masks["sign"][at]:
            watch.sign = 1 if track.slow_pa[at] > 0 else -1
        # A flag that was just confirmed has moved the yardsticks: the masks of this hop know nothing of it yet.
        if masks["loss"][at] and "sudden_loss" not in done and not self._is_pending("sudden_loss"):
            reference = float(masks["reference"][at])
            self._flag("sudden_loss", track, hop, 0.5 * reference, 1, reference)
        elif masks["fade"][at]:
            self._episode(track, hop, False, "fade")
            watch.fresh_from = hop + round(1.0 / self._hop_s)
        if "recovery" in masks and masks["recovery"][at] and not done and not self._is_pending("recovery") and watch.lost_pa is not None:
            self._flag("recovery", track, hop, 0.5 * watch.lost_pa, -1, watch.lost_pa)
        if "reversal" in masks and masks["reversal"][at] and "sign_reversal" not in done and not self._is_pending("sign_reversal"):
            self._flag("sign_reversal", track, hop, 0.0, 1 if level > 0 else -1, None)
        if masks["drop"][at]:
            self._episode(track, hop, True, "drop")
            watch.drop_from = hop + round(3.0 / self._hop_s)
            watch.drop_least_pa2 = 0.3 * float(track.energy_ref_pa2[at])
        for episode in list(self._episodes):
            if hop >= self._check_hop(episode):
                self._check(episode, track, hop)

    # ---- flags ----

    def _is_pending(self, kind: str) -> bool:
        return any(p.kind == kind for p in self._pending)

    def _add(self, happening: Happening) -> int:
        key = self._next_key
        self._next_key += 1
        self._happenings[key] = self._changed[key] = replace(happening, key=key)
        return key

    def _revise(self, key: int, happening: Happening) -> None:
        if self._happenings[key] != happening:
            self._happenings[key] = self._changed[key] = happening

    def _collect(self) -> list[Happening]:
        changed = list(self._changed.values())
        self._changed = {}
        return changed

    def _flag(self, kind: str, track: Track, hop: int, limit: float, side: int, before: float | None) -> None:
        raised = self._time(hop)
        at = hop - track.first
        level = float(track.regain_pa[at] if kind == "recovery" else track.level_pa[at])
        key = self._add(Happening(kind, raised, raised, before, level, "unknown", 0.0))
        crossed = side * (level - limit) > 0 or kind == "sign_reversal"
        self._pending.append(_Pending(key, kind, hop, hop + round(HOLD_S[kind] / self._hop_s), limit, side, level, crossed))
        crossing = self._crossing(track, hop, side) if kind == "sign_reversal" else None
        known = self._known_at(crossing, side) if crossing is not None else None
        if known is not None:
            # The level had crossed in a happening that is already judged; only now is it sure.
            self._revise(key, known.described(replace(self._happenings[key], t_s=crossing), False, crossing))
            known.late_keys[key] = crossing
            self._watch.sign = side
            return
        episode = self._episode(track, hop, side > 0, kind)
        if kind == "recovery" and self._lost:
            episode.lost_cause = self._lost[-1][1]
        episode.keys.append(key)
        self._revise(key, episode.described(self._happenings[key], False))
        watch = self._watch
        if kind == "sign_reversal":
            watch.sign = side

    def _crossing(self, track: Track, hop: int, side: int) -> float:
        """When the calm level last crossed zero, in seconds, its delay taken off."""
        at = hop - track.first
        beyond = np.flatnonzero(side * track.calm_pa[: at + 1] <= 0)
        back = int(beyond[-1]) if len(beyond) else at
        delay = max(float(track.delay_hops[at]), (round(LENGTHS_S[CALM] / self._hop_s) - 1) / 2)
        return self._time(track.first + back) - delay * self._hop_s

    def _known_at(self, crossing_s: float | None, side: int) -> Episode | None:
        """The episode, open or lately closed, in which the level went this way through zero at that time."""
        if crossing_s is None:
            return None
        for episode in reversed(self._recent):
            begun = episode.onset_s
            if episode.upward == (side > 0) and begun - 0.3 <= crossing_s <= begun + LATE_S:
                return episode
        return None

    def _settle_pending(self, track: Track, hop: int) -> set[str]:
        """Confirm or withdraw what waits; returns the kinds of which one was."""
        done = set()
        at = hop - track.first
        for pending in list(self._pending):
            level, calm = float(track.level_pa[at]), float(track.calm_pa[at])
            young = hop - pending.raised_hop < round(YOUNG_S / self._hop_s)
            if pending.kind == "recovery":
                level = calm = float(track.regain_pa[at])
            if not pending.crossed:
                pending.crossed = pending.side * (level - pending.limit_pa) > 0
                if pending.crossed:
                    pending.due_hop = hop + round(HOLD_S[pending.kind] / self._hop_s)
                    pending.raised_hop = hop
                late = hop - pending.raised_hop > round(CROSS_S / self._hop_s)
                failed = not pending.crossed and (late or (not young and pending.side * (level - pending.raised_pa) <= 0))
            else:
                failed = not young and pending.side * (calm - pending.limit_pa) <= 0
            if failed:
                self._pending.remove(pending)
                self._withdraw(pending, hop)
                done.add(pending.kind)
            elif pending.crossed and hop >= pending.due_hop:
                self._pending.remove(pending)
                self._confirm(pending, hop)
                done.add(pending.kind)
        return done

    def _withdraw(self, pending: _Pending, hop: int) -> None:
        happening = self._happenings[pending.key]
        self._revise(pending.key, replace(happening, withdrawn_s=self._time(hop), settled=True))
        for episode in self._episodes:
            if pending.key in episode.keys:
                episode.keys.remove(pending.key)
        if pending.kind == "sign_reversal":
            self._watch.sign = -pending.side

    def _confirm(self, pending: _Pending, hop: int) -> None:
        watch = self._watch
        if pending.kind == "sudden_loss":
            cause = self._happenings[pending.key].cause
            self._lost.append((2.0 * pending.limit_pa, cause, pending.key))
            del self._lost[:-8]
            watch.fresh_from = pending.raised_hop + round(1.0 / self._hop_s)
            watch.recovery_from = hop
        elif pending.kind == "recovery":
            while self._lost and self._lost[-1][0] >= 2.0 * pending.limit_pa:
                self._lost.pop()
        watch.lost_pa = self._lost[-1][0] if self._lost else None
        if pending.kind == "recovery":
            watch.recovery_from = hop

    # ---- episodes ----

    def _episode(self, track: Track, hop: int, upward: bool, opened_by: str) -> Episode:
        """The open episode that this flag belongs to, or a new one."""
        near = round(SAME_HAPPENING_S / self._hop_s)
        for episode in self._episodes:
            same_way = episode.upward == upward or opened_by in ("drop", "still", "rail") or episode.opened_by in ("drop", "still", "rail")
            if same_way and hop - episode.raised_hop <= near:
                return episode
        for episode in list(self._episodes):
            self._check(episode, track, hop - 1 - round(0.15 / self._hop_s), last=True)
        earliest = self._earliest_s
        at = hop - track.first
        window = max(3, round(2 * float(track.delay_hops[at]) + 1))
        if opened_by == "recovery":
            window = min(window, round(LENGTHS_S[CALM + 1] / self._hop_s))
        new = Episode(upward, hop, window, opened_by, earliest_s=earliest)
        self._episodes.append(new)
        self._recent = [*self._recent[-3:], new]
        self._check(new, track, hop)
        return new

    def _check(self, episode: Episode, track: Track, hop: int, last: bool = False) -> None:
        assert self._gatherer is not None
        episode.closing = last
        episode.examine(track, self._samples, hop, self._hop_s, self._gatherer.end_of(-1), self.settings.zero_u95_pa)
        if not last:
            episode.next_check += 1
            last = episode.next_check >= len(CHECKPOINTS_S)
        if last and episode in self._episodes:
            self._episodes.remove(episode)
        self._earliest_s = max(self._earliest_s, episode.settled_s(self._hop_s, self._time(hop)))
        self._rig_fault(episode, hop)
        for key in episode.keys:
            pending = any(p.key == key for p in self._pending)
            self._revise(key, episode.described(self._happenings[key], last and not pending))
        for key, crossing in episode.late_keys.items():
            if self._happenings[key].withdrawn_s is None:
                self._revise(key, episode.described(self._happenings[key], last, crossing))
        cause = episode.cause[0]
        self._lost = [(level, cause if key in episode.keys else name, key) for level, name, key in self._lost]

    def _rig_fault(self, episode: Episode, hop: int) -> None:
        """Raise, revise or withdraw the rig fault that goes with this episode's cause."""
        cause, p = episode.cause
        if episode.rig_key is None:
            told = episode.evidence is not None and episode.evidence.after_s > 0.15 or episode.still or episode.railed
            if told and cause in RIG_CAUSES and p > (SURE if episode.opened_by != "drop" else SURE_OF_DROP) and not (episode.lost_cause in RIG_CAUSES and not episode.upward):
                raised = self._time(hop)
                onset = episode.onset_s if np.isfinite(episode.onset_s) else raised
                episode.rig_key = self._add(Happening("rig_fault", onset, raised, None, None, cause, p))
                episode.keys.append(episode.rig_key)
        elif cause not in RIG_CAUSES or p < 0.5 * SURE:
            key = episode.rig_key
            episode.keys.remove(key)
            episode.rig_key = None
            self._revise(key, replace(self._happenings[key], withdrawn_s=self._time(hop), settled=True))

    def _still(self, track: Track, hop: int) -> None:
        watch = self._watch
        if watch.still:
            watch.still = False
            return
        watch.still = True
        episode = self._episode(track, hop, True, "still")
        run_s = float(track.still_hops[hop - track.first]) * self._hop_s
        value = float(track.mean_pa[hop - track.first])
        edge = self._edge(value, self._time(hop) - run_s)
        episode.still = True
        if edge is not None:
            episode.railed, episode.still, episode.edge_samples = True, False, edge
        self._check_again(episode, track, hop)

    def _lacking(self, track: Track, hop: int) -> None:
        watch = self._watch
        watch.lacking = not watch.lacking
        if watch.lacking and not self._silence_told:
            width = round(1.0 / self._hop_s)
            at = hop - track.first
            short = track.count[max(0, at - width) : at + 1] < 0.7 * watch.samples_per_hop
            begin = self._time(hop - (len(short) - int(np.argmax(short)))) if short.any() else self._time(hop)
            level = float(track.level_pa[at])
            self._add(Happening("rig_fault", begin, self._time(hop), level, level, "sensor_fault", 0.95, settled=True))

    def _rail(self, track: Track, hop: int) -> None:
        watch = self._watch
        if watch.railed:
            watch.railed = False
            for episode in self._episodes:
                if episode.railed and (hop - episode.raised_hop) * self._hop_s < RAIL_HOLDS_S:
                    # Crests that touched the rail, not a level that stood there.
                    episode.railed = False
                    self._check_again(episode, track, hop)
            return
        watch.railed = True
        episode = self._episode(track, hop, True, "rail")
        edge = self._edge(float(track.mean_pa[hop - track.first]), self._time(hop) - 0.3)
        episode.railed, episode.edge_samples = True, edge if edge is not None else 0.0
        self._check_again(episode, track, hop)

    def _check_again(self, episode: Episode, track: Track, hop: int) -> None:
        episode.next_check = max(0, episode.next_check - 1)
        self._check(episode, track, hop)

    def _edge(self, value: float, near_s: float) -> float | None:
        """How many samples the signal took to reach an extreme `value` about `near_s`; None where it is none."""
        t, p = self._samples.between(near_s - 4.0, near_s + 1.0)
        watch = self._watch
        rails = [rail for rail in (watch.range_low_pa, watch.range_high_pa) if rail is not None]
        if len(p) < 16 or (rails and min(abs(value - rail) for rail in rails) > watch.rail_margin_pa + 1e-6):
            return None
        same = np.abs(p - value) <= max(watch.rail_margin_pa, 1e-9)
        if np.any(np.abs(p[~same]) > abs(value)) or not same.any():
            return None
        arrivals = np.flatnonzero(same[1:] & ~same[:-1]) + 1
        if len(arrivals) > (2 if rails else 8):
            return 100.0
        if not len(arrivals):
            return None
        at = int(arrivals[-1])
        gap = abs(value - p[at - 1])
        lead = p[max(0, at - 20) : at]
        step = float(np.quantile(np.abs(np.diff(lead)), 0.9)) if len(lead) > 1 else 0.0
        return 0.0 if gap > max(4.0 * step, 0.05 * abs(value)) else 100.0

    def _end_all(self) -> None:
        """Judge what is open with what there is; flags that had no time to hold are withdrawn."""
        track = self._history.track
        if track is None:
            return
        hop = track.first + len(track) - 1
        for pending in list(self._pending):
            self._pending.remove(pending)
            self._withdraw(pending, hop)
        for episode in list(self._episodes):
            self._check(episode, track, hop, last=True)

    # ---- now ----

    def _level_now(self) -> float | None:
        track = self._history.track if self._gatherer is not None else None
        return float(track.level_pa[-1]) if track is not None and len(track) else None

    @property
    def state(self) -> LiveState:
        """What is known now, for a screen."""
        level = self._level_now()
        if level is None or self._last_t is None:
            return LiveState(t_s=self._latest_t or 0.0)
        track = self._history.track
        assert track is not None
        sigma = float(track.sigma_pa[-1])
        u95 = float(np.hypot(self.settings.zero_u95_pa, 2 * sigma)) if np.isfinite(sigma) else None
        silent = self._latest_t is not None and self._latest_t - self._last_t > self._gap_s
        word = "undecided"
        if silent:
            word = "no_reading"
        elif u95 is not None and abs(level) > u95:
            word = "vacuum" if level < 0 else "pressure"
        pulses = self._live.read(self._samples, self._last_t)
        engine = "unknown"
        if not silent and pulses.firing_hz is not None:
            engine = "running"
        elif not silent and abs(level) < max(self.settings.zero_u95_pa, SIGN_FLOOR_PA):
            engine = "stopped"
        energy = float(track.energy_pa2[-1])
        return LiveState(
            t_s=self._last_t, level_pa=level, level_u95_pa=u95, state=word, clipped=self._watch.railed, engine=engine,
            firing_hz=pulses.firing_hz, rpm=pulses.rpm, rpm_u95=pulses.rpm_u95,
            pulse_rms_pa=float(np.sqrt(energy)) if np.isfinite(energy) else None, half_order_pa=pulses.half_order_pa,
            half_order_ratio=pulses.half_order_ratio, uneven=pulses.uneven,
        )  # fmt: skip
