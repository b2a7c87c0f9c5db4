"""A rig on a serial port: opened, asked who it is, started, read on a thread, found again after it was unplugged."""

from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable
from typing import Any

from sumpglass.decode.items import Message
from sumpglass.decode.stream import StreamDecoder
from sumpglass.errors import DeviceError, SumpglassError, VersionError
from sumpglass.link.port_access import READ_WAIT_S, open_port, read_port
from sumpglass.link.ports import list_ports
from sumpglass.link.requests import RequestWriter
from sumpglass.link.source import Arrival, Chunk, Connection, SourceFacts
from sumpglass_wire import layouts as wire

TRY_AGAIN_S = 0.5
ANSWER_WAIT_S = 0.7
TRIES = 4
MOST_WAITING_BYTES = 32 << 20
"""What may wait for a reader that does not poll; beyond it the port is not read, and the board counts what it drops."""
UNPLUGGED = "the rig was unplugged"


class SerialSource:
    """A board behind `path`. `start` opens it and raises; after that trouble is told by `poll` as `Connection`.

    `rate_hz` and `decimation` ask the board for another rate; `restart` runs the hand-shake again after each opening.
    """

    def __init__(
        self,
        path: str,
        *,
        mode: str = "LIVE",
        rate_hz: float | None = None,
        decimation: int | None = None,
        channel: int = 0,
        on_close: Callable[[], None] | None = None,
    ) -> None:
        self.path = path
        self.facts = SourceFacts(path, mode)
        self.identity: Message | None = None
        self._rate_hz, self._decimation, self._channel = rate_hz, decimation, channel
        self._on_close = on_close
        self._writer = RequestWriter()
        self._writing = threading.Lock()
        self._port: Any = None
        self._usb: tuple[int | None, int | None, str | None] | None = None
        self._arrivals: deque[Arrival] = deque()
        self._waiting_bytes = 0
        self._came = threading.Condition()
        self._ending = threading.Event()
        self._restart = threading.Event()
        self._thread: threading.Thread | None = None

    # --- what a session calls ------------------------------------------------------------------------------------

    def start(self) -> SerialSource:
        """Open the port, learn who is there, start the stream. Raises DeviceError or VersionError."""
        try:
            self._open()
            self._shake_hands()
        except SumpglassError:
            self.close()
            raise
        self._thread = threading.Thread(target=self._run, name="port", daemon=True)
        self._thread.start()
        return self

    def poll(self, wait_s: float = 0.0) -> list[Arrival]:
        """What came since the last call."""
        with self._came:
            if not self._arrivals and wait_s > 0:
                self._came.wait(wait_s)
            arrivals = list(self._arrivals)
            self._arrivals.clear()
            self._waiting_bytes = 0
        return arrivals

    def request(self, kind: int, fields: dict[str, Any] | None = None) -> int | None:
        """Send a request; its sequence number, or None while the board is away."""
        with self._writing:
            sequence, frame = self._writer.frame(kind, fields)
            port = self._port
            if port is None:
                return None
            try:
                port.write(frame)
            except (OSError, ValueError):
                # The reading thread meets the same trouble and tells it.
                return None
            return sequence

    def restart(self) -> None:
        """The stream has stopped though the port is there (the board was reset): shake hands again, soon."""
        self._restart.set()

    def close(self) -> None:
        """Stop the stream, so that the board rests, and let go of the port."""
        if not self._ending.is_set():
            if self._port is not None:
                self.request(wire.STOP)
            self._ending.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(2.0)
        self._shut()
        if self._on_close is not None:
            on_close, self._on_close = self._on_close, None
            on_close()

    # --- opening -------------------------------------------------------------------------------------------------

    def _open(self) -> None:
        self._port = open_port(self.path)
        self._writer.begin_anew()
        mine = next((port for port in list_ports() if port.path == self.path), None)
        if mine is not None and mine.vendor is not None:
            self._usb = (mine.vendor, mine.product, mine.serial_number)

    def _shut(self) -> None:
        port, self._port = self._port, None
        if port is not None:
            # Gone already is as good as closed.
            with contextlib.suppress(OSError):
                port.close()

    def _shake_hands(self) -> None:
        """IDENTIFY, the settings, the wanted rate, START; everything that comes meanwhile is kept as arrivals."""
        decoder = StreamDecoder()
        self.identity = self._ask(decoder, wire.IDENTIFY, None, "identity")
        self._read_settings(decoder)
        if self._rate_hz is not None or self._decimation is not None:
            fields = {
                "channel": self._channel,
                "rate_millihertz": round((self._rate_hz or 0) * 1000),
                "decimation": self._decimation or 1,
                "form": 1 if (self._decimation or 1) > 1 else 0,
            }
            self._ask(decoder, wire.SET_RATE, fields, "answer")
        self._ask(decoder, wire.START, {"channel_mask": 0}, "answer")

    def _read_settings(self, decoder: StreamDecoder) -> None:
        """Let the board tell its settings, so that a recording holds how the rig was built (hose, zero, part)."""
        offset, total = 0, 1
        while offset < total:
            try:
                answer = self._ask(decoder, wire.READ_SETTINGS, {"offset": offset}, "answer")
            except DeviceError as error:
                if UNPLUGGED in str(error):
                    raise
                # A board that does not tell them still measures: only the hose stays unknown.
                return
            told = answer.fields.get("answer")
            if not told or not answer.fields["data"]:
                return
            total = told["total"]
            offset += len(answer.fields["data"])

    def _ask(self, decoder: StreamDecoder, kind: int, fields: dict[str, Any] | None, wanted: str) -> Message:
        """Ask until there is the wanted message. Raises DeviceError for a refusal or silence."""
        for _ in range(TRIES):
            sequence = self.request(kind, fields)
            until = time.monotonic() + ANSWER_WAIT_S
            while time.monotonic() < until:
                for item in decoder.feed(self._read()):
                    if not isinstance(item, Message):
                        continue
                    if item.name == "error" and item.fields["request_sequence"] == sequence:
                        text = item.fields["text"] or wire.ERROR_CODES.get(item.fields["code"], "no reason given")
                        raise DeviceError(f"{self.path}: the board refuses to {wire.NAMES[kind]}: {text}")
                    if item.name == wanted and item.fields.get("request_sequence", sequence) == sequence:
                        return item
                if decoder.refusal:
                    raise VersionError(f"{self.path}: {decoder.refusal}")
        seen = "bytes came, but no frame of ours" if decoder.counts.damaged or decoder.pending else "nothing came"
        raise DeviceError(
            f"{self.path}: no rig answers here ({seen}): check that this is its port and that the firmware is on it "
            "(sumpglass ports, sumpglass rig deploy)"
        )

    # --- reading -------------------------------------------------------------------------------------------------

    def _read(self) -> bytes:
        """What comes within `READ_WAIT_S`, noted as an arrival with its moment. Raises DeviceError when unplugged."""
        try:
            data = read_port(self._port, READ_WAIT_S)
        except (OSError, TypeError, AttributeError, ValueError) as error:
            # pyserial's SerialException is an OSError; the others are what comes of a port closed under a read.
            raise DeviceError(f"{self.path}: {UNPLUGGED} ({error})") from None
        if data:
            self._hand_over(Chunk(data, time.monotonic()))
        return data

    def _hand_over(self, arrival: Arrival) -> None:
        with self._came:
            self._arrivals.append(arrival)
            if isinstance(arrival, Chunk):
                self._waiting_bytes += len(arrival.data)
            self._came.notify()

    def _run(self) -> None:
        while not self._ending.is_set():
            try:
                if self._restart.is_set():
                    self._start_again()
                elif self._waiting_bytes > MOST_WAITING_BYTES:
                    self._ending.wait(READ_WAIT_S)
                else:
                    self._read()
            except DeviceError:
                if not self._ending.is_set():
                    self._lost()

    def _start_again(self) -> None:
        self._restart.clear()
        try:
            self._shake_hands()
        except (DeviceError, VersionError) as error:
            if not self._port.is_open or UNPLUGGED in str(error):
                raise
            self._hand_over(Connection(False, str(error)))
        else:
            self._hand_over(Connection(True))

    def _lost(self) -> None:
        """Tell it, then try until the port is back: under the same path, or another if its USB serial number agrees."""
        self._shut()
        self._hand_over(
            Connection(False, f"the rig at {self.path} is gone: plug it in again, it will be found", gone=True)
        )
        while not self._ending.wait(TRY_AGAIN_S):
            self.path = self._where_now()
            try:
                self._open()
                self._hand_over(Connection(True, None, fresh=True))
                self._shake_hands()
                return
            except SumpglassError as error:
                self._shut()
                self._hand_over(Connection(False, str(error), gone=True))

    def _where_now(self) -> str:
        if self._usb is None:
            return self.path
        for port in list_ports():
            if (port.vendor, port.product, port.serial_number) == self._usb:
                return port.path
        return self.path


def probe(path: str) -> Message:
    """Ask who is at `path` and let go of it; disturbs a board of ours in nothing. Raises DeviceError, VersionError."""
    source = SerialSource(path)
    source._port = open_port(path)
    try:
        return source._ask(StreamDecoder(), wire.IDENTIFY, None, "identity")
    finally:
        source._shut()
