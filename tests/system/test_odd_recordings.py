"""Recordings that are short, slow, wide or broken up are assessed and reported, never with a traceback."""

import contextlib
import io

import numpy as np
import pytest

from sumpglass.cli import main


def written(path, t_s, pressure_pa):
    path.write_text("t_s,pressure_pa\n" + "".join(f"{t:.6f},{p:.2f}\n" for t, p in zip(t_s, pressure_pa, strict=True)))
    return str(path)


def stepped(rate_hz, seconds=40.0):
    t_s = np.arange(max(3, round(seconds * rate_hz))) / rate_hz
    pressure = -400.0 + 50.0 * np.random.default_rng(3).standard_normal(len(t_s))
    pressure[len(t_s) // 2 :] += 380.0
    return t_s, pressure


CASES = {f"{rate:g} Hz": stepped(rate) for rate in (0.1, 1.0, 2.0, 5.0, 10.0, 30.0, 100.0)}
CASES |= {
    "one sample": ([5.0], [-3.0]),
    "two samples": ([5.0, 6.0], [-3.0, -4.0]),
    "three samples before zero": ([-5.0, -4.0, -3.0], [1.0, 1.0, 1.0]),
    "two samples far apart": ([0.0, 1e6], [0.0, 1e8]),
    "nothing but zero": (np.arange(3000) / 100, np.zeros(3000)),
    "a gap of half its length": (np.r_[0:5:0.01, 10:15:0.01], np.r_[np.full(500, -400.0), np.full(500, 90.0)]),
    "ever slower": (np.cumsum(np.linspace(0.001, 0.5, 200)), np.full(200, -300.0)),
}


@pytest.mark.parametrize("case", CASES)
def test_odd_recordings_are_assessed_and_reported(case, tmp_path):
    path = written(tmp_path / "odd.csv", *CASES[case])
    calls = [("assess", path, "--json", "--cylinders", "4"), ("report", path, "--out", str(tmp_path / "page.html"))]
    for words in calls:
        out, err = io.StringIO(), io.StringIO()
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            status = main(words)
        assert status == 0 and out.getvalue() and "Warning" not in err.getvalue()
