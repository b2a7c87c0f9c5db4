"""`sumpglass replay`: a recording on the screen that showed it live."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING, Any

from sumpglass.errors import InputError
from sumpglass.units import PASCALS_PER_UNIT

if TYPE_CHECKING:
    from sumpglass.workflows.session import Session

SLOWEST, FASTEST = 0.0625, 64.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `replay`."""
    parser.add_argument("file", metavar="FILE", help="casebook (FILE or FILE#RECORDING), raw capture or CSV")
    parser.add_argument("--speed", type=float, default=1.0, metavar="X", help="1 is as it was; from 0.0625 to 64")
    parser.add_argument("--at", type=float, default=0.0, metavar="SECONDS", help="start there")
    parser.add_argument("--cylinders", type=int, metavar="N", help="for engine speed, four-stroke")
    parser.add_argument("--zero-pa", type=float, metavar="X", help="what the rig reads open to the room")
    parser.add_argument("--range-pa", type=float, metavar="R", help="the sensor reads from -R to +R")
    parser.add_argument("--calibration", metavar="BOOK#N", help="read under this calibration of a casebook")
    parser.add_argument("--picture", metavar="FILE.svg", help="write the screen at --at as a picture instead")
    parser.add_argument("--size", default="120x40", metavar="COLSxROWS", help="size of that picture")
    add_look(parser)


def add_look(parser: argparse.ArgumentParser) -> None:
    """Options of every command that shows the dashboard."""
    parser.add_argument("--unit", choices=list(PASCALS_PER_UNIT), default="kPa", help="unit to begin with")
    parser.add_argument("--light", action="store_true", help="dark on light")
    parser.add_argument("--no-braille", action="store_true", help="draw with blocks where the font has no braille")
    parser.add_argument("--mute", action="store_true", help="no bell")


def run(options: argparse.Namespace) -> int:
    """Play, or draw one picture."""
    from sumpglass.workflows.watch import replay

    check(options)
    size = picture_size(options.size)
    facts = {"cylinders": options.cylinders, "zero_pa": options.zero_pa, "range_pa": options.range_pa}
    facts["calibration"] = options.calibration
    if options.picture:
        from sumpglass.tui.take_picture import take_picture

        take_picture(replay(options.file, **facts), options.at, options.picture, size, look(options))
        return 0
    from sumpglass.tui.run import run_dashboard

    # Opened before the screen is taken, so that a file that cannot be read is told in one line.
    session = replay(options.file, options.speed, at_s=options.at, **facts)
    session.pause(True)

    def begin() -> Session:
        session.pause(False)
        return session

    return run_dashboard(begin, look(options))


def check(options: argparse.Namespace) -> None:
    """Values that argparse cannot judge. Raises InputError."""
    if not SLOWEST <= options.speed <= FASTEST:
        raise InputError(f"--speed is {options.speed:g}, expected a number from {SLOWEST} to {FASTEST}")
    if not (math.isfinite(options.at) and options.at >= 0):
        raise InputError(f"--at is {options.at:g}, expected seconds from the start of the recording")
    for name, value in (("--zero-pa", options.zero_pa), ("--range-pa", options.range_pa)):
        if value is not None and not math.isfinite(value):
            raise InputError(f"{name} is {value:g}, expected a plain number of pascals")
    if options.range_pa is not None and options.range_pa <= 0:
        raise InputError(f"--range-pa is {options.range_pa:g}, expected a number above 0")
    if options.cylinders is not None and not 1 <= options.cylinders <= 8:
        raise InputError(f"--cylinders is {options.cylinders}, expected 1 to 8")


def look(options: argparse.Namespace) -> Any:
    """The dashboard's settings from the options of `add_look`."""
    from sumpglass.tui.settings import ScreenOptions

    return ScreenOptions(unit=options.unit, light=options.light, braille=not options.no_braille, muted=options.mute)


def picture_size(text: str) -> tuple[int, int]:
    """Columns and rows of "120x40". Raises InputError."""
    columns, _, rows = text.partition("x")
    if not (columns.isdigit() and rows.isdigit() and 60 <= int(columns) <= 400 and 18 <= int(rows) <= 200):
        raise InputError(f"--size is {text!r}, expected COLSxROWS such as 120x40, at least 60x18")
    return int(columns), int(rows)
