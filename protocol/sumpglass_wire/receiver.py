"""Frames out of bytes as they come, for whoever reads a stream; the board reads its few requests byte by byte."""

from sumpglass_wire.frames import LONGEST_FRAME, open_frame, payload_buffer


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
