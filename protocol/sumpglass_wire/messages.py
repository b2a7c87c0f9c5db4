"""Messages to payloads and back. Fields are dicts by the names of `layouts`; see WIRE.md for their meaning.

Encoders fill the caller's buffer and return a length. Decoders check every length before they use it and raise
`MessageError`, never anything else, whatever the bytes are.
"""

import struct

from sumpglass_wire import layouts as L


class MessageError(ValueError):
    """The payload is no message of this protocol: says what was found."""


class UnknownType(MessageError):
    """A message type that this version does not know: to be counted and skipped."""


class OtherVersion(MessageError):
    """A payload of another major version of the protocol; `major` tells which."""

    def __init__(self, major):
        super().__init__(
            "the other side speaks version %d of the wire protocol and this side version %d: "
            "put the matching firmware on the board (sumpglass rig deploy) or update this program" % (major, L.MAJOR),
        )
        self.major = major


def encode(payload, kind, sequence, time_us, fields=None):
    """Write one message into bytearray `payload`; returns its length.

    `fields` has the names of `layouts.BODIES[kind]`; identity also `board` (text) and `channels` (list of dicts with
    the names of `layouts.CHANNEL_FIELDS` and `part`, text); status also `faults`; samples `channel`, `width` and
    `counts`; bins `channel`, `width` and `bins`; error `text`; write_settings `data`; answer `answer` and `data`.
    Raises MessageError for a value that does not fit.
    """
    try:
        struct.pack_into(L.HEADER, payload, 0, L.VERSION_BYTE, kind, sequence, time_us)
        return _encode_body(payload, kind, fields or {})
    except (KeyError, IndexError, TypeError, OverflowError, struct.error, ValueError) as problem:
        if isinstance(problem, MessageError):
            raise
        raise MessageError("message 0x%02x: %s" % (kind, problem))


def begin_samples(payload, sequence, time_us, channel, width, configuration, kind=L.SAMPLES):
    """Header of a samples (or bins) message; returns the index at which the counts begin. For the board's fast path."""
    struct.pack_into(L.HEADER, payload, 0, L.VERSION_BYTE, kind, sequence, time_us)
    payload[L.HEADER_LENGTH] = channel | width << 4
    payload[L.HEADER_LENGTH + 1] = configuration
    return L.HEADER_LENGTH + 2


def decode(payload, named=True):
    """The message in `payload` (bytes) as a dict with `type`, `name`, `sequence`, `time_us` and its fields.

    A board leaves the name out (`named=False`), and with it the tables of words.

    Raises OtherVersion, UnknownType, or MessageError for wrong lengths.
    """
    kind, sequence, time_us = decode_header(payload)
    if kind not in L.BODIES:
        raise UnknownType("message type 0x%02x" % kind)
    form, names = L.BODIES[kind]
    at = L.HEADER_LENGTH
    what = "message 0x%02x" % kind
    fields, at = unpack_fields(form, names, payload, at, what)
    fields["type"] = kind
    if named:
        fields["name"] = L.NAMES[kind]
    fields["sequence"] = sequence
    fields["time_us"] = time_us
    at = _decode_tail(payload, kind, fields, at)
    if at != len(payload):
        raise MessageError("%s: %d bytes too many" % (what, len(payload) - at))
    return fields


def decode_header(payload):
    """Type, sequence and time of a payload. Raises OtherVersion or MessageError."""
    if len(payload) < L.HEADER_LENGTH:
        raise MessageError("payload of %d bytes, expected %d or more" % (len(payload), L.HEADER_LENGTH))
    version, kind, sequence, time_us = struct.unpack_from(L.HEADER, payload, 0)
    if version != L.VERSION_BYTE:
        if version & 0xF0 == 0xA0:
            raise OtherVersion(version & 0x0F)
        raise MessageError("first byte 0x%02x is no protocol version" % version)
    return kind, sequence, time_us


def request_sequence(number):
    """The `number`-th sequence number of a host (0, 1, 2 ...): never one whose low byte is zero, nor one with a 3.

    So no request begins, after COBS, with 0x01 to 0x03, and a Ctrl-C typed at the port is told from a request.
    """
    low = 1 + number % 254
    high = number // 254 % 255
    return low + (low > 2) + (high + (high > 2) << 8)


def _encode_body(payload, kind, fields):
    at = L.HEADER_LENGTH
    form, names = L.BODIES[kind]
    if kind == L.SAMPLES or kind == L.BINS:
        payload[at] = fields["channel"] | fields["width"] << 4
        payload[at + 1] = fields["configuration"]
        from sumpglass_wire.tails import encode_blocks  # a board fills its blocks by `begin_samples`

        return encode_blocks(payload, at + 2, kind, fields)
    at = pack_fields(form, names, payload, at, fields)
    if kind == L.IDENTITY:
        at = _put_text(payload, at, fields["board"])
        at = _put_count(payload, at, fields["channels"], L.MOST_CHANNELS)
        for channel in fields["channels"]:
            at = pack_fields(L.CHANNEL, L.CHANNEL_FIELDS, payload, at, channel)
            at = _put_text(payload, at, channel["part"])
    elif kind == L.STATUS:
        at = _put_count(payload, at, fields["faults"], 16)
        for fault in fields["faults"]:
            at = pack_fields(L.FAULT, L.FAULT_FIELDS, payload, at, fault)
    elif kind == L.ERROR:
        at = _put_text(payload, at, fields["text"])
    elif kind == L.WRITE_SETTINGS:
        at = _put_data(payload, at, fields["data"])
    elif kind == L.ANSWER:
        answer = L.ANSWER_BODIES.get(fields["request_type"])
        if answer:
            at = pack_fields(answer[0], answer[1], payload, at, fields["answer"])
        at = _put_data(payload, at, fields.get("data", b""))
    return at


def _decode_tail(payload, kind, fields, at):
    if kind == L.WRITE_SETTINGS:
        fields["data"] = bytes(payload[at:])
        return len(payload)
    if kind in L.WITH_TAIL:
        from sumpglass_wire.tails import decode_tail  # a board is never told such a message

        return decode_tail(payload, kind, fields, at)
    return at


def pack_fields(form, names, payload, at, fields):
    size = struct.calcsize(form)
    if size:
        struct.pack_into(form, payload, at, *[fields[name] for name in names])
    return at + size


def unpack_fields(form, names, payload, at, what):
    size = struct.calcsize(form)
    if at + size > len(payload):
        raise MessageError("%s: ends after %d bytes, expected %d more" % (what, len(payload), at + size - len(payload)))
    if not size:
        return {}, at
    return dict(zip(names, struct.unpack_from(form, payload, at))), at + size


def _put_count(payload, at, items, most):
    if len(items) > most:
        raise MessageError("%d items, at most %d" % (len(items), most))
    payload[at] = len(items)
    return at + 1


def _put_text(payload, at, text):
    raw = text.encode()[: L.LONGEST_TEXT]
    payload[at] = len(raw)
    return _put_bytes(payload, at + 1, raw)


def _put_data(payload, at, data):
    if len(data) > L.LONGEST_DATA:
        raise MessageError("%d bytes of data, at most %d" % (len(data), L.LONGEST_DATA))
    return _put_bytes(payload, at, data)


def _put_bytes(payload, at, raw):
    if at + len(raw) > len(payload):
        raise MessageError("does not fit into %d bytes" % len(payload))
    payload[at : at + len(raw)] = raw
    return at + len(raw)
