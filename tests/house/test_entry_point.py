"""The one entry point: fast help, one-line errors, exit statuses."""

import subprocess
import sys
import time
from pathlib import Path

import pytest

SUMPGLASS = str(Path(sys.executable).with_name("sumpglass"))


def run(*words):
    return subprocess.run([SUMPGLASS, *words], capture_output=True, text=True, timeout=60, stdin=subprocess.DEVNULL)


def test_help_is_quick():
    took = []
    for _ in range(5):
        began = time.perf_counter()
        assert run("--help").returncode == 0
        took.append(time.perf_counter() - began)
    assert min(took) < 0.25


@pytest.mark.parametrize("words", [[], ["nonsense"], ["--nonsense"], ["assess"], ["assess", "--nonsense", "x"]])
def test_a_wrong_call_is_one_line_and_exit_2(words):
    done = run(*words)
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1
    assert done.stdout == ""


def test_every_listed_command_is_there():
    from sumpglass.cli import COMMANDS

    for name in COMMANDS:
        done = run(name, "--help")
        assert done.returncode == 0, f"{name}: {done.stderr}"
        assert "usage: sumpglass " + name in done.stdout
