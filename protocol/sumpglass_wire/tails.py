"""What only a host needs of the codec: the lists in messages of a board decoded, samples and bins as dicts."""

import struct

from sumpglass_wire import layouts as L
from sumpglass_wire.messages import MessageError, pack_fields, unpack_fields


def encode_blocks(payload, at, kind, fields):
    """Counts or bins of `fields` into `payload` from `at`; returns the index after them."""
    width = fields["width"]
    if width != 2 and width != 4:
        raise MessageError("width %r, expected 2 or 4" % width)
    if kind == L.SAMPLES:
        form = "<h" if width == 2 else "<i"
        for count in fields["counts"]:
            struct.pack_into(form, payload, at, count)
            at += width
        return at
    form = L.BIN_2 if width == 2 else L.BIN_4
    for item in fields["bins"]:
        at = pack_fields(form, L.BIN_FIELDS, payload, at, item)
    return at


def decode_tail(payload, kind, fields, at):
    """Add to `fields` what follows the fixed part of `payload` from `at`; returns the index after it."""
    if kind == L.SAMPLES or kind == L.BINS:
        return decode_blocks(payload, kind, fields, at)
    if kind == L.IDENTITY:
        fields["board"], at = _take_text(payload, at)
        count, at = _take_count(payload, at, L.MOST_CHANNELS)
        channels = []
        for _ in range(count):
            channel, at = unpack_fields(L.CHANNEL, L.CHANNEL_FIELDS, payload, at, "channel")
            channel["part"], at = _take_text(payload, at)
            channels.append(channel)
        fields["channels"] = channels
    elif kind == L.STATUS:
        count, at = _take_count(payload, at, 16)
        faults = []
        for _ in range(count):
            fault, at = unpack_fields(L.FAULT, L.FAULT_FIELDS, payload, at, "fault")
            faults.append(fault)
        fields["faults"] = faults
    elif kind == L.ERROR:
        fields["text"], at = _take_text(payload, at)
    elif kind == L.ANSWER:
        answer = L.ANSWER_BODIES.get(fields["request_type"])
        if answer:
            fields["answer"], at = unpack_fields(answer[0], answer[1], payload, at, "answer")
        fields["data"] = bytes(payload[at:])
        at = len(payload)
    return at


def decode_blocks(payload, kind, fields, at):
    """Add the counts or bins of a block to `fields`; returns the index after them."""
    both = fields.pop("channel_and_width")
    width = both >> 4
    channel = both & 0x0F
    if (width != 2 and width != 4) or channel >= L.MOST_CHANNELS:
        raise MessageError("message 0x%02x: channel %d of width %d" % (kind, channel, width))
    fields["channel"] = channel
    fields["width"] = width
    if kind == L.SAMPLES:
        step = width
        form = "<h" if width == 2 else "<i"
    else:
        form = L.BIN_2 if width == 2 else L.BIN_4
        step = struct.calcsize(form)
    if (len(payload) - at) % step or len(payload) == at:
        raise MessageError(
            "message 0x%02x: %d bytes of data, expected a multiple of %d" % (kind, len(payload) - at, step)
        )
    items = []
    while at < len(payload):
        if kind == L.SAMPLES:
            items.append(struct.unpack_from(form, payload, at)[0])
        else:
            items.append(unpack_fields(form, L.BIN_FIELDS, payload, at, "bin")[0])
        at += step
    fields["counts" if kind == L.SAMPLES else "bins"] = items
    return at


def _take_count(payload, at, most):
    if at >= len(payload):
        raise MessageError("ends where a count was expected")
    if payload[at] > most:
        raise MessageError("%d items, at most %d" % (payload[at], most))
    return payload[at], at + 1


def _take_text(payload, at):
    length, at = _take_count(payload, at, L.LONGEST_TEXT)
    if at + length > len(payload):
        raise MessageError("text of %d bytes runs past the end" % length)
    # Bytes that are not ASCII are shown as "?": a damaged name is no reason to lose the message.
    return "".join([chr(byte) if 32 <= byte < 127 else "?" for byte in payload[at : at + length]]), at + length
