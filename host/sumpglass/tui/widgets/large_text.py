"""A sentence in large letters, wrapped: what to do now, readable from two metres."""

from __future__ import annotations

import textwrap
from functools import lru_cache

import numpy as np

from sumpglass.tui.widgets import big_font

_MORE = {
    "0": ".##. #..# #..# #..# .##.",
    "1": ".# ## .# .# .#",
    "2": "###. ...# .##. #... ####",
    "3": "###. ...# .##. ...# ###.",
    "4": "#..# #..# #### ...# ...#",
    "5": "#### #... ###. ...# ###.",
    "6": ".### #... ###. #..# .##.",
    "7": "#### ...# ..#. .#.. .#..",
    "8": ".##. #..# .##. #..# .##.",
    "9": ".##. #..# .### ...# ###.",
    ".": ". . . . #",
    ",": ".. .. .. .# #.",
    ":": ". # . # .",
    "-": "... ... ### ... ...",
    "(": ".# #. #. #. .#",
    ")": "#. .# .# .# #.",
    "'": "# # . . .",
    "/": "...# ..#. ..#. .#.. #...",
    ";": ".. .# .. .# #.",
    "?": "###. ...# .##. .... .#..",
    "!": "# # # . #",
    "+": "... .#. ### .#. ...",
    "%": "#..# ...# .##. #... #..#",
}
_GLYPHS = {**big_font.LETTERS, **_MORE}
ROWS = 3
"""Rows of a line at its smallest."""


def _dots(line: str) -> big_font.Dots:
    parts = []
    for index, letter in enumerate(line):
        rows = _GLYPHS.get(letter, _GLYPHS["?"]).split()
        parts.append(np.array([[dot == "#" for dot in row] for row in rows], bool))
        if index < len(line) - 1:
            parts.append(np.zeros((5, 1), bool))
    return np.hstack(parts) if parts else np.zeros((5, 1), bool)


@lru_cache(maxsize=64)
def large_lines(text: str, columns: int, rows: int) -> tuple[str, ...]:
    """`text` in capitals three rows high, wrapped to `columns`; plain capitals where that takes more than `rows`."""
    capitals = text.upper()
    for letters in range(columns // 3, 5, -1):
        wrapped = textwrap.wrap(capitals, letters)
        drawn = [_dots(line) for line in wrapped]
        if drawn and max(d.shape[1] for d in drawn) <= columns:
            if len(drawn) * ROWS > rows:
                break
            return tuple(row for d in drawn for row in big_font.half_blocks(d))
    return tuple(textwrap.wrap(capitals, columns)[:rows])
