"""The demo traces: raw captures by the real firmware on the virtual board, each with its scenario and truth as TOML.

    python -m sumpglass.workflows.demo_traces demo_traces

makes all of them again, byte for byte. Times in the TOML are seconds from the first sample of the capture.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from sumpglass import __version__
from sumpglass.link.requests import RequestWriter
from sumpglass.link.virtual_board import capture_virtual
from sumpglass.link.virtual_feed import RATE_HZ
from sumpglass.simulate.engine import simulate
from sumpglass.simulate.orchard import scenario_named
from sumpglass.simulate.script import Scenario
from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import FrameReceiver
from sumpglass_wire.messages import decode

SUFFIX = ".capture"
START_S = 0.1
SETTINGS_OFFSETS = (0, 256, 512)
"""Where the pieces of the board's settings begin that are asked for first: they tell the hose."""
FREE_MEMORY_BYTES = 100000
"""Told by the board in these captures instead of the real figure, which depends on the interpreter's build."""


@dataclass(frozen=True)
class Recipe:
    """One trace: which scenario, how long, and what is particular about board and link."""

    name: str
    scenario: str
    seconds: float
    seed: int
    decimation: int = 1
    presses_s: tuple[float, ...] = ()
    board: dict[str, Any] = field(default_factory=dict)
    damage: bool = False
    note: str = ""


RECIPES = (
    Recipe("leak-opens-and-closes", "leak-test", 60.0, 11, presses_s=(11.0, 20.0),
           note="The button was pressed a second before the opening and before it was stopped again."),
    Recipe("suction-hose-splits", "suction-lost", 55.0, 12),
    Recipe("engine-stalls", "stall", 45.0, 13),
    Recipe("gauge-hose-off", "hose-off", 45.0, 14,
           board={"ticks_at_start": (1 << 30) - 20_000_000, "drift_ppm": 80},
           note="The board's tick counter wraps 20 s after power-on, and its crystal is 80 ppm fast."),
    Recipe("condensate-in-the-line", "line-blocked", 60.0, 15),
    Recipe("wet-connector", "sensor-rail", 45.0, 16),
    Recipe("worn-six", "worn-six", 24.0, 17),
    Recipe("uneven-twin", "twin", 45.0, 18),
    Recipe("slow-link", "suction-lost", 55.0, 19, decimation=50,
           note="Bins of 50 samples with least, greatest and mean square: what a slow link carries."),
    Recipe("bad-cable", "as-driven", 40.0, 20, damage=True,
           note="Noise before the first frame, spoiled bytes, lost pieces and a repeated frame, as listed under link."),
)  # fmt: skip


@dataclass(frozen=True)
class Trace:
    """A trace ready to be written."""

    name: str
    capture: bytes
    facts: str


def run_firmware(recipe: Recipe) -> bytes:
    """What the board sends. The same recipe gives the same bytes."""
    extra = recipe.board | {"free_memory_bytes": FREE_MEMORY_BYTES}
    return capture_virtual(
        _scenario(recipe), recipe.seconds, list(_requests(recipe)), recipe.seed,
        presses=[(down, down + 0.2) for down in recipe.presses_s], extra=extra,
    )  # fmt: skip


def _scenario(recipe: Recipe) -> Scenario:
    """The named scenario, cut to the recipe's length."""
    scenario = replace(scenario_named(recipe.scenario), duration_s=recipe.seconds)
    return replace(scenario, steps=tuple(step for step in scenario.steps if step.t_s < recipe.seconds))


def make_trace(recipe: Recipe) -> Trace:
    """Run the firmware, then tell the truth."""
    scenario, capture = _scenario(recipe), run_firmware(recipe)
    begin_s, samples, marks = _look_into(capture, recipe)
    link: dict[str, Any] = {}
    if recipe.damage:
        capture, link = _damaged(capture, recipe.seed)
    return Trace(recipe.name, capture, _facts(recipe, scenario, begin_s, samples, marks, link))


def _requests(recipe: Recipe) -> Iterator[tuple[float, bytes]]:
    writer = RequestWriter()
    if recipe.decimation > 1:
        fields = {"channel": 0, "rate_millihertz": 0, "decimation": recipe.decimation, "form": 1}
        yield START_S - 0.05, writer.frame(wire.SET_RATE, fields)[1]
    for offset in SETTINGS_OFFSETS:
        yield START_S - 0.03, writer.frame(wire.READ_SETTINGS, {"offset": offset})[1]
    yield START_S, writer.frame(wire.START, {"channel_mask": 0})[1]


def _look_into(capture: bytes, recipe: Recipe) -> tuple[float, int, list[dict[str, Any]]]:
    """True time of the first sample (or bin), their number, and the button's marks."""
    begin_us: int | None = None
    samples, marks = 0, []
    start = recipe.board.get("ticks_at_start", 0)
    speed = 1.0 + recipe.board.get("drift_ppm", 0) * 1e-6
    for payload in FrameReceiver().feed(capture):
        message = decode(bytes(payload))
        if message["type"] in (wire.SAMPLES, wire.BINS):
            begin_us = message["time_us"] if begin_us is None else begin_us
            samples += len(message.get("counts", message.get("bins")))
        elif message["type"] == wire.MARK:
            marks.append(message)
    begin_s = ((begin_us or 0) - start) / speed / 1e6
    told = [
        {"t_s": round((mark["time_us"] - start) / speed / 1e6 - begin_s, 4), "number": mark["number"]} for mark in marks
    ]
    return begin_s, samples, told


def _damaged(capture: bytes, seed: int) -> tuple[bytes, dict[str, Any]]:
    """Spoil a capture as a bad cable does; what was done to whole frames is told."""
    rng = np.random.default_rng(seed)
    frames = [frame + b"\0" for frame in capture.split(b"\0") if frame]
    body = np.arange(60, len(frames) - 60)
    chosen = np.sort(rng.choice(body[::9], 9, replace=False))
    spoiled, lost, repeated = chosen[0::3], chosen[1::3], chosen[2::3]
    out = [rng.integers(1, 256, 37, dtype=np.uint8).tobytes() + b"\0"]
    for number, frame in enumerate(frames):
        if number in lost:
            continue
        if number in spoiled:
            at = int(rng.integers(5, len(frame) - 5))
            frame = frame[:at] + bytes([frame[at] ^ 0x55 or 0x01]) + frame[at + 1 :]
        out.append(frame)
        if number in repeated:
            out.append(frame)
    told = {
        "frames": len(frames), "frames_spoiled": len(spoiled), "frames_lost": len(lost),
        "frames_repeated": len(repeated), "noise_bytes_before_first_frame": 37,
    }  # fmt: skip
    return b"".join(out), told


def _facts(
    recipe: Recipe, scenario: Scenario, begin_s: float, samples: int, marks: list[dict[str, Any]], link: dict[str, Any]
) -> str:
    fast = replace(scenario, rig=replace(scenario.rig, rate_hz=float(RATE_HZ)))
    run = simulate(fast, recipe.seed)
    line = scenario.rig.line
    head = {
        "title": scenario.title, "scenario": scenario.name, "story": scenario.story, "note": recipe.note,
        "data": "invented: the co-operative, its pumps and their engines do not exist",
        "made_by": f"sumpglass {__version__}, firmware on the virtual board in virtual time", "seed": recipe.seed,
        "duration_s": recipe.seconds, "samples": samples, "decimation": recipe.decimation,
        "engine": scenario.engine.name, "cylinders": scenario.engine.cylinders,
        "sensor_range_low_pa": scenario.rig.sensor.range_low_pa,
        "sensor_range_high_pa": scenario.rig.sensor.range_high_pa,
        "begins_s": round(begin_s, 6),
    }  # fmt: skip
    if line is not None:
        head |= {"line_bore_m": line.bore_m, "line_length_m": line.length_m, "line_volume_m3": line.volume_m3}
    steps = [
        {"t_s": _shift(step.t_s, begin_s), "action": step.action, "name": step.name, "value": step.value,
         "seconds": step.seconds, "mark": step.mark}
        for step in scenario.steps
    ]  # fmt: skip
    happenings = [
        {"kind": item.kind, "t_s": _shift(item.t_s, begin_s), "cause": item.cause, "before_pa": item.before_pa,
         "after_pa": item.after_pa, "optional": item.optional, "also_causes": list(item.also_causes)}
        for item in run.truth
    ]  # fmt: skip
    stretches = [
        {"t0_s": _shift(item.t0_s, begin_s), "t1_s": _shift(item.t1_s, begin_s), "mean_pa": item.mean_pa,
         "sd_pa": item.sd_pa, "rpm": item.rpm, "engine": item.engine}
        for item in run.stretches
    ]  # fmt: skip
    parts = [_lines(head)]
    for name, table in (("board", recipe.board), ("link", link)):
        if table:
            parts.append(f"[{name}]\n{_lines(table)}")
    for name, tables in (("steps", steps), ("happenings", happenings), ("stretches", stretches), ("presses", marks)):
        parts.extend(f"[[{name}]]\n{_lines(table)}" for table in tables)
    return "\n".join(parts)


def _shift(t_s: float, begin_s: float) -> float:
    return round(t_s - begin_s, 4)


def _lines(table: dict[str, Any]) -> str:
    """TOML lines; what is not known is left out, since TOML has no null."""
    lines = []
    for key, value in table.items():
        if value is None or value == "":
            continue
        if isinstance(value, float):
            value = float(f"{value:.6g}") if abs(value) < 1e4 else round(value, 1)
        lines.append(f"{key} = {json.dumps(value)}")
    return "\n".join(lines) + "\n"


def write_trace(trace: Trace, folder: Path) -> list[Path]:
    """Write capture and TOML; returns their paths."""
    capture, facts = folder / f"{trace.name}{SUFFIX}", folder / f"{trace.name}.toml"
    capture.write_bytes(trace.capture)
    facts.write_text(trace.facts, encoding="utf-8")
    return [capture, facts]


def main(words: list[str]) -> int:
    """Make all traces, or those named after the folder."""
    folder = Path(words[0]) if words else Path("demo_traces")
    folder.mkdir(parents=True, exist_ok=True)
    wanted = words[1:] or [recipe.name for recipe in RECIPES]
    for recipe in RECIPES:
        if recipe.name in wanted:
            for path in write_trace(make_trace(recipe), folder):
                sys.stdout.write(f"{path} {path.stat().st_size}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
