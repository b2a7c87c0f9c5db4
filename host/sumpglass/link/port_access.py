"""Opening a serial port without resetting the board behind it, and reading what has come."""

from __future__ import annotations

import io
import os
import select
from typing import Any

from sumpglass.errors import DeviceError
from sumpglass.link.ports import BRIDGE_VENDORS, list_ports

BAUD = 115200
"""USB ports ignore it; bridges on ESP32 boards do not."""
READ_BYTES = 4096
READ_WAIT_S = 0.25
WRITE_WAIT_S = 1.0
DIRECT = os.name == "posix"
"""Whether the system reads ports and files alike."""


def read_port(port: Any, wait_s: float) -> bytes:
    """What has come at an open `port`, at most `READ_BYTES`; waits at most `wait_s` for the first byte.

    Raises OSError when the port is gone. Where the system lets it, one call to wait and one to read: pyserial's own way
    to the same bytes makes five, and costs more than all decoding of a live stream.
    """
    descriptor = _descriptor(port)
    if descriptor is None:
        port.timeout = wait_s
        data: bytes = port.read(1)
        more = port.in_waiting if data else 0
        return data + port.read(min(more, READ_BYTES)) if more else data
    if not select.select((descriptor,), (), (), wait_s)[0]:
        return b""
    try:
        data = os.read(descriptor, READ_BYTES)
    except BlockingIOError:
        # A socket may turn out empty after all.
        return b""
    if not data:
        raise OSError("the port is ready but gives nothing")
    return data


def _descriptor(port: Any) -> int | None:
    if not DIRECT:
        return None
    try:
        number: int = port.fileno()
    except io.UnsupportedOperation:
        # A port behind a protocol of its own, such as RFC 2217.
        return None
    return number


def open_port(path: str) -> Any:
    """Open a port without resetting the board behind it. Raises DeviceError with what to do."""
    import serial

    try:
        # "socket://host:port" and the like are for boards that are emulated or behind another computer.
        port = serial.serial_for_url(path, do_not_open=True) if "://" in path else serial.Serial()
    except ValueError as error:
        raise DeviceError(f"{path}: is no port that can be opened ({error}): run `sumpglass ports`") from None
    port.port = path
    port.baudrate = BAUD
    port.timeout = READ_WAIT_S
    port.write_timeout = WRITE_WAIT_S
    if "://" not in path:
        port.exclusive = True
    if is_bridge(path):
        # On boards with a bridge these two lines reset the chip. A board's own USB wants DTR: it tells it who listens.
        port.dtr = port.rts = False
    try:
        port.open()
    except FileNotFoundError:
        raise DeviceError(f"{path}: there is no such port: run `sumpglass ports` to see which there are") from None
    except (OSError, ValueError) as error:
        raise DeviceError(f"{path}: cannot be opened ({_reason(error)}): {_advice(error)}") from None
    return port


def is_bridge(path: str) -> bool:
    """True for a USB to serial bridge, by its name (links followed) or its USB numbers."""
    real = os.path.realpath(path)
    name = os.path.basename(real)
    if name.startswith("ttyUSB") or "usbserial" in name or "SLAB_USB" in name or "wchusb" in name:
        return True
    return any(port.vendor in BRIDGE_VENDORS for port in list_ports() if port.path in (path, real))


def _reason(error: Exception) -> str:
    number = getattr(error, "errno", None)
    if isinstance(error, ValueError) or "(25," in str(error):  # not a terminal: pyserial hides the number in its text
        return "it is no serial port"
    words = {2: "there is no such port", 13: "permission denied", 16: "busy", 11: "busy"}
    return words.get(number or 0, str(error).split("\n")[0])


def _advice(error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number == 13:
        return "put yourself into the group that owns it (often dialout) and log in again"
    if number in (11, 16):
        return "close the other program that uses it"
    if number == 2:
        return "run `sumpglass ports` to see which there are"
    return "check the cable and the port's name"
