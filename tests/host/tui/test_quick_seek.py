"""A seek runs the same detector in longer pieces; what it ends with is what playing through ends with."""

from pathlib import Path

import pytest

from sumpglass.link import replay_source
from sumpglass.workflows.live import HappeningNow
from sumpglass.workflows.watch import everything_up_to, replay

TRACES = Path(__file__).resolve().parents[3] / "demo_traces"


def last_of_each(events):
    return {e.happening.key: e.happening for e in events if isinstance(e, HappeningNow)}


@pytest.mark.parametrize("name", ["leak-opens-and-closes", "engine-stalls", "bad-cable"])
def test_a_seek_shows_what_playing_through_shows(name, monkeypatch):
    path = str(TRACES / f"{name}.capture")
    quick = replay(path)
    found = last_of_each(everything_up_to(quick, 40.0))
    monkeypatch.setattr(replay_source, "JOINED_FROM", 10**9)
    slow = replay(path)
    assert found == last_of_each(everything_up_to(slow, 40.0))
    # Sums over longer pieces may round otherwise in the last digit of what is only shown.
    one, other = vars(quick.analysis.detector.state), vars(slow.analysis.detector.state)
    figures = [name for name, value in one.items() if isinstance(value, float)]
    assert {name: one[name] for name in figures} == pytest.approx({name: other[name] for name in figures}, rel=1e-9)
    assert all(one[name] == other[name] for name in one.keys() - set(figures))
    assert found


def test_csv_too(tmp_path, monkeypatch):
    path = tmp_path / "steps.csv"
    rows = [f"{k / 100},{-600.0 if k < 1500 else -20.0 - k % 3}" for k in range(3000)]
    path.write_text("t_s,pressure_pa\n" + "\n".join(rows))
    quick = last_of_each(everything_up_to(replay(str(path)), 29.0))
    monkeypatch.setattr(replay_source, "JOINED_FROM", 10**9)
    assert quick == last_of_each(everything_up_to(replay(str(path)), 29.0))
