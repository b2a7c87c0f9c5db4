"""`sumpglass layouts`: the ventilation layouts that find-fault knows, and any of them whole."""

from __future__ import annotations

import argparse
import sys

from sumpglass.errors import DiskError


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of `sumpglass layouts`."""
    parser.add_argument("name", metavar="NAME", nargs="?", help="a built-in layout, or a layout file")
    parser.add_argument("--json", action="store_true", help="one JSON object on standard output")
    parser.add_argument("--svg", metavar="FILE", help="write the layout as a picture, with its NAME only")
    parser.add_argument("--mark", metavar="ID", help="fault, edge, seal or test to mark in the picture")


def run(options: argparse.Namespace) -> int:
    """List the layouts, or show one."""
    from sumpglass.errors import InputError
    from sumpglass.faults.layout import as_fields
    from sumpglass.faults.layout_file import built_in_names, load_layout
    from sumpglass.report.as_json import print_json

    if options.name is None:
        if options.svg or options.mark:
            raise InputError("--svg and --mark need the name of one layout, see sumpglass layouts")
        layouts = [load_layout(name) for name in built_in_names()]
        if options.json:
            print_json("layouts", {"layouts": [{"name": layout.name, "title": layout.title} for layout in layouts]})
        else:
            width = max(len(layout.name) for layout in layouts)
            sys.stdout.write("".join(f"{layout.name:<{width}}  {layout.title}\n" for layout in layouts))
        return 0
    layout = load_layout(options.name)
    from sumpglass.report.layout_picture import marks_of

    marks = marks_of(layout, options.mark)
    if options.svg:
        from sumpglass.report.layout_svg import layout_svg

        try:
            with open(options.svg, "w", encoding="utf-8") as file:
                file.write(layout_svg(layout, marks))
        except OSError as error:
            raise DiskError(f"{options.svg}: could not be written ({error.strerror}), name another file") from error
    if options.json:
        print_json("layout", as_fields(layout))
    elif not options.svg:
        from sumpglass.report.layout_text import layout_text

        sys.stdout.write(layout_text(layout, marks))
    return 0
