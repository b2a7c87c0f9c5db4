"""`find-fault` and `layouts` from outside: shapes, exit statuses, one line for what is wrong, text for a person."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import jsonschema
import pytest

from sumpglass.cli import main
from sumpglass.errors import InputError
from sumpglass.faults.layout_file import built_in_names, load_layout
from sumpglass.faults.reading import Reading
from sumpglass.faults.typed import typed_reading
from sumpglass.store.casebook import Casebook
from sumpglass.workflows.find_fault import Search, keep_reading, keep_search, readings_in_casebook, withdraw_reading

SCHEMAS = Path(__file__).parents[3] / "protocol" / "schemas"
LAYOUT = "orifice-filler-cap"


def valid(text: str, name: str) -> dict:
    found = json.loads(text, parse_constant=lambda word: pytest.fail(f"{word} in JSON"))
    jsonschema.validate(found, json.loads((SCHEMAS / f"{name}.schema.json").read_text()))
    return found


def ask(capsys, *words: str) -> tuple[int, str, str]:
    try:
        status = main(list(words))
    except SystemExit as left:
        status = int(left.code or 0)
    out, err = capsys.readouterr()
    return status, out, err


@pytest.fixture
def readings(tmp_path):
    def write(items) -> str:
        file = tmp_path / "readings.json"
        file.write_text(items if isinstance(items, str) else json.dumps(items))
        return str(file)

    return write


def test_layouts_as_json(capsys):
    status, out, _ = ask(capsys, "layouts", "--json")
    assert status == 0
    names = [item["name"] for item in valid(out, "layouts")["layouts"]]
    assert names == built_in_names()
    for name in names:
        assert valid(ask(capsys, "layouts", name, "--json")[1], "layout")["name"] == name


@pytest.mark.parametrize("name", built_in_names())
def test_drawings_fit_and_mark_the_suspected_part(name, capsys, tmp_path):
    layout = load_layout(name)
    for fault in layout.faults[1:]:
        out = ask(capsys, "layouts", name, "--mark", fault.id)[1]
        drawing = out.split("Faults:")[0]
        assert "SUSPECTED" in out or "!" in drawing
        assert max(map(len, drawing.splitlines()[1:20])) <= 80
    picture = tmp_path / "picture.svg"
    assert ask(capsys, "layouts", name, "--svg", str(picture), "--mark", layout.tests[-1].id)[0] == 0
    root = ElementTree.parse(picture).getroot()
    words = " ".join(element.text or "" for element in root.iter() if element.tag.endswith("text"))
    for edge in layout.edges:
        assert edge.label in words
    assert "stopped up" in words


def test_a_ranking_as_json(capsys, readings):
    file = readings(
        [
            {"test": "breather_end", "pressure_pa": -850.0, "u95_pa": 60.0},
            {"test": "cap_sealed", "deeper_than_pa": -7000},
            {"test": "blow_by_3mm", "pressure_pa": 30.0},
        ]
    )
    status, out, err = ask(capsys, "find-fault", "--layout", LAYOUT, "--readings", file, "--json", "--explain")
    assert (status, err) == (0, "")
    found = valid(out, "fault-ranking")
    assert found["ranking"][0]["fault"] == "filler_cap_leaks"
    assert sum(item["p"] for item in found["ranking"]) == pytest.approx(1.0)
    assert [step["test"] for step in found["reasoning"]] == ["breather_end", "cap_sealed", "blow_by_3mm"]
    assert found["reasoning"][-1]["after"]["filler_cap_leaks"] == pytest.approx(found["ranking"][0]["p"])
    assert any("blow_by_3mm" in warning and "assumed" in warning for warning in found["warnings"])
    assert ask(capsys, "find-fault", "--layout", LAYOUT, "--readings", file, "--strict")[0] == 1


def test_the_text_tells_what_moved_and_why(capsys, readings):
    file = readings([{"test": "breather_end", "pressure_pa": -850.0, "u95_pa": 60.0}])
    status, out, _ = ask(capsys, "find-fault", "--layout", LAYOUT, "--readings", file, "--strict")
    assert status == 0  # not settled yet
    assert "vacuum 0.85 kPa" in out
    assert "filler-cap seal leaks 7 % ->" in out
    assert "Why: it splits the suspects" in out
    assert "-0.85" not in out


@pytest.mark.parametrize(
    ("items", "words"),
    [
        ([{"test": "no such", "pressure_pa": 1}], "has no test 'no such'"),
        (
            [{"test": "as_driven", "pressure_pa": 1}, {"test": "as_driven", "pressure_pa": 2}],
            "reading 2: test 'as_driven'",
        ),
        ([{"test": "as_driven"}], "no value"),
        ([{"test": "as_driven", "pressure_pa": 1, "deeper_than_pa": -2}], "pressure_pa and deeper_than_pa"),
        ([{"test": "as_driven", "pressure_pa": "1"}], "pressure_pa is '1'"),
        ([{"test": "as_driven", "pressure_pa": True}], "pressure_pa is 'True'"),
        ([{"test": "as_driven", "pressure_pa": -2e5}], "expected a number from -101325"),
        ([{"test": "as_driven", "pressure_pa": 1, "u95_pa": 0}], "u95_pa is '0'"),
        ([{"test": "as_driven", "deeper_than_pa": 2000}], "deeper_than_pa is '2000'"),
        ([{"test": "as_driven", "above_pa": -2000}], "above_pa is '-2000'"),
        ([{"test": "as_driven", "pressure": 1}], "the key 'pressure'"),
        ([3], "found '3'"),
        ({"test": "as_driven"}, "found no list"),
        ("[{", "line 1"),
        ("[\n{'test': 1}]", "line 2"),
        ('[{"test": "as_driven", "pressure_pa": NaN}]', "found NaN"),
        ('[{"test": "as_driven", "test": "as_driven", "pressure_pa": 1}]', "'test' twice"),
        ('[{"test": "as_driven", "pressure_pa": 1e999}]', "pressure_pa is 'inf'"),
        ("[" * 100000, "expected readings as JSON"),
        ("", "expected readings as JSON"),
    ],
)
def test_wrong_readings_are_one_line(capsys, readings, items, words):
    file = readings(items)
    status, out, err = ask(capsys, "find-fault", "--layout", LAYOUT, "--readings", file, "--json")
    assert (status, out) == (2, "")
    assert len(err.strip().splitlines()) == 1
    assert words in err
    assert "expected" in err


@pytest.mark.parametrize(
    "words",
    [
        ("find-fault", "--layout", "no-such"),
        ("find-fault", "--layout", "/"),
        ("find-fault", "--layout", LAYOUT, "--readings", "/nowhere/readings.json"),
        ("find-fault", "--layout", LAYOUT, "--readings", "/"),
        ("find-fault", "--layout", LAYOUT, "--refuse", "nothing"),
        ("find-fault", "--layout", LAYOUT, "--seed", "-1"),
        ("find-fault", "--layout", LAYOUT, "--seed", "1_0"),
        ("find-fault",),
        ("layouts", "no-such"),
        ("layouts", "--svg", "x.svg"),
        ("layouts", LAYOUT, "--mark", "nothing"),
    ],
)
def test_wrong_calls_are_one_line(capsys, words):
    status, out, err = ask(capsys, *words)
    assert (status, out) == (2, "")
    assert len(err.strip().splitlines()) == 1


def test_a_layout_from_a_file_and_hostile_words(capsys, tmp_path):
    text = (Path(__file__).parents[3] / "host/sumpglass/faults/layouts/draught-tube.toml").read_text()
    file = tmp_path / "own.toml"
    file.write_text(text.replace('label = "nothing wrong"', 'label = "\\u001b[31m<script>x</script>"'))
    out = ask(capsys, "find-fault", "--layout", str(file))[1]
    assert "\x1b" not in out
    picture = tmp_path / "own.svg"
    ask(capsys, "layouts", str(file), "--svg", str(picture))
    assert "<script" not in picture.read_text()


def test_guided_tests_in_the_casebook_feed_the_search(capsys, tmp_path):
    path = str(tmp_path / "job.casebook")
    layout = load_layout(LAYOUT)
    taken = {"name": "draw", "mean_pa": -850.0, "u_pa": 12.0, "bound": ""}
    opened = [{"name": "opening 5 mm", "mean_pa": -190.0, "u_pa": 8.0, "bound": ""},
              {"name": "opening 2 mm", "mean_pa": -600.0, "u_pa": 8.0, "bound": ""},
              {"name": "opening 3 mm", "mean_pa": -2000.0, "u_pa": 8.0, "bound": "deeper"}]  # fmt: skip
    with Casebook.create(path) as book:
        book.add_result("draw", "Draw", {"state": {"test": "draw", "taken": [taken]}})
        book.add_result("known-openings", "Known openings", {"state": {"test": "known-openings", "taken": opened}})
        blow_by = {"name": "pressure", "mean_pa": 90.0, "u_pa": 3.0, "bound": "", "values": {"opening_mm": 2.5}}
        book.add_result("blow-by", "Blow-by", {"state": {"test": "blow-by", "taken": [blow_by]}})
    found = {reading.test: reading for reading in readings_in_casebook(path, layout)}
    assert set(found) == {"breather_end", "breather_end_5mm", "breather_end_3mm"}
    assert found["breather_end"].pressure_pa == -850.0
    assert found["breather_end"].u95_pa == pytest.approx(23.52)
    assert found["breather_end_3mm"].deeper_than_pa == -2000.0
    keep_reading(path, layout, Reading("cap_sealed", deeper_than_pa=-7000.0))
    keep_reading(path, layout, Reading("as_driven", pressure_pa=-60.0, u95_pa=20.0))
    withdraw_reading(path, layout, "as_driven")
    assert [reading.test for reading in readings_in_casebook(path, layout)][-1] == "cap_sealed"
    assert "as_driven" not in [reading.test for reading in readings_in_casebook(path, layout)]
    out = ask(capsys, "find-fault", "--layout", LAYOUT, "--readings", path, "--json")[1]
    assert valid(out, "fault-ranking")["settled"] is not None
    search = Search(layout, readings_in_casebook(path, layout))
    keep_search(path, search, search.weigh())
    with Casebook.open(path) as book:
        assert book.results("find-fault")[0].body["layout"] == LAYOUT


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("0.42 kPa vacuum", Reading("t", pressure_pa=-420.0)),
        ("vacuum", None),
        ("-850 Pa", Reading("t", pressure_pa=-850.0)),
        ("0,5 vacuum", Reading("t", pressure_pa=-500.0)),
        ("0.5 v", Reading("t", pressure_pa=-500.0)),
        ("12 mmH2O pressure ± 1", Reading("t", pressure_pa=117.6798, u95_pa=9.80665)),
        ("3 inH2O +- 0.5 vacuum", Reading("t", pressure_pa=-747.26673, u95_pa=124.544455)),
        ("> 7 kPa vacuum", Reading("t", deeper_than_pa=-7000.0)),
        ("above 7 kPa pressure", Reading("t", above_pa=7000.0)),
        ("0", Reading("t", pressure_pa=0.0)),
        ("0.4", None),
        ("-0.4 kPa pressure", None),
        ("4 furlongs vacuum", None),
        ("1e3 Pa vacuum", None),
        ("200 kPa vacuum", None),
        ("5 vacuum ± 0", None),
        ("", None),
    ],
)
def test_readings_typed_from_a_dial_gauge(text, wanted):
    """inH2O by NIST SP 811 (249.0889 Pa), mmH2O conventional 9.80665 Pa."""
    if wanted is None:
        with pytest.raises(InputError, match="expected"):
            typed_reading(text, "t")
        return
    found = typed_reading(text, "t")
    for name in ("pressure_pa", "u95_pa", "deeper_than_pa", "above_pa"):
        assert getattr(found, name) == (None if getattr(wanted, name) is None else pytest.approx(getattr(wanted, name)))
