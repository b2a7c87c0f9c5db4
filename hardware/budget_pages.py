"""Error budgets of all sensors at 0.1, 1 and 5 kPa: a table and a picture, computed by the program."""

from __future__ import annotations

import math

from svg_canvas import BLUE, GREEN, INK, ORANGE, PALE, Canvas

from sumpglass.analysis.error_budget import STAGES, error_budget
from sumpglass.physics.sensor_parts import SENSOR_PARTS

LEVELS_PA = (100.0, 1000.0, 5000.0)


def budget_table() -> list[list[str]]:
    """Header and one row a part and stage: half-width of the 95 % interval at each level, and the largest source."""
    rows = [
        [
            "sensor",
            "range kPa",
            "stage",
            "u95 at 0.1 kPa, Pa",
            "at 1 kPa, Pa",
            "at 5 kPa, Pa",
            "largest source at 1 kPa",
        ]
    ]
    for part in SENSOR_PARTS.values():
        reach = f"{part.range_low_pa / 1000:.3g} to {part.range_high_pa / 1000:.3g}"
        for stage in STAGES:
            budgets = [error_budget(part, level, stage) for level in LEVELS_PA]
            cells = [_figure(budget.u95_pa) if budget.in_range else "out of range" for budget in budgets]
            middle = budgets[1] if budgets[1].in_range else budgets[0]
            rows.append([part.key, reach, stage, *cells, middle.largest.name])
    return rows


def source_table() -> list[list[str]]:
    """Every source of every part at 1 kPa (0.1 kPa where that is out of range), zeroed."""
    names = [line.name for line in error_budget(SENSOR_PARTS["SDP810-500"], 100.0, "zeroed").lines]
    rows = [["sensor", "at kPa", *(f"{name}, Pa" for name in names), "u95, Pa"]]
    for part in SENSOR_PARTS.values():
        budget = error_budget(part, 1000.0, "zeroed")
        if not budget.in_range:
            budget = error_budget(part, 100.0, "zeroed")
        rows.append(
            [
                part.key,
                f"{budget.pressure_pa / 1000:g}",
                *(_figure(line.u_pa) for line in budget.lines),
                _figure(budget.u95_pa),
            ]
        )
    return rows


def _figure(value: float) -> str:
    """Two significant digits, no exponent."""
    if value <= 0:
        return "0"
    return f"{value:.{max(0, 1 - math.floor(math.log10(value)))}f}"


def budget_picture() -> str:
    """For each part and level: from as bought down to zeroed and calibrated, on a logarithmic scale of pascals."""
    parts = list(SENSOR_PARTS.values())
    left, top, row, wide = 390.0, 118.0, 66.0, 500.0
    sheet = Canvas(960, top + row * len(parts) + 60, "Error budgets of the sensors")
    sheet.words(30, 34, "What a reading is worth: half-width of the 95 % interval, 1 s mean", 17, bold=True)
    x = lambda pascals: left + wide * (math.log10(pascals) + 1) / 5  # noqa: E731 - 0.1 Pa to 10 kPa
    for k, (mark, words) in enumerate(zip(("ring", "bar", "dot"), STAGES)):
        _mark(sheet, left + 20 + 150 * k, 62, mark, INK)
        sheet.words(left + 34 + 150 * k, 67, words, 13)
    for k, (level, colour) in enumerate(zip(LEVELS_PA, (BLUE, GREEN, ORANGE))):
        sheet.line(30 + 105 * k, 62, 56 + 105 * k, 62, colour, 4)
        sheet.words(62 + 105 * k, 67, f"at {level / 1000:g} kPa", 13)
    bottom = top + row * len(parts)
    for decade in range(-1, 5):
        at = x(10.0**decade)
        sheet.line(at, top - 14, at, bottom, "#dddddd", 1)
        sheet.words(at, top - 20, f"{10.0**decade:g} Pa", 12, "middle", "#555555")
    for n, part in enumerate(parts):
        y = top + row * n
        sheet.line(30, y, left + wide, y, "#eeeeee", 1)
        sheet.words(30, y + 28, part.key, 13)
        sheet.words(30, y + 46, part.title, 11, colour="#555555")
        for k, (level, colour) in enumerate(zip(LEVELS_PA, (BLUE, GREEN, ORANGE))):
            level_y = y + 16 + 17 * k
            budgets = [error_budget(part, level, stage) for stage in STAGES]
            if not budgets[0].in_range:
                sheet.words(x(0.1) + 6, level_y + 4, f"{level / 1000:g} kPa is out of its range", 11, colour=PALE)
                continue
            ends = [x(budget.u95_pa) for budget in budgets]
            sheet.line(min(ends), level_y, max(ends), level_y, colour, 2)
            for at, mark in zip(ends, ("ring", "bar", "dot")):
                _mark(sheet, at, level_y, mark, colour)
    sheet.line(30, bottom, left + wide, bottom, "#eeeeee", 1)
    sheet.words(
        30,
        bottom + 30,
        "Datasheet limits taken as rectangular; noise averaged over 1 s; "
        "combined after JCGM 100 with coverage factor 2.",
        12,
        colour="#555555",
    )
    return sheet.text()


def _mark(sheet: Canvas, x: float, y: float, kind: str, colour: str) -> None:
    if kind == "bar":
        sheet.line(x, y - 6, x, y + 6, colour, 3)
        return
    fill = "#ffffff" if kind == "ring" else colour
    r = 4.5
    sheet.curve(f"M{x - r:.2f} {y:.2f} a{r} {r} 0 1 0 {2 * r} 0 a{r} {r} 0 1 0 {-2 * r} 0 Z", colour, 1.5, fill)
