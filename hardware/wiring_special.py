"""Diagrams that do not fit the row scheme: analogue sensors on either converter, button and sounder."""

from __future__ import annotations

import schemdraw
from schemdraw import elements as elm
from wiring_boards import GAP, ROW, BoardPins, notes_below, pull_up, tidied

ANALOGUE_TITLE = "Analogue sensor (MPXV7002, MPXV7007, MPX5010, MPX5050 type) on the board's own converter"
CONVERTER_TITLE = "Analogue sensor behind a 16-bit converter (ADS1115 type)"
SIZE = {"pinspacing": ROW, "leadlen": 0.5}


def analogue(board: BoardPins) -> str:
    """Board and analogue sensor: its output and its supply both go through equal dividers."""
    drawing = schemdraw.Drawing(show=False, fontsize=12, unit=2)
    names = (board.ground, board.analogue, board.reference, board.volts_5)
    pins = [elm.IcPin(name=name, side="right", anchorname=f"p{k}") for k, name in enumerate(names)]
    chip = drawing.add(elm.Ic(pins=pins, size=(3.6, 4 * ROW + 0.4), **SIZE).at((0, 0)).label(board.title, "top"))
    sensor = _sensor(drawing, chip.p0[0] + 11.4, 4)
    drawing.add(elm.Line().endpoints(chip.p3, sensor.supply))
    drawing.add(elm.Line().endpoints(chip.p0, sensor.ground))
    _output(drawing, chip.p1, sensor)
    x, (_, y) = chip.p2[0] + 1.8, chip.p2
    drawing.add(elm.Line().endpoints(chip.p2, (x, y)))
    drawing.add(elm.Dot().at((x, y)))
    drawing.add(elm.Resistor().endpoints((x, y), (x, chip.p3[1])).label("10k", "bottom"))
    drawing.add(elm.Dot().at((x, chip.p3[1])))
    drawing.add(elm.Line().endpoints((x, y), (x, chip.p1[1])))
    drawing.add(elm.Resistor().endpoints((x, chip.p1[1]), (x, chip.p0[1])).label("15k", "bottom"))
    drawing.add(elm.Dot().at((x, chip.p0[1])))
    notes = (
        "10k / 15k bring 5 V down to 3 V (ratio 0.6); 100 nF makes 265 Hz with their 6k. The upper pair watches the "
        "5 V, so that the supply's error falls out (reference_pin); without it measure the 5 V and set supply_v.",
        "Lines that cross without a dot are not joined. 1 uF and 10 nF from Vs to GND at the sensor.",
    )
    notes_below(drawing, f"{ANALOGUE_TITLE}.", notes)
    return tidied(drawing.get_imagedata("svg").decode(), f"{ANALOGUE_TITLE}, {board.title}")


def converter(board: BoardPins) -> str:
    """Board, converter, analogue sensor."""
    drawing = schemdraw.Drawing(show=False, fontsize=12, unit=2)
    names = (board.ground, board.sda, board.scl, board.volts_3, board.volts_5)
    left = [elm.IcPin(name=name, side="right", anchorname=f"p{k}") for k, name in enumerate(names)]
    chip = drawing.add(elm.Ic(pins=left, size=(3.6, 5 * ROW + 0.4), **SIZE).at((0, 0)).label(board.title, "top"))
    lefts, rights = enumerate(("GND", "SDA", "SCL", "VDD")), enumerate(("GND", "A0"))
    between = [
        *(elm.IcPin(name=name, side="left", slot=f"{k + 1}/4", anchorname=f"l{k}") for k, name in lefts),
        *(elm.IcPin(name=name, side="right", slot=f"{k + 1}/4", anchorname=f"r{k}") for k, name in rights),
    ]
    place = (GAP + 1.6, 0)
    middle = drawing.add(elm.Ic(pins=between, size=(2.8, 4 * ROW + 0.4), **SIZE).at(place).label("ADS1115", "top"))
    sensor = _sensor(drawing, middle.r0[0] + 9.0, 5)
    for k in range(4):
        drawing.add(elm.Line().endpoints(getattr(chip, f"p{k}"), getattr(middle, f"l{k}")))
    for n, k in enumerate((2, 1)):
        start = getattr(chip, f"p{k}")
        pull_up(drawing, start[0] + 1.6 + 1.9 * n, start[1], chip.p3[1])
    drawing.add(elm.Line().endpoints(chip.p4, sensor.supply))
    drawing.add(elm.Line().endpoints(middle.r0, sensor.ground))
    _output(drawing, middle.r1, sensor)
    notes = (
        "The converter runs at 3.3 V, so the sensor's output goes through 10k / 15k (divider 0.6). The reading follows "
        "the sensor's 5 V: measure it at the sensor and set supply_v. 100 nF at each supply pin.",
    )
    notes_below(drawing, f"{CONVERTER_TITLE}.", notes)
    return tidied(drawing.get_imagedata("svg").decode(), f"{CONVERTER_TITLE}, {board.title}")


def _sensor(drawing: schemdraw.Drawing, x: float, rows: int) -> elm.Ic:
    """An analogue sensor whose ground, output and supply stand at the rows of the part beside it."""
    places = ((1, "GND", "ground"), (2, "Vout", "output"), (rows, "Vs 5 V", "supply"))
    pins = [elm.IcPin(name=name, side="left", slot=f"{k}/{rows}", anchorname=anchor) for k, name, anchor in places]
    part = elm.Ic(pins=pins, size=(2.6, rows * ROW + 0.4), **SIZE).at((x, 0)).label("MPX type", "top")
    return drawing.add(part)


def _output(drawing: schemdraw.Drawing, pin: tuple[float, float], sensor: elm.Ic) -> None:
    """Sensor - 10k - pin, with 15k and 100 nF to ground."""
    y, ground_y = pin[1], sensor.ground[1]
    end = sensor.output[0] - 2.4
    drawing.add(elm.Line().endpoints(pin, (end, y)))
    drawing.add(elm.Resistor().endpoints((end, y), sensor.output).label("10k", "top"))
    for at, part, name in ((end - 4.0, elm.Capacitor(), "100 nF"), (end - 0.6, elm.Resistor(), "15k")):
        drawing.add(elm.Dot().at((at, y)))
        drawing.add(part.endpoints((at, y), (at, ground_y)).label(name, "bottom"))
        drawing.add(elm.Dot().at((at, ground_y)))


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
    notes_below(
        drawing,
        "Mark button and sounder.",
        (
            "The button goes to 3.3 V; the board pulls its pin down. On a lead that has ground only, wire it to GND "
            "and set it active low.",
            "The sounder is a bare piezo disc, no coil.",
        ),
    )
    return tidied(drawing.get_imagedata("svg").decode(), f"Button and sounder, {board.title}")
