"""Long lines on a terminal break between words and lose none; in a pipe they stay whole."""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpglass.report import to_terminal
from sumpglass.report.to_terminal import wrapped, write_text

LONG = "  - No zero was given: the rig is taken to read 0 Pa open to the room"


def test_what_is_carried_over_stands_under_the_words():
    assert wrapped(LONG, 40).split("\n") == [
        "  - No zero was given: the rig is taken",
        "    to read 0 Pa open to the room",
    ]
    assert wrapped("Note: " + "word " * 9, 40).split("\n")[1].startswith("      word")
    assert wrapped("      5 mm  vacuum 0.33 kPa", 40) == "      5 mm  vacuum 0.33 kPa"


@given(st.text(alphabet="ab -:.1\n", max_size=300), st.integers(40, 90))
def test_no_word_is_lost_and_no_line_is_too_long(text, columns):
    told = wrapped(text, columns)
    assert "".join(told.split()) == "".join(text.split())
    assert all(len(line) <= columns for line in told.split("\n"))


@pytest.mark.parametrize("terminal", [True, False])
def test_a_pipe_gets_whole_lines(monkeypatch, terminal):
    out = io.StringIO()
    out.isatty = lambda: terminal
    monkeypatch.setattr(to_terminal.sys, "stdout", out)
    monkeypatch.setenv("COLUMNS", "50")
    write_text(LONG)
    assert (out.getvalue() == LONG + "\n") is not terminal
