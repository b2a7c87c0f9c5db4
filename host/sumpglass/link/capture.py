"""Raw captures: telling one by its content, and cutting it into pieces by the board's time, for replay."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.decode.frames import open_frames
from sumpglass.decode.timeline import UNKNOWN_GAP_S
from sumpglass_wire import layouts as wire

PIECE_S = 0.05
"""Length of a replayed piece: what a live poll brings."""
BLOCK_HEADER = wire.HEADER_LENGTH + 2
OUT_OF_ORDER_S = 2.0
"""Blocks of several channels may come in another order than their times, by no more than this."""


@dataclass(frozen=True)
class CapturePiece:
    """Bytes `start`..`stop` of a capture, due at `t_s`."""

    t_s: float
    start: int
    stop: int


def looks_like_capture(start: bytes) -> bool:
    """True when `start`, the first bytes of a file, holds at least one frame with a right checksum and our header."""
    last = start.rfind(b"\x00")
    if last < 0:
        return False
    ends = np.flatnonzero(np.frombuffer(start[: last + 1], np.uint8) == 0)
    opened = open_frames(start[: last + 1], ends)
    return bool((opened.data[opened.starts] & 0xF0 == 0xA0).any())


def pieces_of(capture: bytes) -> list[CapturePiece]:
    """`capture` cut at frame ends into pieces of some 50 ms of board time, in order and without a byte left out."""
    last = capture.rfind(b"\x00") + 1
    ends = np.flatnonzero(np.frombuffer(capture[:last], np.uint8) == 0)
    if not len(ends):
        return [CapturePiece(0.0, 0, len(capture))] if capture else []
    opened = open_frames(capture[:last], ends)
    inside = (opened.starts < last) & (opened.lengths > BLOCK_HEADER)
    starts, lengths = opened.starts[inside], opened.lengths[inside]
    kinds = opened.data[starts + 1]
    block = (opened.data[starts] == wire.VERSION_BYTE) & ((kinds == wire.SAMPLES) | (kinds == wire.BINS))
    starts, lengths = starts[block], lengths[block]
    if not len(starts):
        return [CapturePiece(0.0, 0, len(capture))]
    words = np.ndarray((len(opened.data) - 7,), "<i8", opened.data.data, 0, (1,))
    t_s = _running_s(words[starts + 4])
    # A block comes when its last sample has been taken: about when the next one begins.
    step = float(np.median(np.diff(t_s))) if len(t_s) > 1 else PIECE_S
    number = np.floor((t_s + step) / PIECE_S).astype(np.int64)
    first = np.flatnonzero(np.diff(number, prepend=number[0] - 1))
    # A piece ends where its last block ends; whatever stands between goes with the block behind it.
    stops = np.append(starts[first[1:] - 1] + lengths[first[1:] - 1] + 4, len(capture) - 1) + 1
    due = np.maximum.accumulate((number[first] + 1) * PIECE_S)
    return [
        CapturePiece(t, a, b)
        for t, a, b in zip(due.tolist(), np.concatenate([[0], stops[:-1]]).tolist(), stops.tolist(), strict=True)
    ]


def _running_s(time_us: np.ndarray) -> np.ndarray:
    """Seconds from the first block; where the board's clock fell far back it was reset, and goes on after a gap."""
    steps = np.diff(time_us, prepend=time_us[0]) * 1e-6
    steps[(steps < -OUT_OF_ORDER_S) | (steps > 7 * 86400)] = UNKNOWN_GAP_S
    return np.maximum.accumulate(np.cumsum(steps))
