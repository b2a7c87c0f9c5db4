"""How a rig was built, as its board tells it in pieces among the frames."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpglass.decode.board_settings import SettingsReader, line_of, line_problem
from sumpglass.decode.items import Message
from sumpglass_wire import layouts as wire

LINE = {"bore_mm": 4, "length_mm": 500.0, "volume_mm3": 1000}
SETTINGS = {"name": "rig", "channels": [{"sensor": "analogue", "line": LINE}, {"sensor": "bmp280"}]}


def piece(text: bytes, offset: int, size: int = 256) -> Message:
    answer = {"total": len(text), "offset": offset}
    return Message(
        "answer", 0, {"request_type": wire.READ_SETTINGS, "answer": answer, "data": text[offset : offset + size]}
    )


@given(size=st.integers(1, 300), junk=st.lists(st.integers(0, 400), max_size=5))
def test_pieces_of_any_size_join_whatever_came_before(size: int, junk: list[int]) -> None:
    text = json.dumps(SETTINGS).encode()
    reader = SettingsReader()
    for offset in junk:
        reader.take(piece(text, offset, size))
    for offset in range(0, len(text), size):
        reader.take(piece(text, offset, size))
    assert reader.settings == SETTINGS


def test_the_line_of_each_channel_is_in_si_units() -> None:
    reader = SettingsReader()
    reader.take(piece(json.dumps(SETTINGS).encode(), 0, 4096))
    line = reader.line(0)
    assert line is not None
    assert (line.bore_m, line.length_m, line.volume_m3) == pytest.approx((4e-3, 0.5, 1e-6))
    assert reader.line(1) is None and reader.line(2) is None


@pytest.mark.parametrize("text", [b"", b"[1]", b'{"channels": 3}', b'{"channels": [5]}', b"\xff\xfe", b"{"])
def test_settings_that_make_no_sense_are_no_settings(text: bytes) -> None:
    reader = SettingsReader()
    reader.take(piece(text, 0))
    assert reader.line(0) is None


@pytest.mark.parametrize(
    ("told", "word"),
    [
        ({**LINE, "bore_mm": 0}, "bore_mm"), ({**LINE, "length_mm": "long"}, "length_mm"),
        ({**LINE, "volume_mm3": True}, "volume_mm3"), ({"bore_mm": 4}, "length_mm"), ({**LINE, "bend": 1}, "bend"),
    ],
)  # fmt: skip
def test_a_line_with_a_mistake_is_refused_by_name(told: dict[str, object], word: str) -> None:
    problem = line_problem(told)
    assert problem is not None and problem.startswith(word)
    assert line_of(told) is None
