"""The strip of the last minute: bold zero line, vacuum downwards, pulse envelope as a band, level as a line, flags."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import groupby
from typing import Any

import numpy as np
from rich.segment import Segment
from rich.style import Style
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from sumpglass.tui.widgets.history import BASE_S, History
from sumpglass.tui.widgets.scale import Scale
from sumpglass.tui.widgets.strip_cells import TONES, Pair, Rows, cell_column, place_rows
from sumpglass.tui.widgets.strip_chrome import GUTTER, Flag, Piece, flag_lane, grid_labels, gutter, time_axis, title
from sumpglass.units import PASCALS_PER_UNIT

WINDOWS_S = {"last minute": 60.0, "last ten minutes": 600.0}
LEAST_BINS = 10
"""Base bins after which the newest column is drawn while it grows: a quarter of a second."""
MANY_FLAGS = 200
"""More flags than this are gone through for those that lie before the history; memory stays constant over days."""
_CHROME_ROWS = 3
"""Title, flags and time axis."""


class StripChart(Widget):
    """Draws `history`; `advance` after new data. Redraws only the rows that changed, and old columns never change."""

    COMPONENT_CLASSES = {*(f"strip--{tone}" for tone in TONES), "strip--title", "strip--quiet", "strip--alert",
                         "strip--happening", "strip--mark", "strip--withdrawn"}  # fmt: skip
    DEFAULT_CSS = """
    StripChart {
        .strip--empty { color: $foreground; }
        .strip--zero { color: $zero; background: $zero-lane; text-style: bold; }
        .strip--grid { color: $faint; }
        .strip--flag { color: $quiet; }
        .strip--band-vacuum { color: $vacuum-band; }
        .strip--band-pressure { color: $pressure-band; }
        .strip--edge-vacuum { color: $background; background: $vacuum-band; }
        .strip--edge-pressure { color: $background; background: $pressure-band; }
        .strip--line-vacuum { color: $vacuum; background: $vacuum-band; }
        .strip--line-pressure { color: $pressure; background: $pressure-band; }
        .strip--bare-vacuum { color: $vacuum; }
        .strip--bare-pressure { color: $pressure; }
        .strip--zero-vacuum { color: $vacuum; background: $zero-lane; text-style: bold; }
        .strip--zero-pressure { color: $pressure; background: $zero-lane; text-style: bold; }
        .strip--title { color: $foreground; text-style: bold; }
        .strip--quiet { color: $quiet; }
        .strip--alert { color: $alert; text-style: bold; }
        .strip--happening { color: $alert-ink; background: $alert; text-style: bold; }
        .strip--mark { color: $background; background: $foreground; text-style: bold; }
        .strip--withdrawn { color: $quiet; text-style: strike; }
    }
    """

    def __init__(self, history: History, unit: str = "kPa", braille: bool = True, **options: Any) -> None:
        super().__init__(**options)
        self.history = history
        self.unit = unit
        self.braille = braille
        self.window = "last minute"
        self.scale = Scale(PASCALS_PER_UNIT[unit])
        self._flags: dict[str, Flag] = {}
        self._cells: dict[int, tuple[str, bytes]] = {}
        self._rows: list[tuple[str, bytes]] = []
        self._strips: list[Strip] = []
        self._held_cell: int | None = None
        self._place = Rows(3, 1, 1.0)
        self._styles: dict[str, Style] = {}

    # What the screen asks of it

    def advance(self) -> None:
        """New data is in `history`: draw what changed."""
        if self._strips:
            self._draw(everything=False)

    def redraw(self) -> None:
        """Draw everything again: another size, unit, window, theme or source."""
        if not self.is_mounted or self.size.height < _CHROME_ROWS + 3 or self.size.width < GUTTER + 4:
            self._strips = []
            return
        self._styles = {}
        self._cells.clear()
        self._draw(everything=True)

    def set_unit(self, unit: str) -> None:
        """Another unit: the steps of the scale are round in it."""
        self.unit = unit
        self.scale.set_unit(PASCALS_PER_UNIT[unit])
        self.redraw()

    def set_window(self, window: str) -> None:
        """A key of `WINDOWS_S`."""
        self.window = window
        self._held_cell = None
        self.redraw()

    def restart(self) -> None:
        """History was cleared (a seek)."""
        self._flags.clear()
        self._held_cell = None
        self.scale.restart()
        self.redraw()

    @property
    def held(self) -> bool:
        """True while the strip stands still; data goes on being taken in."""
        return self._held_cell is not None

    def hold(self, held: bool) -> None:
        """Stand still, or go on."""
        self._held_cell = self._newest_cell() if held else None
        self.redraw()

    def pan(self, share: float) -> None:
        """Move a held strip by a share of its width, as far as the history reaches."""
        if self._held_cell is None:
            return
        oldest = self.history.first // (2 * self._width())
        newest = self._newest_cell()
        moved = self._held_cell + round(share * self._columns())
        self._held_cell = max(min(oldest + self._columns() - 1, newest), min(newest, moved))
        self.redraw()

    def put_flag(self, flag: Flag) -> None:
        """Add a flag, or change the one with the same key."""
        before = self._flags.get(flag.key)
        self._flags[flag.key] = flag
        if len(self._flags) > MANY_FLAGS:
            oldest_s = self.history.first * BASE_S
            self._flags = {key: kept for key, kept in self._flags.items() if kept.t_s >= oldest_s}
        for changed in (before, flag):
            if changed:
                self._cells.pop(self._cell_of(changed.t_s), None)
        if self._strips:
            self._draw(everything=False)

    # Geometry

    def _columns(self) -> int:
        return self.size.width - GUTTER

    def _plot_rows(self) -> int:
        return self.size.height - _CHROME_ROWS

    def _width(self) -> int:
        """Base bins of one data column: the window fits into two columns a cell."""
        return max(1, math.ceil(WINDOWS_S[self.window] / ((2 * self._columns() - 3) * BASE_S)))

    def _cell_of(self, t_s: float) -> int:
        return math.floor(t_s / BASE_S + 1e-3) // (2 * self._width())

    def _newest_cell(self) -> int:
        return max(0, self.history.last // (2 * self._width()))

    # Drawing

    def on_mount(self) -> None:
        self.app.theme_changed_signal.subscribe(self, lambda _: self.redraw())

    def on_resize(self) -> None:
        if self._held_cell is not None:
            self._held_cell = self._newest_cell()
        self.redraw()

    def _style(self, name: str) -> Style:
        style = self._styles.get(name)
        if style is None:
            style = self._styles[name] = self.get_component_rich_style(f"strip--{name}")
        return style

    def _draw(self, everything: bool) -> None:
        newest = self._newest_cell() if self._held_cell is None else self._held_cell
        columns, rows = self._columns(), self._plot_rows()
        first = newest - columns + 1
        width = self._width()
        low, high, mean = self.history.columns(2 * first - 1, 2 * columns + 1, width)
        begun = self.history.last + 1 - (self.history.last // width) * width
        if begun < min(width, LEAST_BINS):
            # The mean of a part of one engine cycle would jump about: the newest column waits for a little more.
            growing = self.history.last // width - (2 * first - 1)
            if 0 <= growing < len(low):
                low[growing] = high[growing] = mean[growing] = np.nan
        now_s = self.history.last * BASE_S
        visible = ~np.isnan(low)
        moved = False
        if visible.any():
            moved = self.scale.update(float(low[visible].min()), float(high[visible].max()), now_s)
        elif everything:
            self.scale.stand_in(self.scale.wanted(-900.0, 0.0))
        if moved or everything:
            self._place = place_rows(rows, self.scale.span.vacuum_pa, self.scale.span.pressure_pa)
            self._cells.clear()
        cells = list(self._take_cells(first, newest, low, high, mean))
        self._show(cells, first, now_s, everything or moved or len(self._strips) != self.size.height)

    def _take_cells(self, first: int, newest: int, low: Any, high: Any, mean: Any) -> Iterator[tuple[str, bytes]]:
        flagged = {self._cell_of(flag.t_s) for flag in self._flags.values()}
        grid = frozenset(grid_labels(self._place, self.scale.span, PASCALS_PER_UNIT[self.unit]))
        kept = self._cells
        growing = self._newest_cell()
        self._cells = {}
        for index, number in enumerate(range(first, newest + 1)):
            cell = kept.get(number)
            if cell is None:
                at = 1 + 2 * index
                pair = Pair(low[at : at + 2], high[at : at + 2], mean[at : at + 2], mean[at - 1])
                cell = cell_column(pair, self._place, self.braille, number in flagged, grid)
            if number != growing:
                self._cells[number] = cell
            yield cell

    def _show(self, cells: list[tuple[str, bytes]], first: int, now_s: float, everything: bool) -> None:
        texts = ["".join(row) for row in zip(*(glyphs for glyphs, _ in cells))]
        tones = [bytes(row) for row in zip(*(tones for _, tones in cells))]
        rows = list(zip(texts, tones))
        old = self._rows
        size = self.size
        if everything or len(old) != len(rows):
            old = [("", b"")] * len(rows)
            self._strips = [Strip.blank(size.width, self._style("quiet"))] * size.height
        dirty: list[Region] = []
        labels = grid_labels(self._place, self.scale.span, PASCALS_PER_UNIT[self.unit])
        for index, (row, before) in enumerate(zip(rows, old)):
            if row == before:
                continue
            y = index + 2
            self._strips[y] = self._plot_strip(index, row, labels)
            dirty.append(_changed_region(y, row, before, GUTTER))
        self._rows = rows
        for y, strip in (
            (0, self._title(now_s)),
            (1, self._strip(flag_lane(self._flags.values(), lambda t_s: self._cell_of(t_s) - first, len(cells)))),
            (size.height - 1, self._axis()),
        ):
            if strip != self._strips[y]:
                self._strips[y] = strip
                dirty.append(Region(0, y, size.width, 1))
        if everything:
            self.refresh()
        elif dirty:
            self.refresh(*dirty)

    def _plot_strip(self, index: int, row: tuple[str, bytes], labels: dict[int, str]) -> Strip:
        label, label_tone = gutter(index, self._place, labels)
        segments = [Segment(label, self._style(label_tone))]
        at = 0
        text, tones = row
        for tone, group in groupby(tones):
            count = sum(1 for _ in group)
            segments.append(Segment(text[at : at + count], self._style(TONES[tone])))
            at += count
        return Strip(segments, self.size.width)

    def _strip(self, pieces: list[Piece]) -> Strip:
        strip = Strip([Segment(text, self._style(tone)) for text, tone in pieces]).simplify()
        return strip.adjust_cell_length(self.size.width, self._style("quiet"))

    def _title(self, now_s: float) -> Strip:
        unit_pa, moved = PASCALS_PER_UNIT[self.unit], self.scale.just_moved(now_s)
        return self._strip(title(self.size.width, self.window, self.scale.span, self.unit, unit_pa, self.held, moved))

    def _axis(self) -> Strip:
        cell_s = 2 * self._width() * BASE_S
        behind_s = 0.0 if self._held_cell is None else (self._newest_cell() - self._held_cell) * cell_s
        return self._strip([(time_axis(self._columns(), cell_s, WINDOWS_S[self.window], behind_s), "quiet")])

    def render_line(self, y: int) -> Strip:
        if y < len(self._strips):
            return self._strips[y]
        return Strip.blank(self.size.width, self._style("quiet"))


def _changed_region(y: int, row: tuple[str, bytes], before: tuple[str, bytes], left: int) -> Region:
    """The stretch of one row from its first changed cell to its last; the whole row where its length changed."""
    text, tones = row
    old_text, old_tones = before
    if len(old_text) != len(text):
        return Region(0, y, left + len(text), 1)
    first = next(i for i in range(len(text)) if text[i] != old_text[i] or tones[i] != old_tones[i])
    last = next(i for i in range(len(text) - 1, -1, -1) if text[i] != old_text[i] or tones[i] != old_tones[i])
    return Region(left + first, y, last - first + 1, 1)
