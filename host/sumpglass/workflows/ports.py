"""Which serial ports there are, and which of them is a rig, found out without disturbing what is none."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sumpglass.errors import SumpglassError
from sumpglass.link.ports import list_ports


@dataclass(frozen=True)
class PortFound:
    """A port, whether it is a rig, and why it is taken for one or not."""

    path: str
    description: str
    usb: str | None
    """"2e8a:0005", None where it is no USB port."""
    is_rig: bool | None
    """None: it was not asked."""
    reason: str
    board: str | None = None
    board_id: str | None = None
    firmware: str | None = None
    sensors: tuple[str, ...] = ()


def find_ports(ask: bool = True) -> Iterator[PortFound]:
    """All ports, likely rigs first. Only ports with the USB numbers of a known board are opened and asked."""
    for port in list_ports():
        usb = None if port.vendor is None else f"{port.vendor:04x}:{port.product or 0:04x}"
        if not (ask and port.kind):
            yield PortFound(port.path, port.description, usb, None, port.reason)
            continue
        from sumpglass.link.serial_port import probe

        try:
            fields = probe(port.path).fields
        except SumpglassError as error:
            yield PortFound(port.path, port.description, usb, False, str(error))
            continue
        version = f"{fields['firmware_major']}.{fields['firmware_minor']}.{fields['firmware_patch']}"
        yield PortFound(
            port.path, port.description, usb, True, "a rig of ours answers here",
            fields["board"], fields["board_id"].hex(), version, tuple(c["part"] for c in fields["channels"]),
        )  # fmt: skip
