"""Large digits and large words out of half blocks, at whatever size the space allows.

Digits are drawn from strokes, not from a fixed bitmap, so that they fill a panel of any size; words come from a
five-dot alphabet. A dot is one column wide and half a row high, which is about square in a terminal.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Dots = npt.NDArray[np.bool_]

_STROKES = {
    "0": "abcdef", "1": "bc", "2": "abged", "3": "abgcd", "4": "fgbc",
    "5": "afgcd", "6": "afgedc", "7": "abc", "8": "abcdefg", "9": "abcdfg", "-": "g", " ": "",
}  # fmt: skip
"""Strokes of each digit: a top, b upper right, c lower right, d foot, e lower left, f upper left, g middle."""

LETTERS = {
    "A": ".##. #..# #### #..# #..#", "B": "###. #..# ###. #..# ###.", "C": ".### #... #... #... .###",
    "D": "###. #..# #..# #..# ###.", "E": "#### #... ###. #... ####", "F": "#### #... ###. #... #...",
    "G": ".### #... #.## #..# .###", "H": "#..# #..# #### #..# #..#", "I": "# # # # #",
    "J": "..## ...# ...# #..# .##.", "K": "#..# #.#. ##.. #.#. #..#", "L": "#... #... #... #... ####",
    "M": "#...# ##.## #.#.# #...# #...#", "N": "#..# ##.# #.## #..# #..#", "O": ".##. #..# #..# #..# .##.",
    "P": "###. #..# ###. #... #...", "Q": ".##. #..# #..# #.## .###", "R": "###. #..# ###. #.#. #..#",
    "S": ".### #... .##. ...# ###.", "T": "##### ..#.. ..#.. ..#.. ..#..", "U": "#..# #..# #..# #..# .##.",
    "V": "#...# #...# .#.#. .#.#. ..#..", "W": "#...# #...# #.#.# ##.## #...#", "X": "#..# #..# .##. #..# #..#",
    "Y": "#...# .#.#. ..#.. ..#.. ..#..", "Z": "#### ..#. .#.. #... ####", " ": ".. .. .. .. ..",
    "▼": "..... ##### .###. ..#.. .....", "▲": "..... ..#.. .###. ##### .....",
}  # fmt: skip
"""Five rows of dots for each letter of the alphabet and the two arrows."""
WORD_ROWS = 3
"""Rows that a large word takes at its smallest size."""


@dataclass(frozen=True)
class DigitSize:
    """One digit in dots: `width` columns, `height` half rows, `stroke` dots thick."""

    width: int
    height: int
    stroke: int


def half_blocks(dots: Dots) -> list[str]:
    """(2 rows, columns) dots as `rows` lines of text; an odd last half row is padded."""
    if dots.shape[0] % 2:
        dots = np.vstack([dots, np.zeros((1, dots.shape[1]), bool)])
    codes = dots[0::2].astype(np.uint8) + 2 * dots[1::2].astype(np.uint8)
    return ["".join(" ▀▄█"[code] for code in line) for line in codes]


def _digit(character: str, size: DigitSize) -> Dots:
    width, height, stroke = size.width, size.height, size.stroke
    if character == ".":
        dots = np.zeros((height, stroke), bool)
        dots[height - stroke :, :] = True
        return dots
    if character in "<>":
        return _chevron(character, size)
    dots = np.zeros((height, width), bool)
    middle = (height - stroke) // 2
    spans = {
        "a": (slice(0, stroke), slice(0, width)),
        "g": (slice(middle, middle + stroke), slice(0, width)),
        "d": (slice(height - stroke, height), slice(0, width)),
        "f": (slice(0, middle + stroke), slice(0, stroke)),
        "b": (slice(0, middle + stroke), slice(width - stroke, width)),
        "e": (slice(middle, height), slice(0, stroke)),
        "c": (slice(middle, height), slice(width - stroke, width)),
    }
    for stroke_name in _STROKES[character]:
        dots[spans[stroke_name]] = True
    if stroke > 1 and character in "0235689":
        _round_corners(dots, character)
    return dots


def _round_corners(dots: Dots, character: str) -> None:
    """Take the outermost dot off the corners that bend, so that a large digit does not look like a box."""
    bends = {"0": "qrst", "2": "r", "3": "rt", "5": "t", "6": "qst", "8": "qrst", "9": "qrt"}[character]
    for bend, corner in (("q", (0, 0)), ("r", (0, -1)), ("s", (-1, 0)), ("t", (-1, -1))):
        if bend in bends:
            dots[corner] = False


def _chevron(character: str, size: DigitSize) -> Dots:
    height, stroke = size.height, size.stroke
    width = max(3, size.width * 2 // 3)
    dots = np.zeros((height, width), bool)
    top, foot = height // 5, height - height // 5 - 1
    for y in range(top, foot + 1):
        away = abs(2 * y - (top + foot)) / max(1, foot - top)
        x = round((1 - away) * (width - stroke))
        dots[y, x : x + stroke] = True
    return dots if character == ">" else dots[:, ::-1]


def _total_width(text: str, size: DigitSize) -> int:
    gap = _gap(size)
    return sum(_digit_width(c, size) for c in text) + gap * (len(text) - 1)


def _gap(size: DigitSize) -> int:
    return max(1, (size.stroke + 1) // 2 + (size.stroke > 2))


def _digit_width(character: str, size: DigitSize) -> int:
    if character == ".":
        return size.stroke
    return max(3, size.width * 2 // 3) if character in "<>" else size.width


@lru_cache(maxsize=64)
def digit_size(columns: int, rows: int, sample: str) -> DigitSize:
    """Largest size at which `sample` fits into `columns` x `rows`; the smallest there is if none does."""
    for height in range(2 * rows, 4, -1):
        for slimness in (0.72, 0.65, 0.58):
            width = max(3, round(height * slimness))
            size = DigitSize(width, height, max(1, round(width * 0.27)))
            if _total_width(sample, size) <= columns:
                return size
    return DigitSize(3, 5, 1)


@lru_cache(maxsize=256)
def digit_lines(text: str, size: DigitSize) -> tuple[str, ...]:
    """`text` (digits, point, minus, chevrons, spaces) as equally long lines of half blocks."""
    parts: list[Dots] = []
    gap = np.zeros((size.height, _gap(size)), bool)
    for index, character in enumerate(text):
        if index:
            parts.append(gap)
        parts.append(_digit(character, size))
    return tuple(half_blocks(np.hstack(parts)))


@lru_cache(maxsize=64)
def word_lines(word: str, columns: int, rows: int) -> tuple[str, ...]:
    """`word` (letters and spaces) as large as fits; the plain word, spaced out if there is room, where nothing fits."""
    dots = _word_dots(word)
    scale = min(columns // dots.shape[1], (2 * rows) // dots.shape[0])
    if scale < 1:
        spaced = " ".join(word)
        return (spaced if len(spaced) <= columns else word,)
    return tuple(half_blocks(np.kron(dots, np.ones((scale, scale), bool))))


def _word_dots(word: str) -> Dots:
    letters = []
    for index, letter in enumerate(word):
        rows = LETTERS[letter].split()
        letters.append(np.array([[dot == "#" for dot in row] for row in rows], bool))
        if index < len(word) - 1:
            letters.append(np.zeros((5, 1), bool))
    return np.hstack(letters)
