"""Text for standard output: on a terminal long lines break between words, in a pipe or a file they stay whole."""

from __future__ import annotations

import re
import shutil
import sys
import textwrap

LEAST_COLUMNS = 40
_BEGINNING = re.compile(r" *(?:- |\d+\. |\w+: )?")


def wrapped(text: str, columns: int) -> str:
    """`text` with no line longer than `columns`; what is carried over stands under the words, not under a bullet."""
    lines: list[str] = []
    for line in text.split("\n"):
        if len(line) <= columns:
            lines.append(line)
            continue
        found = _BEGINNING.match(line)
        indent = " " * min(len(found[0]) if found else 0, columns // 3)
        lines += textwrap.wrap(
            line, columns, subsequent_indent=indent, drop_whitespace=True, break_on_hyphens=False,
            replace_whitespace=False,
        )  # fmt: skip
    return "\n".join(lines)


def write_text(text: str) -> None:
    """Write `text` and a newline where it ends without one."""
    if sys.stdout.isatty():
        text = wrapped(text, max(LEAST_COLUMNS, shutil.get_terminal_size().columns))
    sys.stdout.write(text if text.endswith("\n") else text + "\n")
