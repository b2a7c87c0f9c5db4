"""`sumpglass size-leak FILE`: size of a leak from readings with known openings."""

from __future__ import annotations

import argparse

from sumpglass.commands.numbers import number, positive, positive_or_zero
from sumpglass.procedures.bores import SET_BORE_U95_MM
from sumpglass.report.as_json import print_json
from sumpglass.report.size_leak_text import leak_size_fields, leak_size_text
from sumpglass.report.to_terminal import write_text
from sumpglass.units import ZERO_CELSIUS_K


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument(
        "file",
        metavar="FILE",
        help="a recording with marks `opening D mm` and `closed`, or a table CSV with opening_mm, pressure_pa, u95_pa, "
        "ac_rms_pa, deeper_than_pa",
    )
    parser.add_argument(
        "--room-kpa", type=positive, default=101.325, metavar="P", help="room pressure, absolute (101.325)"
    )
    parser.add_argument("--room-c", type=number, default=20.0, metavar="T", help="room temperature (20)")
    parser.add_argument(
        "--gas-c",
        type=number,
        metavar="T",
        help="gas that pulses push out through the openings (rig: 70, else the room)",
    )
    parser.add_argument(
        "--zero-pa", type=number, metavar="X", help="what the rig reads open to the room; it is subtracted"
    )
    parser.add_argument("--range-pa", type=positive, metavar="R", help="greatest pressure that the sensor can tell")
    parser.add_argument(
        "--bore-u95-mm",
        type=positive_or_zero,
        default=SET_BORE_U95_MM,
        metavar="U",
        help=f"how well the bores are known ({SET_BORE_U95_MM:g})",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")


def run(options: argparse.Namespace) -> int:
    """Print the leak size."""
    from sumpglass.errors import InputError
    from sumpglass.procedures.openings import Room
    from sumpglass.workflows.size_leak import size_leak_of_file

    if not -60.0 <= options.room_c <= 80.0:
        raise InputError(f"found --room-c {options.room_c:g}, expected -60 to 80")
    if not 30.0 <= options.room_kpa <= 120.0:
        raise InputError(f"found --room-kpa {options.room_kpa:g}, expected 30 to 120")
    if options.gas_c is not None and not -60.0 <= options.gas_c <= 250.0:
        raise InputError(f"found --gas-c {options.gas_c:g}, expected -60 to 250")
    gas_k = None if options.gas_c is None else options.gas_c + ZERO_CELSIUS_K
    room = Room(options.room_kpa * 1000.0, options.room_c + ZERO_CELSIUS_K, gas_k)
    result, given = size_leak_of_file(options.file, room, options.zero_pa, options.range_pa, options.bore_u95_mm)
    if options.json:
        print_json("leak-size", leak_size_fields(result, given.readings, given.warnings))
    else:
        write_text(leak_size_text(result, given.readings, given.warnings))
    return 0
