"""Plan of the holder and section of a plug, with the sizes that the OpenSCAD sources name."""

from __future__ import annotations

import re
from pathlib import Path

from svg_canvas import INK, PALE, Canvas

PRINTABLE = Path(__file__).parent / "printable"


def sizes(name: str) -> dict[str, float]:
    """Numbers that the source assigns by name, mm."""
    text = (PRINTABLE / f"{name}.scad").read_text(encoding="utf-8")
    return {key: float(value) for key, value in re.findall(r"^(\w+) = (-?[\d.]+);", text, re.MULTILINE)}


def bores() -> list[float]:
    """Of the plugs, after drilling, mm; 0 is the closed one."""
    text = (PRINTABLE / "drilled_plugs.scad").read_text(encoding="utf-8")
    found = re.search(r"^bores = \[([^\]]*)\]", text, re.MULTILINE)
    return [float(value) for value in found.group(1).split(",")] if found else []


def printable_parts() -> str:
    """Both parts on one sheet."""
    sheet = Canvas(900, 500, "Printable parts: holder and drilled plugs")
    sheet.words(30, 34, "Printable parts", 17, bold=True)
    _holder(sheet, 60.0, 110.0)
    _plug(sheet, 610.0, 110.0)
    return sheet.text()


def _holder(sheet: Canvas, left: float, top: float) -> None:
    part = sizes("rig_holder")
    scale = 4.6
    wall, board, sensor = part["wall"] * scale, part["board_long"] * scale, part["sensor_side"] * scale
    inside = max(part["board_wide"], part["sensor_side"]) * scale
    hose, lead = part["hose_outside"] * scale, part["lead_wide"] * scale
    long, wide = board + sensor + 3 * wall, inside + 2 * wall
    middle = top + wide / 2
    sheet.words(left, top - 30, "Holder, from above", 14, bold=True)
    sheet.box(left, top, long, wide, "#d8d2c0")
    sheet.box(left + wall, top + wall, board, inside, "#ffffff")
    sheet.box(left + 2 * wall + board, top + wall, sensor, inside, "#ffffff")
    sheet.box(left - 1, middle - 5.5 * scale, wall + 2, 11 * scale, "#ffffff", PALE, 1)
    sheet.box(left + wall + board - 1, middle - lead / 2, wall + 2, lead, "#ffffff", PALE, 1)
    sheet.box(left + long - wall - 1, middle - hose / 2, wall + 2 + 10 * scale, hose, "#ffffff", PALE, 1)
    for side in (-1, 1):
        y = middle - hose / 2 - wall if side < 0 else middle + hose / 2
        sheet.box(left + long, y, 10 * scale, wall, "#d8d2c0")
    for x in (6, part["board_long"] + part["sensor_side"] + part["wall"] - 10):
        sheet.box(left + x * scale, top + wide, 10 * scale, 6.5 * scale, "#d8d2c0")
        sheet.box(left + (x + 2.5) * scale, top + wide + 2.5 * scale, 5 * scale, 2.5 * scale, "#ffffff", PALE, 1)
    sheet.words(left + wall + board / 2, middle - 14, "board", 13, "middle")
    sheet.words(
        left + wall + board / 2,
        middle + 6,
        f"{part['board_long']:g} x {part['board_wide']:g} mm",
        12,
        "middle",
        "#555555",
    )
    sheet.words(left + 2 * wall + board + sensor / 2, middle - 14, "sensor", 13, "middle")
    sheet.words(
        left + 2 * wall + board + sensor / 2, middle + 6, f"{part['sensor_side']:g} mm", 12, "middle", "#555555"
    )
    notes_y = top + wide + 74
    sheet.paragraph(
        left,
        notes_y,
        (
            "USB on the left, hose on the right: the clip takes the pull.",
            "A cable tie through each ear holds the USB lead and the button's lead.",
            "Holes in the floor: what drips in runs out. Mount it above the port.",
            "Print flat, no supports, in a plastic that stands 80 degC.",
        ),
        12,
        19,
        colour="#555555",
    )


def _plug(sheet: Canvas, left: float, top: float) -> None:
    part = sizes("drilled_plugs")
    scale = 7.0
    axis = left + part["flange"] * scale / 2
    sheet.words(left, top - 30, "Drilled plug, in section", 14, bold=True)
    high = part["flange_thick"] + part["body_long"]
    bottom = top + high * scale
    bore, land = 3.0, part["land"]
    for side in (-1, 1):
        outline = [
            (bore / 2, 0),
            (part["flange"] / 2, 0),
            (part["flange"] / 2, part["flange_thick"]),
            (part["body_large"] / 2, part["flange_thick"]),
            (part["body_small"] / 2, high),
            (5.5, high),
            (5.5, land),
            (bore / 2, land),
        ]
        sheet.path(
            [(axis + side * x * scale, bottom - y * scale) for x, y in outline], INK, 1.5, "#d8d2c0", closed=True
        )
    sheet.line(axis, top - 12, axis, bottom + 14, PALE, 1, "10 4 2 4")
    sizes_text = ", ".join(f"{value:g}" for value in bores() if value)
    sheet.paragraph(
        left - 20,
        bottom + 36,
        (
            f"Bores {sizes_text} mm and one closed.",
            f"Hole {land:g} mm long, 11 mm wide behind it.",
            f"Printed {part['pilot_under']:g} mm under size: drill by hand,",
            "deburr, check with a drill shank.",
            "Dents in the flange count the size:",
            "none is closed, six is the largest.",
            f"Body {part['body_small']:g} to {part['body_large']:g} mm: a 19 mm hose.",
        ),
        12,
        19,
        colour="#555555",
    )
