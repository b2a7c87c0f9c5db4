"""The journal on flash: power cuts at any write, rotation, and its hand-over over the wire."""

import json
import subprocess
from pathlib import Path

import pytest
from boards import FIRMWARE, ROOT, micropython

SCRIPT = Path(__file__).with_name("journal_power_cuts.py")


def cut_power(first, step):
    done = subprocess.run(
        [micropython(), "-X", "heapsize=8M", str(SCRIPT), str(FIRMWARE), str(ROOT / "protocol"), str(first), str(step)],
        capture_output=True, text=True, timeout=280,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-1500:] + done.stderr[-1500:]
    return json.loads(done.stdout.splitlines()[-1])


def test_power_cuts_at_every_17th_write():
    told = cut_power(1, 17)
    assert told["writes"] > 300 and told["cuts"] > 18


@pytest.mark.slow
def test_power_cuts_at_every_write():
    told = cut_power(1, 1)
    assert told["cuts"] == told["writes"] - 1
