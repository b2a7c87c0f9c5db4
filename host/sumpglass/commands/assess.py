"""`sumpglass assess FILE`: level, pulses and happenings of a recording."""

from __future__ import annotations

import argparse

from sumpglass.commands.numbers import number, positive
from sumpglass.report.to_terminal import write_text


def _cylinders(text: str) -> int:
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= 8:
        raise argparse.ArgumentTypeError(f"found {text!r}, expected a number of cylinders from 1 to 8")
    return int(text)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    add = parser.add_argument
    add("file", metavar="FILE", help="casebook, raw capture or CSV; FILE#RECORDING names one of a casebook")
    add("--cylinders", type=_cylinders, metavar="N", help="four-stroke engine of N cylinders, 1 to 8: rpm needs it")
    add("--zero-pa", type=number, metavar="X", help="what the rig reads open to the room; it is subtracted")
    add("--range-pa", type=positive, metavar="R", help="the sensor measures from -R to +R")
    add("--calibration", metavar="BOOK#N", help="read under this calibration of a casebook; BOOK alone: its latest")
    add("--json", action="store_true", help="one JSON object on standard output")
    add("--plot", metavar="OUT.svg", help="draw trace, stretches, happenings and spectrum")
    add("--strict", action="store_true", help="exit 1 if there is pressure, a loss that stayed, or a rig fault")


def run(options: argparse.Namespace) -> int:
    """Print the assessment."""
    from sumpglass.workflows.assess import assess_recording
    from sumpglass.workflows.load_recording import load_recording

    if options.calibration is not None:
        from sumpglass.workflows.calibrated import load_calibrated

        recording = load_calibrated(options.file, options.calibration)
    else:
        recording = load_recording(options.file)
    assessment = assess_recording(recording, options.cylinders, options.zero_pa, options.range_pa)
    if options.plot:
        from sumpglass.workflows.assess_plot import write_plot

        write_plot(options.plot, recording, assessment)
    if options.json:
        from sumpglass.report.as_json import print_json

        print_json("assessment", assessment.as_fields())
    else:
        from sumpglass.report.assess_text import assess_text

        write_text(assess_text(assessment, options.file))
    return 1 if options.strict and assessment.fault else 0
