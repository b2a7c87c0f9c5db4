"""One rig, more than one screen: the bytes off the wire passed on to other processes of this computer.

A Unix socket in a folder that only its owner may enter. To a screen that joins goes the last minute, then whatever
comes; back come marks, if they are allowed. A screen that cannot keep up is let go, the recording is never held up.

    bytes       kind (1), length (4, little endian), payload
    H           facts as JSON: mode, subject, cylinders, zero
    C           received_s (8, double, host's monotonic clock), then bytes as they came
    M           a mark as JSON: key, text, origin, board_us, t_s
    m           (from the screen) text of a mark to be set
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import socket
import struct
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any

from sumpglass.errors import DeviceError
from sumpglass.link.source import Arrival, Chunk, End, SourceFacts
from sumpglass.records import Mark, Zero

KEPT_S = 60.0
MOST_PAYLOAD = 1 << 20
SEND_PATIENCE_S = 2.0
_HEAD = struct.Struct("<cI")
_RECEIVED = struct.Struct("<d")


def packed(kind: bytes, payload: bytes) -> bytes:
    """One message."""
    return _HEAD.pack(kind, len(payload)) + payload


def read_message(stream: Any) -> tuple[bytes, bytes] | None:
    """The next message from a buffered reader, None at its end. Raises DeviceError for what is none."""
    head = stream.read(_HEAD.size)
    if len(head) < _HEAD.size:
        return None
    kind, length = _HEAD.unpack(head)
    if length > MOST_PAYLOAD:
        raise DeviceError("the other end of the second screen's socket is not a sumpglass: start `watch --serve` again")
    payload = stream.read(length)
    return (kind, payload) if len(payload) == length else None


class RelayServer:
    """Passes on what it is given. All methods may be called from any thread."""

    def __init__(self, facts: dict[str, Any], marks_allowed: bool = False, on_join: Callable[[], object] | None = None):
        self._facts = packed(b"H", json.dumps(facts).encode())
        self._marks_allowed = marks_allowed
        self.on_join = on_join
        """Called when a screen has joined: the board is then asked who it is, which the screen must hear."""
        self.marks_asked: deque[str] = deque()
        """Texts of marks that screens asked for."""
        self._kept: deque[tuple[float, bytes]] = deque()
        self._screens: list[socket.socket] = []
        self._lock = threading.Lock()
        self._folder = tempfile.mkdtemp(prefix="sumpglass-relay-")
        self.path = os.path.join(self._folder, "relay")
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._listener.bind(self.path)
        self._listener.listen()
        threading.Thread(target=self._welcome, name="relay", daemon=True).start()

    @property
    def screens(self) -> int:
        """How many are watching."""
        return len(self._screens)

    def append(self, data: bytes, received_s: float) -> None:
        """Bytes as they came off the wire."""
        message = packed(b"C", _RECEIVED.pack(received_s) + data)
        with self._lock:
            self._kept.append((received_s, message))
            while self._kept and received_s - self._kept[0][0] > KEPT_S:
                self._kept.popleft()
            self._send(message)

    def mark(self, key: str, mark: Mark, board_us: int | None) -> None:
        """A mark that was set or named."""
        fields = {"key": key, "text": mark.text, "origin": mark.origin, "board_us": board_us, "t_s": mark.t_s}
        message = packed(b"M", json.dumps(fields).encode())
        with self._lock:
            self._kept.append((time.monotonic(), message))
            self._send(message)

    def close(self) -> None:
        """Let go of all screens."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        with self._lock:
            for screen in list(self._screens):
                self._let_go(screen)
        shutil.rmtree(self._folder, ignore_errors=True)

    def _send(self, message: bytes) -> None:
        for screen in list(self._screens):
            try:
                screen.sendall(message)
            except OSError:
                self._let_go(screen)

    def _let_go(self, screen: socket.socket) -> None:
        if screen in self._screens:
            self._screens.remove(screen)
        with contextlib.suppress(OSError):
            screen.shutdown(socket.SHUT_RDWR)
        screen.close()

    def _welcome(self) -> None:
        while True:
            try:
                screen, _ = self._listener.accept()
            except OSError:
                return
            screen.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, struct.pack("ll", int(SEND_PATIENCE_S), 0))
            with self._lock:
                self._screens.append(screen)
                try:
                    screen.sendall(self._facts + b"".join(message for _, message in self._kept))
                except OSError:
                    self._let_go(screen)
                    continue
            if self.on_join is not None:
                self.on_join()
            threading.Thread(target=self._listen, args=(screen,), name="relay screen", daemon=True).start()

    def _listen(self, screen: socket.socket) -> None:
        with contextlib.suppress(OSError, DeviceError, ValueError), screen.makefile("rb") as stream:
            while (message := read_message(stream)) is not None:
                if message[0] == b"m" and self._marks_allowed:
                    self.marks_asked.append(message[1].decode("utf-8", "replace")[:200])
        with self._lock:
            self._let_go(screen)


class RelaySource:
    """The other end: a source for a session in another process."""

    def __init__(self, path: str) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        try:
            self._socket.connect(path)
            self._stream = self._socket.makefile("rb")
            first = read_message(self._stream)
        except OSError as error:
            self._socket.close()
            raise DeviceError(f"{path}: nobody passes a rig on here: start `sumpglass watch --serve`") from error
        if first is None or first[0] != b"H":
            raise DeviceError(f"{path}: no rig is passed on here: start `sumpglass watch --serve`")
        told = json.loads(first[1])
        zero = None if told.get("zero") is None else Zero(*told["zero"])
        self.facts = SourceFacts(
            told["name"], told["mode"], zero=zero, cylinders=told.get("cylinders"), subject=told["subject"]
        )
        self.marks: deque[dict[str, Any]] = deque()
        self._arrivals: deque[Arrival] = deque()
        self._came = threading.Event()
        threading.Thread(target=self._read, name="relay source", daemon=True).start()

    def poll(self, wait_s: float = 0.0) -> list[Arrival]:
        """What came since the last call."""
        if not self._arrivals and wait_s > 0:
            self._came.wait(wait_s)
        self._came.clear()
        arrivals = []
        while self._arrivals:
            arrivals.append(self._arrivals.popleft())
        return arrivals

    def request(self, kind: int, fields: dict[str, Any] | None = None) -> int | None:
        """The board belongs to the first screen."""
        del kind, fields
        return None

    def restart(self) -> None:
        """The board belongs to the first screen."""

    def ask_mark(self, text: str) -> None:
        """Ask the first screen to set a mark; it does so only if that was allowed."""
        with contextlib.suppress(OSError):
            self._socket.sendall(packed(b"m", text.encode()))

    def close(self) -> None:
        """Leave."""
        with contextlib.suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()

    def _read(self) -> None:
        with contextlib.suppress(OSError, DeviceError, ValueError):
            while (message := read_message(self._stream)) is not None:
                kind, payload = message
                if kind == b"C":
                    (received_s,) = _RECEIVED.unpack(payload[: _RECEIVED.size])
                    self._arrivals.append(Chunk(payload[_RECEIVED.size :], received_s))
                elif kind == b"M":
                    self.marks.append(json.loads(payload))
                self._came.set()
        self._arrivals.append(End("the first screen has stopped watching"))
        self._came.set()
