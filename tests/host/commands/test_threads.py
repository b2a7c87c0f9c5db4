"""The program keeps the processor's other cores free."""

import os
import subprocess
import sys

SHOWN = """
import os, sys
from sumpglass.cli import main
assert "numpy" not in sys.modules
main(["blow-by", "--opening-mm", "4", "--pressure-pa", "300"])
assert "numpy" in sys.modules
print(os.environ["OPENBLAS_NUM_THREADS"], os.environ["OMP_NUM_THREADS"])
"""


def told(**given):
    environment = {name: value for name, value in os.environ.items() if not name.endswith("_NUM_THREADS")}
    words = [sys.executable, "-c", SHOWN]
    done = subprocess.run(words, capture_output=True, text=True, env={**environment, **given}, check=True)
    return done.stdout.splitlines()[-1]


def test_linear_algebra_has_one_thread_before_numpy_is_loaded():
    assert told() == "1 1"


def test_who_asks_for_more_threads_has_them():
    assert told(OPENBLAS_NUM_THREADS="4") == "4 1"
