"""Many casebooks side by side: what wants somebody first stands on top, and says why."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import jsonschema
import pytest

from sumpglass.cli import main
from sumpglass.store.casebook import Casebook
from sumpglass.workflows.fleet import by_urgency, entry_of, survey

SCHEMA = json.loads((Path(__file__).parents[3] / "protocol" / "schemas" / "fleet.schema.json").read_text())


def leak(mm: float, half: float) -> dict[str, object]:
    return {"leak": {"equivalent_mm": mm, "lo95_mm": mm - half, "hi95_mm": mm + half}, "warnings": []}


def verdict(word: str, sentence: str) -> dict[str, object]:
    return {"verdict": word, "sentence": sentence, "figures": []}


def casebook(path: Path, subject: str, results: list[tuple[str, dict[str, object]]]) -> str:
    with Casebook.create(str(path)) as book:
        book.set_subject(subject, 4)
        for kind, body in results:
            book.add_result(kind, kind.replace("-", " "), body)
    return str(path)


@pytest.fixture
def orchard(tmp_path: Path) -> Path:
    """Four engines of an invented orchard co-operative, a damaged file, and files that are no casebooks."""
    casebook(tmp_path / "east.casebook", "East Bank pump", [("draw", verdict("good", "It draws."))])
    below = tmp_path / "2026"
    below.mkdir()
    mended = [("draw", verdict("fault", "It does not draw.")), ("draw", verdict("good", "It draws."))]
    casebook(below / "nursery.casebook", "Nursery sprayer", mended)
    casebook(
        below / "reservoir.casebook", "Reservoir pump", [("leak-size", leak(1.0, 0.1)), ("leak-size", leak(2.0, 0.2))]
    )
    casebook(below / "well.casebook", "Well pump \x1b[31m<script>alert(1)</script>", [])
    (below / "damaged.casebook").write_bytes((below / "well.casebook").read_bytes()[:600])
    with sqlite3.connect(below / "stock.db") as other:
        other.execute("CREATE TABLE apples (id)")
    (below / "notes.txt").write_text("nothing of ours")
    (below / "loop").symlink_to(tmp_path)
    return tmp_path


def test_what_wants_somebody_stands_on_top(orchard: Path) -> None:
    found = by_urgency(list(survey([str(orchard)])))
    assert [(entry.state, Path(entry.path).stem) for entry in found] == [
        ("fault", "reservoir"), ("unread", "damaged"), ("unknown", "well"), ("good", "east"), ("good", "nursery"),
    ]  # fmt: skip
    assert "grew from a hole of 1 mm" in found[0].why[0] and "to one of 2 mm" in found[0].why[0]


def test_a_leak_that_grew_within_its_uncertainty_is_no_news(tmp_path: Path) -> None:
    path = casebook(tmp_path / "a.casebook", "pump", [("leak-size", leak(1.0, 0.2)), ("leak-size", leak(1.3, 0.2))])
    entry = entry_of(path)
    assert entry.state == "unknown" and [seen.equivalent_mm for seen in entry.leaks] == [1.0, 1.3]


def test_json_page_and_words(orchard: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page = orchard / "fleet.html"
    assert main(["fleet", str(orchard), "--json", "--page", str(page), "--strict"]) == 1
    told = json.loads(capsys.readouterr().out)
    jsonschema.validate(told, SCHEMA)
    assert len(told["engines"]) == 5 and len(told["warnings"]) == 1
    html = page.read_text()
    assert "<script>" not in html and "\x1b" not in html and "Nursery sprayer" in html
    assert main(["fleet", str(orchard)]) == 0
    text = capsys.readouterr().out
    assert text.startswith("5 engines: 1 needs you, 1 not read, 1 not judged, 2 good.") and "\x1b" not in text
    assert main(["fleet", str(orchard), "--page", str(page)]) == 2
    assert "is there already" in capsys.readouterr().err


def test_a_place_with_none_is_told_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for place in (tmp_path, tmp_path / "absent", Path("/dev/null")):
        assert main(["fleet", str(place)]) == 2
        error = capsys.readouterr().err
        assert error.count("\n") == 1 and str(place) in error
