"""`sumpglass report`: a casebook or recording as one HTML page."""

from __future__ import annotations

import argparse
import os
import sys

from sumpglass.report.terminal_text import safe
from sumpglass.units import PASCALS_PER_UNIT


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `report`."""
    parser.add_argument("file", metavar="FILE", help="casebook (FILE or FILE#RECORDING), raw capture or CSV")
    parser.add_argument("--out", metavar="PAGE", help="name of the page; without it that of FILE with .html")
    parser.add_argument("--cylinders", type=int, metavar="N", help="cylinders of the engine")
    parser.add_argument("--zero-pa", type=float, metavar="X", help="what the rig reads open to the room")
    parser.add_argument("--unit", choices=list(PASCALS_PER_UNIT), default="kPa", help="unit of the pressures")
    parser.add_argument("--overwrite", action="store_true", help="replace PAGE if it is there")


def run(options: argparse.Namespace) -> int:
    """Write the page and say where it is."""
    from sumpglass.workflows.load_recording import split_spec
    from sumpglass.workflows.report import write_report

    out = options.out or os.path.splitext(split_spec(options.file)[0])[0] + ".html"
    write_report(
        options.file, out, cylinders=options.cylinders, zero_pa=options.zero_pa, unit=options.unit,
        overwrite=options.overwrite,
    )  # fmt: skip
    sys.stdout.write(f"{safe(out)}\n")
    return 0
