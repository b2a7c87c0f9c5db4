"""Whether one cylinder blows by more than its neighbours: what repeats once a cycle, against all pulses."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from sumpglass.analysis.pulse_lines import Lines, line_amplitude
from sumpglass.analysis.spectrum import Spectrum, exceeded_by_chance
from sumpglass.records import FloatArray

UNEVEN_LIMITS = {2: 0.20, 3: 0.19, 4: 0.088, 5: 0.135, 6: 0.125, 7: 0.12, 8: 0.13}
"""What both the half-order ratio and the firing line's stronger neighbour, over the firing line, must exceed for an
engine of so many cylinders to be called uneven: about the 99 % point over even engines of three makers at many speeds,
behind unknown hoses and with unknown swings, whose cylinders differ by 4 % (bench_engine_speed.py prints the false
calls). The half order alone does not do: an unknown hose that damps the firing line leaves the half order large in any
engine. The neighbours of the firing line pass the hose as it does."""


def evenness(
    spectrum: Spectrum,
    floor: FloatArray,
    lines: Lines,
    cycle_hz: float,
    count: int,
    cylinders: int | None,
    line_gain: Callable[[FloatArray], FloatArray] | None,
) -> dict[str, Any]:
    gain = np.ones(len(spectrum.hz))
    if line_gain is not None:
        gain[1:] = np.clip(np.asarray(line_gain(spectrum.hz[1:])), 0.05, 50.0)
    corrected = Spectrum(spectrum.hz, spectrum.density_pa2_hz / gain**2, spectrum.bin_hz, spectrum.noise_bandwidth_bins,
                         spectrum.segments, spectrum.averages)  # fmt: skip
    under = floor / gain**2
    top = min(0.49 / spectrum.bin_hz * spectrum.bin_hz * 2 * spectrum.hz[-1], spectrum.hz[-1])
    teeth = np.arange(1, max(2, int(top / cycle_hz)) + 1) * cycle_hz
    power = sum(line_amplitude(corrected, under, float(hz)) ** 2 / 2 for hz in teeth[:64] if hz < spectrum.hz[-2])
    rms = float(np.sqrt(power))
    half = line_amplitude(corrected, under, cycle_hz)
    ratio = half / (np.sqrt(2.0) * rms) if rms > 0 else None
    near = np.abs(spectrum.hz - cycle_hz) <= 2.0 * spectrum.bin_hz + 0.004 * cycle_hz
    seen = float(spectrum.density_pa2_hz[near].max(initial=0.0)) > exceeded_by_chance(
        spectrum.averages, 0.01 / max(1, int(near.sum()))
    ) * float(floor[near].mean())
    uneven: bool | None = None
    if cylinders is not None and cylinders > 1 and ratio is not None:
        beside = _beside_firing(corrected, under, cycle_hz, cylinders)
        odd_twin = cylinders == 2 and abs(float(lines.hz[0]) / cycle_hz - 2.0) > 0.1
        uneven = None if odd_twin else bool(seen and min(ratio, beside) > UNEVEN_LIMITS[cylinders])
    return {"half_order_pa": half, "half_order_ratio": ratio, "uneven": uneven, "rms_pa": rms}


def _beside_firing(spectrum: Spectrum, floor: FloatArray, cycle_hz: float, cylinders: int) -> float:
    """The stronger of the lines beside the firing line, over the firing line: cylinders that differ show in both."""
    teeth = [(cylinders + step) * cycle_hz for step in (-1, 0, 1)]
    below, firing, above = (line_amplitude(spectrum, floor, hz) if hz < spectrum.hz[-1] else 0.0 for hz in teeth)
    return max(below, above) / firing if firing > 0 else 0.0
