"""Large digits and words: they fill the space, keep their size, and every word that the level can say can be drawn."""

import numpy as np
import pytest

from sumpglass.tui.widgets.big_font import digit_lines, digit_size, half_blocks, word_lines


@pytest.mark.parametrize(("columns", "rows"), [(30, 3), (41, 5), (56, 11), (90, 20)])
@pytest.mark.parametrize("sample", ["0.00", "0000", "00.0", "15678.9"])
def test_digits_fit_and_fill(columns, rows, sample):
    size = digit_size(columns, rows, sample)
    lines = digit_lines(sample, size)
    assert len(lines) <= rows
    assert {len(line) for line in lines} == {len(lines[0])}
    if size.height > 5:
        assert len(lines[0]) <= columns
        # Two dots more would not fit: the digits are as large as the space allows, in one direction at least.
        assert len(lines) == rows or len(lines[0]) > columns * 0.7


def test_every_digit_looks_different():
    size = digit_size(40, 9, "0")
    drawn = {digit_lines(digit, size) for digit in "0123456789->< "}
    assert len(drawn) == 14


@pytest.mark.parametrize(
    "word",
    ["VACUUM", "PRESSURE", "OLD", "UNDECIDED", "NO RIG", "CLIPPED", "NO READING", "WAITING", "▼ VACUUM", "▲ PRESSURE"],
)
@pytest.mark.parametrize("columns", [20, 34, 44, 60])
def test_words_fit_or_are_spelled(word, columns):
    lines = word_lines(word, columns, 3)
    assert all(len(line) <= columns for line in lines)
    assert len(lines) == 3 or lines[0].replace(" ", "") == word.replace(" ", "")


def test_half_blocks_pad_an_odd_row():
    dots = np.array([[1, 0], [1, 1], [0, 1]], bool)
    assert half_blocks(dots) == ["█▄", " ▀"]
