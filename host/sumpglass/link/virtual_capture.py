"""A virtual board in virtual time: what it sends, faster than real time and the same for the same arguments."""

from __future__ import annotations

import json
import subprocess
import tempfile
from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any

from sumpglass.errors import DeviceError
from sumpglass.link.virtual_feed import RATE_HZ, Feed, PressureSource
from sumpglass.link.virtual_parts import settings_for
from sumpglass.link.virtual_setup import HEAP, SensorScript, configuration, interpreter, source_of
from sumpglass.simulate.script import Scenario


def capture_virtual(
    what: Scenario | PressureSource | float,
    seconds: float,
    requests: Sequence[tuple[float, bytes]],
    seed: int = 0,
    *,
    settings: dict[str, Any] | None = None,
    presses: Sequence[tuple[float, float]] = (),
    extra: dict[str, Any] | None = None,
) -> bytes:
    """The bytes that a board sends in `seconds` of virtual time: the same for the same arguments.

    `requests`: `(true time in s, frame)`. `presses`: when its button goes down and up. `extra`: anything of the board's
    configuration (`drift_ppm`, `faults`, `ticks_at_start` ...). Raises DeviceError when the firmware fails.
    """
    scenario = what if isinstance(what, Scenario) else None
    told = settings_for(scenario) | (settings or {})
    samples = int((seconds + 0.5) * RATE_HZ)
    with tempfile.TemporaryDirectory(prefix="sumpglass-board-") as name:
        folder = Path(name)
        feed = Feed(folder / "feed", samples)
        source = source_of(what, seed)
        for begin in range(0, samples, RATE_HZ * 10):
            feed.write(source.advance(min(RATE_HZ * 10, samples - begin)))
        feed.close()
        ordered = sorted(requests, key=lambda pair: pair[0])
        fixed: dict[str, Any] = {
            "time": "virtual",
            "until_us": round(seconds * 1e6),
            "requests": [(round(t_s * 1e6), frame.hex()) for t_s, frame in ordered],
            "presses": [(round(down * 1e6), round(up * 1e6)) for down, up in presses],
            "random": seed,
            "faults": SensorScript(scenario).spans() if scenario else [],
        }
        config = configuration(folder, feed, told, True, fixed | (extra or {}))
        (Path(config["flash"]) / "settings.json").write_text(json.dumps(told))
        path = folder / "board.json"
        path.write_text(json.dumps(config))
        with resources.as_file(resources.files("sumpglass.link") / "virtual_machine") as stand_ins:
            done = subprocess.run(
                [interpreter(), "-X", f"heapsize={HEAP}", str(stand_ins / "start.py"), str(path)],
                input=b"".join(frame for _, frame in ordered), capture_output=True, cwd=folder, check=False,
            )  # fmt: skip
        if done.returncode != 0:
            words = done.stderr.decode(errors="replace").strip().splitlines()
            raise DeviceError(f"the virtual board ended with status {done.returncode}: {(words or ['no words'])[-1]}")
        return done.stdout
