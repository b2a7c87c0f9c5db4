"""The README's picture is what the program draws today, and its two commands are the ones that CI runs."""

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SUMPGLASS = str(Path(sys.executable).with_name("sumpglass"))
PICTURE = "demo_traces/pictures/dashboard.svg"
WORDS = ["replay", "demo_traces/leak-opens-and-closes.capture", "--at", "42", "--size", "120x40", "--picture"]


def test_picture_of_the_dashboard_is_current(tmp_path):
    made = tmp_path / "dashboard.svg"
    done = subprocess.run([SUMPGLASS, *WORDS, str(made)], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    command = f"sumpglass {' '.join(WORDS)} {PICTURE}"
    assert made.read_bytes() == (ROOT / PICTURE).read_bytes(), f"stale: run `{command}` in the project's folder"


def test_readme_shows_that_picture_and_links_what_exists():
    text = (ROOT / "README.md").read_text()
    assert f"]({PICTURE})" in text
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert (ROOT / target).exists(), f"the README links {target}, which is not there"


def test_ci_runs_the_test_command_of_the_readme():
    command = re.search(r"python3 -m venv .*pytest", (ROOT / "README.md").read_text()).group(0)
    assert command in (ROOT / ".ci" / "run").read_text()
