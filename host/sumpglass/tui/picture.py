"""A screen as an SVG picture that looks the same with any font: blocks, braille and rules are drawn, not typed.

Letters are typed in whatever monospaced font there is, each run stretched to its cells, so nothing can drift apart.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from xml.sax.saxutils import escape

from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from rich.terminal_theme import TerminalTheme
from textual.screen import Screen

CELL_W, CELL_H = 9.0, 18.0
_PAD = 9.0
_BRAILLE_DOTS = (
    (0, 0, 0x01),
    (0, 1, 0x02),
    (0, 2, 0x04),
    (0, 3, 0x40),
    (1, 0, 0x08),
    (1, 1, 0x10),
    (1, 2, 0x20),
    (1, 3, 0x80),
)
_PLAIN = TerminalTheme((0, 0, 0), (255, 255, 255), [(0, 0, 0)] * 8, [(0, 0, 0)] * 8)
_RULES = {"─": 1.0, "━": 2.6, "┈": 1.0}


@dataclass(frozen=True)
class _Ink:
    fore: str
    back: str
    bold: bool
    strike: bool


def screen_svg(screen: Screen, background: str, title: str) -> str:
    """The whole screen as it stands. `background` is a CSS colour; `title` becomes the picture's title."""
    # Textual offers pictures only with fonts from the network; the compositor's strips are the same lines it sends.
    rows = [list(strip) for strip in screen._compositor.render_strips()]
    columns = screen.size.width
    width, height = columns * CELL_W + 2 * _PAD, len(rows) * CELL_H + 2 * _PAD
    blocks: list[str] = []
    inks: list[str] = []
    for y, row in enumerate(rows):
        x = 0
        for text, ink in _runs(row, background):
            if ink.back != background:
                blocks.append(_rect(x, y, len(text), ink.back))
            for drawn in _draw(text, x, y, ink):
                (blocks if drawn.startswith("<path fill") else inks).append(drawn)
            x += len(text)
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}" '
            f'height="{height:.0f}" role="img" font-size="15" '
            "font-family=\"ui-monospace,'DejaVu Sans Mono',Menlo,Consolas,monospace\">",
            f"<title>{escape(title)}</title>",
            f'<rect width="100%" height="100%" rx="8" fill="{background}"/>',
            f'<g shape-rendering="crispEdges">{"".join(blocks)}</g>',
            *inks,
            "</svg>",
            "",
        ]
    )


def _runs(row: Iterable[Segment], background: str) -> Iterable[tuple[str, _Ink]]:
    for text, style, control in row:
        if control or not text:
            continue
        yield text, _ink(style or Style(), background)


def _ink(style: Style, background: str) -> _Ink:
    fore, back = _css(style.color, "#808080"), _css(style.bgcolor, background)
    if style.reverse:
        fore, back = back, fore
    return _Ink(fore, back, bool(style.bold), bool(style.strike))


def _css(color: Color | None, default: str) -> str:
    if color is None or color.is_default:
        return default
    red, green, blue = color.get_truecolor(_PLAIN)
    return f"#{red:02x}{green:02x}{blue:02x}"


def _px(value: float) -> str:
    return f"{value:.2f}".rstrip("0").rstrip(".")


def _rect(x: float, y: float, width: float, fill: str, height: float = 1.0) -> str:
    """A filled box in cells."""
    return (
        f'<path fill="{fill}" d="M{_px(_PAD + x * CELL_W)} {_px(_PAD + y * CELL_H)}'
        f'h{_px(width * CELL_W)}v{_px(height * CELL_H)}h{_px(-width * CELL_W)}z"/>'
    )


def _draw(text: str, x: int, y: int, ink: _Ink) -> list[str]:
    """Drawn glyphs and typed words of one run."""
    out: list[str] = []
    at = 0
    while at < len(text):
        end = at + 1
        kind = _kind(text[at])
        while end < len(text) and _kind(text[end]) == kind and (kind != "cell" or text[end] == text[at]):
            end += 1
        part = text[at:end]
        if kind == "cell":
            out += _drawn(part, x + at, y, ink)
        elif kind == "braille":
            out.append(_braille(part, x + at, y, ink))
        elif kind == "word" and part.strip():
            out += _typed(part, x + at, y, ink)
        at = end
    return out


def _kind(character: str) -> str:
    if character == " ":
        return "word"
    if "\u2800" <= character <= "\u28ff":
        return "braille"
    return "cell" if character in "▀█▁▂▃▄▅▆▇┊┃┣╵" or character in _RULES else "word"


def _drawn(part: str, x: int, y: int, ink: _Ink) -> list[str]:
    glyph, count = part[0], len(part)
    if glyph in _RULES:
        dash = ' stroke-dasharray="2 2.2"' if glyph == "┈" else ""
        left, middle = _PAD + x * CELL_W, _PAD + (y + 0.5) * CELL_H
        path = f"M{_px(left)} {_px(middle)}h{_px(count * CELL_W)}"
        return [f'<path stroke="{ink.fore}" stroke-width="{_RULES[glyph]}"{dash} d="{path}"/>']
    if glyph in "┊┃┣╵":
        return [_upright(glyph, x + index, y, ink) for index in range(count)]
    if glyph == "▀":
        return [_rect(x, y, count, ink.fore, 0.5)]
    eighths = "▁▂▃▄▅▆▇█".index(glyph) + 1
    return [_rect(x, y + 1 - eighths / 8, count, ink.fore, eighths / 8)]


def _upright(glyph: str, x: int, y: int, ink: _Ink) -> str:
    centre, top = _PAD + (x + 0.5) * CELL_W, _PAD + y * CELL_H
    width = {"┊": 1.0, "╵": 1.0}.get(glyph, 2.0)
    length = CELL_H * (0.45 if glyph == "╵" else 1.0)
    dash = ' stroke-dasharray="3 2.67"' if glyph == "┊" else ""
    arm = f"M{_px(centre)} {_px(top + CELL_H / 2)}h{_px(CELL_W / 2)}" if glyph == "┣" else ""
    return f'<path stroke="{ink.fore}" stroke-width="{width}"{dash} d="M{_px(centre)} {_px(top)}v{_px(length)}{arm}"/>'


def _braille(part: str, x: int, y: int, ink: _Ink) -> str:
    dots = []
    for index, character in enumerate(part):
        code = ord(character) - 0x2800
        for column, row, bit in _BRAILLE_DOTS:
            if code & bit:
                left = _PAD + (x + index + 0.25 + 0.5 * column) * CELL_W - 1.1
                dots.append(f"M{_px(left)} {_px(_PAD + (y + 0.125 + 0.25 * row) * CELL_H - 1.1)}h2.2v2.2h-2.2z")
    return f'<path fill="{ink.fore}" d="{"".join(dots)}"/>' if dots else ""


def _typed(part: str, x: int, y: int, ink: _Ink) -> list[str]:
    lead = len(part) - len(part.lstrip(" "))
    words = part.strip(" ")
    weight = ' font-weight="700"' if ink.bold else ""
    strike = ' text-decoration="line-through"' if ink.strike else ""
    text = escape(words).replace(" ", "\N{NO-BREAK SPACE}")
    return [
        f'<text x="{_px(_PAD + (x + lead) * CELL_W)}" y="{_px(_PAD + (y + 0.76) * CELL_H)}" fill="{ink.fore}"'
        f'{weight}{strike} textLength="{_px(len(words) * CELL_W)}" lengthAdjust="spacingAndGlyphs">{text}</text>'
    ]
