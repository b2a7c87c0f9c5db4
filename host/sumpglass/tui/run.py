"""Run the dashboard on this terminal."""

from __future__ import annotations

import sys
from collections.abc import Callable

from sumpglass.errors import DeviceError, InputError
from sumpglass.tui.settings import ScreenOptions
from sumpglass.workflows.feed import Feed
from sumpglass.workflows.watch_request import WatchRequest


def run_second_screen(relay: str, options: ScreenOptions) -> int:
    """The dashboard behind a web page: follows the first screen's relay, has no terminal of its own."""
    from sumpglass.tui.app import SumpglassApp

    def opener() -> Feed:
        from sumpglass.workflows.serving import follow

        return follow(relay)

    error = SumpglassApp(opener, options).run()
    return 0 if error is None else error.exit_status


def run_dashboard(
    opener: Callable[[], Feed],
    options: ScreenOptions,
    request: WatchRequest | None = None,
    written: list[str] | None = None,
) -> int:
    """Show the feed until the person leaves; returns the exit status.

    With a `request` (a live rig), a feed that does not open leads to the screen that says why and what can be done
    instead. Files that were recorded to are appended to `written`. Raises what ended the feed, and InputError where
    there is no terminal.
    """
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise InputError(
            "the dashboard needs a terminal, and standard input or output is none: run it in one "
            "(record, assess and report need none)"
        )
    if not sys.stderr.isatty():
        # Textual draws on standard error; where that goes to a file, the screen must not go with it.
        sys.__stderr__ = sys.__stdout__  # type: ignore[misc]
    from sumpglass.tui.app import SumpglassApp

    app = SumpglassApp(opener, options, request=request)
    try:
        error = app.run()
    finally:
        app.end_feed()
        app.stop_serving()
    if app.failure is not None:
        raise DeviceError(f"the screen failed ({app.failure}): what was recorded is kept; please report this")
    if written is not None:
        written += app.files
    if error is not None:
        raise error
    return app.return_code or 0
