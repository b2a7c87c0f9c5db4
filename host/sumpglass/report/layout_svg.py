"""A layout as an SVG picture: boxes for the nodes, numbered passages, lettered seals, and a legend."""

from __future__ import annotations

from html import escape

from sumpglass.faults.layout import CRANKCASE, MANIFOLD, ROOM, Layout
from sumpglass.report.layout_picture import (
    HALF_HEIGHT,
    HALF_WIDTH,
    Marks,
    Place,
    lines_of,
    node_words,
    places_of,
    range_words,
    seal_letters,
)
from sumpglass.report.terminal_text import safe

COLUMN = 210.0
ROW = 130.0
MARGIN_X = 105.0
MARGIN_TOP = 110.0
LEGEND_ROW = 22.0
STYLE = """
text{font-family:system-ui,'DejaVu Sans',sans-serif;font-size:14px;fill:#1b2733}
.title{font-size:18px;font-weight:600}.small{font-size:12px;fill:#52606d}
.node{fill:#fff;stroke:#1b2733;stroke-width:1.6}.fixed{fill:#e6edf3}.sump{fill:#dbe9f6}
.line{fill:none;stroke:#1b2733;stroke-width:2.4}.badge{fill:#fff;stroke:#1b2733;stroke-width:1.4}
.bad{stroke:#c2410c;stroke-width:5}.badfill{fill:url(#hatch);stroke:#c2410c;stroke-width:2.5}
.badtext{font-size:12px;fill:#9a3412;font-weight:700}.shut{stroke:#1b2733;stroke-width:4}.gauge{fill:#1d4ed8;stroke:none}
"""


def layout_svg(layout: Layout, marks: Marks | None = None) -> str:
    """The picture as SVG text; `marks` are drawn in orange and hatched, with the word SUSPECTED in the legend."""
    marks = marks or Marks()
    places = places_of(layout)
    left = min(x for x, _ in places.values())
    top = min(y for _, y in places.values())
    pixels = {node: (MARGIN_X + (x - left) * COLUMN, MARGIN_TOP + (y - top) * ROW) for node, (x, y) in places.items()}

    def to_pixels(place: Place) -> Place:
        return MARGIN_X + (place[0] - left) * COLUMN, MARGIN_TOP + (place[1] - top) * ROW

    body = [_passage(layout, line.numbers, line.one_way, [to_pixels(p) for p in line.corners], marks,
                     to_pixels(line.badge)) for line in lines_of(layout, places)]  # fmt: skip
    body += [_seals(layout, node, place, marks) for node, place in pixels.items()]
    body += [_node(node, place, marks) for node, place in pixels.items()]
    floor = max(y for _, y in pixels.values()) + 100.0
    rows, legend = _legend(layout, marks, floor)
    width = max(max(x for x, _ in pixels.values()) + MARGIN_X, 900.0)
    height = floor + rows * LEGEND_ROW + 20.0
    title_px = min(18.0, 1.7 * width / max(len(layout.title), 1))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" '
        f'height="{height:.0f}" role="img" aria-label="{escape(safe(layout.title))}"><style>{STYLE}</style>'
        '<defs><pattern id="hatch" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<rect width="7" height="7" fill="#ffedd5"/>'
        '<line x1="0" y1="0" x2="0" y2="7" stroke="#c2410c" stroke-width="2"/>'
        f'</pattern></defs><rect width="100%" height="100%" fill="#fbfcfd"/>'
        f'<text class="title" x="24" y="34" style="font-size:{title_px:.1f}px">{escape(safe(layout.title))}</text>'
        f"{''.join(body)}{legend}</svg>\n"
    )


def _node(node: str, place: Place, marks: Marks) -> str:
    x, y = place
    half_width, half_height = HALF_WIDTH * COLUMN, HALF_HEIGHT * ROW
    kind = "badfill" if node in marks.suspected else "node"
    kind += " fixed" if node in (MANIFOLD, ROOM) and kind == "node" else ""
    kind += " sump" if node == CRANKCASE and kind == "node" else ""
    words = (
        f'<rect class="{kind}" x="{x - half_width:.1f}" y="{y - half_height:.1f}" width="{2 * half_width:.1f}" '
        f'height="{2 * half_height:.1f}" rx="9"/><text x="{x:.1f}" y="{y + 5:.1f}" text-anchor="middle">'
        f"{escape(node_words(node))}</text>"
    )
    if node == marks.tap:
        gx, gy = x - half_width, y - half_height
        words += f'<circle class="gauge" cx="{gx:.1f}" cy="{gy:.1f}" r="13"/>'
        words += f'<text x="{gx:.1f}" y="{gy + 5:.1f}" text-anchor="middle" style="fill:#fff;font-weight:700">G</text>'
    if node in marks.opened:
        gx, gy = x - half_width + 32, y - half_height
        words += f'<circle cx="{gx:.1f}" cy="{gy:.1f}" r="11" fill="#fff" stroke="#1d4ed8" stroke-width="3"/>'
        words += f'<text x="{gx:.1f}" y="{gy + 5:.1f}" text-anchor="middle">o</text>'
    return words


def _passage(
    layout: Layout, numbers: tuple[int, ...], one_way: bool, corners: list[Place], marks: Marks, middle: Place
) -> str:
    ids = {layout.edges[number - 1].id for number in numbers}
    path = "M" + " L".join(f"{x:.1f},{y:.1f}" for x, y in corners)
    bad = " bad" if ids & marks.suspected else ""
    words = f'<path class="line{bad}" d="{path}"/>'
    if one_way:
        (ax, ay), (bx, by) = corners[-2:]
        length = max(((bx - ax) ** 2 + (by - ay) ** 2) ** 0.5, 1e-9)
        ux, uy = (bx - ax) / length, (by - ay) / length
        tip, back = (bx, by), (bx - 14 * ux, by - 14 * uy)
        words += (
            f'<polygon points="{tip[0]:.1f},{tip[1]:.1f} {back[0] - 7 * uy:.1f},{back[1] + 7 * ux:.1f} '
            f'{back[0] + 7 * uy:.1f},{back[1] - 7 * ux:.1f}" fill="#1b2733"/>'
        )
    x, y = middle
    label = ",".join(str(number) for number in numbers)
    badge = "badfill" if bad else "badge"
    half = 12 + 4 * (len(label) - 1)
    words += f'<rect class="{badge}" x="{x - half:.1f}" y="{y - 12:.1f}" width="{2 * half}" height="24" rx="12"/>'
    words += f'<text x="{x:.1f}" y="{y + 5:.1f}" text-anchor="middle">{label}</text>'
    if ids <= marks.stopped and ids:
        words += "".join(
            f'<line class="shut" x1="{x - 15:.1f}" y1="{y - s * 15:.1f}" x2="{x + 15:.1f}" y2="{y + s * 15:.1f}"/>'
            for s in (1, -1)
        )
    return words


def _seals(layout: Layout, node: str, place: Place, marks: Marks) -> str:
    letters = seal_letters(layout)
    own = [seal for seal in layout.seals if seal.node == node]
    x0, y0 = place[0] - HALF_WIDTH * COLUMN + 20.0, place[1] + HALF_HEIGHT * ROW
    words = ""
    for n, seal in enumerate(own):
        x = x0 + 22.0 * n
        x += 22.0 if x > place[0] - 18.0 else 0.0  # a passage may leave the box in the middle
        bad = seal.id in marks.suspected
        words += (
            f'<line class="line{" bad" if bad else ""}" x1="{x:.1f}" y1="{y0:.1f}" x2="{x:.1f}" y2="{y0 + 14:.1f}"/>'
        )
        words += f'<circle class="{"badfill" if bad else "badge"}" cx="{x:.1f}" cy="{y0 + 23:.1f}" r="10"/>'
        words += (
            f'<text class="{"badtext" if bad else "small"}" x="{x:.1f}" y="{y0 + 27:.1f}" text-anchor="middle">'
            f"{letters.get(seal.id, '')}</text>"
        )
        if seal.id in marks.stopped:
            words += f'<line class="shut" x1="{x - 9:.1f}" y1="{y0 + 14:.1f}" x2="{x + 9:.1f}" y2="{y0 + 32:.1f}"/>'
    return words


def _legend(layout: Layout, marks: Marks, top: float) -> tuple[int, str]:
    letters = seal_letters(layout)
    left = [(str(n), edge.id, edge.label, edge.cda_mm2) for n, edge in enumerate(layout.edges, start=1)]
    right = [(letters.get(seal.id, ""), seal.id, seal.label, seal.cda_mm2) for seal in layout.seals]
    words = ""
    for column, entries in ((24.0, left), (480.0, right)):
        for n, (sign, part, label, area) in enumerate(entries):
            bad = part in marks.suspected
            state = " - SUSPECTED" if bad else " - stopped up" if part in marks.stopped else ""
            words += (
                f'<text class="{"badtext" if bad else "small"}" x="{column}" y="{top + n * LEGEND_ROW:.1f}">'
                f"{sign}  {escape(safe(label, 60))}{state} ({range_words(*area)})</text>"
            )
    return max(len(left), len(right)), words
