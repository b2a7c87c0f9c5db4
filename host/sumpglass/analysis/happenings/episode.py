"""One physical happening while it is being judged: what was flagged, what the samples say, how sure the cause is."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from sumpglass.analysis.happenings.cause import PARTNER, by_ways, judge
from sumpglass.analysis.happenings.evidence import NOTHING_SEEN, Evidence, measure, on_grid
from sumpglass.analysis.happenings.history import SampleHistory
from sumpglass.analysis.happenings.onset import Change, fit_change
from sumpglass.analysis.happenings.pulse_end import lines_only, pulse_end
from sumpglass.analysis.happenings.refill import Way, favours_opening, way
from sumpglass.analysis.happenings.tracks import Track
from sumpglass.records import FloatArray, Happening

CHECKPOINTS_S = (0.0, 0.2, 0.5, 1.0, 1.8, 3.0, 5.0)
"""Seconds after the first flag at which cause, onset and sizes are judged again."""
LATE_CHECKPOINT_S, SHORT_AFTER_S = 8.0, 1.2
"""A level that goes slowly has shown so little of where it settles at the last of these that it gets one more."""
DROP_CHECKPOINTS_S = (0.0, 0.2, 0.5, 0.8, 1.1, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
"""The same where pulses wane: a line that is narrowed little by little is told when it is shut."""
FITTED_CHECKS = (0, 1, 3, 5, 6, 7)
"""The onset is fitted again at these; between them the fit before stands."""
RIG_CAUSES = ("tap_off", "line_blocked", "sensor_fault", "out_of_range")
OF_CODES = ("sensor_fault", "out_of_range")
"""Faults that begin when a code begins to stand still."""
MENDED = ("closing", "suction_back")
LOOK_BACK_S = 4.0
FIT_STRAYS_S = 0.4
LEAST_BEFORE_S = 1.2
"""Pulses must have been heard for so long before their end means anything."""
MOST_CREEP = 0.6
"""A line that is shut keeps what it holds, or lets it creep; more than this part is no creep."""
CLEAR_LEVEL, WAY_BACK_S = 2.0, 1.5
"""A level of so many uncertainties is one; its way is looked at from so long before the onset."""
SURE = 0.5
SURE_OF_DROP = 0.85
"""Pulses that wane with nothing else happening are mostly just that: a rig fault then needs more."""


@dataclass
class Episode:
    """Happenings that share one cause. `raised_hop`: of the first flag."""

    upward: bool
    raised_hop: int
    window_hops: int
    opened_by: str
    level_hop: int | None = None
    """Of the first flag that the level raised, where pulses that waned, or a code that stood still, came first."""
    lost_cause: str | None = None
    lost_causes: dict[str, float] | None = None
    """Probability of each cause of the loss that this happening takes back."""
    way: Way | None = None
    """How the level went, where it is a vacuum."""
    lost: Episode | None = None
    """The happening that this one takes back, if it is remembered."""
    earliest_s: float = -np.inf
    """End of the happening before: samples from before it are of another state."""
    end_s: float = -np.inf
    """From when on the signal shows the state after this happening, as far as is known."""
    keys: list[int] = field(default_factory=list)
    rig_key: int | None = None
    late_keys: dict[int, float] = field(default_factory=dict)
    """Reversals that became sure late, with the time of their crossing."""
    crossings: dict[int, float] = field(default_factory=dict)
    """When the calm level last crossed zero before each reversal was flagged, in seconds."""
    next_check: int = 0
    displaced: list[Episode] = field(default_factory=list)
    """Episodes that were closed when this one began: if it comes to nothing they go on."""
    closing: bool = False
    """The last examination: no more will be seen."""
    change: Change | None = None
    onset_s: float = np.nan
    crossing_s: float | None = None
    before_pa: float = np.nan
    after_pa: float = np.nan
    causes: dict[str, float] = field(default_factory=lambda: {"unknown": 1.0})
    evidence: Evidence | None = None
    still: bool = False
    railed: bool = False
    silent: bool = False
    edge_samples: float = 0.0
    fault_s: float | None = None
    """When a code began to stand still, or a rail was reached: the onset of the rig fault."""
    pulse_rms_pa: float = 0.0
    """Before the onset."""
    ended_s: float | None = None
    """When the pulses had ended, for an episode that was opened by their end."""

    @property
    def checkpoints_s(self) -> tuple[float, ...]:
        """Seconds after the first flag at which this episode is judged."""
        if self.opened_by == "drop":
            return DROP_CHECKPOINTS_S
        short = self.evidence is not None and self.evidence.after_s < SHORT_AFTER_S
        return (*CHECKPOINTS_S, LATE_CHECKPOINT_S) if short else CHECKPOINTS_S

    @property
    def was_one(self) -> bool:
        """Whether it left another state behind: pulses that only waned and flags that were taken back did not, and the
        next happening's "before" may reach behind them."""
        return bool(self.keys) or self.opened_by in ("still", "rail", "fade")

    @property
    def cause(self) -> tuple[str, float]:
        """Likeliest cause and its probability."""
        name = max(self.causes, key=lambda cause: self.causes[cause])
        return name, self.causes[name]

    def examine(
        self, track: Track, samples: SampleHistory, hop: int, hop_s: float, start_s: float, zero_u95_pa: float
    ) -> None:
        """Fit the onset and judge the cause from everything up to the end of hop number `hop`."""
        now = start_s + (hop + 1) * hop_s
        ended = self.opened_by == "drop" and self._fit_end(samples, now, start_s + (self.raised_hop + 1) * hop_s)
        if not ended and (self.change is None or self.next_check in FITTED_CHECKS or self.closing):
            self._fit(track, hop, hop_s, start_s)
        t, p = samples.between(max(self.earliest_s, on_grid(self.onset_s - LOOK_BACK_S)), now)
        if len(t) < 24:
            return
        if self.ended_s is not None and self.change is None:
            t, p = samples.between(max(self.earliest_s, on_grid(self.ended_s - LOOK_BACK_S)), now)
            found = measure(t, p, self.ended_s, 0.02, np.nan, self.window_hops * hop_s, zero_u95_pa)
            if found is not None:
                self._take(replace(found, death_s=0.0))
            return
        duration, rise = (
            (self.change.duration_hops * hop_s, self.change.tau_hops * hop_s) if self.change else (0.02, 0.0)
        )
        at = min(hop - track.first, len(track) - 1)
        slow_sigma = (
            track.slow_sigma_pa[max(0, self.raised_hop - track.first)]
            if self.raised_hop >= track.first
            else track.slow_sigma_pa[at]
        )
        level_u = float(np.hypot(zero_u95_pa / 2, slow_sigma if np.isfinite(slow_sigma) else zero_u95_pa))
        if self.opened_by == "drop" and not self.keys and not self.still and not self.railed:
            return  # Neither did the pulses end nor was anything flagged.
        found = measure(t, p, self.onset_s, duration, rise, self.window_hops * hop_s, level_u)
        if found is None:
            self._make_do()
            return
        if self.closing or self.next_check + 1 >= len(self.checkpoints_s):
            # Once, when as much of it is seen as will be.
            self.way = self._way(track, hop, hop_s, start_s, found)
        self._take(found)

    def _way(self, track: Track, hop: int, hop_s: float, start_s: float, found: Evidence) -> Way | None:
        """The level on its way, for a vacuum that went or came back."""
        moved_pa, clear_pa = abs(found.after_pa - found.before_pa), CLEAR_LEVEL * found.level_u_pa
        if self.change is None or moved_pa <= clear_pa or min(found.before_pa, found.after_pa) > -clear_pa:
            return None
        onset = (self.onset_s - start_s) / hop_s
        first = max(track.first, int(onset) - round(WAY_BACK_S / hop_s) - self.window_hops)
        mean = self._means(track, first, hop)
        energy = track.energy_pa2[first - track.first : max(first, int(onset)) + 1 - track.first]
        self.pulse_rms_pa = math.sqrt(float(np.nanmedian(energy))) if np.isfinite(energy).any() else 0.0
        return way(mean, hop_s, onset - first, self.window_hops, found.before_pa, found.after_pa)

    def _take(self, found: Evidence) -> None:
        self.before_pa, self.after_pa = found.before_pa, found.after_pa
        self.evidence = replace(
            found, still=self.still, railed=self.railed, silent=self.silent, edge_samples=self.edge_samples
        )
        self.causes = judge(self.evidence, self.upward, self.lost_cause, self.lost_causes)
        if not self.upward and self.cause[0] in MENDED:
            self.causes = by_ways(self.causes, self.favour())

    def favour(self) -> float | None:
        """How much better an opening explains the way of the loss and this way back than suction that was partly lost;
        None where that cannot be told."""
        gone = self.lost
        if gone is None or gone.way is None or self.way is None or gone.evidence is None:
            return None
        seen = gone.evidence
        if seen.after_pa > -CLEAR_LEVEL * seen.level_u_pa:
            return None
        swing = math.sqrt(2.0) * gone.pulse_rms_pa / abs(seen.before_pa)
        return favours_opening(gone.way, self.way, seen.after_pa / seen.before_pa, swing)

    def _make_do(self) -> None:
        """Too little signal for evidence: the sizes of the fit, and for a recovery what usually ends such a loss."""
        if self.change is not None and not np.isfinite(self.before_pa):
            self.before_pa, self.after_pa = self.change.before_pa, self.change.after_pa
        if self.still or self.railed or self.silent:
            self.causes = judge(replace(NOTHING_SEEN, still=self.still, railed=self.railed, silent=self.silent,
                                        edge_samples=self.edge_samples), self.upward, self.lost_cause)  # fmt: skip
        elif self.evidence is None and self.lost_cause in PARTNER and not self.upward:
            self.causes = {PARTNER[self.lost_cause]: 0.8, "unknown": 0.2}

    def settled_s(self, hop_s: float, now_s: float) -> float:
        """From when on the signal shows the state after this happening, as far as can be told."""
        if self.change is None or not np.isfinite(self.onset_s):
            return min(self.onset_s + 0.2, now_s) if np.isfinite(self.onset_s) else now_s
        return min(self.onset_s + self.change.duration_hops * hop_s + 0.05, now_s)

    def _fit_end(self, samples: SampleHistory, now: float, raised_s: float) -> bool:
        """Onset from the end of the pulses, where they ended and the level hardly moved; False where it did not."""
        t, p = samples.between(max(self.earliest_s, raised_s - LOOK_BACK_S), now)
        edge, late = int(np.searchsorted(t, raised_s - 0.6)), int(np.searchsorted(t, raised_s))
        if edge < 24 or len(t) - late < 3 or t[edge] - t[0] < LEAST_BEFORE_S:
            return self.ended_s is not None
        before, after = float(p[:edge].mean()), float(p[late:].mean())
        if abs(after - before) > MOST_CREEP * abs(before):
            return False
        end = pulse_end(t, p, edge)
        if end is None:
            end = pulse_end(t, lines_only(p, (len(t) - 1) / float(t[-1] - t[0]), edge), edge)
        if end is None:
            return self.ended_s is not None
        if self.ended_s is None or end[1] < self.ended_s:
            self.change, self.crossing_s, self.ended_s = None, None, end[1]
            self.onset_s = end[0]
        return True

    def _fit(self, track: Track, hop: int, hop_s: float, start_s: float) -> None:
        """Onset from the hop means between the happening before and now."""
        back = round(LOOK_BACK_S / hop_s)
        floor = int(np.ceil((self.earliest_s - start_s) / hop_s)) if np.isfinite(self.earliest_s) else track.first
        flagged = self.raised_hop if self.level_hop is None else self.level_hop
        first = max(track.first, flagged - back, floor)
        mean = self._means(track, first, hop)
        raised = flagged - first
        change = fit_change(
            mean, hop_s, self.window_hops, max(4, raised - round(2.6 / hop_s)), raised + round(0.05 / hop_s)
        )
        if change is None:
            self.onset_s = start_s + flagged * hop_s
            return
        self.change = change
        self.onset_s = start_s + (first + change.tenth) * hop_s
        self.crossing_s = None if change.zero_crossing is None else start_s + (first + change.zero_crossing) * hop_s

    def _means(self, track: Track, first: int, hop: int) -> FloatArray:
        return track.mean_pa[first - track.first : hop + 1 - track.first]

    def _crossing(self, key: int, otherwise_s: float) -> float:
        """When the level crossed zero: by the fit, where it bears out what the calm level showed."""
        seen = self.crossings.get(key)
        if self.crossing_s is None or (seen is not None and abs(self.crossing_s - seen) > FIT_STRAYS_S):
            return otherwise_s if seen is None else seen
        return self.crossing_s

    def described(self, happening: Happening, settled: bool, crossing_s: float | None = None) -> Happening:
        """`happening` with this episode's onset (or `crossing_s`), sizes and cause."""
        cause, p = self.cause
        onset = self.onset_s if crossing_s is None else crossing_s
        if happening.kind == "rig_fault" and self.fault_s is not None and cause in OF_CODES:
            onset = self.fault_s
        if crossing_s is None and happening.kind == "sign_reversal":
            onset = self._crossing(happening.key, onset)
        if happening.kind == "rig_fault" and cause not in RIG_CAUSES:
            cause, p = happening.cause, self.causes.get(happening.cause, 0.0)
        onset = min(onset, happening.t_raised_s) if np.isfinite(onset) else happening.t_s
        before = self.before_pa if np.isfinite(self.before_pa) else happening.before_pa
        after = self.after_pa if np.isfinite(self.after_pa) else happening.after_pa
        return replace(
            happening, t_s=onset, before_pa=before, after_pa=after, cause=cause, p_cause=round(p, 4), settled=settled
        )
