"""Wiring of each sensor to each board, drawn with schemdraw; pins are those of the firmware's default settings."""

from __future__ import annotations

from dataclasses import dataclass

import schemdraw
from schemdraw import elements as elm
from wiring_boards import BOARDS, GAP, ROW, BoardPins, notes_below, pull_up, tidied
from wiring_special import ANALOGUE_TITLE, CONVERTER_TITLE, analogue, button_and_sounder, converter


@dataclass(frozen=True)
class Wire:
    """One row of a diagram: the board's pin, the sensor's pin, and what sits between."""

    board: str
    sensor: str
    pull_up: bool = False


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
        drawing.add(elm.Line().endpoints(start, end))
        if wire.pull_up:
            pull_up(drawing, start[0] + 2.2 + 2.6 * pulls, start[1], one.w1[1])
            pulls += 1
    notes_below(drawing, f"{diagram.title}.", diagram.notes)
    return tidied(drawing.get_imagedata("svg").decode(), f"{diagram.title}, {board.title}")


def _from_below(diagram: Diagram) -> list[tuple[int, Wire]]:
    """schemdraw numbers an Ic's pins from below; ours count from above."""
    return list(enumerate(reversed(diagram.wires)))


def all_wiring() -> dict[str, str]:
    """File name to SVG."""
    made = {f"wiring_{diagram.key}_{board.key}.svg": wiring(diagram, board) for diagram in DIAGRAMS for board in BOARDS}
    for board in BOARDS:
        made[f"wiring_analogue_{board.key}.svg"] = analogue(board)
        made[f"wiring_converter16_{board.key}.svg"] = converter(board)
        made[f"wiring_button_and_sounder_{board.key}.svg"] = button_and_sounder(board)
    return made


def titles() -> list[tuple[str, str]]:
    """(key, title) of every diagram, in the order of the guide."""
    first = [("analogue", ANALOGUE_TITLE), ("converter16", CONVERTER_TITLE)]
    return [*first, *((d.key, d.title) for d in DIAGRAMS), ("button_and_sounder", "Mark button and sounder")]


CHANNELS: dict[str, dict[str, object]] = {
    "analogue": {
        "sensor": "analogue", "part": "MPXV7007DP", "pin": 26, "divider": 0.6, "supply_v": 5.0,
        "reference_pin": 27, "reference_divider": 0.6,
    },
    "converter16": {
        "sensor": "ads1115", "part": "MPXV7007DP", "input": 0, "divider": 0.6, "supply_v": 5.0, "range_v": 4.096,
    },
    "flow_through": {"sensor": "sdp8xx", "address": 37},
    "bridge14": {"sensor": "bridge14", "address": 40, "low_pa": -6895, "high_pa": 6895, "part": "bridge 1 psi"},
    "membrane24": {"sensor": "xgzp6897d", "range_kpa": 5, "bipolar": True},
    "converter24": {
        "sensor": "hx710b", "clock_pin": 2, "data_pin": 3, "pa_per_count": 0.0012, "low_pa": -20000, "high_pa": 20000,
    },
    "barometer": {"sensor": "bmp280", "address": 118},
}  # fmt: skip
"""Settings of one channel for each diagram, as the firmware takes them; pins are those of the RP2040 board."""
