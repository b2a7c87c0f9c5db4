"""A recording cut into stretches in which level and pulses had settled."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.records import FloatArray

BLOCK_S = 0.25
PIECE_BLOCKS = 256
SIDE_S = 1.5
LEAST_S = 1.0
LEVEL_SHARE = 0.1
"""A change of level counts from this part of it, or from six times its scatter, whichever is more."""
PULSE_LOG = 0.3
SPEED_SHARE = 0.04
MOST_SPEEDS = 240
FEWEST_LINES = 4
PLATEAU_S = 2.0
"""A speed that holds so long is one to which the next is compared, however slowly it is reached."""


@dataclass(frozen=True)
class Settled:
    """A settled stretch: samples `begin` to `end` (exclusive), times in seconds."""

    begin: int
    end: int
    t0_s: float
    t1_s: float
    mean_pa: float
    variance_pa2: float
    """Over its samples."""


@dataclass(frozen=True)
class Blocks:
    """Means and variances (blocks,) of equal short times; NaN where there are no samples."""

    edge: np.ndarray
    """(blocks + 1,) sample numbers."""
    t_s: FloatArray
    """(blocks + 1,) times of the edges."""
    mean_pa: FloatArray
    variance_pa2: FloatArray

    def together(self, first: int, last: int) -> tuple[float, float]:
        """Mean and variance over the samples of the blocks [first, last), none of them empty."""
        mean, held = self.mean_pa[first:last], np.diff(self.edge[first : last + 1])
        whole = float(held @ mean) / float(held.sum())
        return whole, float(held @ (self.variance_pa2[first:last] + (mean - whole) ** 2)) / float(held.sum())


def blocks_of(t_s: FloatArray, pressure_pa: FloatArray, block_s: float = BLOCK_S) -> Blocks:
    """Cut valid samples (n,) into blocks of `block_s`."""
    begin, end = float(t_s[0]), float(t_s[-1])
    count = max(1, int(np.ceil((end - begin + 1e-9) / block_s)))
    edges_t = begin + np.arange(count + 1) * block_s
    edge = np.searchsorted(t_s, edges_t - 1e-7)
    edge[-1] = len(t_s)
    held = np.diff(edge)
    total, square, base = np.empty(count), np.empty(count), np.empty(count)
    some = PIECE_BLOCKS if held.all() else count
    for at in range(0, count, some):
        # In pieces that stay in the processor's cache; a block without samples would upset the one before a cut.
        stop = min(at + some, count)
        # About one of their own values, so that readings which stand still have no variance at all.
        base[at:stop] = pressure_pa[edge[at]]
        p = np.subtract(pressure_pa[edge[at] : edge[stop]], base[at], dtype=np.float64)
        start = np.minimum(edge[at:stop] - edge[at], len(p) - 1)
        total[at:stop] = np.add.reduceat(p, start)
        square[at:stop] = np.add.reduceat(p * p, start)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(held > 0, total / held, np.nan)
        variance = np.where(held > 0, square / held - mean**2, np.nan)
    return Blocks(edge, edges_t, mean + base, np.maximum(variance, 0.0))


def settled_stretches(t_s: FloatArray, pressure_pa: FloatArray, rate_hz: float, cuts_s: list[float]) -> list[Settled]:
    """Settled stretches of valid samples (n,); `cuts_s` are times at which something is known to have happened."""
    block_s = max(BLOCK_S, 4.0 / rate_hz)
    blocks = blocks_of(t_s, pressure_pa, block_s)
    cuts = set(_level_cuts(blocks, block_s)) | set(_speed_cuts(t_s, pressure_pa, rate_hz, blocks.t_s, block_s))
    cuts |= {int((t - blocks.t_s[0]) / block_s) for t in cuts_s}
    gaps = np.flatnonzero(np.isnan(blocks.mean_pa))
    cuts |= set(gaps.tolist()) | set((gaps + 1).tolist())
    ordered = sorted({0, len(blocks.mean_pa), *(c for c in cuts if 0 < c < len(blocks.mean_pa))})
    found = []
    for first, last in zip(ordered[:-1], ordered[1:]):
        piece = _settled_part(blocks, first, last, block_s)
        if piece is None:
            continue
        begin, end = int(blocks.edge[piece[0]]), int(blocks.edge[piece[1]])
        if end - begin >= 4:
            found.append(Settled(begin, end, float(t_s[begin]), float(t_s[end - 1]), *blocks.together(*piece)))
    return found


def _window_means(values: FloatArray, width: int) -> FloatArray:
    known = ~np.isnan(values)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    count = np.concatenate([[0.0], np.cumsum(known)])
    with np.errstate(invalid="ignore", divide="ignore"):
        return (total[width:] - total[:-width]) / (count[width:] - count[:-width])


def _level_cuts(blocks: Blocks, block_s: float) -> list[int]:
    """Block numbers at which level or pulses differ before and after."""
    width = max(2, round(SIDE_S / block_s))
    n = len(blocks.mean_pa)
    if n < 2 * width:
        width = n // 2
        if width < 2:
            return []
    mean = _window_means(blocks.mean_pa, width)
    power = _window_means(blocks.variance_pa2, width)
    left, right = mean[:-width], mean[width:]
    jitter = float(np.nanmedian(np.abs(np.diff(blocks.mean_pa)))) / 0.954 if n > 2 else 0.0
    scale = np.maximum(
        np.maximum(np.abs(left), np.abs(right)) * LEVEL_SHARE, max(6.0 * jitter / np.sqrt(width) * 1.5, 3.0)
    )
    score = np.abs(right - left) / scale
    floor = 1e-6 + 0.02 * float(np.nanmedian(blocks.variance_pa2))
    ratio = np.abs(np.log((power[width:] + floor) / (power[:-width] + floor)))
    score = np.maximum(score, ratio / (2 * PULSE_LOG) / 1.2)
    score = np.where(np.isnan(score), 0.0, score)
    cuts = []
    while score.size:
        at = int(np.argmax(score))
        if score[at] < 1.0:
            break
        cuts.append(at + width)
        score[max(0, at - width) : at + width + 1] = 0.0
    return cuts


def _speed_cuts(
    t_s: FloatArray, pressure_pa: FloatArray, rate_hz: float, edges_t: FloatArray, block_s: float
) -> list[int]:
    """Block numbers at which the strongest line of the pulses moves for good."""
    length = int(min(2.0, 512.0 / rate_hz if rate_hz > 500 else 2.0) * rate_hz)
    low = int(2.5 * length / rate_hz) + 2
    if length // 2 + 1 - low < FEWEST_LINES:
        # Too slow a rate to see pulses by.
        return []
    hop = max(length // 2, (len(t_s) - length) // MOST_SPEEDS)
    starts = np.arange(0, len(t_s) - length, hop)
    if len(starts) < 4:
        return []
    window = 0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)
    rows = np.stack([pressure_pa[s : s + length] for s in starts]).astype(np.float64)
    rows -= rows.mean(axis=1, keepdims=True)
    lines = np.fft.rfft(rows * window, axis=1)[:, low:]
    power = lines.real**2 + lines.imag**2
    top = np.argmax(power, axis=1)
    strong = power[np.arange(len(top)), top] > 60.0 * np.median(power, axis=1)
    logs = np.where(strong, np.log(top + low), np.nan)
    limit = max(SPEED_SHARE, 2.5 / (np.nanmedian(top[strong]) + low) if strong.any() else 1.0)
    # Harmonics may take turns in being the strongest: only moves that both sides hold, and no simple ratio.
    pairs = np.stack([logs[:-2], logs[1:-1]])
    middle, held = pairs.mean(axis=0), np.abs(pairs[1] - pairs[0]) <= limit
    moved = np.abs(middle[2:] - middle[:-2])
    found = held[2:] & held[:-2] & (moved > 1.5 * limit) & (_off_simple_ratio(moved) > limit)
    cuts = [int((t_s[starts[k]] - edges_t[0]) / block_s) for k in np.flatnonzero(found) + 2]
    cuts = [cut for i, cut in enumerate(cuts) if i == 0 or cut - cuts[i - 1] > 2 / block_s]
    for left, come in _slow_moves(logs, limit, max(3, round(PLATEAU_S * rate_hz / hop))):
        # A speed is that of the middle of its window.
        cuts += [int((t_s[at] - edges_t[0]) / block_s) for at in (starts[left], starts[come] + length // 2)]
    return cuts


def _off_simple_ratio(logs: FloatArray) -> FloatArray:
    """How far moves (n,), as logs of ratios, are from what two lines of one engine may be apart."""
    return np.asarray(np.min([np.abs(logs - np.log(ratio)) for ratio in (1.0, 1.5, 2.0, 3.0, 4.0)], axis=0))


def _slow_moves(logs: FloatArray, limit: float, least: int) -> list[tuple[int, int]]:
    """Where a speed that held for `least` places of `logs` (n,) begins to move to another that holds as long, and where
    it has come to it: such a move may take seconds, and is not seen from one place to the next."""
    plateaus, begin = [], 0
    for k in range(1, len(logs) + 1):
        if k == len(logs) or not abs(logs[k] - logs[begin]) <= limit:
            if k - begin >= least:
                middle = float(np.median(logs[begin:k]))
                on = begin + np.flatnonzero(np.abs(logs[begin:k] - middle) <= 0.5 * limit)
                plateaus.append((int(on[0]), int(on[-1]) + 1, middle))
            begin = k
    ends = []
    for (_, left, was), (come, _, now) in zip(plateaus[:-1], plateaus[1:]):
        if abs(now - was) > 1.5 * limit and float(_off_simple_ratio(np.array([abs(now - was)]))[0]) > limit:
            ends.append((left, come))
    return ends


def _settled_part(blocks: Blocks, first: int, last: int, block_s: float) -> tuple[int, int] | None:
    """Blocks of [first, last) from which on the level stays where it ends up; None where too little is left."""
    need = max(1, round(LEAST_S / block_s))
    if last - first < need:
        return None
    mean = blocks.mean_pa[first:last]
    if np.isnan(mean).any():
        return None
    middle = float(np.median(mean[len(mean) // 2 :]))
    jitter = float(np.median(np.abs(np.diff(mean)))) / 0.954 if len(mean) > 2 else 0.0
    tolerance = max(5.0 * jitter, 0.05 * abs(middle), 2.0)
    off = np.abs(mean - middle) > tolerance
    head = off[: min(len(off), max(1, round(4.0 / block_s)))]
    begin = first + (int(np.flatnonzero(head)[-1]) + 1 if head.any() and first > 0 else 0)
    begin += 1 if first > 0 else 0
    end = last - 1 if last < len(blocks.mean_pa) else last
    return (begin, end) if end - begin >= need else None
