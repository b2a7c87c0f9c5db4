"""Run the dashboard with a guided test on top of it."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from typing import Any

from sumpglass.errors import InputError
from sumpglass.tui.settings import ScreenOptions
from sumpglass.workflows.feed import Feed
from sumpglass.workflows.watch_request import WatchRequest


def run_guide(
    opener: Callable[[], Feed],
    options: ScreenOptions,
    request: WatchRequest | None,
    test: str | None,
    settings: Mapping[str, Any],
    state: Mapping[str, Any] | None,
    written: list[str],
) -> int:
    """Show the test until the person leaves; returns the exit status. Raises InputError where there is no terminal."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise InputError("a guided test needs a terminal, and standard input or output is none: run it in one")
    if not sys.stderr.isatty():
        sys.__stderr__ = sys.__stdout__  # type: ignore[misc]
    from sumpglass.tui.app import SumpglassApp
    from sumpglass.tui.screens.guide import GuideScreen

    class GuidedApp(SumpglassApp):
        """Opens with the test."""

        def on_ready(self) -> None:
            # Textual calls the base class's handler itself: calling it here would start the feed twice.
            self.push_screen(GuideScreen(test, settings, state))

    app = GuidedApp(opener, options, request=request)
    error = app.run()
    written += app.files
    if error is not None:
        raise error
    return app.return_code or 0
