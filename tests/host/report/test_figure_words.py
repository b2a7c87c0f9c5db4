"""Figures of verdicts in words: no bare minus sign, no more digits than the interval allows."""

import pytest

from sumpglass.report.figure_words import figure_name, figure_words


@pytest.mark.parametrize(
    ("figure", "told"),
    [
        (("draw", -1950.0, -2045.4, -1855.6, "Pa"), "vacuum 1950 Pa  (1856 to 2045)"),
        (("zero_pa", 2.0, -1.0, 5.0, "Pa"), "pressure 2.0 Pa  (vacuum 1.0 to pressure 5.0)"),
        (("zero_pa", 0.0, -1.0, 1.0, "Pa"), "0.0 Pa  (vacuum 1.0 to pressure 1.0)"),
        (("change_pa", -120.0, -150.0, -90.0, "Pa"), "120 Pa towards vacuum  (90 to 150)"),
        (("change_pa", 20.0, -10.0, 50.0, "Pa"), "20 Pa towards pressure  (10 towards vacuum to 50 towards pressure)"),
        (("noise_pa", 1.46, None, None, "Pa"), "1.46 Pa"),
        (("leak_mm", 1.313, 1.22, 1.41, "mm"), "1.313 mm  (1.220 to 1.410)"),
        (("half_order_ratio", None, None, None, ""), "?"),
        (("idle", -20.0, -30.0, None, "Pa"), "vacuum 20.00 Pa  (one end is not known)"),
        (("rpm", 818.0, 818.0, 818.0, "rpm"), "818.00 rpm  (818.00 to 818.00)"),
    ],
)
def test_figures(figure, told):
    assert figure_words(*figure) == told
    assert "-" not in told


def test_names_are_words_and_cannot_steer_a_terminal():
    assert figure_name("leak_mm2") == "leak, as an area"
    assert "\x1b" not in figure_name("\x1b[2J") + figure_words("x", 1.0, None, None, "\x1b[2J")
