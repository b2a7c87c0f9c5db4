"""What a board says is data: it never reaches a page or a terminal unescaped, and figures read as a person's do."""

import re

import pytest

from sumpglass.analysis.acceptance import FAILED, PASSED, UNKNOWN, Check
from sumpglass.analysis.calibration import CalibrationPoint, calibrate
from sumpglass.analysis.water_column import WaterColumn
from sumpglass.report.rig_page import rig_page
from sumpglass.report.rig_text import calibration_text, checks_text

EVIL = '<script>alert(1)</script>"&\x1b[2J'
CHECKS = (
    Check("noise", PASSED, "1 Pa", "at most 3 Pa", "because", 1.0),
    Check("drift", UNKNOWN, "20 s recorded", "at most 2 Pa/min", "a drift shows late"),
    Check("faults", FAILED, EVIL, "none", "it stumbles"),
)


def page(checks=CHECKS):
    return rig_page(EVIL, "0102", "1.0.0", EVIL, checks, "2031-05-04", "sumpglass 0.1.0")


def test_page_escapes_what_a_board_says():
    text = page()
    assert "<script" not in text
    assert text.count("&lt;script&gt;") == 3
    assert re.findall(r"<(?:img|link|script|iframe)\b", text) == []


@pytest.mark.parametrize(
    ("checks", "verdict"),
    [
        (CHECKS, "Not accepted: faults. Not known: drift."),
        (CHECKS[:2], "Accepted: no check failed. Not known: drift."),
        (CHECKS[:1], "Accepted: no check failed."),
    ],
)
def test_verdict_in_one_line(checks, verdict):
    assert f'<p class="verdict">{verdict}</p>' in page(checks)


def test_text_gives_the_reason_only_where_it_is_needed():
    text = checks_text(CHECKS)
    assert "\x1b" not in text
    assert "Because" not in text
    assert "It stumbles." in text


def test_calibration_text_has_a_row_a_point_and_no_more_digits_than_it_knows():
    points = [CalibrationPoint(mm, mm * 9.7 + 12.0, 0.5) for mm in (-150.0, 0.0, 150.0)]
    text = calibration_text(calibrate(points, WaterColumn(latitude_deg=50)))
    rows = [line for line in text.splitlines() if re.match(r"\s+-?\d+\.\d\s+-?\d+\.\d\s+[+-]\d+\.\d$", line)]
    assert len(rows) == 3
    gain = re.search(r"= (\d\.\d+) \(± (\d\.\d+)\)", text)
    assert len(gain.group(1)) == len(gain.group(2)) <= 7
