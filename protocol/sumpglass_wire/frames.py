"""Frames: payload, CRC-32 after it, COBS, and 0x00 as the end. See WIRE.md, "Frames"."""

from binascii import crc32

from sumpglass_wire.cobs import decode_into, encode_into, longest_encoded

LONGEST_PAYLOAD = 512
CRC_LENGTH = 4
LONGEST_FRAME = longest_encoded(LONGEST_PAYLOAD + CRC_LENGTH) + 1


def payload_buffer():
    """A bytearray that `seal` can take: the longest payload and room for its CRC."""
    return bytearray(LONGEST_PAYLOAD + CRC_LENGTH)


def frame_buffer():
    """A bytearray that holds any frame, its ending 0x00 included."""
    return bytearray(LONGEST_FRAME)


def seal(payload, length, frame):
    """Put the CRC after the first `length` bytes of `payload`, and the whole as a frame into `frame`.

    Returns the frame's length with its ending 0x00. Allocates nothing that grows with the payload.
    Raises ValueError for a payload that is empty or longer than LONGEST_PAYLOAD.
    """
    if length < 1 or length > LONGEST_PAYLOAD:
        raise ValueError("payload of %d bytes, expected 1 to %d" % (length, LONGEST_PAYLOAD))
    check = crc32(memoryview(payload)[:length]) & 0xFFFFFFFF
    payload[length] = check & 0xFF
    payload[length + 1] = (check >> 8) & 0xFF
    payload[length + 2] = (check >> 16) & 0xFF
    payload[length + 3] = check >> 24
    end = encode_into(payload, length + CRC_LENGTH, frame)
    frame[end] = 0
    return end + 1


def open_frame(frame, start, stop, payload):
    """Decode `frame[start:stop]` (its ending 0x00 left out) into `payload`; returns the payload's length.

    Returns -1 when the frame is damaged: not COBS, too short, too long, or its CRC does not agree.
    """
    length = decode_into(frame, start, stop, payload) - CRC_LENGTH
    if length < 1:
        return -1
    told = (
        payload[length] | payload[length + 1] << 8 | payload[length + 2] << 16 | payload[length + 3] << 24
    ) & 0xFFFFFFFF
    if crc32(memoryview(payload)[:length]) & 0xFFFFFFFF != told:
        return -1
    return length


def __getattr__(name):
    """`FrameReceiver`, loaded when it is first asked for: a board never asks, and its memory is small."""
    if name != "FrameReceiver":
        raise AttributeError(name)
    from sumpglass_wire.receiver import FrameReceiver

    return FrameReceiver
