"""The causal detector: one class for live, replay and batch, sample for sample.

Samples become hops (hops.py), hops become tracks of level and pulses (tracks.py), masks over the tracks say where
something may be happening (triggers.py); only there does the state machine run (watcher.py). Around each happening the
onset is fitted (onset.py), evidence measured on the samples (evidence.py) and the cause judged (cause.py), again at a
few checkpoints while more of the aftermath is seen (episode.py, episode_book.py).
"""

from __future__ import annotations

import numpy as np

from sumpglass.analysis.happenings.history import HopHistory, SampleHistory
from sumpglass.analysis.happenings.hops import RATE_SAMPLES, HopGatherer, Hops
from sumpglass.analysis.happenings.ledger import Ledger
from sumpglass.analysis.happenings.live_reading import LivePulses
from sumpglass.analysis.happenings.settings import DetectorSettings, LiveState
from sumpglass.analysis.happenings.tracks import Tracker
from sumpglass.analysis.happenings.triggers import SIGN_FLOOR_PA, Watch
from sumpglass.analysis.happenings.watcher import HopWatcher
from sumpglass.records import FloatArray, Happening

GAP_S = 0.4
"""A silence of more than this is a fault of the sensor; a cable or radio that stumbles is silent for less."""
LONG_GAP_S = 2.0
"""After a silence of more than this, everything is learnt anew."""
PIECE = 262144
GAP_STRIDE = 32


class HappeningDetector:
    """Flags happenings while samples come in; sees only the past; memory does not grow with time."""

    def __init__(self, settings: DetectorSettings) -> None:
        self.settings = settings
        self._gatherer: HopGatherer | None = None
        self._learning: list[tuple[FloatArray, FloatArray]] = []
        self._samples = SampleHistory()
        self._ledger = Ledger()
        self._last_t: float | None = None
        self._latest_t: float | None = None
        if settings.rate_hz is not None:
            self._begin(settings.rate_hz)

    def feed(self, t_s: FloatArray, pressure_pa: FloatArray) -> list[Happening]:
        """Take samples (n,), any n; NaN is a faulty sample. Returns what is new, revised or withdrawn."""
        for at in range(0, len(t_s), PIECE):
            self._feed_piece(t_s[at : at + PIECE], pressure_pa[at : at + PIECE])
        self._tell_silence()
        return self._ledger.changes()

    def _feed_piece(self, t_s: FloatArray, pressure_pa: FloatArray) -> None:
        t: FloatArray = np.asarray(t_s, dtype=np.float64)
        p: FloatArray = np.subtract(pressure_pa, self.settings.zero_pa, dtype=np.float64)
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
        self._end_all()
        return self._ledger.all()

    def _learn_rate(self) -> tuple[FloatArray, FloatArray]:
        t = np.concatenate([piece[0] for piece in self._learning])
        p = np.concatenate([piece[1] for piece in self._learning])
        self._learning = []
        self._begin(1.0 / float(np.median(np.diff(t))))
        return t, p

    def _begin(self, rate_hz: float) -> None:
        self._gap_s = max(GAP_S, 6.0 / rate_hz)
        self._gatherer = gatherer = HopGatherer(rate_hz)
        self._hop_s = gatherer.hop_s
        self._tracker = Tracker(self._hop_s, self._hop_s * rate_hz)
        self._history = HopHistory(self._hop_s)
        self._live = LivePulses(rate_hz, self.settings.cylinders)
        watch = self._watch_of_rig(self._hop_s * rate_hz)
        self._watcher = HopWatcher(
            watch, self._ledger, self._samples, self._hop_s, gatherer.end_of, self.settings.zero_u95_pa
        )

    def _watch_of_rig(self, samples_per_hop: float) -> Watch:
        s = self.settings
        code = s.resolution_pa or 0.0
        margin = 0.75 * code
        if s.range_high_pa is not None and s.range_low_pa is not None:
            margin = max(margin, 0.001 * (s.range_high_pa - s.range_low_pa))
        return Watch(
            s.zero_u95_pa,
            None if s.range_low_pa is None else s.range_low_pa - s.zero_pa,
            None if s.range_high_pa is None else s.range_high_pa - s.zero_pa,
            margin,
            samples_per_hop=samples_per_hop,
            code_pa=code,
        )

    def _take(self, t: FloatArray, p: FloatArray) -> None:
        if not len(t):
            return
        lead = self._last_t if self._last_t is not None else float(t[0])
        begin = 0
        # Times increase: where some samples on end take no longer than a gap, there is none between them.
        some = np.append(t[::GAP_STRIDE], t[-1])
        if some[0] - lead > self._gap_s or float(np.diff(some).max()) > self._gap_s:
            for gap in np.flatnonzero(np.diff(t, prepend=lead) > self._gap_s):
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
        self._watcher.silence_told = False
        hops = self._gatherer.push(t, p)
        if hops is not None:
            self._advance(hops)

    def _advance(self, hops: Hops) -> None:
        track = self._history.append(self._tracker.extend(hops))
        self._watcher.advance(track, hops.first)

    def _tell_silence(self) -> None:
        """Faulty samples only, for too long: say so without waiting for a good one."""
        if self._last_t is None or self._latest_t is None or self._gatherer is None or self._watcher.silence_told:
            return
        if self._latest_t - self._last_t > self._gap_s:
            self._raise_silence(self._last_t)

    def _raise_silence(self, last_s: float) -> None:
        self._watcher.silence_told = True
        self._ledger.add(
            Happening(
                "rig_fault", last_s, last_s + self._gap_s, self._level_now(), None, "sensor_fault", 0.97, settled=True
            )
        )

    def _gap(self, until_s: float) -> None:
        """No valid sample from the last one to `until_s`."""
        assert self._gatherer is not None and self._last_t is not None
        if not self._watcher.silence_told:
            self._raise_silence(self._last_t)
        self._watcher.silent_until_s = until_s
        if until_s - self._last_t <= LONG_GAP_S:
            return
        self._end_all()
        self._history.clear()
        self._samples.clear()
        number = int(np.ceil((until_s - self._gatherer.start_s) / self._hop_s))
        self._gatherer.restart(until_s, number)
        self._tracker.reset(number)
        self._watcher.restart(number)

    def _end_all(self) -> None:
        """Close the open hop and judge everything with what there is."""
        assert self._gatherer is not None
        hops = self._gatherer.push(np.empty(0), np.empty(0), close=True)
        if hops is not None:
            self._advance(hops)
        if self._history.track is not None:
            self._watcher.end(self._history.track)

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
            t_s=self._last_t, level_pa=level, level_u95_pa=u95, state=word, clipped=self._watcher.watch.railed,
            engine=engine,
            firing_hz=pulses.firing_hz, rpm=pulses.rpm, rpm_u95=pulses.rpm_u95,
            pulse_rms_pa=float(np.sqrt(energy)) if np.isfinite(energy) else None, half_order_pa=pulses.half_order_pa,
            half_order_ratio=pulses.half_order_ratio, uneven=pulses.uneven,
        )  # fmt: skip
