"""What stands around the level at the upper right: the room that it takes, and an alarm in large type."""

from __future__ import annotations

import textwrap

from sumpglass.report.terminal_text import safe
from sumpglass.tui.widgets.large_text import large_lines
from sumpglass.tui.widgets.lines import Line

SIDE = 36
"""Columns at the upper right that the level stands in."""
SIDE_ROWS = 7


def alarm_lines(title: str, words: str, width: int, height: int) -> list[Line]:
    """From the second row on: `title` beside the level, then of `words` ("why: what to do now") the part to act on."""
    why, _, act = safe(words, 200).partition(": ")
    lines: list[Line] = [((f" {row}", "alert"),) for row in large_lines(title, width - SIDE - 2, SIDE_ROWS - 1)]
    lines += [()] * (SIDE_ROWS - 1 - len(lines))
    rows = large_lines(act or why, width - 2, max(3, min(12, height - SIDE_ROWS - 6)))
    lines += [((f" {row}", "alert"),) for row in rows]
    return [*lines, (), *(((f" {row} ", "badge"),) for row in textwrap.wrap(why, width - 4))]
