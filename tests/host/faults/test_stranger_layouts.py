"""Layouts from strangers, drawn at random: taken or refused with a line, solved, and ranked, whatever they hold."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from stranger_layouts import as_toml, strange_layout

from sumpglass.cli import main
from sumpglass.errors import InputError
from sumpglass.faults.finding import fields_of, find_fault
from sumpglass.faults.layout import Layout
from sumpglass.faults.layout_file import parse_layout
from sumpglass.faults.network import circuit_for, solve
from sumpglass.faults.prediction import Ranges, predict_pa
from sumpglass.faults.reading import Reading
from sumpglass.physics.gas import kg_s_from_lpm
from sumpglass.report.fault_text import fault_text

SCHEMAS = Path(__file__).parents[3] / "protocol" / "schemas"
SEEDS = st.integers(0, 2**31)
SLOW_RUNNER = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow], max_examples=25, derandomize=True)


def strange_readings(layout: Layout, rng: np.random.Generator) -> list[Reading]:
    """Readings of some of the tests that need not agree with anything."""
    found = []
    for test in layout.tests[: int(rng.integers(0, len(layout.tests) + 1))]:
        level = float(rng.choice([0.0, -1.0, -300.0, -5000.0, -60000.0, 200.0, 9000.0, 1e6]))
        told = None if rng.integers(2) else float(rng.choice([1e-6, 30.0, 1e7]))
        forms = (
            Reading(test.id, pressure_pa=level, u95_pa=told),
            Reading(test.id, deeper_than_pa=-min(abs(level), 101325.0)),
            Reading(test.id, above_pa=abs(level)),
        )
        found.append(forms[int(rng.choice(3, p=[0.6, 0.2, 0.2]))])
    return found


@pytest.mark.filterwarnings("error::RuntimeWarning")
@SLOW_RUNNER
@given(SEEDS)
def test_every_finding_is_whole(seed):
    """Probabilities sum to 1, the JSON holds no NaN, the text can be written, and all of it again is the same."""
    layout = parse_layout(as_toml(strange_layout(seed)), "strange.toml")
    readings = strange_readings(layout, np.random.default_rng(seed))
    finding = find_fault(layout, readings)
    chances = [p for _, p in finding.ranking]
    assert sum(chances) == pytest.approx(1.0, abs=1e-9)
    assert min(chances) >= 0.0
    assert sorted(name for name, _ in finding.ranking) == sorted(fault.id for fault in layout.faults)
    assert finding.next is None or finding.next.test.id not in [reading.test for reading in readings]
    assert finding.next is not None or finding.settled
    text = json.dumps(fields_of(finding, explain=True), allow_nan=False)
    assert fault_text(finding).endswith("\n")
    assert json.dumps(fields_of(find_fault(layout, readings), explain=True)) == text


@SLOW_RUNNER
@given(SEEDS)
def test_every_network_of_a_stranger_balances(seed):
    """Flows at every inner node sum to nothing, within 1e-9 of the largest flow."""
    layout = parse_layout(as_toml(strange_layout(seed, moderate=True)), "strange.toml")
    ranges, rng = Ranges(layout), np.random.default_rng(seed)
    shape = (3, ranges.low.shape[1])
    values = np.concatenate([ranges.values(f, rng.standard_normal(shape)) for f in range(len(layout.faults))], axis=1)
    blow_by = kg_s_from_lpm(values[-2])
    for test in layout.tests[:3]:
        circuit = circuit_for(layout, test)
        solution = solve(circuit, values * 1e-6, blow_by, -values[-1])
        net = np.zeros_like(solution.pressure_pa)
        np.add.at(net, circuit.end, solution.flow_kg_s)
        np.add.at(net, circuit.start, -solution.flow_kg_s)
        if circuit.source >= 0:
            net[circuit.source] += blow_by
        largest = np.max(np.abs(solution.flow_kg_s), axis=0, initial=1e-30)
        assert np.all(np.isfinite(solution.pressure_pa))
        assert np.all(np.abs(net[: circuit.inner]) <= 1e-9 * largest)


@settings(SLOW_RUNNER, max_examples=80)
@given(SEEDS, st.integers(0, 2**31))
def test_a_spoilt_file_is_taken_or_refused_in_one_sentence(seed, spoiling):
    """Some characters lost, doubled or swapped: a layout comes of it, or one sentence with a line of the file."""
    text, rng = (
        as_toml(strange_layout(seed, most_nodes=4, most_faults=4, most_tests=3)),
        np.random.default_rng(spoiling),
    )
    for _ in range(int(rng.integers(1, 4))):
        at, length = int(rng.integers(len(text))), int(rng.integers(0, 6))
        put = str(rng.choice(["", "=", "]", '"', "\n", "-1", "nan", "1e400", "true", "\x00", "é", "'", "9" * 400]))
        text = text[:at] + put + text[at + length :]
    try:
        assert isinstance(parse_layout(text, "strange.toml"), Layout)
    except InputError as error:
        words = str(error)
        assert words.startswith("strange.toml, ")
        assert "line" in words
        assert "expected" in words
        assert len(words.splitlines()) == 1


def test_very_many_faults_and_tests_keep_the_time_and_the_memory(tmp_path):
    """A whole process with 244 faults and 53 tests: under 2 s of the processor, under 400 MB."""
    content = strange_layout(1007, 12, 300, 60)
    assert len(content["faults"]) > 200
    assert len(content["tests"]) > 40
    layout, readings = tmp_path / "many.toml", tmp_path / "readings.json"
    layout.write_text(as_toml(content), encoding="utf-8")
    readings.write_text(json.dumps([{"test": f"t{n}", "pressure_pa": -300.0} for n in range(4)]))
    words = [sys.executable, "-m", "sumpglass", "find-fault", "--layout", str(layout), "--readings", str(readings)]
    with subprocess.Popen([*words, "--json"], stdout=subprocess.PIPE) as process:
        assert process.stdout is not None
        found = json.load(process.stdout)
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    assert process.returncode == 0
    assert sum(entry["p"] for entry in found["ranking"]) == pytest.approx(1.0)
    assert usage.ru_utime + usage.ru_stime < 2.0
    assert usage.ru_maxrss < 400 * 1024


def test_a_single_fault_is_certain_and_over_two_thousand_even_ones_are_planned_for():
    alone = strange_layout(5) | {"faults": [{"id": "healthy", "label": "nothing", "prior": 1.0}]}
    finding = find_fault(parse_layout(as_toml(alone), "alone.toml"), [])
    assert finding.ranking == [("healthy", 1.0)]
    assert finding.settled
    made = {
        "name": "even", "title": "even", "nodes": ["manifold", "crankcase", "room"], "manifold_vacuum_pa": [5e4, 6e4],
        "blow_by_lpm": [2.0, 8.0], "gas_c": 70.0,
        "edges": [{"id": "suction", "label": "", "from": "manifold", "to": "crankcase", "cda_mm2": [2.0, 3.0]}],
        "seals": [{"id": "cap", "label": "", "node": "crankcase", "cda_mm2": [0.02, 0.1]}],
        "tests": [{"id": "driven", "label": "", "minutes": 2.0, "tap": "crankcase"}],
        "faults": [{"id": "healthy", "label": "", "prior": 1 / 2001}]
        + [{"id": f"f{n}", "label": "", "prior": 1 / 2001, "changes": [{"seal": "cap", "cda_mm2": [n, n + 1.0]}]}
           for n in range(2000)],
    }  # fmt: skip
    even = find_fault(parse_layout(as_toml(made), "even.toml"), [])
    assert even.next is not None
    assert even.next.test.id == "driven"


@pytest.mark.parametrize("seed", [1, 2, 5, 8, 13, 21])
def test_what_is_said_of_a_strange_layout_keeps_to_the_schemas(capsys, tmp_path, seed):
    """By the commands: the layout as JSON, its pictures, and the ranking."""
    file = tmp_path / "fremd_奇.toml"
    file.write_text(as_toml(strange_layout(seed)), encoding="utf-8")
    for words, name in (["layouts", str(file)], "layout"), (["find-fault", "--layout", str(file)], "fault-ranking"):
        assert main([*words, "--json"]) == 0
        schema = json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))
        jsonschema.validate(json.loads(capsys.readouterr().out), schema)
        assert main(words) == 0
        assert len(capsys.readouterr().out.splitlines()) > 3
    assert main(["layouts", str(file), "--svg", str(tmp_path / "x.svg"), "--mark", "healthy"]) == 0


FOREIGN = Path(__file__).parent / "foreign" / "two_stage.toml"


def test_a_large_foreign_layout_is_searched_to_its_end():
    """Loops, cross pipes, check valves either way, a part cut off: the tests named lead to the fault."""
    layout = parse_layout(FOREIGN.read_text(encoding="utf-8"), FOREIGN.name)
    ranges, rng = Ranges(layout), np.random.default_rng(4)
    true = [fault.id for fault in layout.faults].index("breather_iced")
    values = ranges.values(true, rng.standard_normal((1, ranges.low.shape[1])))
    readings: list[Reading] = []
    finding = find_fault(layout, readings)
    while finding.next is not None:
        test = finding.next.test
        level = float(predict_pa([circuit_for(layout, test)], values)[0, 0])
        level += float(np.hypot(0.03 * level, 20.0)) * rng.standard_normal()
        readings.append(Reading(test.id, level) if abs(level) < 7000.0 else Reading(test.id, deeper_than_pa=-7000.0))
        finding = find_fault(layout, readings)
    assert finding.settled
    assert finding.ranking[0][0] == "breather_iced"
    assert 1 <= len(readings) < len(layout.tests)
