"""What stands in a window too small for the dashboard: the level in one line, and how large it should be."""

from __future__ import annotations

from collections.abc import Sequence

from sumpglass.tui.level_view import level_view
from sumpglass.tui.widgets.lines import Line, LineWidget
from sumpglass.workflows.live import Reading

LEAST_COLUMNS, LEAST_ROWS = 60, 18


class TooSmall(LineWidget):
    """`show` a reading."""

    _line = ""

    def show(self, reading: Reading, unit: str) -> None:
        """The word is never left out, however small the window."""
        view = level_view(reading, unit, 2)
        self._line = f"{view.word} {view.number} {view.unit}" if view.number else view.word
        self.update_lines()

    def lines(self, width: int, height: int) -> Sequence[Line]:
        lines: list[Line] = [((self._line[:width], "strong"),)]
        if height > 1:
            lines.append(((f"make the window {LEAST_COLUMNS}x{LEAST_ROWS}"[:width], "quiet"),))
        if height > 2:
            lines.append((("recording goes on"[:width], "quiet"),))
        return lines
