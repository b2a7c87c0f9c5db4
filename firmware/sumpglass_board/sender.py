"""Blocks and messages to frames to the port, never waiting for a host that does not read."""

from time import ticks_diff, ticks_ms

from micropython import const

from sumpglass_wire import messages
from sumpglass_wire.frames import frame_buffer, payload_buffer, seal

_LOST_AFTER_MS = const(1000)
_MOST_WAITING = const(8)


class Sender:
    """One frame at a time is on its way (`busy`). `block` refuses while one is; `message` waits its turn."""

    def __init__(self, console, clock, payload=None):
        self._console = console
        self._clock = clock
        self.payload = payload or payload_buffer()
        """Used while a frame is made and free in between."""
        self._frame = frame_buffer()
        self._at = 0
        self._left = 0
        self._since = 0
        self._sequence = 0
        self._cut = False
        self._waiting = []
        self.dropped = 0
        self.host_lost = False

    @property
    def busy(self):
        """A frame is not yet out."""
        return self._left > 0

    def mark_start(self):
        """A 0x00 ends whatever was printed on the port before."""
        self._frame[0] = 0
        self._launch(1)

    def block(self, kind, channel, width, configuration, time_us, data, length):
        """A frame of `length` bytes of counts (or bins) from bytearray `data`. Only while not busy."""
        start = messages.begin_samples(self.payload, self._next(), time_us, channel, width, configuration, kind)
        self.payload[start : start + length] = memoryview(data)[:length]
        self._launch(seal(self.payload, start + length, self._frame))

    def message(self, kind, fields=None, time_us=None):
        """Send a message, after the frame that is on its way."""
        if self._left or self._waiting:
            if len(self._waiting) >= _MOST_WAITING:
                self._next()  # the gap in the numbers tells the host
                self.dropped += 1
                return
            self._waiting.append((kind, fields, time_us))
            return
        self._send(kind, fields, time_us)

    def pump(self):
        """Move on what is on its way; gives up on a frame that the port has not taken for a second."""
        if self._left:
            self._push()
        while self._waiting and not self._left:
            self._send(*self._waiting.pop(0))

    def flush(self, timeout_ms):
        """Wait until all is out, at most so long."""
        begun = ticks_ms()
        while self.busy or self._waiting:
            self.pump()
            if ticks_diff(ticks_ms(), begun) > timeout_ms:
                return
            if self.busy:
                self._console.wait_out(1)

    def _send(self, kind, fields, time_us):
        now = self._clock.now_us() if time_us is None else time_us
        length = messages.encode(self.payload, kind, self._next(), now, fields)
        self._launch(seal(self.payload, length, self._frame))

    def _next(self):
        sequence = self._sequence
        self._sequence = (sequence + 1) & 0xFFFF
        return sequence

    def _launch(self, length):
        self._at = 0
        self._left = length
        self._since = ticks_ms()
        self._push()

    def _push(self):
        if self._console.ready():
            if self._cut and not self._console.write(b"\x00", 0, 1):
                return
            self._cut = False
            taken = self._console.write(self._frame, self._at, self._left)
            if taken:
                self._at += taken
                self._left -= taken
                self._since = ticks_ms()
                self.host_lost = False
        if self._left and (self.host_lost or ticks_diff(ticks_ms(), self._since) > _LOST_AFTER_MS):
            # Half a frame may be out: a 0x00 in front of the next one keeps the damage to this one.
            self.host_lost = True
            self.dropped += 1
            self._cut = self._cut or self._at > 0
            self._left = 0
