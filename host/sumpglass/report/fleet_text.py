"""The fleet as text for a terminal, as fields of its JSON object, and as one HTML page."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any, Protocol

from sumpglass import __version__
from sumpglass.report.terminal_text import safe
from sumpglass.units import in_words

STATE_WORDS = {
    "fault": "NEEDS YOU",
    "unread": "NOT READ",
    "undecided": "UNDECIDED",
    "unknown": "NOT JUDGED",
    "good": "GOOD",
}
WIDTH = 100


class EntryLike(Protocol):
    """One engine (`workflows.fleet.FleetEntry`)."""

    @property
    def path(self) -> str: ...
    @property
    def state(self) -> str: ...
    @property
    def why(self) -> tuple[str, ...]: ...
    @property
    def subject(self) -> str: ...
    @property
    def cylinders(self) -> int | None: ...
    @property
    def recordings(self) -> int: ...
    @property
    def last_at(self) -> str | None: ...
    @property
    def level_state(self) -> str | None: ...
    @property
    def level_pa(self) -> float | None: ...
    @property
    def level_u95_pa(self) -> float | None: ...
    @property
    def leaks(self) -> Sequence[Any]: ...


def fleet_fields(entries: Sequence[EntryLike]) -> dict[str, Any]:
    """Fields of `sumpglass/fleet/1`."""
    return {
        "engines": [
            {
                "path": safe(entry.path, 4096),
                "subject": safe(entry.subject),
                "cylinders": entry.cylinders,
                "state": entry.state,
                "why": [safe(line, 600) for line in entry.why],
                "recordings": entry.recordings,
                "last_at": entry.last_at,
                "level": {"mean_pa": entry.level_pa, "u95_pa": entry.level_u95_pa, "state": entry.level_state},
                "leaks": [dict(vars(leak)) for leak in entry.leaks],
            }
            for entry in entries
        ],
        "warnings": [safe(entry.why[0], 600) for entry in entries if entry.state == "unread"],
    }


def fleet_text(entries: Sequence[EntryLike]) -> str:
    """One paragraph an engine, what wants somebody first on top."""
    lines = [_counted(entries), ""]
    for entry in entries:
        lines.append(f"{STATE_WORDS[entry.state]:<11} {_name(entry)}")
        lines.append(" " * 12 + "  ·  ".join(_facts(entry)))
        for sentence in entry.why:
            lines += textwrap.wrap(safe(sentence, 600), WIDTH, initial_indent=" " * 12, subsequent_indent=" " * 14)
        lines.append("")
    return "\n".join(lines).rstrip()


def fleet_page(entries: Sequence[EntryLike], made: str) -> str:
    """One self-contained HTML page; all text from files is escaped by the template."""
    from jinja2 import Environment, PackageLoader

    environment = Environment(loader=PackageLoader("sumpglass.report"), autoescape=True, trim_blocks=True)
    rows = [
        {
            "state": entry.state,
            "word": STATE_WORDS[entry.state],
            "name": _name(entry),
            "facts": _facts(entry),
            "why": [safe(line, 600) for line in entry.why],
        }
        for entry in entries
    ]
    return environment.get_template("fleet.html.j2").render(
        counted=_counted(entries), rows=rows, made=made, version=__version__
    )


def _counted(entries: Sequence[EntryLike]) -> str:
    counts = [(sum(entry.state == state for entry in entries), word.lower()) for state, word in STATE_WORDS.items()]
    engines = f"{len(entries)} engine{'s' if len(entries) != 1 else ''}"
    return f"{engines}: {', '.join(f'{count} {word}' for count, word in counts if count)}."


def _name(entry: EntryLike) -> str:
    return safe(entry.subject, 70) or safe(entry.path, 70)


def _facts(entry: EntryLike) -> list[str]:
    """Short facts beside the name: level, leak, when, which file."""
    facts = []
    if entry.level_pa is not None:
        facts.append(f"last level {in_words(entry.level_pa)}")
    if entry.leaks:
        leak = entry.leaks[-1]
        facts.append(f"leak {leak.equivalent_mm:.2g} mm ({leak.lo95_mm:.2g} to {leak.hi95_mm:.2g})")
    if entry.last_at:
        facts.append(f"last seen {safe(entry.last_at[:10])}")
    facts.append(safe(entry.path, 70))
    return facts
