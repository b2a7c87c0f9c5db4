"""A sheet of SVG, written as text: lines, boxes, words. Coordinates in px, rounded: no drawing changes by itself."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

INK, PALE, FILL, BLUE, ORANGE, GREEN = "#1a1a1a", "#8a8a8a", "#f2efe8", "#1f5fa8", "#c2571a", "#3c7a3c"


def number(value: float) -> str:
    """At most two decimals, no trailing zeros, no minus zero."""
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text


class Canvas:
    """Collects elements; `text()` of it is the file."""

    def __init__(self, width: float, height: float, title: str) -> None:
        self.width, self.height, self.title = width, height, title
        self._parts: list[str] = []

    def line(
        self, x1: float, y1: float, x2: float, y2: float, colour: str = INK, width: float = 1.5, dash: str = ""
    ) -> None:
        self.path([(x1, y1), (x2, y2)], colour, width, dash=dash)

    def path(
        self, points: Sequence[tuple[float, float]], colour: str = INK, width: float = 1.5, fill: str = "none",
        dash: str = "", closed: bool = False,
    ) -> None:  # fmt: skip
        steps = " ".join(f"{'M' if k == 0 else 'L'}{number(x)} {number(y)}" for k, (x, y) in enumerate(points))
        self._parts.append(
            f'<path d="{steps}{" Z" if closed else ""}" fill="{fill}" stroke="{colour}" stroke-width="{number(width)}"'
            f' stroke-linejoin="round"{f" stroke-dasharray={chr(34)}{dash}{chr(34)}" if dash else ""}/>'
        )

    def curve(self, steps: str, colour: str = INK, width: float = 1.5, fill: str = "none") -> None:
        self._parts.append(f'<path d="{steps}" fill="{fill}" stroke="{colour}" stroke-width="{number(width)}"/>')

    def box(
        self, x: float, y: float, w: float, h: float, fill: str = FILL, colour: str = INK, width: float = 1.5
    ) -> None:
        self._parts.append(
            f'<rect x="{number(x)}" y="{number(y)}" width="{number(w)}" height="{number(h)}" fill="{fill}"'
            f' stroke="{colour}" stroke-width="{number(width)}"/>'
        )

    def words(
        self,
        x: float,
        y: float,
        text: str,
        size: float = 13,
        anchor: str = "start",
        colour: str = INK,
        bold: bool = False,
    ) -> None:
        weight = ' font-weight="bold"' if bold else ""
        self._parts.append(
            f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}" text-anchor="{anchor}" fill="{colour}"'
            f"{weight}>{escape(text)}</text>"
        )

    def paragraph(
        self, x: float, y: float, lines: Iterable[str], size: float = 13, step: float = 17, **more: object
    ) -> None:
        for k, line in enumerate(lines):
            self.words(x, y + k * step, line, size, **more)  # type: ignore[arg-type]

    def text(self) -> str:
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {number(self.width)} {number(self.height)}"'
            f' width="{number(self.width)}" height="{number(self.height)}" role="img"'
            ' font-family="DejaVu Sans, Verdana, sans-serif">\n'
            f"<title>{escape(self.title)}</title>\n"
            f'<rect width="{number(self.width)}" height="{number(self.height)}" fill="#ffffff"/>\n'
        )
        return head + "\n".join(self._parts) + "\n</svg>\n"
