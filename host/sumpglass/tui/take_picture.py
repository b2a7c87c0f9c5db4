"""The dashboard drawn once without a terminal: the pictures of the README are made by the program itself."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

from sumpglass.errors import DiskError
from sumpglass.tui.app import SumpglassApp
from sumpglass.tui.picture import screen_svg
from sumpglass.tui.settings import ScreenOptions
from sumpglass.workflows.live import LiveEvent
from sumpglass.workflows.session import Session
from sumpglass.workflows.watch import everything_up_to


def take_picture(session: Session, at_s: float, path: str, size: tuple[int, int], options: ScreenOptions) -> None:
    """Write the screen as it stands at `at_s` of a replay to `path` as SVG. Raises DiskError."""
    events = everything_up_to(session, at_s)
    picture = asyncio.run(_draw(session, events, size, options))
    try:
        Path(path).write_text(picture, encoding="utf-8")
    except OSError as error:
        raise DiskError(f"{path} could not be written ({error.strerror}): choose another folder") from error


async def _draw(session: Session, events: list[LiveEvent], size: tuple[int, int], options: ScreenOptions) -> str:
    app = SumpglassApp(lambda: session, options, started=False)
    async with app.run_test(size=size) as pilot:
        app.mode, app.subject = session.mode, session.subject
        app.live.take(events)
        if app.live.playing is not None:
            app.live.playing = replace(app.live.playing, paused=False)
        app.dashboard.settle()
        await pilot.pause()
        return screen_svg(app.screen, app.current_theme.background or "#000000", f"sumpglass: {session.subject}")
