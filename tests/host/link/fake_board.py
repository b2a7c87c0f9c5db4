"""A board of a few lines behind a pseudo-terminal, for faults that the real firmware does not make on demand."""

import contextlib
import json
import os
import pty
import threading
import time
import tty

from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import FrameReceiver, frame_buffer, payload_buffer, seal
from sumpglass_wire.messages import decode, encode

CHANNEL = {
    "channel": 0, "quantity": 1, "transfer": 1, "width": 2, "rate_millihertz": 1_000_000, "decimation": 1,
    "oversampling": 4, "offset": 0.0, "scale": 0.125, "range_low": -2000.0, "range_high": 2000.0,
    "resolution": 0.125, "counts_low": -16000, "counts_high": 16000, "zero_counts": float("nan"),
    "zero_sd_counts": float("nan"), "zero_age_s": wire.UNKNOWN_AGE, "part": "fake",
}  # fmt: skip

LINE = {"bore_mm": 4.0, "length_mm": 600.0, "volume_mm3": 1000.0}
SETTINGS = json.dumps({"name": "fake", "channels": [{"sensor": "analogue", "line": LINE}]}).encode()


class FakeBoard:
    """Answers requests and streams a ramp at 1 kHz. `path` is a link that follows it through an unplugging."""

    def __init__(self, folder, greeting=b"", major=1, silent=False, refuse=(), rate_hz=1000.0):
        self.path = os.path.join(folder, "port")
        self.greeting, self.major, self.silent, self.refuse = greeting, major, silent, refuse
        self.rate_hz = rate_hz
        self.boot_id, self.requests, self.sent = 0, [], 0
        self._stop = threading.Event()
        self.plug()

    def plug(self):
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        name = os.ttyname(self.slave)
        if os.path.lexists(self.path):
            os.unlink(self.path)
        os.symlink(name, self.path)
        self._boot()
        self._stop.clear()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def unplug(self):
        self._stop.set()
        self._thread.join()
        os.unlink(self.path)
        os.close(self.master)
        os.close(self.slave)

    def reset(self):
        """Start anew in mid-frame, without the port going away."""
        self.write(b"\x05half a fr")
        self._boot()

    def _boot(self):
        self.boot_id += 1
        self.began = time.monotonic()
        self.sequence, self.streaming, self.block = 0, False, 0
        self.receiver = FrameReceiver()

    def now_us(self):
        return int((time.monotonic() - self.began) * 1e6)

    def write(self, data):
        with contextlib.suppress(OSError):
            os.write(self.master, data)

    def send(self, kind, fields, time_us=None):
        payload, frame = payload_buffer(), frame_buffer()
        length = encode(payload, kind, self.sequence % 65536, self.now_us() if time_us is None else time_us, fields)
        payload[0] = 0xA0 + self.major
        self.sequence += 1
        self.write(bytes(frame[: seal(payload, length, frame)]))

    def identity(self):
        self.send(wire.IDENTITY, {
            "minor": 0, "board_id": b"\x00\x11\x22\x33\x44\x55\x66\x77", "firmware_digest": bytes(8),
            "boot_id": self.boot_id, "firmware_major": 0, "firmware_minor": 1, "firmware_patch": 0,
            "configuration": 1, "flags": 1, "board": "fake", "channels": [CHANNEL],
        })  # fmt: skip

    def button(self, number):
        """The button was pressed just now."""
        self.send(wire.MARK, {"number": number, "kind": 1})

    def _run(self):
        os.set_blocking(self.master, False)
        if self.greeting:
            self.write(self.greeting)
        while not self._stop.wait(0.005):
            try:
                data = os.read(self.master, 4096)
            except BlockingIOError:
                data = b""
            except OSError:
                continue
            for payload in self.receiver.feed(data):
                self._answer(decode(payload))
            while self.streaming and self.now_us() >= (self.block + 1) * 60_000 + self.first_us:
                counts = [(self.block * 60 + k) % 30000 - 15000 for k in range(60)]
                fields = {"channel": 0, "width": 2, "configuration": 1, "counts": counts}
                self.send(wire.SAMPLES, fields, self.first_us + self.block * 60_000)
                self.block += 1

    def _answer(self, request):
        self.requests.append(request["name"])
        if self.silent:
            return
        sequence, kind = request["sequence"], request["type"]
        if request["name"] in self.refuse:
            fields = {"request_sequence": sequence, "request_type": kind, "code": 4, "text": "rate: at most 1000 Hz"}
            self.send(wire.ERROR, fields)
        elif kind == wire.IDENTIFY:
            self.identity()
        elif kind == wire.TIME_ECHO:
            now = self.now_us()
            fields = {"request_sequence": sequence, "token": request["token"], "received_us": now}
            self.send(wire.TIME_ECHO_ANSWER, fields)
        elif kind == wire.READ_SETTINGS:
            offset = request["offset"]
            answer = {"total": len(SETTINGS), "offset": offset}
            data = SETTINGS[offset : offset + 40]
            self.send(wire.ANSWER, {"request_sequence": sequence, "request_type": kind, "answer": answer, "data": data})
        else:
            self.send(wire.ANSWER, {"request_sequence": sequence, "request_type": kind})
            if kind == wire.START:
                self.identity()
                self.streaming, self.block, self.first_us = True, 0, self.now_us()
            elif kind == wire.STOP:
                self.streaming = False

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if not self._stop.is_set():
            self.unplug()
