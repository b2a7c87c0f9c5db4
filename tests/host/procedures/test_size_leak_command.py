"""`size-leak`, `blow-by`, `hold`, `guide`, `results` as a person calls them: JSON by schema, one line for wrong
input."""

import json
import math
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from sumpglass.cli import main

SCHEMAS = Path(__file__).parents[3] / "protocol" / "schemas"
LEAK_MM2, NET_KG_S = 3.0, 1.0e-4


def lines_of(steady, openings=(3.2, 2.5, 2.0, 1.5, 0.0), leak=LEAK_MM2):
    return {d: steady(leak, d, NET_KG_S, blow_by_kg_s=2e-5) for d in openings}


@pytest.fixture
def good(steady):
    rows = "".join(f"{d:g},{-v:.2f},{3 + 0.005 * v:.1f},0\n" for d, v in lines_of(steady).items())
    return "opening_mm,pressure_pa,u95_pa,ac_rms_pa\n" + rows


def call(capsys, *words):
    try:
        status = main(list(words))
    except SystemExit as stop:
        status = stop.code
    out, err = capsys.readouterr()
    return status, out, err


def asked(capsys, name, *words):
    status, out, err = call(capsys, *words, "--json")
    assert status == 0, err
    result = json.loads(out, parse_constant=lambda c: pytest.fail(f"{c} in JSON"))
    jsonschema.validate(result, json.loads((SCHEMAS / f"{name}.schema.json").read_text()))
    return result


def refused(capsys, *words):
    status, out, err = call(capsys, *words)
    assert status == 2 and out == "" and len(err.strip().splitlines()) == 1, (status, out, err)
    return err


@pytest.fixture
def put(tmp_path):
    def write(text, name="table.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return str(path)

    return write


def test_a_table_gives_the_leak_it_was_made_with(capsys, put, good):
    result = asked(capsys, "leak-size", "size-leak", put(good))
    assert result["leak"]["lo95_mm2"] < 3.0 < result["leak"]["hi95_mm2"]
    assert result["fit"] == {**result["fit"], "points": 5, "bent": False, "source": "choked"}
    status, out, _ = call(capsys, "size-leak", put(good))
    assert status == 0 and "like a hole of" in out and "closed  vacuum 1.2" in out
    assert result["leak"]["area_mm2"] == pytest.approx(LEAK_MM2, rel=0.005)
    assert result["net_draw_lpm"] == pytest.approx(NET_KG_S / 1.20407 * 60e3, rel=0.005)


@pytest.mark.parametrize(
    "rewrite",
    [
        lambda t: "\ufeff" + t,
        lambda t: t.replace(",", ";"),
        lambda t: t.replace(",", "\t"),
        lambda t: t.replace("\n", "\r\n"),
        lambda t: "\n".join(",".join([*line.split(",")[::-1], "x"]) for line in t.strip().split("\n")),
    ],
)
def test_every_way_of_writing_the_table_is_the_same_table(capsys, put, rewrite, good):
    assert (
        asked(capsys, "leak-size", "size-leak", put(rewrite(good)))["leak"]
        == asked(capsys, "leak-size", "size-leak", put(good))["leak"]
    )


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("", "line 1"),
        ("opening_mm,pressure_pa\n", "line 2"),
        ("opening_mm,u95_pa\n1,2\n", "line 1"),
        ("opening_mm,pressure_pa,pressure_pa\n1,-2,-3\n", "line 1"),
        ("opening_mm,pressure_pa\n1,-20\n2,nan\n", "line 3"),
        ("opening_mm,pressure_pa\n1_0,-20\n", "line 2"),
        ("opening_mm,pressure_pa\n-1,-20\n2,-10\n", "line 2"),
        ("opening_mm,pressure_pa,u95_pa\n1,-20,0\n2,-10,1\n", "line 2"),
        ("opening_mm,pressure_pa,u95_pa\n1,,1\n2,-10,1\n", "line 2"),
        ("opening_mm,pressure_pa,deeper_than_pa\n1,,-900\n2,-10,-30\n", "line 3"),
        ("opening_mm,pressure_pa,deeper_than_pa\n0,,900\n2,-10,\n", "line 2"),
        ("opening_mm,pressure_pa,ac_rms_pa\n1,-20,-1\n2,-10,1\n", "line 2"),
        ("opening_mm,pressure_pa\n1,-20\n", "usable"),
        ("opening_mm,pressure_pa\n2,-20\n2,-21\n", "different"),
        ("opening_mm,pressure_pa,u95_pa\n1,-200,2\n2,-400,2\n3,-800,2\n", "fall"),
        ("opening_mm,pressure_pa,u95_pa\n1,200,2\n2,100,2\n", "vacuum"),
        ("opening_mm,pressure_pa,deeper_than_pa\n0,,-2000\n1,,-2000\n", "usable"),
    ],
)
def test_wrong_tables_are_told_in_one_line(capsys, put, text, place):
    assert place in refused(capsys, "size-leak", put(text))


@pytest.mark.parametrize(
    "words",
    [
        ["size-leak"],
        ["size-leak", "/"],
        ["size-leak", "absent.csv"],
        ["size-leak", "x.csv", "--room-kpa", "nan"],
        ["size-leak", "x.csv", "--room-kpa", "5"],
        ["blow-by", "--opening-mm", "3"],
        ["blow-by", "--opening-mm", "-3", "--pressure-pa", "2"],
        ["blow-by", "--opening-mm", "3", "--pressure-pa", "-20"],
        ["blow-by", "--opening-mm", "3", "--pressure-pa", "inf"],
        ["blow-by", "--opening-mm", "3", "--pressure-pa", "20", "--cd", "7"],
        ["hold", "absent.csv"],
        ["hold", "/"],
        ["guide", "nothing"],
        ["guide", "draw", "--set", "limit_pa=x"],
        ["guide", "draw", "--set", "nope=1"],
        ["results", "absent"],
        ["guide", "draw", "--recording", "x.csv"],
    ],
)
def test_wrong_calls_are_told_in_one_line(capsys, words):
    refused(capsys, *words)


def test_saturated_closed_reading_bounds_the_leak(capsys, put, steady):
    rows = "".join(f"{d:g},{-v:.2f},{3 + 0.01 * v:.1f},\n" for d, v in lines_of(steady, (3.2, 2.5, 2.0)).items())
    table = "opening_mm,pressure_pa,u95_pa,deeper_than_pa\n" + rows
    with_it = asked(capsys, "leak-size", "size-leak", put(table + f"0,,,{-steady(LEAK_MM2, 0, NET_KG_S):.0f}\n"))
    without = asked(capsys, "leak-size", "size-leak", put(table))
    assert with_it["fit"]["points"] == 4 and without["fit"]["points"] == 3
    assert with_it["leak"]["hi95_mm2"] < without["leak"]["hi95_mm2"], (
        "a bound on the closed vacuum bounds the leak from above"
    )
    assert with_it["leak"]["lo95_mm2"] < LEAK_MM2 < with_it["leak"]["hi95_mm2"]


def test_a_tight_crankcase_cannot_be_told_from_none(capsys, put):
    rows = "".join(
        f"{d},{-90.0 * (8.04 / (math.pi / 4 * d * d + 0.01)) ** 2:.2f},{40 if d < 3 else 5}\n" for d in (3.2, 2.5, 2.0)
    )
    result = asked(capsys, "leak-size", "size-leak", put("opening_mm,pressure_pa,u95_pa\n" + rows))
    assert result["leak"]["lo95_mm"] == 0 and any("none" in w for w in result["warnings"])


def test_pulses_are_counted_not_their_mean(capsys, put, steady):
    """Pulses that cross zero: the same leak from the samples' root as without pulses."""
    swing = math.sqrt(2) * 150.0 * np.sin((np.arange(4000) + 0.5) / 4000 * 2 * np.pi)
    levels = {d: steady(LEAK_MM2, d, NET_KG_S, swing) for d in (4.0, 3.2, 2.5, 2.0, 0)}
    assert levels[4.0] < 150.0
    rows = [f"{d},{-v:.3f},3,150\n" for d, v in levels.items()]
    result = asked(capsys, "leak-size", "size-leak", put("opening_mm,pressure_pa,u95_pa,ac_rms_pa\n" + "".join(rows)))
    assert result["leak"]["area_mm2"] == pytest.approx(3.0, rel=0.03)


def recording(put, steady, change_s=0.0, settle_s=0.4, noise=3.0, offset=0.0, clip=None, seed=3):
    rng = np.random.default_rng(seed)
    rows, t, level = ["t_s,pressure_pa,mark"], 0.0, 0.0
    plan = [("engine off", 6.0, 0.0)] + [
        (f"opening {d} mm" if d else "closed", 12.0, -steady(LEAK_MM2, d, NET_KG_S)) for d in (4.0, 2.5, 1.5, 0)
    ]
    starts = np.cumsum([0.0, *[s for _, s, _ in plan]])
    for k in range(int(starts[-1] * 100)):
        t = k / 100
        which = max(i for i in range(len(plan)) if i == 0 or t >= starts[i] + change_s)
        level += (plan[which][2] - level) * (1 - math.exp(-0.01 / settle_s))
        p = level + (8 * math.sin(2 * math.pi * 26.7 * t) if which else 0.0) + rng.normal(0, noise) + offset
        p = max(p, clip) if clip is not None else p
        mark = next((plan[i][0] for i in range(len(plan)) if k == round(starts[i] * 100)), "")
        rows.append(f"{t:.2f},{p:.3f},{mark}")
    return put("\n".join(rows) + "\n", f"rec{change_s}{clip}{offset}.csv")


@pytest.mark.parametrize("change_s", [-1.5, 0.0, 1.5])
def test_a_recording_counts_settled_data_only(capsys, put, steady, change_s):
    result = asked(capsys, "leak-size", "size-leak", recording(put, steady, change_s, offset=25.0))
    assert result["fit"]["points"] == 4
    assert result["leak"]["area_mm2"] == pytest.approx(3.0, rel=0.04)
    assert any("engine off" in w for w in result["warnings"])


def test_clipped_pulses_make_a_bound(capsys, put, steady):
    result = asked(capsys, "leak-size", "size-leak", recording(put, steady, clip=-1200.0), "--range-pa", "1200")
    closed = next(r for r in result["readings"] if r["opening_mm"] == 0)
    assert closed["pressure_pa"] is None and closed["deeper_than_pa"] < -1100
    assert result["leak"]["area_mm2"] == pytest.approx(3.0, rel=0.06)


def test_what_never_settled_is_told_and_left_out(capsys, put, steady):
    lines = Path(recording(put, steady)).read_text().splitlines()
    head = next(i for i, line in enumerate(lines) if "closed" in line)
    drifting = [
        f"{a},{float(b) - 0.8 * k:.2f},{c}" for k, (a, b, c) in enumerate(line.split(",") for line in lines[head:])
    ]
    result = asked(capsys, "leak-size", "size-leak", put("\n".join([*lines[:head], *drifting]) + "\n", "drift.csv"))
    assert result["fit"]["points"] == 3 and any("never settled" in w for w in result["warnings"])


def test_hold_tells_the_law(capsys, put):
    rng = np.random.default_rng(1)
    for law, decay in (
        ("orifice", lambda t: np.maximum(math.sqrt(2000) - 1.5 * t, 0) ** 2),
        ("laminar", lambda t: 2000 * np.exp(-t / 8)),
    ):
        t = np.arange(0, 40, 0.05)
        p = -np.concatenate([np.zeros(40), np.linspace(0, 2000, 60), decay(t)]) + rng.normal(0, 3, len(t) + 100) + 12.0
        text = "t_s,pressure_pa\n" + "".join(f"{k * 0.05:.2f},{x:.2f}\n" for k, x in enumerate(p))
        result = asked(capsys, "hold", "hold", put(text, f"{law}.csv"), "--volume-l", "6")
        assert result["model"] == law and result["leak_lo95"] < result["leak_lpm_at_500pa"] < result["leak_hi95"]
        assert result["offset_pa"] == pytest.approx(12.0, abs=1.0)
        none = asked(capsys, "hold", "hold", put(text, f"{law}.csv"))
        assert (
            none["leak_lpm_at_500pa"] is None
            and none["equivalent_mm"] is None
            and any("volume" in w for w in none["warnings"])
        )


def test_hold_is_refused_where_an_engine_turns(capsys, put):
    rng = np.random.default_rng(2)
    t = np.arange(0, 20, 0.005)
    for swing in (200.0, 600.0):  # a steady draw would look tight
        p = -2000.0 + swing * np.sin(2 * np.pi * 26.7 * t) + rng.normal(0, 3, len(t))
        text = "t_s,pressure_pa\n" + "".join(f"{a:.3f},{x:.2f}\n" for a, x in zip(t, p))
        assert main(["hold", put(text, "running.csv")]) == 2
        told = capsys.readouterr()
        assert told.out == "" and told.err.count("\n") == 1
        assert ("found engine pulses" if swing < 500.0 else "is the engine off") in told.err
    hum = -2000.0 * np.exp(-t / 30) + 40.0 * np.sin(2 * np.pi * 50.02 * t) + rng.normal(0, 3, len(t))
    text = "t_s,pressure_pa\n" + "".join(f"{a:.3f},{x:.2f}\n" for a, x in zip(t, hum))
    assert asked(capsys, "hold", "hold", put(text, "hum.csv"))["half_time_s"] == pytest.approx(20.8, rel=0.1)


def test_hold_between_two_runs_of_an_engine_is_refused_unless_it_was_marked_off(capsys, put):
    # A plug of water in the hose hides the pulses of an engine that goes on drawing.
    rng = np.random.default_rng(3)
    t = np.arange(0, 60, 0.005)
    hidden = (t > 15) & (t < 40)
    p = -530.0 + np.where(hidden, 0.0, 300.0) * np.sin(2 * np.pi * 27.3 * t) + rng.normal(0, 1, len(t))
    p[hidden] -= 5.0
    rows = [f"{a:.3f},{x:.2f}," for a, x in zip(t, p)]
    assert main(["hold", put("t_s,pressure_pa,mark\n" + "\n".join(rows) + "\n", "plug.csv")]) == 2
    told = capsys.readouterr().err
    assert "engine" in told and told.count("\n") == 1
    rows[2990] += "engine off"
    marked = put("t_s,pressure_pa,mark\n" + "\n".join(rows) + "\n", "marked.csv")
    main(["hold", marked])
    assert "before and after" not in capsys.readouterr().err


def test_hold_against_a_reference_needs_no_volume(capsys, put):
    def decay(k, name):
        t = np.arange(0, 30, 0.05)
        p = -(np.maximum(math.sqrt(2000) - k * t / 2, 0) ** 2) + np.random.default_rng(2).normal(0, 2, len(t))
        return put("t_s,pressure_pa\n" + "".join(f"{a:.2f},{b:.2f}\n" for a, b in zip(t, p)), name)

    # 1 mm2 alone, 1 mm2 and a 1.5 mm hole together
    result = asked(
        capsys,
        "hold",
        "hold",
        decay(4.0, "a.csv"),
        "--reference",
        decay(4.0 * (1 + math.pi / 4 * 2.25), "b.csv"),
        "--reference-opening-mm",
        "1.5",
    )
    assert result["equivalent_mm"] == pytest.approx(math.sqrt(4 / math.pi), rel=0.02)


def test_guide_and_results_by_schema(capsys, put, tmp_path):
    assert len(asked(capsys, "guide-tests", "guide")["tests"]) == 12
    for test in asked(capsys, "guide-tests", "guide")["tests"]:
        asked(capsys, "guide-test", "guide", test["id"])
    from sumpglass.store.casebook import Casebook

    with Casebook.create(str(tmp_path / "a.casebook")) as book:
        book.add_result(
            "leak-size", "x\x1b[2J", {"sentence": "a\x1b]0;evil\x07b", "figures": [{"name": "n", "value": 1.0}]}
        )
    assert len(asked(capsys, "results", "results", str(tmp_path / "a.casebook"))["results"]) == 1
    status, out, _ = call(capsys, "results", str(tmp_path / "a.casebook"))
    assert status == 0 and "\x1b" not in out


def test_seal_hunt_from_a_marked_recording(capsys, put, steady):
    rng = np.random.default_rng(6)
    shares = {"filler cap": 0.5, "dipstick tube": 0.1, "valve cover": 0.0}
    plan = [("closed", ())] + [step for name in shares for step in ((f"cap {name}", (name,)), (f"uncap {name}", ()))]
    rows, t = ["t_s,pressure_pa,mark"], 0.0
    for mark, capped in plan:
        level = -steady(5.0 * (1 - sum(shares[n] for n in capped)), 0.0, NET_KG_S)
        for k in range(800):
            rows.append(f"{t:.2f},{level + rng.normal(0, 4):.2f},{mark if k == 0 else ''}")
            t += 0.01
    result = asked(capsys, "seal-hunt", "guide", "seal-hunt", "--recording", put("\n".join(rows) + "\n"))
    found = {s["name"]: s for s in result["seals"]}
    for name, share in shares.items():
        assert found[name]["lo95"] <= share <= found[name]["hi95"]
        assert found[name]["leaks"] == (share > 0)


@pytest.mark.parametrize("noise", [0.0, 3.0])
def test_a_vacuum_that_holds_has_no_half_time(capsys, put, noise):
    p = -2000.0 + np.random.default_rng(4).normal(0, 1, 800) * noise
    path = put("t_s,pressure_pa\n" + "".join(f"{k * 0.05:.2f},{x:.3f}\n" for k, x in enumerate(p)))
    result = asked(capsys, "hold", "hold", path, "--volume-l", "5")
    assert result["half_time_s"] is None and result["exponent"] is None
    assert result["leak_lo95"] == 0 and result["leak_hi95"] < 0.02
    status, out, _ = call(capsys, "hold", path)
    assert status == 0 and "it holds" in out
