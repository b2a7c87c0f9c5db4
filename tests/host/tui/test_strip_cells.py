"""One column of the strip: vacuum downwards, zero in its own row, the band where the pulses reach."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpglass.tui.widgets.scale import SHRINK_AFTER_S, Scale, step_up
from sumpglass.tui.widgets.strip_cells import (
    BAND_PRESSURE,
    BAND_VACUUM,
    EMPTY,
    FLAG,
    LINE_PRESSURE_BARE,
    LINE_VACUUM,
    LINE_VACUUM_BARE,
    ZERO,
    Pair,
    cell_column,
    place_rows,
)

NAN = float("nan")
PLACE = place_rows(20, 1000.0, 500.0)


def column(low, high, mean, before=NAN, **more):
    pair = Pair((low, low), (high, high), (mean, mean), before)
    return cell_column(pair, PLACE, more.get("braille", True), more.get("flagged", False), frozenset())


def test_both_ends_of_the_span_are_on_the_chart():
    for rows in range(4, 60):
        for vacuum, pressure in ((1000, 200), (200, 1000), (50, 10), (5000, 5000)):
            place = place_rows(rows, vacuum, pressure)
            assert -1e-9 <= place.y(pressure) < place.y(0.0) < place.y(-vacuum) <= rows + 1e-9
            assert 1 <= place.zero_row <= rows - 2


def test_vacuum_is_drawn_below_the_zero_line():
    glyphs, tones = column(-700, -500, -600)
    drawn = [row for row, tone in enumerate(tones) if tone not in (EMPTY, ZERO)]
    assert drawn and min(drawn) > PLACE.zero_row
    assert tones[PLACE.zero_row] == ZERO and glyphs[PLACE.zero_row] == "━"
    assert LINE_VACUUM in tones and BAND_VACUUM in tones


def test_pressure_is_drawn_above_it():
    _, tones = column(200, 400, 300)
    drawn = [row for row, tone in enumerate(tones) if tone not in (EMPTY, ZERO)]
    assert drawn and max(drawn) < PLACE.zero_row
    assert BAND_PRESSURE in tones


def test_a_step_is_one_unbroken_line():
    _, tones = column(-40, -40, -40, before=-640)
    rows = [row for row, tone in enumerate(tones) if tone in (LINE_VACUUM, LINE_VACUUM_BARE)]
    assert rows == list(range(min(rows), max(rows) + 1)) and len(rows) > 5


def test_nothing_is_drawn_where_there_is_nothing():
    glyphs, tones = column(NAN, NAN, NAN)
    assert set(tones) == {EMPTY, ZERO} and set(glyphs) == {" ", "━"}


def test_a_flag_runs_through_the_empty_cells_only():
    _, tones = column(-700, -500, -600, flagged=True)
    assert EMPTY not in tones and FLAG in tones and tones[PLACE.zero_row] == ZERO


def test_blocks_take_the_place_of_braille():
    glyphs, _ = column(100, 100, 100, braille=False)
    assert not any("\u2800" <= glyph <= "\u28ff" for glyph in glyphs)
    assert LINE_PRESSURE_BARE in column(100, 100, 100, braille=False)[1]


@given(st.floats(-1e5, 1e5), st.floats(-1e5, 1e5), st.floats(0, 1), st.one_of(st.just(NAN), st.floats(-1e5, 1e5)))
def test_any_reading_gives_a_full_column(a, b, share, before):
    low, high = min(a, b), max(a, b)
    glyphs, tones = column(low, high, low + share * (high - low), before)
    assert len(glyphs) == len(tones) == PLACE.rows


@given(st.floats(1e-3, 1e7))
def test_steps_are_one_two_five(size):
    step = step_up(size)
    assert size <= step * (1 + 1e-6) and step < 2.51 * size
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - m) for m in (1, 2, 5, 10)) < 1e-6


def test_the_scale_grows_at_once_and_shrinks_late():
    scale = Scale(1000.0)
    assert scale.update(-640, 0, 0.0) and not scale.just_moved(0.1)
    assert scale.span.vacuum_pa == 1000
    assert scale.update(-1500, 0, 5.0) and scale.span.vacuum_pa == 2000 and scale.just_moved(6.0)
    moved = [t for t in range(6, 60) if scale.update(-640, 0, float(t))]
    assert moved == [6 + SHRINK_AFTER_S] and scale.span.vacuum_pa == 1000


def test_the_scale_does_not_breathe():
    scale = Scale(1000.0)
    scale.update(-950, 30, 0.0)
    moves = sum(scale.update(-950 - 80 * math.sin(t), 30 + 20 * math.cos(t), float(t)) for t in range(1, 600))
    assert moves <= 1


@pytest.mark.parametrize("rows", [3, 4, 5])
def test_very_low_charts_have_all_three(rows):
    place = place_rows(rows, 1000, 200)
    assert 1 <= place.zero_row <= rows - 2
