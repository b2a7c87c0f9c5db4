"""The picture of an assessment, written to a file."""

from __future__ import annotations

import os

import numpy as np

from sumpglass.analysis.spectrum import welch
from sumpglass.errors import DiskError
from sumpglass.records import FloatArray, Recording
from sumpglass.report.happening_words import sentence
from sumpglass.report.terminal_text import safe
from sumpglass.report.trace_svg import Flag, envelope, trace_svg
from sumpglass.workflows.assess import Assessment, evenly_sampled

SEGMENT_S = 4.0


def plot_text(recording: Recording, assessment: Assessment, name: str) -> str:
    """SVG of `recording` as it was assessed; the zero is subtracted."""
    t, p = recording.t_s, np.asarray(recording.pressure_pa, dtype=float) - assessment.zero_pa
    if not len(t) or not np.isfinite(p).any():
        return trace_svg(f"{name}: no reading", envelope(np.zeros(1), np.zeros(1)), [], [], None, None)
    flags = [Flag(h.t_s, sentence(h), h.kind == "rig_fault") for h in assessment.happenings]
    stretches = [(s.t0_s, s.t1_s, s.mean_pa) for s in assessment.stretches if s.mean_pa is not None]
    pulses = assessment.pulses
    cycle = None if pulses.rpm is None else pulses.rpm / 120.0
    picture = _spectrum(recording, assessment, t, p)
    return trace_svg(safe(name, 80), envelope(t, p), stretches, flags, picture, pulses.firing_hz, cycle)


def write_plot(path: str, recording: Recording, assessment: Assessment) -> None:
    """Write the picture to `path`. Raises DiskError if it cannot be written."""
    text = plot_text(recording, assessment, os.path.basename(recording.name or recording.source or "recording"))
    try:
        with open(path, "w", encoding="utf-8") as file:
            file.write(text)
    except OSError as error:
        raise DiskError(f"the picture {path} could not be written: {error.strerror}; name another file") from error


def _spectrum(
    recording: Recording, assessment: Assessment, t: FloatArray, p: FloatArray
) -> tuple[FloatArray, FloatArray] | None:
    rate = recording.rate_hz
    if rate is None:
        return None
    longest = max(assessment.stretches, key=lambda s: (s.firing_hz is not None, s.t1_s - s.t0_s), default=None)
    part = np.isfinite(p)
    if longest is not None:
        part &= (t >= longest.t0_s) & (t <= longest.t1_s)
    even = evenly_sampled(t[part], p[part], rate)
    segment = int(min(SEGMENT_S * rate, len(even)))
    if segment < 16:
        return None
    found = welch(even, rate, segment)
    return found.hz, found.amplitude_pa()
