"""Letters for terminals and pipes that know no Unicode: a near one instead of an error."""

from __future__ import annotations

import codecs
from typing import Any

NEAR = {
    "\N{PLUS-MINUS SIGN}": "+-", "\N{MIDDLE DOT}": ".", "\N{FULL BLOCK}": "#", "\N{HORIZONTAL ELLIPSIS}": "...",
    "\N{RIGHTWARDS ARROW}": "->", "\N{LEFTWARDS ARROW}": "<-", "\N{SUPERSCRIPT TWO}": "2", "\N{DEGREE SIGN}": "deg",
    "\N{BOX DRAWINGS LIGHT HORIZONTAL}": "-", "\N{BOX DRAWINGS LIGHT VERTICAL}": "|",
}  # fmt: skip
CORNERS = range(0x250C, 0x2580)
"""Corners and crossings of drawn boxes."""


def nearest(error: UnicodeError) -> tuple[str, int]:
    """Error handler of `codecs`: a near letter for each that cannot be written, `?` where there is none."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    cannot = error.object[error.start : error.end]
    return "".join(NEAR.get(c, "+" if ord(c) in CORNERS else "?") for c in cannot), error.end


codecs.register_error("sumpglass-nearest", nearest)


def write_nearest(stream: Any) -> None:
    """Let `stream` write what its encoding has no letter for as the nearest that it has; with UTF-8 that is nothing but
    the bytes of a file's name that are none."""
    if hasattr(stream, "reconfigure"):
        stream.reconfigure(errors="sumpglass-nearest")
