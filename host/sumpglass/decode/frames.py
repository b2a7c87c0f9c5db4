"""Many frames out of a long stretch of bytes by array operations: COBS, CRC-32 and headers.

The same result as `sumpglass_wire.frames.open_frame` frame by frame (a test proves it for any bytes); the frames that
array operations do not suit are handed to that function.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from zlib import crc32

import numpy as np
import numpy.typing as npt

from sumpglass_wire.frames import CRC_LENGTH, LONGEST_FRAME, LONGEST_PAYLOAD, open_frame, payload_buffer

RESIDUE = 0x2144DF1C
"""CRC-32 of any payload with its own CRC behind it (CRC-32/ISO-HDLC)."""

BATCH = 32

Bytes = npt.NDArray[np.uint8]
Indices = npt.NDArray[np.intp]


@dataclass(frozen=True)
class OpenFrames:
    """Payloads of the good frames: payload i is `data[starts[i]:starts[i] + lengths[i]]`, in stream order."""

    data: Bytes
    starts: Indices
    lengths: Indices
    damaged: int


def open_one(frame: bytes) -> bytes | None:
    """The payload of one frame (its ending 0x00 left out), None if it is damaged: `open_frame` for a host.

    Runs between code bytes are cut out and joined by zeros, a dozen steps for a frame where the board's own function
    copies run by run.
    """
    size = len(frame)
    if not CRC_LENGTH + 1 < size < LONGEST_FRAME:
        return None
    runs = []
    at = 0
    while at < size:
        code = frame[at]
        if code == 0 or code == 255:
            return _open_slowly(frame)
        after = at + code
        runs.append(frame[at + 1 : after])
        at = after
    if at != size:
        return None
    whole = b"\x00".join(runs)
    return whole[:-CRC_LENGTH] if crc32(whole) == RESIDUE and len(whole) <= LONGEST_PAYLOAD + CRC_LENGTH else None


def _open_slowly(frame: bytes) -> bytes | None:
    payload = payload_buffer()
    length = open_frame(frame, 0, len(frame), payload)
    return bytes(memoryview(payload)[:length]) if length > 0 else None


def open_frames(stretch: bytes, ends: Indices) -> OpenFrames:
    """Open every frame in `stretch`; `ends` are the places of all its 0x00 and the last byte is one of them."""
    data = np.frombuffer(bytearray(stretch), np.uint8)
    starts = np.empty_like(ends)
    starts[0] = 0
    starts[1:] = ends[:-1] + 1
    sizes = ends - starts
    filled = sizes > 0
    if not filled.all():
        starts, ends, sizes = starts[filled], ends[filled], sizes[filled]
    fits = (sizes < LONGEST_FRAME) & (sizes > CRC_LENGTH + 1)
    damaged = len(fits) - int(np.count_nonzero(fits))
    if damaged:
        starts, ends = starts[fits], ends[fits]
    good, long_run = _unstuff(data, starts, ends)
    # A decoded frame lies where its encoded bytes were, less the first; long runs are the other function's business.
    lengths = ends - starts - 1 - CRC_LENGTH
    good &= _right(data, starts + 1, ends) & (lengths <= LONGEST_PAYLOAD)
    begins = starts + 1
    if long_run.any():
        data, begins, lengths = _open_long(stretch, data, starts, ends, begins, lengths, good, long_run)
    damaged += len(good) - int(np.count_nonzero(good))
    return OpenFrames(data, begins[good], lengths[good], damaged)


def _right(data: Bytes, starts: Indices, ends: Indices) -> npt.NDArray[np.bool_]:
    """Whether the CRC-32 at the end of data[starts[i]:ends[i]] agrees, (n,).

    Frames of the commonest length are checked `BATCH` at a time, one after the other as one text: if all are right its
    CRC is a number known beforehand. One wrong frame always changes it (the steps of a CRC can be undone), two can make
    up for each other once in 2**32. Where it differs, each frame is checked alone.
    """
    right = np.zeros(len(starts), bool)
    sizes = ends - starts
    common = int(np.bincount(sizes).argmax()) if len(sizes) else 0
    alike = np.flatnonzero(sizes == common)
    whole = len(alike) // BATCH * BATCH
    view = memoryview(data.data)
    if whole and common:
        rows = np.ndarray((len(data) - common + 1, common), np.uint8, data.data, 0, (1, 1))[starts[alike[:whole]]]
        texts = np.ascontiguousarray(rows).reshape(-1, BATCH * common).view(f"V{BATCH * common}").ravel().tolist()
        checks = np.fromiter(map(crc32, texts), np.uint32, len(texts))
        right[alike[:whole]] = np.repeat(checks == _batch_residue(common), BATCH)
    for i in np.flatnonzero(~right).tolist():
        right[i] = crc32(view[starts[i] : ends[i]]) == RESIDUE
    return right


@lru_cache(maxsize=64)
def _batch_residue(length: int) -> int:
    """CRC-32 of `BATCH` right frames of `length` bytes, payload and CRC, one after the other.

    A CRC is linear: what went before comes out of `length` further bytes as it would out of as many zeros.
    """
    zeros = bytes(length)
    residue = RESIDUE
    for _ in range(BATCH - 1):
        residue = RESIDUE ^ crc32(zeros, residue) ^ crc32(zeros)
    return residue


def _unstuff(data: Bytes, starts: Indices, ends: Indices) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """Turn the code bytes of all frames into the zeros that they stand for, in place.

    Returns which frames are COBS, and which have a run of 254 bytes, behind which no zero stands.
    """
    good = np.ones(len(starts), bool)
    long_run = np.zeros(len(starts), bool)
    at, stop, which = starts.copy(), ends, np.arange(len(starts))
    while len(at):
        # All frames go from code to code in step. One that has come to its end rests on its 0x00, a code of no length.
        codes = data[at]
        if codes.max(initial=0) == 255:
            long_run[which[codes == 255]] = True
        data[at] = 0
        at += codes
        past = at > stop
        if past.any():
            good[which[past]] = False
            np.minimum(at, stop, out=at)
        alive = at < stop
        count = int(np.count_nonzero(alive))
        if count < 0.75 * len(at):
            at, stop, which = at[alive], stop[alive], which[alive]
    return good, long_run


def _open_long(
    stretch: bytes,
    data: Bytes,
    starts: Indices,
    ends: Indices,
    begins: Indices,
    lengths: Indices,
    good: npt.NDArray[np.bool_],
    long_run: npt.NDArray[np.bool_],
) -> tuple[Bytes, Indices, Indices]:
    """Open the frames with a run of 254 bytes one by one; their payloads go behind `data`."""
    payload = payload_buffer()
    extra = bytearray()
    begins, lengths = begins.copy(), lengths.copy()
    for i in np.flatnonzero(long_run).tolist():
        length = open_frame(stretch, int(starts[i]), int(ends[i]), payload)
        good[i] = length > 0
        if length > 0:
            begins[i] = len(data) + len(extra)
            lengths[i] = length
            extra += memoryview(payload)[:length]
    return np.concatenate([data, np.frombuffer(bytes(extra), np.uint8)]), begins, lengths
