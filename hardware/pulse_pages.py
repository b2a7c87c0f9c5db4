"""What hose and snubber do to the pulses, and which sensor clips on which engine, by the program's own models."""

from __future__ import annotations

import math

import numpy as np
from svg_canvas import BLUE, GREEN, INK, ORANGE, Canvas

from sumpglass.physics.crankcase import inline_four_second_order_m3
from sumpglass.physics.line import corner_hz, gain, peak
from sumpglass.records import SensorLine

SENSOR_M3 = 300e-9


def tail_volume_m3(bore_m: float, length_m: float) -> float:
    """Hose behind a snubber, and the sensor: all of it has to be filled through the snubber."""
    return math.pi / 4 * bore_m**2 * length_m + SENSOR_M3


LINES: dict[str, SensorLine] = {
    "hose 4 mm, 0.5 m": SensorLine(4e-3, 0.5, SENSOR_M3),
    "hose 4 mm, 1 m": SensorLine(4e-3, 1.0, SENSOR_M3),
    "hose 3 mm, 2 m": SensorLine(3e-3, 2.0, SENSOR_M3),
    "snubber 0.8 mm x 10 mm, 0.5 m hose": SensorLine(0.8e-3, 10e-3, tail_volume_m3(4e-3, 0.5)),
    "snubber 0.5 mm x 10 mm, 0.5 m hose": SensorLine(0.5e-3, 10e-3, tail_volume_m3(4e-3, 0.5)),
    "snubber 0.3 mm x 10 mm, 0.5 m hose": SensorLine(0.3e-3, 10e-3, tail_volume_m3(4e-3, 0.5)),
}
"""A snubber is a short narrow tube at the port, with the hose behind it as part of the volume: good well below the
hose's own resonance."""

FREQUENCIES = {
    "single, 800 rpm, 6.7 Hz": 6.667,
    "four, 800 rpm, 26.7 Hz": 26.667,
    "six, 800 rpm, 40 Hz": 40.0,
    "four, 3000 rpm, 100 Hz": 100.0,
}


def line_table() -> list[list[str]]:
    """Gain at the firing frequencies, resonance and corner of each line."""
    rows = [["line", *FREQUENCIES, "resonance", "right within 5 % up to"]]
    for name, line in LINES.items():
        gains = [f"{float(gain(f, line)):.2f}" for f in FREQUENCIES.values()]
        at, size = peak(line) if not name.startswith("snubber") else _damped_peak(line)
        resonance = f"{at:.0f} Hz, x {size:.1f}" if at else "none"
        rows.append([name, *gains, resonance, f"{corner_hz(line):.0f} Hz"])
    return rows


def _damped_peak(line: SensorLine) -> tuple[float, float]:
    """A snubber and a volume swing like a bottle, far below the quarter wave of so short a tube."""
    f = np.geomspace(1.0, 2000.0, 2000)
    sizes = gain(f, line)
    k = int(np.argmax(sizes))
    return (float(f[k]), float(sizes[k])) if sizes[k] > 1.02 else (0.0, 1.0)


def clipping_table() -> list[list[str]]:
    """Second-order swing of closed-up inline fours against the sensors' ranges."""
    rows = [
        [
            "inline four",
            "bore x stroke mm",
            "gas in the crankcase L",
            "swing, closed up, kPa",
            "+-0.5 kPa",
            "+-2 kPa",
            "+-5 kPa",
            "+-6.9 kPa",
        ]
    ]
    for name, bore, stroke, rod, gas in (
        ("small pump engine, 1.0 L", 0.065, 0.0754, 0.120, 4e-3),
        ("middle, 1.8 L", 0.0825, 0.085, 0.139, 5e-3),
        ("big, 2.5 L", 0.091, 0.096, 0.150, 5e-3),
        ("big, 3.0 L", 0.096, 0.104, 0.160, 6e-3),
    ):
        swing = 1.4 * 101325 * inline_four_second_order_m3(bore, stroke, rod) / gas
        verdicts = ["clips" if swing + 500 > limit else "fits" for limit in (500, 2000, 5000, 6895)]
        rows.append(
            [name, f"{bore * 1000:.1f} x {stroke * 1000:.1f}", f"{gas * 1000:.0f}", f"{swing / 1000:.2f}", *verdicts]
        )
    return rows


def line_picture() -> str:
    """Gain against frequency of hoses and snubbers."""
    left, top, wide, high = 80.0, 70.0, 560.0, 360.0
    sheet = Canvas(960, 500, "What the line does to pulses")
    sheet.words(30, 34, "What the line does to pulses: size at the sensor over size at the port", 17, bold=True)
    x = lambda f: left + wide * math.log10(f / 2) / math.log10(150 / 2)  # noqa: E731
    y = lambda g: top + high * (1 - math.log10(max(g, 0.02) / 0.02) / math.log10(20 / 0.02))  # noqa: E731
    for f in (2, 5, 10, 20, 50, 100, 150):
        sheet.line(x(f), top, x(f), top + high, "#dddddd", 1)
        sheet.words(x(f), top + high + 20, f"{f}", 12, "middle", "#555555")
    sheet.words(left + wide / 2, top + high + 42, "frequency, Hz", 13, "middle")
    for g in (0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20):
        sheet.line(left, y(g), left + wide, y(g), "#999999" if g == 1 else "#dddddd", 1)
        sheet.words(left - 10, y(g) + 4, f"{g:g}", 12, "end", "#555555")
    sheet.line(x(26.667), top, x(26.667), top + high, INK, 1, dash="4 4")
    sheet.words(x(26.667) - 6, top + high - 10, "four at 800 rpm", 12, "end")
    f = np.geomspace(2.0, 150.0, 240)
    styles = ((BLUE, ""), (BLUE, "8 4"), (BLUE, "2 3"), (ORANGE, ""), (ORANGE, "8 4"), (GREEN, ""))
    for k, ((name, line), (colour, dash)) in enumerate(zip(LINES.items(), styles)):
        sizes = gain(f, line)
        points = [(x(float(a)), y(float(b))) for a, b in zip(f, sizes) if b > 0.02]
        sheet.path(points, colour, 2, dash=dash)
        legend = top + 20 + 26 * k
        sheet.line(left + wide + 24, legend - 4, left + wide + 58, legend - 4, colour, 2, dash)
        sheet.words(left + wide + 66, legend, name, 12)
    sheet.paragraph(
        left + wide + 24,
        top + 210,
        (
            "A wide short hose is right to 30 Hz and",
            "more, then rings. A 0.8 mm snubber still",
            "passes the pulses that tell engine speed;",
            "0.3 mm leaves hardly more than the mean,",
            "and the mean alone misleads (square-root",
            "error of pulsating flow).",
        ),
        12,
        18,
        colour="#555555",
    )
    return sheet.text()
