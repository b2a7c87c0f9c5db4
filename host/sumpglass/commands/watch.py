"""`sumpglass watch`: live vacuum or pressure from the rig, recorded as it comes."""

from __future__ import annotations

import argparse
import math
import sys
from typing import TYPE_CHECKING

from sumpglass.commands.replay import add_look, look
from sumpglass.errors import InputError

if TYPE_CHECKING:
    from sumpglass.workflows.session import Session
    from sumpglass.workflows.watch_request import WatchRequest


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `watch`."""
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--port", metavar="P", help="serial port of the rig; without it the one that looks like a rig")
    which.add_argument(
        "--virtual",
        nargs="?",
        const="leak-test",
        metavar="SCENARIO",
        help="the built-in virtual rig, no hardware needed",
    )
    parser.add_argument("--out", metavar="FILE", help="casebook to record to; without it a new one in this folder")
    parser.add_argument("--no-record", action="store_true", help="write nothing")
    parser.add_argument("--subject", default="", metavar="WORDS", help="what is being watched, for the casebook")
    parser.add_argument("--cylinders", type=int, metavar="N", help="for engine speed, four-stroke")
    parser.add_argument("--zero-pa", type=float, metavar="X", help="what the rig reads open to the room")
    parser.add_argument(
        "--serve", nargs="?", const="127.0.0.1:8080", metavar="HOST:PORT", help="show the dashboard on a phone, too"
    )
    parser.add_argument("--serve-marks", action="store_true", help="let the second screen set marks")
    parser.add_argument("--follow", metavar="SOCKET", help=argparse.SUPPRESS)
    parser.add_argument("--rate-hz", type=float, metavar="R", help="ask the board for another rate")
    add_look(parser)


def run(options: argparse.Namespace) -> int:
    """Show the dashboard until the person leaves; then say where the recording is."""
    from sumpglass.tui.run import run_dashboard
    from sumpglass.workflows.watch_request import WatchRequest

    check(options)
    if options.follow:
        return _follow(options)
    request = WatchRequest(
        port=options.port,
        scenario=options.virtual,
        out=options.out,
        record=not options.no_record,
        cylinders=options.cylinders,
        zero_pa=options.zero_pa,
        rate_hz=options.rate_hz,
        subject=options.subject,
        serve=serve_address(options.serve) if options.serve else None,
        serve_marks=options.serve_marks,
    )
    written: list[str] = []
    status = run_dashboard(lambda: open_request(request), look(options), request, written)
    for name in written:
        sys.stdout.write(f"recorded to {name}; `sumpglass replay {name}` shows it again\n")
    return status


def _follow(options: argparse.Namespace) -> int:
    """A second screen, started by the server for each that opens the page."""
    import dataclasses

    from sumpglass.tui.run import run_second_screen

    settings = dataclasses.replace(look(options), watch_only=not options.serve_marks, muted=True)
    return run_second_screen(options.follow, settings)


def serve_address(text: str) -> tuple[str, int]:
    """Host and port of "HOST:PORT" or "PORT". Raises InputError."""
    host, _, port = text.rpartition(":")
    if not (port.isdigit() and 0 < int(port) < 65536):
        raise InputError(f"--serve is {text!r}, expected HOST:PORT or PORT, such as 127.0.0.1:8080")
    return host.strip("[]") or "127.0.0.1", int(port)


def open_request(request: WatchRequest) -> Session:
    """Called on the feed's thread, after the first paint: what a session needs is loaded only then."""
    from sumpglass.workflows.watch import watch

    return watch(request)


def check(options: argparse.Namespace) -> None:
    """Values that argparse cannot judge. Raises InputError."""
    if options.cylinders is not None and not 1 <= options.cylinders <= 8:
        raise InputError(f"--cylinders is {options.cylinders}, expected 1 to 8")
    if options.zero_pa is not None and not math.isfinite(options.zero_pa):
        raise InputError(f"--zero-pa is {options.zero_pa:g}, expected a plain number of pascals")
    if options.rate_hz is not None and not 1 <= options.rate_hz <= 10000:
        raise InputError(f"--rate-hz is {options.rate_hz:g}, expected 1 to 10000")
    if options.virtual is not None:
        from sumpglass.simulate.orchard import scenario_named

        scenario_named(options.virtual)
