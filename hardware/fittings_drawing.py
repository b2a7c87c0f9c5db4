"""The stack from access plug to sensor, in section, threads drawn from the standard's relations."""

from __future__ import annotations

from pipe_threads import HALF_ANGLE_DEG, MM_PER_INCH, THREADS, PipeThread
from svg_canvas import BLUE, FILL, INK, ORANGE, PALE, Canvas

SCALE = 7.0
BRASS = "#e6cf8f"
COVER = "#d9d9d9"
HOSE_PATH = (
    "M150 262 L150 150 Q150 120 180 120 L250 120 Q280 120 280 150 L280 300 Q280 345 325 345 Q370 345 370 300"
    " L370 150 Q370 120 400 120 L470 120"
)
"""Out of the port, up, a loop that hangs below the sensor, up into it."""


def fittings_stack() -> str:
    """Section through the bushing and the barb in a cover, drawn to scale."""
    eighth, _, three_eighths = THREADS
    sheet = Canvas(860, 470, "Fittings stack: cover, bushing, barb, hose")
    sheet.words(30, 34, "From access port to hose: drawn to scale, 7 px to the millimetre", 17, bold=True)
    axis = 250.0
    cover_top = 330.0
    l1 = three_eighths.hand_engagement_in * MM_PER_INCH * SCALE
    e1 = three_eighths.pitch_diameter_gauge_in * MM_PER_INCH * SCALE
    # Cover with its tapered hole; the bushing hangs one L1 deep in it when hand tight.
    for side in (-1, 1):
        edge = axis + side * e1 / 2
        bottom = axis + side * (e1 - 70 / 16) / 2
        sheet.path(
            [
                (edge, cover_top),
                (axis + side * 190, cover_top),
                (axis + side * 190, cover_top + 70),
                (bottom, cover_top + 70),
            ],
            fill=COVER,
            closed=True,
        )
    _bushing(sheet, axis, cover_top, l1, three_eighths, eighth)
    top = cover_top - 42
    _barb(sheet, axis, top, eighth)
    notes = [
        (
            cover_top + 16,
            axis + e1 / 2 - 4,
            f"3/8 NPT: E1 {e1 / SCALE:.3f} mm at the mouth,",
            f"L1 {l1 / SCALE:.3f} mm in by hand, then 1 to 2 turns",
        ),
        (
            cover_top - 24,
            axis + 64,
            "bushing 3/8 outside, 1/8 inside, brass",
            "hexagon 3/4 in: hold it when turning the barb",
        ),
        (
            top - 34,
            axis + 34,
            f"1/8 NPT: E1 {eighth.pitch_diameter_gauge_in * MM_PER_INCH:.3f} mm,",
            f"L1 {eighth.hand_engagement_in * MM_PER_INCH:.3f} mm, {eighth.turns_by_hand:.1f} turns by hand",
        ),
        (top - 106, axis + 18, "barb for 3/16 in (4.8 mm) hose", "bore 3 mm: no restriction of its own"),
        (top - 184, axis + 22, "hose 4 mm bore, fuel and oil proof", "clamp or wire it; it must not blow off"),
    ]
    slots = (354, 302, 250, 180, 104)
    sheet.words(axis - 176, cover_top + 32, "cover or block", 13)
    sheet.words(axis - 176, cover_top + 49, "mouth = gauge plane", 11, colour="#555555")
    for (y, x, first, second), slot in zip(notes, slots):
        sheet.path([(x, y), (498, slot - 5), (514, slot - 5)], PALE, 1)
        sheet.words(520, slot, first, 13)
        sheet.words(520, slot + 17, second, 12, colour="#555555")
    sheet.paragraph(
        30,
        430,
        (
            f"Taper 1 in 16 on the diameter, {HALF_ANGLE_DEG:.3f} degrees a side (ASME B1.20.1).",
            "It seals by wedging: one layer of tape, never forced into a thin cover; keep swarf and tape ends out.",
        ),
        12,
        18,
        colour="#555555",
    )
    return sheet.text()


def _thread_outline(
    x: float, top: float, length: float, pitch: float, width: float, side: int
) -> list[tuple[float, float]]:
    """Crests and roots of one flank line from `top` downwards, narrowing 1 in 16."""
    points = []
    depth, y, out = 0.4 * pitch, 0.0, True
    while y <= length + 0.01:
        half = (width - y / 16) / 2
        points.append((x + side * (half + (depth if out else -depth)), top + y))
        y += pitch / 2
        out = not out
    return points


def _bushing(sheet: Canvas, axis: float, mouth: float, l1: float, outer: PipeThread, inner: PipeThread) -> None:
    pitch = outer.pitch_in * MM_PER_INCH * SCALE
    long = outer.effective_length_in * MM_PER_INCH * SCALE
    start = mouth + l1 - long
    width = (outer.pitch_diameter_small_end_in * MM_PER_INCH + (long / SCALE) / 16) * SCALE
    bore_top = inner.pitch_diameter_gauge_in * MM_PER_INCH * SCALE
    hexagon = 19.05 * SCALE
    head_top = mouth - 42 - 8
    for side in (-1, 1):
        flank = _thread_outline(axis, start, long, pitch, width, side)
        inside = [
            (axis + side * (bore_top - (flank[-1][1] - head_top) / 16) / 2, flank[-1][1]),
            (axis + side * bore_top / 2, head_top),
        ]
        sheet.path(
            [(axis + side * hexagon / 2, head_top), (axis + side * hexagon / 2, start), *flank, *inside],
            fill=BRASS,
            closed=True,
        )


def _barb(sheet: Canvas, axis: float, top: float, thread: PipeThread) -> None:
    pitch = thread.pitch_in * MM_PER_INCH * SCALE
    long = thread.effective_length_in * MM_PER_INCH * SCALE
    width = thread.pitch_diameter_gauge_in * MM_PER_INCH * SCALE
    bore = 3.0 * SCALE
    start = top - 8 + thread.hand_engagement_in * MM_PER_INCH * SCALE - long
    hexagon = 11.1 * SCALE
    # Hose first, so that the barb's ridges lie over it.
    for side in (-1, 1):
        inner, outer = 4.0 * SCALE / 2, 8.0 * SCALE / 2
        sheet.path(
            [
                (axis + side * inner, 60),
                (axis + side * outer, 60),
                (axis + side * outer, start - 46),
                (axis + side * inner, start - 46),
            ],
            fill="#5a5a5a",
            colour=INK,
            closed=True,
        )
    for side in (-1, 1):
        flank = _thread_outline(axis, start, long, pitch, width + long / 16 / 2, side)
        ridges = []
        y = start - 40
        for _ in range(4):
            ridges += [(axis + side * 4.9 * SCALE / 2, y), (axis + side * 4.1 * SCALE / 2, y - 26)]
            y -= 26
        sheet.path(
            [
                (axis + side * bore / 2, flank[-1][1]),
                *reversed(flank),
                (axis + side * hexagon / 2, start),
                (axis + side * hexagon / 2, start - 40),
                *ridges,
                (axis + side * bore / 2, ridges[-1][1]),
            ],
            fill=BRASS,
            closed=True,
        )


def measuring_chain() -> str:
    """Port, snubber, drip leg, catch loop, sensor, board, isolator, laptop: where each stands, and why."""
    sheet = Canvas(980, 430, "The measuring chain from port to laptop")
    sheet.words(30, 34, "The measuring chain, from the port to the laptop", 17, bold=True)
    _engine(sheet)
    sheet.curve(HOSE_PATH, "#5a5a5a", 9)
    sheet.curve(HOSE_PATH, "#ffffff", 4)
    sheet.box(192, 108, 46, 24, "#e6cf8f")
    sheet.words(215, 96, "snubber (optional)", 12, "middle")
    sheet.words(215, 153, "drilled 0.8 mm", 12, "middle", "#555555")
    sheet.box(316, 338, 18, 34, "#c9dcec")
    sheet.path([(325, 372), (325, 384)], "#5a5a5a", 4)
    sheet.words(380, 366, "catch loop with a drip leg, the lowest", 12)
    sheet.words(380, 382, "point: oil and water stay here", 12, colour="#555555")
    sheet.box(470, 92, 92, 58)
    sheet.words(516, 116, "membrane", 13, "middle")
    sheet.words(516, 134, "sensor", 13, "middle")
    sheet.path([(562, 108), (590, 108)], "#5a5a5a", 4)
    sheet.words(576, 84, "other port: open to the room", 12, "middle", "#555555")
    sheet.path([(562, 136), (620, 136)], BLUE, 2)
    sheet.box(620, 106, 92, 58)
    sheet.words(666, 130, "board", 13, "middle")
    sheet.words(666, 148, "3.3 V, 5 V", 12, "middle", "#555555")
    sheet.path([(712, 136), (752, 136)], BLUE, 2)
    sheet.box(752, 106, 92, 58)
    sheet.words(798, 130, "USB", 13, "middle")
    sheet.words(798, 148, "isolator", 13, "middle")
    sheet.path([(844, 136), (876, 136)], BLUE, 2)
    sheet.box(876, 106, 84, 58)
    sheet.words(918, 140, "laptop", 13, "middle")
    sheet.path([(591, 142), (591, 178), (860, 178), (860, 142)], PALE, 1)
    sheet.line(732, 142, 732, 178, PALE, 1)
    sheet.words(732, 198, "strain relief at both ends of every lead", 12, "middle", "#555555")
    sheet.path([(448, 60), (448, 250)], ORANGE, 1.5, dash="6 5")
    sheet.words(456, 236, "Electronics stay on this side: an arm's length", 12, colour=ORANGE)
    sheet.words(456, 252, "and more from the port, above it, low voltage only.", 12, colour=ORANGE)
    return sheet.text()


def _engine(sheet: Canvas) -> None:
    sheet.path([(40, 280), (40, 400), (260, 400), (260, 280)], fill=COVER, closed=True)
    sheet.box(128, 262, 44, 20, BRASS)
    sheet.words(66, 330, "crankcase", 14)
    sheet.words(66, 350, "vacuum or pressure,", 12, colour="#555555")
    sheet.words(66, 366, "oil mist, water, fuel vapour", 12, colour="#555555")
    sheet.words(118, 256, "access port", 12, "end")
    sheet.path([(122, 252), (134, 262)], PALE, 1)
    _ = FILL
