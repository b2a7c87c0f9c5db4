"""Layout files: what is built in, and a checker that names the line of what is wrong."""

from __future__ import annotations

import tomllib

import pytest

from sumpglass.errors import InputError
from sumpglass.faults.layout import HEALTHY
from sumpglass.faults.layout_file import built_in_names, load_layout, parse_layout
from sumpglass.faults.toml_lines import lines_of

SMALL = """name = "small"
title = "A small one"
nodes = ["manifold", "hose", "crankcase", "room"]
manifold_vacuum_pa = [55000, 70000]
blow_by_lpm = [2, 8]
gas_c = 70

[[edges]]
id = "restriction"
label = "restriction"
from = "manifold"
to = "hose"
cda_mm2 = [2.0, 2.8]

[[edges]]
id = "hose_line"
label = "hose"
from = "hose"
to = "crankcase"
cda_mm2 = [
  20,
  40,
]

[[seals]]
id = "cap"
label = "cap"
node = "crankcase"
cda_mm2 = [0.02, 0.15]

[[faults]]
id = "healthy"
label = "nothing"
prior = 0.5

[[faults]]
id = "cap_leaks"
label = "cap leaks"
prior = 0.5
changes = [{ seal = "cap", cda_mm2 = [4, 20] }]

[[tests]]
id = "as_driven"
label = "as driven"
minutes = 2
tap = "crankcase"
shut = ["cap"]
open = [{ node = "crankcase", cda_mm2 = 4.3 }]
"""


def test_six_layouts_of_different_kind_are_built_in():
    layouts = [load_layout(name) for name in built_in_names()]
    assert len(layouts) >= 6
    for layout in layouts:
        assert len(layout.faults) >= 10
        assert layout.basis
        assert set(layout.places) == set(layout.nodes)
        assert sum(fault.prior for fault in layout.faults) == pytest.approx(1.0, abs=1e-9)
        assert any(fault.id == HEALTHY and not fault.changes for fault in layout.faults)
        assert {test.tap for test in layout.tests} >= {"crankcase"} or layout.name == "orifice-filler-cap"


def test_the_small_layout_is_right():
    assert parse_layout(SMALL, "small.toml").tests[0].open[0].cda_mm2 == 4.3


@pytest.mark.parametrize(
    ("old", "new", "at", "words"),
    [
        ('to = "hose"', 'to = "nowhere"', 'to = "nowhere"', "node 'nowhere'"),
        ("  40,", "  10,", "cda_mm2 = [\n", "low 20 above high 10"),
        ("  20,", "  nan,", "  nan,", "nan"),
        ("prior = 0.5\nchanges", "prior = 0.4\nchanges", "[[faults]]", "sum to 0.9"),
        ("prior = 0.5\nchanges", "prior = true\nchanges", "prior = true", "True"),
        ('{ seal = "cap"', '{ edge = "cap"', "changes", "edge 'cap'"),
        ('{ seal = "cap", cda_mm2 = [4, 20] }', "{ blow_by_lpm = [9, 3] }", "changes", "low 9 above high 3"),
        ('{ seal = "cap", cda_mm2 = [4, 20] }', "{ cda_mm2 = [9, 13] }", "changes", "names nothing"),
        ('shut = ["cap"]', 'shut = ["lid"]', "shut", "'lid'"),
        ("minutes = 2", "minutes = 0", "minutes", "minutes is 0"),
        ('tap = "crankcase"', 'tap = "sump"', "tap", "'sump'"),
        ('id = "hose_line"', 'id = "restriction"', 'id = "restriction"\nlabel = "hose"', "second time"),
        ('id = "cap"\nlabel', 'id = "hose_line"\nlabel', 'id = "hose_line"\nlabel = "cap"', "second time"),
        ("gas_c = 70", 'gas_c = "hot"', "gas_c", "'hot'"),
        ("gas_c = 70", "gas_c = 70\ncolour = 3", "colour", "unknown key 'colour'"),
        ('label = "hose"\n', "", '[[edges]]\nid = "hose_line"', "no 'label'"),
        ('id = "healthy"', 'id = "fine"', "[[faults]]", "no fault 'healthy'"),
        ('"crankcase", "room"]', '"sump", "room"]', "nodes", "no node 'crankcase'"),
        ("gas_c = 70", "gas_c = = 70", "gas_c", "expected TOML"),
    ],
)
def test_the_checker_names_the_line(old, new, at, words):
    text = SMALL.replace(old, new, 1)
    line = text[: text.index(at)].count("\n") + 1
    with pytest.raises(InputError) as caught:
        parse_layout(text, "small.toml")
    assert f"small.toml, line {line}:" in str(caught.value)
    assert words in str(caught.value)
    assert "expected" in str(caught.value)


def test_lines_are_found_in_all_forms_of_toml():
    text = '''# head
a.b = 1 # one
c = """two
lines"""
"quoted \\" key" = [ # open
  { x = 'it''s' , y = [1,
    2] },
]
[t.u]
v = 1979-05-27T07:32:00Z
[[t.w]]
z = 'a # b'
[[t.w]]
z = {p.q = "}"}
'''.replace("'it''s'", "'it'")
    tomllib.loads(text)
    lines = lines_of(text)
    assert lines[("a", "b")] == 2
    assert lines[("c",)] == 3
    assert lines[('quoted " key',)] == 5
    assert lines[('quoted " key', 0, "y", 1)] == 7
    assert lines[("t", "u", "v")] == 10
    assert lines[("t", "w", 0, "z")] == 12
    assert lines[("t", "w", 1, "z", "p", "q")] == 14


def test_files_that_are_none(tmp_path):
    for path, words in ((tmp_path, "not a plain file"), (tmp_path / "gone.toml", "no built-in layout")):
        with pytest.raises(InputError, match=words):
            load_layout(str(path))
    odd = tmp_path / "odd.toml"
    odd.write_bytes(b"name = \xff")
    with pytest.raises(InputError, match="byte 7"):
        load_layout(str(odd))
