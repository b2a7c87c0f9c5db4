"""The journal on flash: power cuts at any write, rotation, and its hand-over over the wire."""

import json
import subprocess
from pathlib import Path

import pytest
from boards import FIRMWARE, ROOT, micropython, run_on_board

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


def test_room_for_a_new_firmware_is_left_until_there_are_two_versions(tmp_path):
    told = run_on_board(
        """
import os
from sumpglass_board.journal import Journal, kept_free
first = kept_free()
os.mkdir("sumpglass_a")
os.mkdir("sumpglass_b")
told([first, kept_free(), Journal()._kept_free_bytes])
""",
        tmp_path,
    )
    from sumpglass.deploy.payload import find_payload

    # As the deploy counts: whole blocks of 4 kB, some for folders and the file system's own records.
    needed = 4096 * (sum(-(-len(file.content) // 4096) for file in find_payload().files) + 10)
    assert told[0] - 65536 >= needed and told[1] == told[2] == 65536
