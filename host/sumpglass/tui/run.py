"""Run the dashboard on this terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable

from sumpglass.errors import InputError
from sumpglass.tui.settings import ScreenOptions
from sumpglass.workflows.feed import Feed


def run_dashboard(opener: Callable[[], Feed], options: ScreenOptions) -> int:
    """Show the feed until the person leaves; returns the exit status. Raises what ended the feed, and InputError
    where there is no terminal."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise InputError("the dashboard needs a terminal, and standard input or output is none: use `sumpglass record`")
    if not sys.stderr.isatty():
        # Textual draws on standard error; where that goes to a file, the screen must not go with it.
        sys.__stderr__ = sys.__stdout__  # type: ignore[misc]
    from sumpglass.tui.app import SumpglassApp

    app = SumpglassApp(opener, options)
    error = app.run()
    if error is not None:
        raise error
    return app.return_code or 0
