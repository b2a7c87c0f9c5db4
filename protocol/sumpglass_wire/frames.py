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


class FrameReceiver:
    """Bytes in, payloads out; keeps at most one frame's worth of bytes whatever comes in.

    Knows no port and no clock. Frames that are damaged or too long are counted and skipped; whatever stands after
    the next 0x00 is read as if nothing had happened.
    """

    def __init__(self):
        self._held = bytearray(LONGEST_FRAME)
        self._payload = payload_buffer()
        self._overlong = False
        self.pending = 0
        """Bytes of an unfinished frame that are held; 0 at the start of a frame."""
        self.damaged = 0
        """Frames that were not COBS, were too long, or whose CRC did not agree."""

    def feed(self, chunk):
        """Take bytes as they come; returns a list of the payloads (bytes) that they complete."""
        payloads = []
        start = 0
        end = len(chunk)
        view = memoryview(chunk)
        while start < end:
            zero = chunk.find(b"\x00", start)
            stop = end if zero < 0 else zero
            self._hold(view, start, stop)
            if zero < 0:
                break
            payload = self._close()
            if payload is not None:
                payloads.append(payload)
            start = zero + 1
        return payloads

    def drop(self):
        """Forget the bytes of an unfinished frame."""
        self.pending = 0
        self._overlong = False

    def _hold(self, view, start, stop):
        count = stop - start
        if self._overlong or self.pending + count > LONGEST_FRAME:
            self._overlong = True
            return
        self._held[self.pending : self.pending + count] = view[start:stop]
        self.pending += count

    def _close(self):
        pending = self.pending
        overlong = self._overlong
        self.drop()
        if overlong:
            self.damaged += 1
            return None
        if pending == 0:
            # 0x00 after 0x00 is no frame: senders put one in front of the first frame to end what noise began.
            return None
        length = open_frame(self._held, 0, pending, self._payload)
        if length < 0:
            self.damaged += 1
            return None
        return bytes(memoryview(self._payload)[:length])
