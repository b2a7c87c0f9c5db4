"""Diagrams that do not fit the row scheme: the 16-bit converter, button and sounder."""

from __future__ import annotations

import schemdraw
from schemdraw import elements as elm
from wiring_boards import GAP, ROW, BoardPins, notes_below, pull_up, tidied

CONVERTER_TITLE = "Analogue sensor behind a 16-bit converter (ADS1115 type)"


def converter(board: BoardPins) -> str:
    """Board, converter, analogue sensor: the sensor's output and its supply both go through equal dividers."""
    drawing = schemdraw.Drawing(show=False, fontsize=12, unit=2)
    size = {"pinspacing": ROW, "leadlen": 0.5}
    names = (board.ground, board.sda, board.scl, board.volts_3, board.volts_5)
    left = [elm.IcPin(name=name, side="right", anchorname=f"p{k}") for k, name in enumerate(names)]
    chip = drawing.add(elm.Ic(pins=left, size=(3.6, 5 * ROW + 0.4), **size).at((0, 0)).label(board.title, "top"))
    lefts, rights = enumerate(("GND", "SDA", "SCL", "VDD")), enumerate(("GND", "A0", "A1"))
    between = [
        *(elm.IcPin(name=name, side="left", slot=f"{k + 1}/4", anchorname=f"l{k}") for k, name in lefts),
        *(elm.IcPin(name=name, side="right", slot=f"{k + 1}/4", anchorname=f"r{k}") for k, name in rights),
    ]
    middle_x = GAP + 1.6
    middle = drawing.add(
        elm.Ic(pins=between, size=(2.8, 4 * ROW + 0.4), **size).at((middle_x, 0)).label("ADS1115", "top")
    )
    places = ((1, "GND"), (2, "Vout"), (5, "Vs 5 V"))
    sensor_pins = [elm.IcPin(name=name, side="left", slot=f"{k}/5", anchorname=f"s{k - 1}") for k, name in places]
    sensor_x = middle_x + 2.8 + 10.4
    sensor = drawing.add(
        elm.Ic(pins=sensor_pins, size=(2.6, 5 * ROW + 0.4), **size).at((sensor_x, 0)).label("MPX type", "top")
    )
    for k in range(4):
        drawing.add(elm.Line().endpoints(getattr(chip, f"p{k}"), getattr(middle, f"l{k}")))
    for n, k in enumerate((2, 1)):
        start = getattr(chip, f"p{k}")
        pull_up(drawing, start[0] + 1.6 + 1.9 * n, start[1], chip.p3[1])
    rail_y = chip.p4[1]
    drawing.add(elm.Line().endpoints(chip.p4, sensor.s4))
    ground_y = middle.r0[1]
    drawing.add(elm.Line().endpoints(middle.r0, sensor.s0))
    # Output: sensor - 10k - A0, with 15k and 100 nF to ground. Supply: 5 V rail - 10k - A1, with 15k to ground.
    x0 = middle.r1[0]
    drawing.add(elm.Line().endpoints(middle.r1, (x0 + 6.9, middle.r1[1])))
    drawing.add(elm.Resistor().endpoints((x0 + 6.9, middle.r1[1]), sensor.s1).label("10k", "top"))
    for x, part, name in ((x0 + 3.4, elm.Capacitor(), "100 nF"), (x0 + 6.0, elm.Resistor(), "15k")):
        drawing.add(elm.Dot().at((x, middle.r1[1])))
        drawing.add(part.endpoints((x, middle.r1[1]), (x, ground_y)).label(name, "bottom"))
        drawing.add(elm.Dot().at((x, ground_y)))
    x1 = x0 + 1.6
    drawing.add(elm.Line().endpoints(middle.r2, (x1, middle.r2[1])))
    drawing.add(elm.Dot().at((x1, middle.r2[1])))
    drawing.add(elm.Line().endpoints((x1, middle.r2[1]), (x1, middle.r1[1])))
    drawing.add(elm.Resistor().endpoints((x1, middle.r1[1]), (x1, ground_y)).label("15k", "bottom"))
    drawing.add(elm.Dot().at((x1, ground_y)))
    drawing.add(elm.Resistor().endpoints((x1, middle.r2[1]), (x1, rail_y)).label("10k", "bottom"))
    drawing.add(elm.Dot().at((x1, rail_y)))
    notes_below(
        drawing,
        f"{CONVERTER_TITLE}.",
        (
            "The converter runs at 3.3 V. The sensor's output and its 5 V go through equal dividers to A0 and A1: the "
            "supply's error then falls out. Lines that cross without a dot are not joined. 100 nF at each supply pin.",
        ),
    )
    return tidied(drawing.get_imagedata("svg").decode(), f"{CONVERTER_TITLE}, {board.title}")


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
