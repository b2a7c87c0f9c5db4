"""`sumpglass results FILE`: results kept in a casebook."""

from __future__ import annotations

import argparse

from sumpglass.report.as_json import print_json
from sumpglass.report.results_text import results_fields, results_text
from sumpglass.report.to_terminal import write_text


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("file", metavar="FILE", help="a casebook")
    parser.add_argument("--kind", metavar="NAME", help="only results of this kind, such as known-openings")
    parser.add_argument("--again", action="store_true", help="compute guided verdicts again from the kept readings")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")


def run(options: argparse.Namespace) -> int:
    """List the results."""
    from sumpglass.workflows.results import kept_results

    found = [r for r in kept_results(options.file, options.again) if options.kind in (None, r.kind)]
    if options.json:
        print_json("results", results_fields(found))
    else:
        write_text(results_text(found))
    return 0
