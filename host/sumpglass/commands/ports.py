"""`sumpglass ports`: serial ports seen here, and which of them is a rig."""

from __future__ import annotations

import argparse
import sys

from sumpglass.report.terminal_text import safe


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `ports`."""
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    parser.add_argument("--no-ask", action="store_true", help="only list, open no port")


def run(options: argparse.Namespace) -> int:
    """List the ports with the reason for taking each or not."""
    from sumpglass.report.as_json import print_json
    from sumpglass.workflows.ports import find_ports

    found = list(find_ports(ask=not options.no_ask))
    if options.json:
        fields = [
            {
                "path": port.path, "description": safe(port.description), "usb": port.usb, "is_rig": port.is_rig,
                "reason": port.reason, "board": port.board, "board_id": port.board_id, "firmware": port.firmware,
                "sensors": list(port.sensors),
            }
            for port in found
        ]  # fmt: skip
        print_json("ports", {"ports": fields, "warnings": []})
        return 0
    if not found:
        sys.stdout.write(
            "No serial port is seen here. Plug the rig in, or try the virtual one: sumpglass watch --virtual\n"
        )
    for port in found:
        sign = {True: "rig", False: " - ", None: " ? "}[port.is_rig]
        sys.stdout.write(f"{sign}  {safe(port.path)}  {safe(port.description)}\n")
        if port.is_rig:
            sys.stdout.write(
                f"     {safe(port.board or '')}, firmware {port.firmware}, {safe(', '.join(port.sensors))}\n"
            )
        else:
            sys.stdout.write(f"     {safe(port.reason)}\n")
    return 0
