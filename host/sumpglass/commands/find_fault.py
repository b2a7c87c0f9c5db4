"""`sumpglass find-fault`: rank the faults that explain the readings, and name the next test."""

from __future__ import annotations

import argparse

from sumpglass.report.to_terminal import write_text


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `sumpglass find-fault`."""
    parser.add_argument("--layout", required=True, metavar="NAME|FILE", help="a built-in layout, or a layout file")
    parser.add_argument("--readings", metavar="FILE", help="readings so far, as JSON; without it: where to start")
    parser.add_argument(
        "--refuse", action="append", default=[], metavar="TEST", help="a test that cannot be made here; may be repeated"
    )
    parser.add_argument("--seed", type=_seed, default=0, metavar="N", help="seed of the draws (default 0)")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    parser.add_argument("--explain", action="store_true", help="with --json: add what each reading did to the ranking")
    parser.add_argument("--strict", action="store_true", help="exit status 1 when the answer is a fault")


def _seed(text: str) -> int:
    if not (text.isascii() and text.isdigit()) or len(text) > 18:
        raise argparse.ArgumentTypeError(f"{text!r} is no seed, expected a whole number from 0 up")
    return int(text)


def run(options: argparse.Namespace) -> int:
    """Weigh the readings and print the ranking."""
    from sumpglass.faults.finding import fields_of
    from sumpglass.workflows.find_fault import find_fault_from_files

    finding = find_fault_from_files(options.layout, options.readings, options.refuse, options.seed)
    if options.json:
        from sumpglass.report.as_json import print_json

        print_json("fault-ranking", fields_of(finding, options.explain))
    else:
        from sumpglass.report.fault_text import fault_text

        write_text(fault_text(finding))
    return 1 if options.strict and finding.is_fault else 0
