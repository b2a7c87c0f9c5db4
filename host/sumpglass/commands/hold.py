"""`sumpglass hold FILE`: leak from the decay of a vacuum, engine off."""

from __future__ import annotations

import argparse

from sumpglass.commands.numbers import number, positive, positive_or_zero
from sumpglass.report.as_json import print_json
from sumpglass.report.hold_text import hold_fields, hold_text
from sumpglass.report.to_terminal import write_text
from sumpglass.units import ZERO_CELSIUS_K


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add = parser.add_argument
    add("file", metavar="FILE", help="a recording of the decay; the pump before and a zero after may be in it")
    add("--volume-l", type=positive, metavar="V", help="gas volume of the crankcase, L; without it no flow follows")
    add("--volume-u95-l", type=positive_or_zero, default=0.0, metavar="U", help="how well the volume is known (0)")
    add("--zero-pa", type=number, metavar="X", help="what the rig reads open to the room; it is subtracted")
    add("--reference", metavar="FILE", help="a decay of the same crankcase with a known opening added")
    add("--reference-opening-mm", type=positive, metavar="D", help="that opening")
    add("--room-kpa", type=positive, default=101.325, metavar="P", help="room pressure, absolute (101.325)")
    add("--room-c", type=number, default=20.0, metavar="T", help="room temperature (20)")
    add("--json", action="store_true", help="one JSON object on standard output")


def run(options: argparse.Namespace) -> int:
    """Print the leak."""
    from sumpglass.errors import InputError
    from sumpglass.procedures.openings import Room
    from sumpglass.workflows.hold import hold_of_file

    if not -60.0 <= options.room_c <= 80.0:
        raise InputError(f"found --room-c {options.room_c:g}, expected -60 to 80")
    if not 30.0 <= options.room_kpa <= 120.0:
        raise InputError(f"found --room-kpa {options.room_kpa:g}, expected 30 to 120")
    if options.volume_l is not None and options.volume_l > 1000.0:
        raise InputError(f"found --volume-l {options.volume_l:g}, expected at most 1000")
    result = hold_of_file(
        options.file,
        options.volume_l,
        options.zero_pa,
        Room(options.room_kpa * 1000.0, options.room_c + ZERO_CELSIUS_K),
        options.volume_u95_l,
        options.reference,
        options.reference_opening_mm,
    )
    if options.json:
        print_json("hold", hold_fields(result))
    else:
        write_text(hold_text(result))
    return 0
