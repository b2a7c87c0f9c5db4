"""Text that came from a file or a board, made safe for a terminal."""

from __future__ import annotations


def safe(text: str, most: int = 200) -> str:
    """`text` without control characters (C0, C1, DEL, bidirectional overrides), cut to `most` characters.

    A mark is data: an escape sequence in it must never reach a terminal.
    """
    clean = "".join("\N{REPLACEMENT CHARACTER}" if _steers_a_terminal(ord(letter)) else letter for letter in text)
    return clean if len(clean) <= most else clean[: most - 1] + "\N{HORIZONTAL ELLIPSIS}"


def as_sentence(words: str) -> str:
    """The same with a capital and a full stop; what is written large within stays so."""
    return f"{words[:1].upper()}{words[1:]}{'' if words.endswith(('.', '…')) else '.'}"


def _steers_a_terminal(code: int) -> bool:
    control = code < 32 or 127 <= code < 160 or code in (0x2028, 0x2029)
    turns_direction = 0x202A <= code < 0x202F or 0x2066 <= code < 0x206A or code in (0x200E, 0x200F)
    lone_surrogate = 0xD800 <= code < 0xE000
    return control or turns_direction or lone_surrogate
