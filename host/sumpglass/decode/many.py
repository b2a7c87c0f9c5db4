"""Parts of the decoder that look at many frames at once: plain blocks as matrices, and messages that only repeat."""

from __future__ import annotations

import struct

import numpy as np
import numpy.typing as npt

from sumpglass.decode.frames import Indices, OpenFrames
from sumpglass.decode.items import Item, Samples
from sumpglass.decode.sequence import Verdict
from sumpglass_wire import layouts as wire

BLOCK_AT = wire.HEADER_LENGTH + 2
"""Where a block's counts begin in its payload."""
STATUS_LENGTH = wire.HEADER_LENGTH + struct.calcsize(wire.BODIES[wire.STATUS][0]) + 1
"""Of a status without faults."""
# Of its bytes, those that change what samples mean or what was lost: the first four counters; reference, flags, faults.
_STATUS_NEWS = [*range(12, 26), *range(38, 44)]


def field_of(opened: OpenFrames, offset: int, form: str) -> npt.NDArray[np.int64]:
    """The number at `offset` of every payload, (n,)."""
    words = np.ndarray((len(opened.data) - np.dtype(form).itemsize + 1,), form, opened.data.data, 0, (1,))
    return words[opened.starts + offset]


class BlockRuns:
    """The plain sample blocks of a stretch, as matrices by channel, configuration and length."""

    def __init__(self, opened: OpenFrames, which: Indices, times_us: npt.NDArray[np.int64], others: Indices) -> None:
        self._groups: list[tuple[int, int, list[int], npt.NDArray[np.int64], npt.NDArray[np.signedinteger]]] = []
        starts, lengths = opened.starts[which], opened.lengths[which]
        both = opened.data[starts + wire.HEADER_LENGTH].astype(np.int64)
        configuration = opened.data[starts + wire.HEADER_LENGTH + 1].astype(np.int64)
        keys = lengths << 16 | both << 8 | configuration
        for key in sorted(set(keys.tolist())):
            here = np.flatnonzero(keys == key)
            length, width = key >> 16, key >> 12 & 0x0F
            rows = np.ndarray((len(opened.data) - length + 1, length), np.uint8, opened.data.data, 0, (1, 1))
            counts = np.ascontiguousarray(rows[:, BLOCK_AT:][starts[here]]).view(f"<i{width}")
            places = which[here]
            # Block k lies between other frames number n - 1 and n where borders[n] <= k < borders[n + 1].
            borders = [0, *np.searchsorted(places, others).tolist(), len(places)]
            self._groups.append((key >> 8 & 0x0F, key & 0xFF, borders, times_us[places], counts))

    def give(self, number: int, items: list[Item]) -> None:
        """Append the blocks before the other frame of that number, behind the one before it."""
        for channel, configuration, borders, times_us, counts in self._groups:
            a, b = borders[number], borders[number + 1]
            if b > a:
                items.append(Samples(channel, configuration, times_us[a:b], counts[a:b]))


def tell_nothing_new(opened: OpenFrames, others: Indices, verdicts: npt.NDArray[np.int8]) -> npt.NDArray[np.bool_]:
    """Which of the frames `others` only repeat the status or the identity before them, with nothing else between.

    `verdicts` are those of `others`. The first of each kind in a stretch, and behind anything else, is always news.
    """
    starts, lengths = opened.starts[others], opened.lengths[others]
    old = np.zeros(len(others), bool)
    kinds = opened.data[starts + 1]
    new = verdicts == Verdict.NEW
    quiet = new & (kinds == wire.STATUS) & (lengths == STATUS_LENGTH)
    known = new & (kinds == wire.IDENTITY)
    view = memoryview(opened.data.data)
    body = None
    for i in np.flatnonzero(~quiet).tolist():
        before = body
        body = view[starts[i] + wire.HEADER_LENGTH : starts[i] + lengths[i]] if known[i] else None
        old[i] = body is not None and body == before
    stretch = np.cumsum(~quiet & ~old)
    at = np.flatnonzero(quiet)
    if len(at) > 1:
        news = opened.data[starts[at][:, None] + _STATUS_NEWS]
        same = (news[1:] == news[:-1]).all(axis=1) & (stretch[at][1:] == stretch[at][:-1])
        # A list of faults is never old: each status tells how often they occurred.
        old[at[1:]] = same & (news[1:, -1] == 0)
    return old
