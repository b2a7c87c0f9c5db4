"""One cell column of the strip chart as glyphs and tones: no screen library, so it is tested by itself.

A cell column holds two columns of data. The pulse envelope is a filled band with eighths of a row at its edges; the
level is a braille line of two by four dots a cell in front of it. Zero has a row of its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

EMPTY, ZERO, GRID, FLAG, BAND_VACUUM, BAND_PRESSURE, EDGE_VACUUM, EDGE_PRESSURE = range(8)
LINE_VACUUM, LINE_PRESSURE, LINE_VACUUM_BARE, LINE_PRESSURE_BARE, ZERO_VACUUM, ZERO_PRESSURE = range(8, 14)
"""Tones. EDGE_* is the reverse of a partial band cell at the band's foot; LINE_* stands on the band, *_BARE beside it,
ZERO_* is the line where it runs in the row of zero."""

TONES = (
    "empty", "zero", "grid", "flag", "band-vacuum", "band-pressure", "edge-vacuum", "edge-pressure",
    "line-vacuum", "line-pressure", "bare-vacuum", "bare-pressure", "zero-vacuum", "zero-pressure",
)  # fmt: skip

_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
_EIGHTHS = " ▁▂▃▄▅▆▇█"


@dataclass(frozen=True)
class Rows:
    """Where pressures lie: `rows` cell rows, zero in the middle of row `zero_row`, `pa_per_row` pascals in each."""

    rows: int
    zero_row: int
    pa_per_row: float

    def y(self, pressure_pa: float) -> float:
        """Rows from the top, fractional; vacuum is downwards."""
        return self.zero_row + 0.5 - pressure_pa / self.pa_per_row


def place_rows(rows: int, vacuum_pa: float, pressure_pa: float) -> Rows:
    """Share `rows` out so that both sides of zero fit with the same pascals in a row."""
    zero = round((rows - 1) * pressure_pa / (vacuum_pa + pressure_pa))
    zero = max(1, min(rows - 2, zero))
    return Rows(rows, zero, max(pressure_pa / (zero + 0.5), vacuum_pa / (rows - zero - 0.5)))


@dataclass(frozen=True)
class Pair:
    """The two data columns of a cell column: least, greatest, mean of each; NaN where there is none."""

    low_pa: Sequence[float]
    high_pa: Sequence[float]
    mean_pa: Sequence[float]
    before_pa: float
    """Mean of the column before, to which the line is joined; NaN for none."""


def cell_column(pair: Pair, place: Rows, braille: bool, flagged: bool, grid_rows: frozenset[int]) -> tuple[str, bytes]:
    """Glyphs (rows,) from the top and a tone for each."""
    band = _band(pair, place)
    dots = _line_dots(pair, place)
    glyphs: list[str] = []
    tones = bytearray()
    for row in range(place.rows):
        glyph, tone = _cell(row, band, dots.get(row), place, braille)
        if tone == EMPTY and flagged:
            glyph, tone = "┊", FLAG
        elif tone == EMPTY and row in grid_rows:
            glyph, tone = "┈", GRID
        glyphs.append(glyph)
        tones.append(tone)
    return "".join(glyphs), bytes(tones)


def _band(pair: Pair, place: Rows) -> tuple[int, int] | None:
    """Top and foot of the envelope in eighths of a row from the top, or None where there is nothing."""
    highs = [value for value in pair.high_pa if not math.isnan(value)]
    lows = [value for value in pair.low_pa if not math.isnan(value)]
    if not highs or not lows:
        return None
    limit = place.rows * 8
    top = min(limit, max(0, round(place.y(max(highs)) * 8)))
    foot = min(limit, max(0, round(place.y(min(lows)) * 8)))
    return (top, foot) if foot > top else None


def _line_dots(pair: Pair, place: Rows) -> dict[int, list[int]]:
    """Dots of the level line for each row that it crosses: [left mask, right mask] of four bits each."""
    rows: dict[int, list[int]] = {}
    limit = place.rows * 4 - 1
    before = pair.before_pa
    for side, mean in enumerate(pair.mean_pa):
        if not math.isnan(mean):
            y = min(limit, max(0, math.floor(place.y(mean) * 4)))
            y0 = y if math.isnan(before) else min(limit, max(0, math.floor(place.y(before) * 4)))
            start, end = (y, y) if y == y0 else (y0 + 1, y) if y > y0 else (y, y0 - 1)
            for dot in range(start, end + 1):
                rows.setdefault(dot // 4, [0, 0])[side] |= 1 << (dot % 4)
        before = mean
    return rows


def _cell(
    row: int, band: tuple[int, int] | None, dots: list[int] | None, place: Rows, braille: bool
) -> tuple[str, int]:
    top, foot = band if band else (0, 0)
    covered = max(0, min(foot, row * 8 + 8) - max(top, row * 8))
    zero, above = row == place.zero_row, row < place.zero_row
    if dots:
        # The zero line is never interrupted: where the level runs in its row, its own two rows of dots are kept.
        glyph = _braille([side | 0b0110 for side in dots] if zero else dots) if braille else _block(dots)
        if zero:
            return glyph, ZERO_PRESSURE if (dots[0] | dots[1]) < 4 else ZERO_VACUUM
        if covered >= 4:
            return glyph, LINE_PRESSURE if above else LINE_VACUUM
        return glyph, LINE_PRESSURE_BARE if above else LINE_VACUUM_BARE
    if zero:
        return "━", ZERO
    if covered == 0:
        return " ", EMPTY
    band_tone, edge_tone = (BAND_PRESSURE, EDGE_PRESSURE) if above else (BAND_VACUUM, EDGE_VACUUM)
    if covered == 8:
        return "█", band_tone
    if foot >= row * 8 + 8:
        return _EIGHTHS[covered], band_tone
    if top <= row * 8:
        return _EIGHTHS[8 - covered], edge_tone
    return "─", band_tone


def _braille(dots: Sequence[int]) -> str:
    code = 0
    for side in (0, 1):
        for dot in range(4):
            if dots[side] >> dot & 1:
                code |= _DOTS[side][dot]
    return chr(0x2800 + code)


def _block(dots: Sequence[int]) -> str:
    """The same line with half blocks, for fonts without braille."""
    both = dots[0] | dots[1]
    upper, lower = both & 0b0011, both & 0b1100
    return "█" if upper and lower else "▀" if upper else "▄"
