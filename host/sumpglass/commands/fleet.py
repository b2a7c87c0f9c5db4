"""`sumpglass fleet`: many casebooks side by side, what wants somebody first on top."""

from __future__ import annotations

import argparse
import sys

from sumpglass.report.to_terminal import write_text


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of the command."""
    parser.add_argument("places", nargs="*", default=["."], metavar="FILE|FOLDER", help="casebooks, or where they lie")
    parser.add_argument("--page", metavar="OUT.html", help="write it as one HTML page as well")
    parser.add_argument("--overwrite", action="store_true", help="replace the page that is there")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    parser.add_argument("--strict", action="store_true", help="exit 1 when an engine needs somebody")


def run(options: argparse.Namespace) -> int:
    """Print the fleet."""
    from sumpglass.report.as_json import print_json
    from sumpglass.report.fleet_text import fleet_fields, fleet_text
    from sumpglass.report.terminal_text import safe
    from sumpglass.workflows.fleet import by_urgency, survey, write_page

    entries = by_urgency(list(survey(options.places)))
    if options.page:
        write_page(options.page, entries, overwrite=options.overwrite)
    if options.json:
        print_json("fleet", fleet_fields(entries))
    else:
        write_text(fleet_text(entries))
        if options.page:
            sys.stdout.write(f"\npage  {safe(options.page, 4096)}\n")
    return 1 if options.strict and any(entry.state == "fault" for entry in entries) else 0
