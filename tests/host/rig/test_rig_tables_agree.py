"""Host and board never import each other, so what both know of the sensors is held together here."""

import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import pytest

from sumpglass.link import virtual_parts
from sumpglass.physics.sensor_parts import SENSOR_PARTS, analogue_scale, xgzp6897d_scale

ROOT = Path(__file__).parents[3]
MICROPYTHON = Path(sys.executable).with_name("micropython")


def load(name):
    path = ROOT / "firmware" / "sumpglass_board" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(f"board_{path.stem}", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_analogue_parts():
    board = load("analogue_parts").PARTS
    assert board == virtual_parts.ANALOGUE
    for name, (gain, offset, low_kpa, high_kpa) in board.items():
        part = SENSOR_PARTS[f"{name.removesuffix('DP')}-ads1115"]
        mine = analogue_scale(gain, offset, 5.0, 187.5e-6)
        assert (part.scale.pascals_per_count, part.scale.counts_at_zero) == (
            mine.pascals_per_count,
            mine.counts_at_zero,
        )
        assert (part.range_low_pa, part.range_high_pa) == (1000 * low_kpa, 1000 * high_kpa)


@pytest.mark.skipif(not MICROPYTHON.exists(), reason="needs micropython")
def test_divisors_of_the_24_bit_part():
    ranges = [0.5, 1, 1.5, 2, 4, 5, 8, 10, 16, 20, 32, 40, 65, 100, 131, 200, 260]
    code = (
        f"import sys; sys.path[:0] = ['{ROOT}/firmware', '{ROOT}/protocol']\n"
        "from sumpglass_board.sensors.xgzp6897d import factor\n"
        f"print([factor(r) for r in {ranges}])"
    )
    done = subprocess.run([str(MICROPYTHON), "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(done.stdout) == [round(1 / xgzp6897d_scale(kpa).pascals_per_count) for kpa in ranges]
