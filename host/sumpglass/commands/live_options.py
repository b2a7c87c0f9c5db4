"""Options of the commands that open the rig and record: `watch` and `guide`."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from sumpglass.commands.numbers import number, positive
from sumpglass.errors import InputError

if TYPE_CHECKING:
    from sumpglass.workflows.session import Session
    from sumpglass.workflows.watch_request import WatchRequest


def add_live(parser: argparse.ArgumentParser, subject: str) -> None:
    """Where the signal comes from and where it goes; `subject` says what `--subject` is for."""
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--port", metavar="P", help="serial port of the rig; without it the one that looks like a rig")
    which.add_argument(
        "--virtual",
        nargs="?",
        const="leak-test",
        metavar="SCENARIO",
        help="the built-in virtual rig, no hardware needed",
    )
    add = parser.add_argument
    add("--out", metavar="FILE", help="casebook to record to; without it a new one in this folder")
    add("--no-record", action="store_true", help="write nothing")
    add("--subject", default="", metavar="WORDS", help=f"{subject}, for the casebook")
    add("--cylinders", type=int, metavar="N", help="for engine speed, four-stroke")
    add("--zero-pa", type=number, metavar="X", help="what the rig reads open to the room")
    add("--rate-hz", type=positive, metavar="R", help="ask the board for another rate")


def check_live(options: argparse.Namespace) -> None:
    """Values that argparse cannot judge. Raises InputError."""
    if options.cylinders is not None and not 1 <= options.cylinders <= 8:
        raise InputError(f"--cylinders is {options.cylinders}, expected 1 to 8")
    if options.rate_hz is not None and not 1 <= options.rate_hz <= 10000:
        raise InputError(f"--rate-hz is {options.rate_hz:g}, expected 1 to 10000")
    if options.virtual is not None:
        from sumpglass.simulate.orchard import scenario_named

        scenario_named(options.virtual)


def live_request(options: argparse.Namespace, **more: Any) -> WatchRequest:
    """What a session is asked for; `more` are its fields that no shared option gives."""
    from sumpglass.workflows.watch_request import WatchRequest

    return WatchRequest(
        port=options.port,
        scenario=options.virtual,
        out=options.out,
        record=not options.no_record,
        cylinders=options.cylinders,
        zero_pa=options.zero_pa,
        rate_hz=options.rate_hz,
        subject=options.subject,
        **more,
    )


def open_request(request: WatchRequest) -> Session:
    """Called on the feed's thread, after the first paint: what a session needs is loaded only then."""
    from sumpglass.workflows.watch import watch

    return watch(request)
