"""Boards, and what all wiring diagrams share: pull-ups, notes, the white sheet behind."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

import schemdraw
from schemdraw import elements as elm

schemdraw.use("svg")
schemdraw.svgconfig.text = "text"

GAP = 9.0
ROW = 1.6


@dataclass(frozen=True)
class BoardPins:
    """What a diagram has to know of a board."""

    key: str
    title: str
    volts_5: str
    volts_3: str
    ground: str
    sda: str
    scl: str
    analogue: str
    reference: str
    clock: str
    data: str
    button: str
    sounder: str


BOARDS = (
    BoardPins(
        "rp2040",
        "RP2040 board",
        "VBUS 5 V (40)",
        "3V3 OUT (36)",
        "GND (38)",
        "GP4 SDA (6)",
        "GP5 SCL (7)",
        "GP26 ADC0 (31)",
        "GP27 ADC1 (32)",
        "GP2 (4)",
        "GP3 (5)",
        "GP22 (29)",
        "GP15 (20)",
    ),
    BoardPins(
        "esp32",
        "ESP32 board",
        "5V",
        "3V3",
        "GND",
        "GPIO21 SDA",
        "GPIO22 SCL",
        "GPIO34 ADC",
        "GPIO35 ADC",
        "GPIO18",
        "GPIO19",
        "GPIO27",
        "GPIO25",
    ),
)


def pull_up(drawing: schemdraw.Drawing, x: float, y: float, rail_y: float) -> None:
    """The resistor stands between the rail and the row below it, so that it never lies across another wire."""
    foot = rail_y - ROW
    drawing.add(elm.Dot().at((x, y)))
    if y < foot - 0.01:
        drawing.add(elm.Line().endpoints((x, y), (x, foot)))
    drawing.add(elm.Resistor().endpoints((x, foot), (x, rail_y)).label("4.7k", "bottom"))
    drawing.add(elm.Dot().at((x, rail_y)))


def notes_below(drawing: schemdraw.Drawing, title: str, notes: tuple[str, ...]) -> None:
    lines = [(line, 12) for line in textwrap.wrap(title, 70)]
    lines += [(line, 11) for note in notes for line in textwrap.wrap(note, 84)]
    for n, (line, size) in enumerate(lines):
        drawing.add(elm.Label().at((0.0, -0.9 - 0.65 * n)).label(line, halign="left", loc="right", fontsize=size))


def tidied(svg: str, title: str) -> str:
    """A white sheet behind and a title, so that it can be read on a dark page and by a screen reader."""
    start = svg.index("<svg")
    end = svg.index(">", start) + 1
    box = svg[start:end].split('viewBox="')[1].split('"')[0].split()
    sheet = f'<title>{title}</title><rect x="{box[0]}" y="{box[1]}" width="{box[2]}" height="{box[3]}" fill="#ffffff"/>'
    return svg[:end] + sheet + svg[end:].rstrip() + "\n"
