"""Wiring of each sensor to each board, drawn with schemdraw; pins are those of the firmware's default settings."""

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


@dataclass(frozen=True)
class Wire:
    """One row of a diagram: the board's pin, the sensor's pin, and what sits between."""

    board: str
    sensor: str
    pull_up: bool = False
    divider: bool = False


@dataclass(frozen=True)
class Diagram:
    """One sensor: rows by the names of `BoardPins`, and what has to be said beside it."""

    key: str
    title: str
    sensor: str
    wires: tuple[Wire, ...]
    notes: tuple[str, ...]


_I2C = (
    Wire("volts_3", "VDD"),
    Wire("scl", "SCL", pull_up=True),
    Wire("sda", "SDA", pull_up=True),
    Wire("ground", "GND"),
)
DIAGRAMS = (
    Diagram(
        "analogue",
        "Analogue sensor (MPXV7002, MPXV7007, MPX5010, MPX5050 type) on the board's own converter",
        "MPX-type sensor",
        (Wire("volts_5", "Vs 5 V"), Wire("analogue", "Vout", divider=True), Wire("ground", "GND")),
        (
            "Divider 10k / 15k brings 5 V down to 3 V (ratio 0.6); 100 nF makes 265 Hz with its 6k.",
            "1 uF and 10 nF from Vs to GND at the sensor.",
        ),
    ),
    Diagram(
        "converter16",
        "Analogue sensor behind a 16-bit converter (ADS1115 type)",
        "ADS1115 module",
        _I2C,
        (
            "Converter at 3.3 V. Sensor at 5 V: Vout through 10k / 15k to A0, its 5 V through an equal pair to A1, so "
            "that the supply's error falls out. 100 nF at A0.",
        ),
    ),
    Diagram(
        "flow_through",
        "Flow-through digital sensor (SDP8xx type)",
        "SDP8xx type",
        _I2C,
        ("3.3 V only. Clean air only: oil mist fouls it. 100 nF at the sensor.",),
    ),
    Diagram(
        "bridge14",
        "14-bit bridge sensor, 10 to 90 % output",
        "14-bit bridge",
        _I2C,
        ("Order the 3.3 V I2C kind. 100 nF at the sensor.",),
    ),
    Diagram(
        "membrane24",
        "24-bit digital membrane sensor (XGZP6897D type)",
        "XGZP6897D type",
        _I2C,
        ("3.3 V, not 5 V: the pull-ups decide the bus level. 100 nF at the sensor.",),
    ),
    Diagram(
        "converter24",
        "Bare bridge on a 24-bit converter (HX710B type)",
        "HX710B module",
        (Wire("volts_3", "VCC"), Wire("clock", "SCK"), Wire("data", "OUT"), Wire("ground", "GND")),
        ("At most 40 readings a second: level only, no pulses. Calibrate it before use.",),
    ),
    Diagram(
        "barometer",
        "Barometer beside the sensor (BMP280 type), same bus",
        "BMP280 type",
        _I2C,
        ("Address 0x76 with SDO to GND, 0x77 with SDO to VDD. CSB to VDD chooses I2C.",),
    ),
)


def wiring(diagram: Diagram, board: BoardPins) -> str:
    """SVG of one sensor on one board."""
    drawing = schemdraw.Drawing(show=False, fontsize=12, unit=2)
    rows = len(diagram.wires)
    left = [
        elm.IcPin(name=getattr(board, wire.board), side="right", anchorname=f"w{rows - k}")
        for k, wire in _from_below(diagram)
    ]
    right = [elm.IcPin(name=wire.sensor, side="left", anchorname=f"w{rows - k}") for k, wire in _from_below(diagram)]
    height = ROW * rows + 0.4
    sensor_x = GAP + 3.6
    chip_size = {"pinspacing": ROW, "leadlen": 0.5}
    one = drawing.add(elm.Ic(pins=left, size=(3.6, height), **chip_size).at((0, 0)).label(board.title, "top"))
    other = drawing.add(
        elm.Ic(pins=right, size=(3.2, height), **chip_size).at((sensor_x, 0)).label(diagram.sensor, "top")
    )
    pulls = 0
    for k, wire in enumerate(diagram.wires, 1):
        start, end = getattr(one, f"w{k}"), getattr(other, f"w{k}")
        if wire.divider:
            _divider(drawing, start, end)
            continue
        drawing.add(elm.Line().endpoints(start, end))
        if wire.pull_up:
            _pull_up(drawing, start[0] + 2.2 + 2.6 * pulls, start[1], one.w1[1])
            pulls += 1
    _notes(drawing, f"{diagram.title}.", diagram.notes)
    return _tidied(drawing.get_imagedata("svg").decode(), f"{diagram.title}, {board.title}")


def _from_below(diagram: Diagram) -> list[tuple[int, Wire]]:
    """schemdraw numbers an Ic's pins from below; ours count from above."""
    return list(enumerate(reversed(diagram.wires)))


def _pull_up(drawing: schemdraw.Drawing, x: float, y: float, rail_y: float) -> None:
    """The resistor stands between the rail and the row below it, so that it never lies across another wire."""
    foot = rail_y - ROW
    drawing.add(elm.Dot().at((x, y)))
    if y < foot - 0.01:
        drawing.add(elm.Line().endpoints((x, y), (x, foot)))
    drawing.add(elm.Resistor().endpoints((x, foot), (x, rail_y)).label("4.7k", "bottom"))
    drawing.add(elm.Dot().at((x, rail_y)))


def _notes(drawing: schemdraw.Drawing, title: str, notes: tuple[str, ...]) -> None:
    lines = [(line, 12) for line in textwrap.wrap(title, 70)]
    lines += [(line, 11) for note in notes for line in textwrap.wrap(note, 84)]
    for n, (line, size) in enumerate(lines):
        drawing.add(elm.Label().at((0.0, -0.9 - 0.65 * n)).label(line, halign="left", loc="right", fontsize=size))


def _divider(drawing: schemdraw.Drawing, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Sensor, 10k, node with 15k and 100 nF to ground, board."""
    y = start[1]
    node, cap = start[0] + 4.2, start[0] + 1.8
    drawing.add(elm.Resistor().endpoints((node, y), (end[0], y)).label("10k", "top"))
    drawing.add(elm.Line().endpoints((start[0], y), (node, y)))
    for x, part, name in ((node, elm.Resistor(), "15k"), (cap, elm.Capacitor(), "100 nF")):
        drawing.add(elm.Dot().at((x, y)))
        drawing.add(part.endpoints((x, y), (x, y - ROW)).label(name, "bottom"))
        drawing.add(elm.Dot().at((x, y - ROW)))


def button_and_sounder(board: BoardPins) -> str:
    """The mark button and the piezo sounder."""
    drawing = schemdraw.Drawing(show=False, fontsize=12, unit=2)
    pins = [
        elm.IcPin(name=name, side="right", anchorname=anchor)
        for name, anchor in (
            (board.ground, "ground"),
            (board.sounder, "sounder"),
            (board.button, "button"),
            (board.volts_3, "volts"),
        )
    ]
    chip = drawing.add(
        elm.Ic(pins=pins, size=(3.6, ROW * 4 + 0.4), pinspacing=ROW, leadlen=0.5).label(board.title, "top")
    )
    x = chip.volts[0]
    near, far = x + 4.5, x + 8.0
    drawing.add(elm.Line().endpoints(chip.volts, (near, chip.volts[1])))
    drawing.add(elm.Button().endpoints((near, chip.volts[1]), (near, chip.button[1])).label("mark", "bottom"))
    drawing.add(elm.Line().endpoints((near, chip.button[1]), chip.button))
    drawing.add(elm.Resistor().endpoints(chip.sounder, (near, chip.sounder[1])).label("100", "top"))
    drawing.add(elm.Line().endpoints((near, chip.sounder[1]), (far, chip.sounder[1])))
    piezo = elm.Capacitor().endpoints((far, chip.sounder[1]), (far, chip.ground[1]))
    drawing.add(piezo.label("piezo", "bottom"))
    drawing.add(elm.Line().endpoints((far, chip.ground[1]), chip.ground))
    _notes(
        drawing,
        "Mark button and sounder.",
        (
            "The button goes to 3.3 V; the board pulls its pin down. On a lead that has ground only, wire it to GND "
            "and set it active low.",
            "The sounder is a bare piezo disc, no coil.",
        ),
    )
    return _tidied(drawing.get_imagedata("svg").decode(), f"Button and sounder, {board.title}")


def _tidied(svg: str, title: str) -> str:
    """A white sheet behind and a title, so that it can be read on a dark page and by a screen reader."""
    start = svg.index("<svg")
    end = svg.index(">", start) + 1
    box = svg[start:end].split('viewBox="')[1].split('"')[0].split()
    sheet = f'<title>{title}</title><rect x="{box[0]}" y="{box[1]}" width="{box[2]}" height="{box[3]}" fill="#ffffff"/>'
    return svg[:end] + sheet + svg[end:].rstrip() + "\n"


def all_wiring() -> dict[str, str]:
    """File name to SVG."""
    made = {f"wiring_{diagram.key}_{board.key}.svg": wiring(diagram, board) for diagram in DIAGRAMS for board in BOARDS}
    made.update({f"wiring_button_and_sounder_{board.key}.svg": button_and_sounder(board) for board in BOARDS})
    return made
