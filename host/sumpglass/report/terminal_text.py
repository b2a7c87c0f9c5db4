"""Text that came from a file or a board, made safe for a terminal."""

from __future__ import annotations


def safe(text: str, most: int = 200) -> str:
    """`text` without control characters (C0, C1, DEL, bidirectional overrides), cut to `most` characters.

    A mark is data: an escape sequence in it must never reach a terminal.
    """
    hidden = {*range(0x202A, 0x202F), *range(0x2066, 0x206A), 0x200E, 0x200F, 0x2028, 0x2029}
    clean = "".join(
        "\N{REPLACEMENT CHARACTER}" if ord(c) < 32 or 127 <= ord(c) < 160 or ord(c) in hidden or 0xD800 <= ord(c) < 0xE000 else c
        for c in text
    )
    return clean if len(clean) <= most else clean[: most - 1] + "\N{HORIZONTAL ELLIPSIS}"
