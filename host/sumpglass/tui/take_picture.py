"""The dashboard drawn once without a terminal: the pictures of the README are made by the program itself."""

from __future__ import annotations

import asyncio
from pathlib import Path

from sumpglass.errors import DiskError
from sumpglass.tui.app import SumpglassApp
from sumpglass.tui.picture import screen_svg
from sumpglass.tui.settings import ScreenOptions
from sumpglass.workflows.feed import Feed


def take_picture(feed: Feed, path: str, size: tuple[int, int], options: ScreenOptions) -> None:
    """Write the screen that shows everything `feed` gives at once to `path` as SVG. Raises DiskError."""
    picture = asyncio.run(_draw(feed, size, options))
    try:
        Path(path).write_text(picture, encoding="utf-8")
    except OSError as error:
        raise DiskError(f"{path} could not be written ({error.strerror}): choose another folder") from error


async def _draw(feed: Feed, size: tuple[int, int], options: ScreenOptions) -> str:
    app = SumpglassApp(lambda: feed, options, started=False)
    async with app.run_test(size=size) as pilot:
        app.mode, app.subject = feed.mode, feed.subject
        app.live.take(feed.poll())
        app.dashboard.settle()
        await pilot.pause()
        return screen_svg(app.screen, app.current_theme.background or "#000000", f"sumpglass: {feed.subject}")
