"""Hold test from recordings: the decay with the engine off, and one with a known opening to compare."""

from __future__ import annotations

from sumpglass.errors import InputError, RefusedError
from sumpglass.procedures.decay_judge import judge_hold
from sumpglass.procedures.hold_result import Hold
from sumpglass.procedures.openings import Room
from sumpglass.workflows.load_recording import load_recording


def hold_of_file(
    path: str,
    volume_l: float | None = None,
    zero_pa: float | None = None,
    room: Room | None = None,
    volume_u95_l: float = 0.0,
    reference_path: str | None = None,
    reference_opening_mm: float | None = None,
) -> Hold:
    """Judge the decay in `path`. Raises InputError or RefusedError with the file's name in front."""
    if (reference_path is None) != (reference_opening_mm is None):
        raise InputError("--reference and --reference-opening-mm belong together, found one of them")
    recording = load_recording(path)
    reference = load_recording(reference_path) if reference_path is not None else None
    try:
        return judge_hold(recording, volume_l, zero_pa, room, volume_u95_l, reference, reference_opening_mm)
    except (InputError, RefusedError) as error:
        raise type(error)(f"{path}: {error}") from None
