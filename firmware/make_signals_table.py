"""Writes SIGNALS.md, sounds and lights, from the firmware's own patterns: `python firmware/make_signals_table.py`."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).resolve().parent


def table() -> str:
    """The page as text."""
    sys.path.insert(0, str(HERE))
    try:
        from sumpglass_board import pattern_words, patterns
    finally:
        sys.path.pop(0)
    lines = [
        "# Sounds and lights of the board",
        "",
        "Made from `sumpglass_board/patterns.py` by `python firmware/make_signals_table.py`.",
        "",
        "| number | name | what it means | sounder | light |",
        "|---|---|---|---|---|",
    ]
    for number, (sound, light) in sorted(patterns.PATTERNS.items()):
        name, meaning = pattern_words.WORDS[number]
        lines.append(f"| {number} | {name} | {meaning} | {_sound(sound)} | {_light(light)} |")
    seconds = patterns.FLASHES_MS / 1000
    lines += [
        "",
        f"The light of a pattern lasts {seconds:g} s; then it shows again what the board does: waiting "
        f"({_light(patterns.IDLE_LIGHT)}), or streaming or logging ({_light(patterns.STREAMING_LIGHT)}).",
        "",
        f"Between patterns the pitch follows the level: silent under {patterns.SILENT_PA} Pa, "
        f"{patterns.LOWEST_HZ} Hz from there on, an octave higher for each {patterns.OCTAVE_PA} times as much, up to "
        f"{patterns.HIGHEST_HZ} Hz. Vacuum is a steady tone, pressure the same pitch in beats of "
        f"{patterns.BEAT_MS} ms.",
        "",
        "| level | tone |",
        "|---|---|",
    ]
    for level_pa in (20, 80, 320, 1280):
        octaves = 0
        while patterns.SILENT_PA * patterns.OCTAVE_PA**octaves < level_pa:
            octaves += 1
        lines.append(f"| {level_pa} Pa | {min(patterns.HIGHEST_HZ, patterns.LOWEST_HZ * 2**octaves)} Hz |")
    lines += ["", "`volume_percent` and `muted` are settings; the request SOUND plays a pattern or changes the volume."]
    return "\n".join(lines) + "\n"


def _pairs(row: bytes) -> Iterator[tuple[int, int]]:
    return zip(row[0::2], row[1::2], strict=True)


def _sound(row: bytes) -> str:
    return ", ".join(f"{10 * hz} Hz {10 * ms} ms" if hz else f"silent {10 * ms} ms" for hz, ms in _pairs(row))


def _light(row: bytes) -> str:
    return ", ".join(f"{'on' if on else 'off'} {10 * ms} ms" for on, ms in _pairs(row))


if __name__ == "__main__":
    (HERE / "SIGNALS.md").write_text(table(), encoding="utf-8")
