"""The level, readable from two metres: large digits, a large word, the interval in small print."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

from sumpglass.tui.level_view import LevelView, decimals_shown, level_view
from sumpglass.tui.widgets.big_font import WORD_ROWS, DigitSize, digit_lines, digit_size, word_lines
from sumpglass.tui.widgets.lines import Line, LineWidget, rule
from sumpglass.units import from_pascals
from sumpglass.workflows.live import Reading

_PLACE = {"VACUUM": "▼ ", "PRESSURE": "▲ "}
"""A second sign beside colour: vacuum is below the zero line, pressure above it."""


class LevelPanel(LineWidget):
    """`show` a reading; the digits keep their size and decimals while the figure moves about."""

    def __init__(self, unit: str = "kPa", **options: Any) -> None:
        super().__init__(**options)
        self.unit = unit
        self.extra = ""
        """A few words after the interval (engine speed where there is no room for the pulses)."""
        self._decimals: int | None = None
        self._view = level_view(Reading(), unit, 2)
        self._sample = ""

    @property
    def view(self) -> LevelView:
        """What stands on the screen."""
        return self._view

    def set_unit(self, unit: str) -> None:
        """Show another unit from the next reading on."""
        self.unit = unit
        self._decimals = None
        self._sample = ""

    def show(self, reading: Reading, extra: str = "") -> None:
        """Draw a reading."""
        if reading.u95_pa is not None or self._decimals is None:
            half = from_pascals(reading.u95_pa or 0.0, self.unit)
            self._decimals = decimals_shown(half, self.unit, self._decimals)
        self._view = level_view(reading, self.unit, self._decimals)
        self.extra = extra
        self.update_lines()

    def lines(self, width: int, height: int) -> Sequence[Line]:
        view = self._view
        tone = {"vacuum": "vacuum", "pressure": "pressure", "undecided": "strong"}.get(view.tone, "quiet")
        word_tone = "alert" if view.tone == "stale" or view.word == "CLIPPED" else tone
        inner = width - 2
        word_rows = 1 if height < 9 else WORD_ROWS if height < 22 else 2 * WORD_ROWS
        spare = 1 if height >= 11 else 0
        digit_rows = max(1, height - 2 - word_rows - spare - (height >= 13))
        lines: list[Line] = [rule("level", width)]
        lines += self._digits(view, inner - len(view.unit) - 2, digit_rows, tone)
        lines += [()] * spare
        word = self._word(view.word, inner, word_rows)
        lines += [((" ", "plain"), (text, word_tone)) for text in word]
        lines += [()] * (word_rows - len(word) + (height >= 13))
        note_tone = "alert" if view.tone == "stale" else "plain"
        if height >= 13 and len(view.note) > inner:
            lines.pop()
            lines += [((" ", "plain"), (text, note_tone)) for text in textwrap.wrap(view.note, inner)[:2]]
            return lines
        note = view.note if len(view.note) <= inner else view.note[: inner - 1] + "…"
        extra = f"  ·  {self.extra}" if self.extra and len(note) + len(self.extra) + 5 <= inner else ""
        lines.append(((" ", "plain"), (note, note_tone), (extra, "quiet")))
        return lines

    def _digits(self, view: LevelView, columns: int, rows: int, tone: str) -> list[Line]:
        number = view.number or "--"
        if len(number) > len(self._sample):
            self._sample = "0" * (len(number) - 1) + "." if "." in number else "0" * len(number)
        sample = self._sample if len(self._sample) > len(view.reserved) else view.reserved
        if rows < 3:
            return [((" ", "plain"), (f"{number} {view.unit}", tone))] + [()] * (rows - 1)
        size: DigitSize = digit_size(columns, rows, sample)
        drawn = digit_lines(number, size)
        above = rows - len(drawn)
        lines: list[Line] = [()] * above
        lines += [((" ", "plain"), (text, tone)) for text in drawn[:-1]]
        lines.append(((" ", "plain"), (drawn[-1], tone), (f"  {view.unit}", "strong")))
        return lines

    @staticmethod
    def _word(word: str, columns: int, rows: int) -> tuple[str, ...]:
        signed = word_lines(_PLACE.get(word, "") + word, columns, rows)
        if len(signed) > 1 or rows == 1:
            return signed
        return word_lines(word, columns, rows)
