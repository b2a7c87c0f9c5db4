"""Results of a casebook in words and as the fields of their JSON object."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Protocol

from sumpglass.report.figure_words import figure_name, figure_words
from sumpglass.report.terminal_text import safe

_VERDICTS = {"good": "good", "fault": "FAULT", "undecided": "undecided", "told": "told"}


class KeptLike(Protocol):
    """A result as the casebook kept it (`workflows.guide.KeptResult`)."""

    @property
    def id(self) -> int: ...
    @property
    def at(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def title(self) -> str: ...
    @property
    def recording_id(self) -> int | None: ...
    @property
    def sentence(self) -> str: ...
    @property
    def verdict(self) -> str | None: ...
    @property
    def body(self) -> dict[str, Any]: ...
    @property
    def same_again(self) -> bool | None: ...


def results_fields(found: Sequence[KeptLike]) -> dict[str, Any]:
    """Fields of `sumpglass/results/1`."""
    return {
        "results": [
            {
                "id": r.id,
                "at": r.at,
                "kind": r.kind,
                "title": r.title,
                "recording": r.recording_id,
                "verdict": r.verdict,
                "sentence": r.sentence,
                "same_again": r.same_again,
                "body": r.body,
            }
            for r in found
        ],
        "warnings": [
            f"result {r.id} comes out differently when it is computed again" for r in found if r.same_again is False
        ],
    }


def results_text(found: Sequence[KeptLike]) -> str:
    """The same for a person."""
    if not found:
        return "There are no results in this casebook yet: `sumpglass guide` makes some."
    lines = []
    for r in found:
        verdict = _VERDICTS.get(r.verdict or "", "")
        lines.append(f"{r.id:>4}  {safe(r.at, 19)}  {safe(r.title, 40)}{'  ' + verdict if verdict else ''}")
        if r.sentence:
            lines.append(f"      {safe(r.sentence, 600)}")
        for figure in r.body.get("figures") or []:
            lines.append("      " + _figure(figure))
        if r.same_again is not None:
            lines.append("      computed again: the same" if r.same_again else "      computed again: DIFFERENT")
    return "\n".join(lines)


def _figure(figure: Any) -> str:
    if not isinstance(figure, dict):
        return safe(str(figure), 100)
    name = str(figure.get("name", ""))
    value, low, high = (_number(figure.get(k)) for k in ("value", "lo95", "hi95"))
    return f"{figure_name(name)}: {figure_words(name, value, low, high, str(figure.get('unit', '')))}"


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None
