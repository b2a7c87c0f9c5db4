"""The house rules that a machine can check: layers, headlessness, style, and what may stand in the repository."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
BESIDE = Path(sys.executable).parent
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "firmware", "host", "protocol", "tests", "hardware",
    "demo_traces",
}  # fmt: skip


def run(*words: str, **more) -> subprocess.CompletedProcess:
    return subprocess.run(words, capture_output=True, text=True, cwd=ROOT, timeout=240, **more)


def tracked_files() -> list[str]:
    done = run("git", "ls-files")
    if done.returncode:
        pytest.skip("not a git checkout")
    return done.stdout.splitlines()


def test_imports_go_downward_only():
    done = run(str(BESIDE / "lint-imports"), "--no-cache")
    assert done.returncode == 0, done.stdout + done.stderr


def test_libraries_stay_in_their_rooms():
    rooms = {
        "serial": ("link/", "deploy/"),
        "sqlite3": ("store/",),
        "textual": ("tui/",),
        "pandas": ("store/", "report/", "workflows/"),
    }
    host = ROOT / "host" / "sumpglass"
    for path in host.rglob("*.py"):
        place = path.relative_to(host).as_posix()
        for library, allowed in rooms.items():
            if re.search(rf"^\s*(import|from) {library}\b", path.read_text(), re.M):
                assert place.startswith(allowed), f"{place} imports {library}, which belongs into {allowed}"


def test_wire_imports_two_modules_only():
    for path in (ROOT / "protocol" / "sumpglass_wire").glob("*.py"):
        for module in re.findall(r"^\s*(?:import|from) (\w+)", path.read_text(), re.M):
            assert module in ("struct", "binascii", "sumpglass_wire"), f"{path.name} imports {module}"


def test_only_board_file_and_sensors_know_the_machine():
    firmware = ROOT / "firmware" / "sumpglass_board"
    for path in firmware.rglob("*.py"):
        if re.search(r"^\s*(import|from) machine\b", path.read_text(), re.M):
            assert path.name.startswith("board"), f"{path.name} imports machine"


@pytest.mark.parametrize("core", ["decode", "analysis", "simulate", "physics", "faults", "procedures", "store", "link"])
def test_core_loads_no_screen_library(core):
    code = f"""
import importlib, pkgutil, sys, sumpglass.{core} as package
for item in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
    if "virtual_machine" not in item.name:
        importlib.import_module(item.name)
found = {{"textual", "rich", "matplotlib", "pandas"}} & set(sys.modules)
sys.exit(", ".join(found) if found else 0)
"""
    done = run(sys.executable, "-c", code)
    assert done.returncode == 0, done.stderr


def test_style():
    done = run(str(BESIDE / "ruff"), "check", "--output-format", "concise", ".")
    assert done.returncode == 0, done.stdout


def test_format():
    done = run(str(BESIDE / "ruff"), "format", "--check", ".")
    assert done.returncode == 0, done.stdout


def test_types():
    done = run(str(BESIDE / "mypy"), "--no-error-summary", env={**os.environ, "MYPY_FORCE_COLOR": "0"})
    assert done.returncode == 0, done.stdout


def test_top_level_holds_the_agreed_entries():
    entries = {name.split("/")[0] for name in tracked_files()}
    assert {name for name in entries if not name.startswith(".")} <= TOP_LEVEL


def test_no_registry_hosts_and_no_paths_of_one_machine():
    words = "|".join(
        ["pypi" + r"\.org", "python" + "hosted", "registry" + r"\.npmjs", "deb" + r"\.debian", "/ro" + "ot/"]
    )
    for name in tracked_files():
        path = ROOT / name
        if path.suffix in (".sgp", ".png", ".stl", ".db", ".sgc") or name.startswith(".ci/") or not path.is_file():
            continue
        text = path.read_bytes().decode("utf-8", "replace")
        found = re.search(words, text)
        assert not found, f"{name}: {found.group(0)}"
