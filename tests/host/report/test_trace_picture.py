"""The picture in the report: right way up, gaps left open, text escaped, a bold zero line in it whatever the trace."""

import re
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest

from sumpglass.records import Happening, Mark
from sumpglass.report.trace_picture import NARROW, WIDE, flag_letter, trace_picture

SVG = "{http://www.w3.org/2000/svg}"


def drawn(*words, **more):
    return ElementTree.fromstring(trace_picture(*words, **more))


def of_class(picture, name):
    return [element for element in picture.iter() if name in element.get("class", "").split()]


def points(element):
    return np.array([pair.split(",") for pair in element.get("points").split()], float)


@pytest.mark.parametrize("size", [WIDE, NARROW])
def test_vacuum_lies_below_the_zero_line(size):
    t_s = np.arange(0, 10, 0.001)
    picture = drawn(t_s, np.where(t_s < 5, -500.0, 200.0), size=size)
    (zero,), (level,) = of_class(picture, "zero"), of_class(picture, "level")
    at, zero_y = points(level), float(zero.get("y1"))
    assert at[5, 1] > zero_y > at[-5, 1]
    assert at[:, 0].min() >= size.left and at[:, 0].max() <= size.width - size.right
    # 500 Pa of vacuum and 200 Pa of pressure stand in the ratio of their sizes.
    assert (at[5, 1] - zero_y) / (zero_y - at[-5, 1]) == pytest.approx(2.5, rel=0.02)


def test_the_band_runs_from_least_to_greatest():
    t_s = np.arange(0, 10, 0.001)
    picture = drawn(t_s, -300 + 100 * np.sin(2 * np.pi * 20 * t_s))
    (band,), (zero,) = of_class(picture, "band"), of_class(picture, "zero")
    depth = points(band)[:, 1] - float(zero.get("y1"))
    assert depth.max() / depth.min() == pytest.approx(2.0, rel=0.03)


def test_gaps_and_faults_stay_open():
    t_s = np.concatenate([np.arange(0, 3, 0.001), np.arange(6, 9, 0.001)])
    pressure = np.full(len(t_s), -200.0)
    pressure[1000:1500] = np.nan
    picture = drawn(t_s, pressure)
    assert len(of_class(picture, "level")) == len(of_class(picture, "band")) == 3


def test_slow_recordings_are_one_line():
    assert len(of_class(drawn(np.arange(20.0), np.linspace(-100, 50, 20)), "level")) == 1


def test_flags_and_marks_are_escaped_and_lettered():
    flag = Happening("sudden_loss", 2.0, 2.2, -400.0, -30.0, "opening", 0.9)
    hostile = Mark(3.0, 'note <b>&"x"\x1b]0;y\u202e', "host")
    text = trace_picture(np.arange(0, 10, 0.01), np.full(1000, -400.0), [flag], [hostile])
    picture = ElementTree.fromstring(text)
    assert [e.find(f"{SVG}text").text for e in of_class(picture, "flag")] == ["A"]
    assert "<b>" not in text and "\x1b" not in text and "\u202e" not in text
    assert "Vacuum lost" in of_class(picture, "flag")[0].find(f"{SVG}title").text


@pytest.mark.parametrize(
    ("t_s", "pressure"),
    [
        ([5.0], [-3.0]),
        ([0.0, 1e6], [0.0, 1e8]),
        ([0.0, 9e11], [0.0, 1.0]),
        ([0.0, 1.0], [0.0, 0.0]),
        ([-2.0, -1.0], [1e-9, -1e-9]),
    ],
)
def test_odd_recordings_are_drawn(t_s, pressure):
    for unit in ("Pa", "kPa", "inHg", "psi"):
        text = trace_picture(np.array(t_s), np.array(pressure), unit=unit)
        assert not re.search(r"nan|inf(?!o)", text) and len(of_class(ElementTree.fromstring(text), "zero")) == 1


def test_nothing_to_draw_is_said():
    assert "No reading" in trace_picture(np.array([0.0, 1.0]), np.array([np.nan, np.nan]))


def test_letters_go_on_after_z():
    assert [flag_letter(k) for k in (0, 25, 26, 52)] == ["A", "Z", "A2", "A3"]
