"""`sumpglass blow-by`: blow-by from the steady pressure behind a known opening, suction stopped."""

from __future__ import annotations

import argparse

from sumpglass.commands.numbers import number, positive, positive_or_zero
from sumpglass.report.as_json import print_json
from sumpglass.report.blow_by_text import blow_by_fields, blow_by_text
from sumpglass.report.to_terminal import write_text


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add = parser.add_argument
    add("--opening-mm", type=positive, required=True, metavar="D", help="bore of the drilled plug")
    add("--pressure-pa", type=number, required=True, metavar="P", help="steady pressure in the crankcase, gauge")
    add("--u95-pa", type=positive_or_zero, metavar="U", help="how well the pressure is known (2 %% and at least 2 Pa)")
    add("--gas-c", type=number, metavar="T", help="temperature of the gas at the plug (50 ± 30)")
    add("--cd", type=positive, metavar="C", help="discharge coefficient of the plug (0.61)")
    add("--cd-u95", type=positive_or_zero, metavar="U", help="how well it is known (0.05)")
    add("--bore-u95-mm", type=positive_or_zero, default=0.01, metavar="U", help="how well the bore is known (0.01)")
    add("--room-kpa", type=positive, default=101.325, metavar="P", help="room pressure, absolute (101.325)")
    add("--displacement-l", type=positive, metavar="L", help="displacement, for the usual range")
    add("--rpm", type=positive, metavar="N", help="engine speed, for the usual range")
    add("--manifold-kpa", type=positive, metavar="P", help="manifold pressure, absolute, for the usual range (35)")
    add("--json", action="store_true", help="one JSON object on standard output")


def run(options: argparse.Namespace) -> int:
    """Print the blow-by."""
    from sumpglass.errors import InputError
    from sumpglass.workflows.blow_by import Room, blow_by

    for name, value, low, high in (
        ("--gas-c", options.gas_c, -40.0, 250.0),
        ("--cd", options.cd, 0.3, 1.2),
        ("--room-kpa", options.room_kpa, 30.0, 120.0),
        ("--manifold-kpa", options.manifold_kpa, 5.0, 400.0),
        ("--displacement-l", options.displacement_l, 0.02, 100.0),
        ("--rpm", options.rpm, 50.0, 20000.0),
    ):
        if value is not None and not low <= value <= high:
            raise InputError(f"found {name} {value:g}, expected {low:g} to {high:g}")
    result = blow_by(
        options.opening_mm,
        options.pressure_pa,
        options.u95_pa,
        options.gas_c,
        options.cd,
        options.cd_u95,
        options.bore_u95_mm,
        Room(options.room_kpa * 1000.0),
        options.displacement_l,
        options.rpm,
        None if options.manifold_kpa is None else options.manifold_kpa * 1000.0,
    )
    if options.json:
        print_json("blow-by", blow_by_fields(result))
    else:
        write_text(blow_by_text(result))
    return 0
