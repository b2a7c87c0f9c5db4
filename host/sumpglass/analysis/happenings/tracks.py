"""What the detector watches at every hop, computed for many hops at once from a bounded past.

Level: Hann-weighted means of several lengths. A Hann window has no energy beyond 2/L and falls by 18 dB an octave
(Harris 1978, Proc. IEEE 66, 51-83), so the pulsation goes without knowing its frequency; the shortest length that
quietens the past seconds is chosen, so a slow single waits longer than a fast six. The spread of the chosen mean over
the past seconds is the yardstick for every threshold: noise, wander and what is left of the pulses are all in it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from sumpglass.analysis.happenings.hops import Hops
from sumpglass.records import FloatArray

LENGTHS_S = (0.08, 0.12, 0.18, 0.27, 0.4, 0.6, 1.0)
"""Lengths of the Hann windows among which the level's is chosen."""
CALM = 3
QUIET_SHARE = 0.06
"""A window is short enough when the spread of its mean is below this part of the level."""
MEMORY = 0.97
"""The depth that a lost level had fades by this factor a second."""
BLOCK_S = 1.0
BLOCKS = 4
"""Yardsticks are medians over the last `BLOCKS` whole blocks of `BLOCK_S`: a step spoils one block, not the median."""
QUIETER = 1.15
"""Spreads that must not suffer from a change under way are the second least of the past blocks, times this: the ratio
of the median to the second least of four spreads of noise with a few independent values each."""
LONG_BLOCKS = 10
"""The least energy of the pulses is remembered for so many blocks: bumps of a hand on the hose last a few seconds."""
OLD_BLOCKS = 2 * LONG_BLOCKS
MOVED_WANDER = 4.0
"""A level that wanders by so many times as much as `LONG_BLOCKS` ago is one that was moved."""
SETTLED_S = 0.5
FALL_S = 2.2
"""A sudden loss takes under 2 s; 0.2 s for the window's own delay."""
PULSE_S = 0.3
HISTORY_S = 12.0
SHORT_KERNEL = 10


@dataclass(frozen=True)
class Track:
    """Arrays (hops,) from absolute hop number `first`; pressures in pascals, zero subtracted."""

    first: int
    level_pa: FloatArray
    """Fast level: mean over the chosen window, lagging by `delay_hops`."""
    sigma_pa: FloatArray
    """Spread of `level_pa` while nothing happened; infinite while still learning."""
    delay_hops: FloatArray
    regain_pa: FloatArray
    """Level over the window that suited the deeper level of before: quick to see it come back."""
    regain_sigma_pa: FloatArray
    calm_pa: FloatArray
    """Level over at least `LENGTHS_S[CALM]`: what pulses of a speed that moves cannot shake."""
    calm_sigma_pa: FloatArray
    slow_pa: FloatArray
    """Hann mean over 1 s."""
    slow_sigma_pa: FloatArray
    wander_pa: FloatArray
    """By how much the slow level moves from one block to the next while nothing happens."""
    long_wander_pa: FloatArray
    """The same over twice as long, and for slower wander; that of `LONG_BLOCKS` before where it has grown so much that
    the level was moved: no sensor wanders so."""
    energy_pa2: FloatArray
    """Variance of the samples about their mean over the last `PULSE_S`; NaN without samples."""
    energy_ref_pa2: FloatArray
    """The same, of the past seconds."""
    energy_least_pa2: FloatArray
    """The least of it in the past seconds."""
    still_hops: FloatArray
    """For how many hops on end every sample has been the same."""
    still_share: FloatArray
    """Share of still hops in the past seconds."""
    low_pa: FloatArray
    high_pa: FloatArray
    count: FloatArray
    mean_pa: FloatArray

    def __len__(self) -> int:
        return len(self.level_pa)

    def part(self, begin: int, end: int) -> Track:
        """The hops from absolute number `begin` to `end` (exclusive), as views; less where there are fewer."""
        a, b = max(0, begin - self.first), max(0, end - self.first)
        return Track(self.first + a, **{name: getattr(self, name)[a:b] for name in TRACK_ARRAYS})


TRACK_ARRAYS = tuple(f.name for f in fields(Track) if f.name != "first")


def hann(hops: int) -> FloatArray:
    """Weights (hops,) of a Hann window that sum to 1."""
    weight = np.sin(np.pi * (np.arange(hops) + 0.5) / hops) ** 2
    return weight / weight.sum()


def _sliding_mean(values: FloatArray, window: FloatArray) -> FloatArray:
    """Weighted mean (n - len(window) + 1,) at each place, in parts as short as numpy has quick code for."""
    n = len(values) - len(window) + 1
    total = np.correlate(values[: n + min(SHORT_KERNEL, len(window)) - 1], window[:SHORT_KERNEL], "valid")
    for at in range(SHORT_KERNEL, len(window), SHORT_KERNEL):
        part = window[at : at + SHORT_KERNEL]
        total += np.correlate(values[at : at + n + len(part) - 1], part, "valid")
    return total


def _picked(rows: FloatArray, choice: np.ndarray) -> FloatArray:
    """At each place (n,) the value of the chosen one of `rows` (rows, n); the choice changes seldom."""
    cuts = [0, *(np.flatnonzero(choice[1:] != choice[:-1]) + 1).tolist(), len(choice)]
    return np.concatenate([rows[choice[begin], begin:end] for begin, end in zip(cuts[:-1], cuts[1:])])


class Tracker:
    """Extends the tracks hop by hop or in bulk; the outcome is the same."""

    def __init__(self, hop_s: float, samples_per_hop: float) -> None:
        self.hop_s = hop_s
        self.block = max(4, round(BLOCK_S / hop_s))
        self.windows = [hann(max(3, round(length / hop_s))) for length in LENGTHS_S]
        self.pulse_hops = max(2, round(PULSE_S / hop_s))
        self.samples_per_hop = samples_per_hop
        self.longest = max(len(self.windows[-1]), self.pulse_hops, self.block) + 2
        self.reset(0)

    def reset(self, hop: int) -> None:
        """Forget everything; the next hop is number `hop`, and learning begins anew."""
        self.origin = hop
        self._tail: list[FloatArray] = [np.empty(0) for _ in range(5)]
        self._still = 0.0
        self._wanted = len(LENGTHS_S) - 1
        self._now: FloatArray = np.array([3, np.inf, np.inf, np.nan, 1.0, np.nan, 3, np.inf, np.inf, 0.0, 0.0])
        self._summary: FloatArray = np.empty((len(LENGTHS_S) + 4, 0))
        self._deepest = 0.0
        self._pending: np.ndarray = np.empty((len(LENGTHS_S) + 2, 0))

    def extend(self, hops: Hops) -> Track:
        """Tracks of these hops, which follow the last ones."""
        fresh = [hops.mean_pa, hops.count, hops.square_pa2, hops.low_pa, hops.high_pa]
        n = len(hops.mean_pa)
        if not len(self._tail[0]):
            # Before the first sample the level is taken as that of the first hop: no start-up transient.
            pad = self.longest
            self._tail = [np.full(pad, hops.mean_pa[0]), np.zeros(pad), np.zeros(pad),
                          np.full(pad, np.nan), np.full(pad, np.nan)]  # fmt: skip
        joined = [np.concatenate([old, new]) for old, new in zip(self._tail, fresh)]
        mean, count, square, low, high = joined
        self._tail = [array[-self.longest :] for array in joined]
        levels = np.empty((len(self.windows), n))
        for row, window in enumerate(self.windows):
            levels[row] = _sliding_mean(mean[len(mean) - n - len(window) + 1 :], window)
        energy = self._energy(mean, count, square, n)
        energy[hops.first - self.origin + np.arange(n) < self.pulse_hops] = np.nan
        still, is_still = self._stillness(low, high, n)
        yard = self._yardsticks(hops.first, levels, energy, is_still)
        choice, regain = yard[0].astype(int), yard[6].astype(int)
        delay = np.array([(len(window) - 1) / 2 for window in self.windows])
        return Track(
            hops.first, _picked(levels, choice), yard[1], delay[choice], _picked(levels, regain), yard[7],
            _picked(levels, np.maximum(choice, CALM)), yard[8], levels[-1], yard[2], yard[9], yard[10], energy, yard[3],
            yard[5], still, yard[4], hops.low_pa, hops.high_pa, hops.count, hops.mean_pa,
        )  # fmt: skip

    def _energy(self, mean: FloatArray, count: FloatArray, square: FloatArray, n: int) -> FloatArray:
        w = self.pulse_hops
        lead = len(mean) - n - w
        sums = []
        for values in (count, mean * count, square):
            total = np.concatenate([[0.0], np.cumsum(values[lead:])])
            sums.append(total[w + 1 :] - total[1:-w])
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(sums[0] > 0, np.maximum(sums[2] / sums[0] - (sums[1] / sums[0]) ** 2, 0.0), np.nan)

    def _stillness(self, low: FloatArray, high: FloatArray, n: int) -> tuple[FloatArray, np.ndarray]:
        a, b = low[-n - 1 :], high[-n - 1 :]
        is_still = (a[1:] == b[1:]) & (a[1:] == a[:-1]) & (b[:-1] == a[:-1])
        index = np.arange(1, n + 1)
        broken = np.maximum.accumulate(np.where(is_still, 0, index))
        run = np.where(broken > 0, index - broken, index + self._still)
        self._still = float(run[-1])
        return run.astype(float), is_still

    def _yardsticks(self, first: int, levels: FloatArray, energy: FloatArray, is_still: np.ndarray) -> FloatArray:
        """(11, hops): choice of window, its spread, spread of the slow level, energy of the past, share of still hops,
        least energy of the past; then window and spread for a level that comes back, and spread of the calm level;
        and the wander of the slow level, of late and at its least.
        """
        n = levels.shape[1]
        held = self._pending.shape[1]
        pending = np.empty((len(levels) + 2, held + n))
        pending[:, :held] = self._pending
        pending[:-2, held:], pending[-2, held:], pending[-1, held:] = levels, energy, is_still
        blocks = pending.shape[1] // self.block
        now = self._now[:, None]
        if blocks:
            now = np.hstack(
                [now, self._close_blocks(pending[:, : blocks * self.block].reshape(-1, blocks, self.block))]
            )
            self._now = now[:, -1]
        self._pending = pending[:, blocks * self.block :].copy()
        return np.repeat(now, self.block, axis=1)[:, held : held + n]

    def _close_blocks(self, rows: FloatArray) -> FloatArray:
        """(11, blocks): yardsticks after each of these blocks (rows, blocks, hops)."""
        spreads = _spread_about_line(rows[: len(LENGTHS_S)])
        level = rows[len(LENGTHS_S) - 1].mean(axis=1)
        known = ~np.isnan(rows[-2])
        counts = known.sum(axis=1)
        energy = np.where(counts > 0, np.where(known, rows[-2], 0.0).sum(axis=1) / np.maximum(counts, 1), np.nan)
        least = np.where(known, rows[-2], np.inf).min(axis=1)
        summary = np.vstack(
            [spreads, level, energy, np.where(np.isfinite(least), least, np.nan), rows[-1].mean(axis=1)]
        )
        kept = np.hstack([self._summary, summary])
        blocks = rows.shape[1]
        lead = np.full((len(summary), max(0, OLD_BLOCKS - 1 + blocks - kept.shape[1])), np.nan)
        older = np.hstack([lead, kept[:, -(OLD_BLOCKS - 1 + blocks) :]])
        past = older[:, OLD_BLOCKS - LONG_BLOCKS :]
        window = np.lib.stride_tricks.sliding_window_view(past[:, LONG_BLOCKS - BLOCKS :], BLOCKS, axis=1)
        long = np.lib.stride_tricks.sliding_window_view(past[-2], LONG_BLOCKS)
        self._summary = kept[:, -(OLD_BLOCKS - 1) :]
        ordered = np.sort(window, axis=-1)
        middle = _median_of_known(ordered)
        quiet = QUIETER * _low_of_known(ordered[: len(LENGTHS_S)])
        spreads, level, energy = middle[: len(LENGTHS_S)], np.abs(middle[-4]), middle[-3]
        choice = np.argmax(spreads <= np.maximum(QUIET_SHARE * level, 1.3 * spreads[-1]), axis=0)
        # A longer window waits until what it reaches back to is of the same state as what called for it.
        choice, wanted = np.minimum(choice, np.concatenate([[self._wanted], choice[:-1]])), choice
        self._wanted = int(wanted[-1])
        fade = MEMORY ** np.arange(blocks)
        deepest = np.maximum(np.maximum.accumulate(level / fade), self._deepest * MEMORY) * fade
        self._deepest = float(deepest[-1])
        regain = np.argmax(spreads <= np.maximum(QUIET_SHARE * deepest, 1.3 * spreads[-1]), axis=0)
        calm = np.maximum(choice, CALM)
        share = np.nanmax(window[-1], axis=1)
        least = np.where(np.isnan(long), np.inf, long).min(axis=1)
        # The median of the steps between blocks is blind to the one step that a happening makes.
        steps = np.abs(np.diff(np.lib.stride_tricks.sliding_window_view(older[-4], LONG_BLOCKS), axis=-1))
        wanders = _median_of_known(np.sort(steps, axis=-1)) / 0.954
        wander, earlier = np.nan_to_num(wanders[LONG_BLOCKS:]), wanders[:-LONG_BLOCKS]
        long_wander = _long_wander(older[-4])
        moved = long_wander > MOVED_WANDER * earlier
        long_wander = np.nan_to_num(np.where(moved, earlier, long_wander))
        at = np.arange(blocks)
        return np.vstack(
            [choice, spreads[choice, at], quiet[-1], energy, share, least, regain, quiet[regain, at], quiet[calm, at],
             wander, long_wander]
        )  # fmt: skip


def _long_wander(level_pa: FloatArray) -> FloatArray:
    """(blocks,) wander over the last `OLD_BLOCKS` of (blocks + OLD_BLOCKS - 1,) levels.

    Steps over three blocks show a wander that is slower than a block: at most 3**0.5 times as much, a random walk.
    """
    windows = np.lib.stride_tricks.sliding_window_view(level_pa, OLD_BLOCKS)
    short = _median_of_known(np.sort(np.abs(windows[:, 1:] - windows[:, :-1]), axis=-1))
    wide = np.abs(windows[:, 3:] - windows[:, :-3])
    slow = np.where(np.isnan(wide[:, 5]), np.nan, _median_of_known(np.sort(wide, axis=-1)))
    return np.fmax(short, np.fmin(slow, 3**0.5 * short)) / 0.954


def _spread_about_line(rows: FloatArray) -> FloatArray:
    """Standard deviation over the last axis about its straight line: a level that glides is not unquiet for that."""
    hops = rows.shape[2]
    axis = np.arange(hops) - (hops - 1) / 2
    off = rows - rows.mean(axis=2)[:, :, None]
    # Not a matrix product: its last digits depend on how many rows come at once, and live would differ from replay.
    slope, square = np.einsum("ijk,k->ij", off, axis), np.einsum("ijk,ijk->ij", off, off)
    return np.sqrt(np.maximum(square - slope * slope / float(axis @ axis), 0.0) / hops)


def _low_of_known(ordered: FloatArray) -> FloatArray:
    """Second least over the last axis, which rises (the least, where there is one only), NaN left out; NaN where all
    are."""
    return np.where(np.isnan(ordered[..., 1]), ordered[..., 0], ordered[..., 1])


def _median_of_known(ordered: FloatArray) -> FloatArray:
    """Median over the last axis, which rises (rows, blocks, few), NaN left out; NaN where all are."""
    few = ordered.shape[-1]
    if not np.isnan(ordered[..., -1]).any():
        return 0.5 * (ordered[..., (few - 1) // 2] + ordered[..., few // 2])
    counts = (~np.isnan(ordered)).sum(axis=-1)
    low, high = np.maximum((counts - 1) // 2, 0), counts // 2
    take = np.take_along_axis(ordered, np.stack([low, np.minimum(high, few - 1)], axis=-1), axis=-1)
    return np.where(counts > 0, take.mean(axis=-1), np.nan)
