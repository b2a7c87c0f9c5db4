"""`sumpglass watch`: live vacuum or pressure from the rig, recorded as it comes."""

from __future__ import annotations

import argparse
import sys

from sumpglass.commands.live_options import add_live, check_live, live_request, open_request
from sumpglass.commands.replay import add_look, look
from sumpglass.errors import InputError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `watch`."""
    add_live(parser, "what is being watched")
    parser.add_argument(
        "--serve", nargs="?", const="127.0.0.1:8080", metavar="HOST:PORT", help="show the dashboard on a phone, too"
    )
    parser.add_argument("--serve-marks", action="store_true", help="let the second screen set marks")
    parser.add_argument("--follow", metavar="SOCKET", help=argparse.SUPPRESS)
    add_look(parser)


def run(options: argparse.Namespace) -> int:
    """Show the dashboard until the person leaves; then say where the recording is."""
    from sumpglass.tui.run import run_dashboard

    check_live(options)
    if options.follow:
        return _follow(options)
    request = live_request(
        options, serve=serve_address(options.serve) if options.serve else None, serve_marks=options.serve_marks
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
