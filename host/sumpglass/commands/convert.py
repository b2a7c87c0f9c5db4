"""`sumpglass convert`: a recording into CSV, Parquet, a casebook or a raw capture."""

from __future__ import annotations

import argparse
import sys

from sumpglass.report.terminal_text import safe


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `convert`."""
    parser.add_argument("input", metavar="IN", help="casebook (FILE or FILE#RECORDING), raw capture or CSV")
    parser.add_argument("output", metavar="OUT", help="its ending says the kind: .csv .parquet .casebook .capture")
    parser.add_argument("--overwrite", action="store_true", help="replace OUT if it is there")
    parser.add_argument("--channel", type=int, metavar="N", help="the board's channel; default: the first pressure")
    parser.add_argument("--calibration", metavar="BOOK#N", help="read IN under this calibration, into .csv or .parquet")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")


def run(options: argparse.Namespace) -> int:
    """Convert and say what was written."""
    from sumpglass.report.as_json import print_json
    from sumpglass.workflows.convert import convert

    more = {"channel": options.channel, "calibration": options.calibration}
    done = convert(options.input, options.output, overwrite=options.overwrite, **more)
    if options.json:
        fields = {"path": done.path, "kind": done.kind, "samples": done.samples, "marks": done.marks}
        print_json("convert", {**fields, "warnings": list(done.warnings)})
    else:
        sys.stdout.write(f"{safe(done.path)}: {done.samples} samples, {done.marks} marks\n")
        for warning in done.warnings:
            sys.stderr.write(f"note: {safe(warning)}\n")
    return 0
