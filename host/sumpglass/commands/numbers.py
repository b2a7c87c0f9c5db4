"""Numbers in options, as strict as those in files: plain decimals only."""

from __future__ import annotations

import argparse
import re

_PLAIN = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?", re.ASCII)


def number(text: str) -> float:
    """A plain decimal. Raises ArgumentTypeError for anything else, `nan` and `1_000` included."""
    if not _PLAIN.fullmatch(text.strip(" ")) or not abs(float(text)) < float("inf"):
        raise argparse.ArgumentTypeError(f"found {ascii(text)}, expected a plain decimal number such as 12.5")
    return float(text)


def positive(text: str) -> float:
    """A plain decimal above zero."""
    value = number(text)
    if not value > 0:
        raise argparse.ArgumentTypeError(f"found {ascii(text)}, expected a number above zero")
    return value


def positive_or_zero(text: str) -> float:
    """A plain decimal that is not negative."""
    value = number(text)
    if not value >= 0:
        raise argparse.ArgumentTypeError(f"found {ascii(text)}, expected zero or more")
    return value
