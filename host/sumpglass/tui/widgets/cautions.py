"""Cautions to be read before work begins: as many as the window holds, the rest on the next page, none left out."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from sumpglass.tui.widgets.lines import Line


def caution_lines(cautions: Sequence[str], width: int) -> list[Line]:
    """Each caution with its sign, wrapped."""
    return [
        ((" ! ", "badge"), (" ", "plain"), (row, "plain")) if number == 0 else (("     ", "plain"), (row, "plain"))
        for caution in cautions
        for number, row in enumerate(textwrap.wrap(caution, width - 7))
    ]


class CautionPages:
    """Turns through the cautions where a small window does not hold them all at once."""

    def __init__(self) -> None:
        self._first = 0
        self._next = 0
        self._left = 0

    def begin(self) -> None:
        """Back to the first page."""
        self._first = self._next = self._left = 0

    def turn(self) -> bool:
        """Go on to what was not yet shown. False when everything was."""
        if not self._left:
            return False
        self._first, self._left = self._next, 0
        return True

    def lines(self, cautions: Sequence[str], width: int, rows: int) -> list[Line]:
        """The page that is open, in at most `rows` rows where one caution is no longer than that."""
        left = list(cautions[self._first :])
        shown = len(left)
        while shown > 1 and len(caution_lines(left[:shown], width)) + (shown < len(left)) > rows:
            shown -= 1
        self._next, self._left = self._first + shown, len(left) - shown
        page = caution_lines(left[:shown], width)
        if self._left:
            page.append(((f" {self._left} more to read: go on to see them", "strong"),))
        return page
