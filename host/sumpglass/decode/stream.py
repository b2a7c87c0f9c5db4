"""Bytes in, blocks and messages out: no port, no clock, memory bounded whatever comes in."""

from __future__ import annotations

import struct
from typing import Any

import numpy as np
import numpy.typing as npt

from sumpglass.decode.frames import OpenFrames, open_frames, open_one
from sumpglass.decode.items import Bins, BoardReset, FrameCounts, Item, Message, Samples
from sumpglass.decode.many import BLOCK_AT, STATUS_LENGTH, BlockRuns, field_of, tell_nothing_new
from sumpglass.decode.sequence import SequenceKeeper, Verdict
from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import CRC_LENGTH, LONGEST_FRAME
from sumpglass_wire.messages import MessageError, OtherVersion, UnknownType, decode, decode_header

FEW_BYTES = 4096
"""Chunks shorter than this go frame by frame: for a handful of frames array operations cost more than they save."""
STRETCH_BYTES = 1 << 20
"""Longer chunks are taken in stretches of this, so that memory does not grow with the chunk."""

_NUMBER_AND_TIME = struct.Struct("<Hq")
_BLOCK = struct.Struct("<HqBB")
_BLOCK_HEAD = bytes([wire.VERSION_BYTE, wire.SAMPLES])
_INT16 = np.dtype("<i2")
_STATUS_FORM, _STATUS_BODY = wire.BODIES[wire.STATUS]
_STATUS = struct.Struct(f"<x{wire.HEADER[2:]}{_STATUS_FORM[1:]}")
_STATUS_NAMES = ("type", "sequence", "time_us", *_STATUS_BODY)
_BIN_TYPES = {
    2: np.dtype([("mean", "<f4"), ("least", "<i2"), ("greatest", "<i2"), ("mean_square", "<f4")]),
    4: np.dtype([("mean", "<f4"), ("least", "<i4"), ("greatest", "<i4"), ("mean_square", "<f4")]),
}


class StreamDecoder:
    """The host's end of the wire. `feed` takes bytes as they come, in pieces of any size.

    `terse`: of a long stretch, leave out the statuses and identities that only repeat the one before; they are counted
    as frames like all others. For whoever wants the samples and not the minutes.
    """

    def __init__(self, terse: bool = False) -> None:
        self._terse = terse
        self.counts = FrameCounts()
        self.refusal: str | None = None
        """What to tell a person when frames of another major version came: nothing of them is decoded."""
        self._keeper = SequenceKeeper()
        self._held = b""
        self._overlong = False
        self._boot_id: int | None = None
        self._identity: tuple[bytes, dict[str, Any]] | None = None
        self._taken = 0

    @property
    def pending(self) -> int:
        """Bytes of an unfinished frame that are held, at most one frame's worth."""
        return len(self._held)

    def reconnect(self) -> None:
        """Forget the unfinished frame and the last sequence number, as after the port was opened again."""
        self._held, self._overlong = b"", False
        self._keeper.forget()

    def feed(self, chunk: bytes) -> list[Item]:
        """What the bytes so far complete, in order. Never raises, whatever the bytes."""
        items: list[Item] = []
        if len(chunk) < FEW_BYTES and chunk[-1:] == b"\x00" and not self._overlong:
            # Whole frames, as a live port gives them nearly always.
            base = self._taken - len(self._held)
            self._taken += len(chunk)
            whole, self._held = self._held + chunk, b""
            self._few(whole, base, items)
        elif len(chunk) <= STRETCH_BYTES:
            self._feed_stretch(chunk, items)
        else:
            for start in range(0, len(chunk), STRETCH_BYTES):
                self._feed_stretch(chunk[start : start + STRETCH_BYTES], items)
        self.counts.lost = self._keeper.lost
        return items

    def _feed_stretch(self, chunk: bytes, items: list[Item]) -> None:
        base = self._taken - len(self._held)
        self._taken += len(chunk)
        last = chunk.rfind(b"\x00")
        if last < 0:
            self._hold(chunk)
            return
        whole = self._held + chunk[: last + 1]
        if self._overlong:
            self.counts.damaged += 1
            skip = whole.find(b"\x00") + 1
            whole = whole[skip:]
            base = self._taken - len(chunk) + skip
        self._held, self._overlong = b"", False
        self._hold(chunk[last + 1 :])
        if not whole:
            return
        if len(whole) < FEW_BYTES:
            self._few(whole, base, items)
        else:
            self._many(whole, base, items)

    def _hold(self, rest: bytes) -> None:
        if self._overlong:
            return
        if len(self._held) + len(rest) > LONGEST_FRAME:
            self._held, self._overlong = b"", True
        else:
            self._held += rest

    def _few(self, whole: bytes, base: int, items: list[Item]) -> None:
        for frame in whole.split(b"\x00"):
            base += len(frame) + 1
            if not frame:
                continue
            payload = open_one(frame)
            if payload is None:
                self.counts.damaged += 1
            elif payload[:2] == _BLOCK_HEAD and len(payload) > BLOCK_AT and not len(payload) & 1:
                self._take_block(payload, base, items)
            else:
                self._take(payload, base, items)

    def _take_block(self, payload: bytes, end: int, items: list[Item]) -> None:
        """`_take` for what is probably a block of 16-bit samples: the quick way of a live stream, in few steps.

        A program that has waited finds its own code cold, and each function costs more to reach than to run.
        """
        sequence, time_us, both, configuration = _BLOCK.unpack_from(payload, 2)
        if both >> 4 != 2 or both & 0x0F >= wire.MOST_CHANNELS:
            self._take(payload, end, items)
            return
        self.counts.frames += 1
        verdict = self._keeper.take(sequence, time_us)
        if verdict:
            self._judged(payload, end, verdict, items)
            return
        counts = np.ndarray((1, (len(payload) - BLOCK_AT) >> 1), _INT16, payload, BLOCK_AT)
        items.append(Samples(both & 0x0F, configuration, time_us, counts))

    def _take(self, payload: bytes, end: int, items: list[Item]) -> None:
        """One good frame: header, sequence, body."""
        if len(payload) >= wire.HEADER_LENGTH and payload[0] == wire.VERSION_BYTE:
            self.counts.frames += 1
            sequence, time_us = _NUMBER_AND_TIME.unpack_from(payload, 2)
            self._judged(payload, end, self._keeper.take(sequence, time_us), items)
            return
        try:
            decode_header(payload)
        except OtherVersion as refusal:
            self._refuse(refusal)
        except MessageError:
            self.counts.damaged += 1

    def _judged(self, payload: bytes, end: int, verdict: int, items: list[Item]) -> None:
        if verdict == Verdict.REPEATED:
            self.counts.repeated += 1
            return
        if verdict == Verdict.AFTER_RESET:
            self._reset(items)
        try:
            item = self._known_identity(payload, end) or _item_of(payload, end)
        except UnknownType:
            self.counts.unknown += 1
        except (MessageError, ValueError):
            self.counts.damaged += 1
        else:
            if isinstance(item, Message) and item.name == "identity":
                self._know_boot(item.fields["boot_id"], items)
                self._identity = (payload[wire.HEADER_LENGTH :], item.fields)
            items.append(item)

    def _known_identity(self, payload: bytes, end: int) -> Message | None:
        """The identity in `payload` if its body is that of the one before: a board repeats it every ten seconds."""
        if payload[1] != wire.IDENTITY or self._identity is None or payload[wire.HEADER_LENGTH :] != self._identity[0]:
            return None
        _, sequence, time_us = decode_header(payload)
        return Message(
            "identity", _signed(time_us), {**self._identity[1], "sequence": sequence, "time_us": time_us}, end
        )

    def _refuse(self, refusal: OtherVersion) -> None:
        self.counts.other_version += 1
        if self.refusal is None:
            self.refusal = str(refusal)

    def _reset(self, items: list[Item]) -> None:
        self._boot_id = None
        self.counts.resets += 1
        items.append(BoardReset())

    def _know_boot(self, boot_id: int, items: list[Item]) -> None:
        if self._boot_id is not None and boot_id != self._boot_id:
            self._reset(items)
        self._boot_id = boot_id

    def _many(self, whole: bytes, base: int, items: list[Item]) -> None:
        opened = open_frames(whole, np.flatnonzero(np.frombuffer(whole, np.uint8) == 0))
        self.counts.damaged += opened.damaged
        headed = opened.lengths >= wire.HEADER_LENGTH
        opened = self._with_our_version(opened, headed)
        if not len(opened.starts):
            return
        self.counts.frames += len(opened.starts)
        sequences = field_of(opened, 2, "<u2").astype(np.int64)
        times_us = field_of(opened, 4, "<i8")
        verdicts = self._keeper.take_many(sequences, times_us)
        block = _are_blocks(opened)
        plain = block & (verdicts == Verdict.NEW)
        others = np.flatnonzero(~plain)
        if self._terse:
            others = others[~tell_nothing_new(opened, others, verdicts[others])]
        runs = BlockRuns(opened, np.flatnonzero(plain), times_us, others)
        firsts = opened.starts[others]
        lasts = (firsts + opened.lengths[others]).tolist()
        view = memoryview(opened.data.data)
        for number, (first, last, verdict) in enumerate(zip(firsts.tolist(), lasts, verdicts[others].tolist())):
            runs.give(number, items)
            self._judged(bytes(view[first:last]), base + last + CRC_LENGTH + 1, verdict, items)
        runs.give(len(others), items)

    def _with_our_version(self, opened: OpenFrames, headed: npt.NDArray[np.bool_]) -> OpenFrames:
        """Only the frames that have a header of our version; the others are counted."""
        version = opened.data[opened.starts]
        ours = headed & (version == wire.VERSION_BYTE)
        if ours.all():
            return opened
        other = headed & ~ours & (version & 0xF0 == 0xA0)
        for byte in version[other].tolist():
            self._refuse(OtherVersion(byte & 0x0F))
        self.counts.damaged += int(np.count_nonzero(~ours & ~other))
        return OpenFrames(opened.data, opened.starts[ours], opened.lengths[ours], 0)


def _signed(time_us: int) -> int:
    return time_us - (1 << 64) if time_us >= 1 << 63 else time_us


def _item_of(payload: bytes, end: int) -> Item:
    """The item in one payload. Raises UnknownType, MessageError."""
    if payload[1] in (wire.SAMPLES, wire.BINS) and len(payload) > BLOCK_AT:
        _, _, time_us = decode_header(payload)
        channel, width = payload[wire.HEADER_LENGTH] & 0x0F, payload[wire.HEADER_LENGTH] >> 4
        if channel >= wire.MOST_CHANNELS or width not in (2, 4):
            raise MessageError(f"a block of channel {channel} and width {width}")
        configuration = payload[wire.HEADER_LENGTH + 1]
        # numpy raises ValueError for a body that is no whole number of items.
        if payload[1] == wire.SAMPLES:
            counts = np.frombuffer(payload, f"<i{width}", offset=BLOCK_AT).reshape(1, -1)
            return Samples(channel, configuration, _signed(time_us), counts)
        bins = np.frombuffer(payload, _BIN_TYPES[width], offset=BLOCK_AT)
        return Bins(
            channel, configuration, width, _signed(time_us),
            bins["mean"], bins["least"], bins["greatest"], bins["mean_square"],
        )  # fmt: skip
    if payload[1] == wire.STATUS and len(payload) == STATUS_LENGTH and payload[-1] == 0:
        return _quiet_status(payload, end)
    fields = decode(payload)
    return Message(fields["name"], _signed(fields["time_us"]), fields, end)


def _quiet_status(payload: bytes, end: int) -> Message:
    """`decode` of a status without faults, the message that comes most often, at a sixth of the time."""
    fields: dict[str, Any] = dict(zip(_STATUS_NAMES, _STATUS.unpack_from(payload)))
    fields["faults"] = []
    fields["name"] = "status"
    return Message("status", _signed(fields["time_us"]), fields, end)


def _are_blocks(opened: OpenFrames) -> npt.NDArray[np.bool_]:
    """Which payloads are sound SAMPLES messages."""
    data, starts, lengths = opened.data, opened.starts, opened.lengths
    kind = data[starts + 1]
    inside = lengths > BLOCK_AT
    both = data[starts + np.where(inside, wire.HEADER_LENGTH, 0)]
    width = both >> 4
    sound = ((width == 2) & (lengths % 2 == 0)) | ((width == 4) & ((lengths - BLOCK_AT) % 4 == 0))
    return (kind == wire.SAMPLES) & inside & (both & 0x0F < wire.MOST_CHANNELS) & sound
