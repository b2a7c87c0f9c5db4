"""Serial ports seen here, and which of them may be a rig: by USB numbers first, by asking only where that is safe."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

KNOWN_BOARDS: dict[tuple[int, int | None], str] = {
    (0x2E8A, None): "Raspberry Pi microcontroller",
    (0x303A, None): "Espressif microcontroller",
    (0x10C4, 0xEA60): "CP210x bridge, as on many ESP32 boards",
    (0x1A86, 0x7523): "CH340 bridge, as on many ESP32 boards",
    (0x1A86, 0x55D4): "CH9102 bridge, as on many ESP32 boards",
    (0x0403, 0x6001): "FT232 bridge",
    (0xF055, None): "MicroPython board",
}
"""USB vendor and product (None: any) numbers that a board of ours may show. From the vendors' public lists."""

BRIDGE_VENDORS = (0x10C4, 0x1A86, 0x0403, 0x067B)
"""Vendors of USB to serial bridges."""


@dataclass(frozen=True)
class PortSeen:
    """One serial port of this computer. `kind` is None for a port that shows no numbers of a board of ours."""

    path: str
    description: str
    vendor: int | None
    product: int | None
    serial_number: str | None
    location: str | None
    kind: str | None

    @property
    def reason(self) -> str:
        """Why it would or would not be taken, in words."""
        if self.kind:
            return f"{self.kind}: may be a rig"
        if self.vendor is None:
            return "not a USB port: taken only if it is named with --port"
        numbers = f"USB {self.vendor:04x}:{self.product or 0:04x}"
        return f"{numbers} is no board known here: taken only if it is named with --port"


def list_ports(listing: Callable[[], Any] | None = None) -> list[PortSeen]:
    """All serial ports, likely rigs first. Opens none of them."""
    if listing is None:
        from serial.tools.list_ports import comports

        listing = comports
    seen = []
    for port in listing():
        kind = KNOWN_BOARDS.get((port.vid, port.pid)) or KNOWN_BOARDS.get((port.vid, None)) if port.vid else None
        # A computer shows dozens of ports of its own (ttyS0...) that lead nowhere; without hardware they say "n/a".
        if port.vid is None and (port.hwid or "n/a") == "n/a" and not port.device.startswith("/dev/ttyA"):
            continue
        seen.append(
            PortSeen(port.device, port.description or "", port.vid, port.pid, port.serial_number, port.location, kind)
        )
    return sorted(seen, key=lambda port: (port.kind is None, port.path))
