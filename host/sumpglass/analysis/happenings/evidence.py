"""What the samples around a change say of its cause, measured on the raw samples up to now and no further."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.analysis.happenings.pulse_end import pulse_end
from sumpglass.analysis.happenings.spectra import (
    LOWEST_HZ,
    persistence,
    shift_between,
    spectrum,
    tapered_mean,
    weak_growth,
    without_hum,
)
from sumpglass.records import FloatArray

BEFORE_S = 2.2


@dataclass(frozen=True)
class Evidence:
    """Features of one happening; None where they cannot be measured (yet)."""

    before_pa: float
    after_pa: float
    level_u_pa: float
    """Standard uncertainty of the levels, zero included."""
    rise_s: float
    """Time constant of the change."""
    pulses_before: float
    """RMS of the pulses over that of the noise, before."""
    pulses_after: float
    pulse_ratio: float | None
    """RMS of the pulses after over before; None where none were seen before."""
    speed_octaves: float | None
    """How far the pulse frequencies moved, in octaves; None where they cannot be compared."""
    speed_match: float
    """How alike the two spectra are at that shift, 0 to 1."""
    match_unmoved: float
    """How alike they are with no shift."""
    death_s: float | None
    """Seconds from the onset to the end of the pulses; None while they live."""
    glide_octaves: float | None
    """How far the frequency had fallen just before the pulses ended."""
    after_s: float
    """Seconds of settled signal after the change that the features rest on."""
    persists: float = 0.0
    """Power of the strongest former lines over the noise, after the change: above about 8 they are still there."""
    line_snr: float = 0.0
    """Power over noise of the strongest line before."""
    weak_growth: float | None = None
    """Log ratio of amplitudes, after over before, of what lies below the strongest line: cycle-to-cycle scatter and
    lines of unlike cylinders, which come from blow-by and not from the pistons."""
    weak_bins: int = 0
    quiet: float = 1.0
    """Sample-to-sample noise after over before."""
    codes_after: int = 99
    codes_of_noise: float = 0.0
    """Sample-to-sample noise before, in codes of the converter."""
    still: bool = False
    railed: bool = False
    silent: bool = False
    """No samples came."""
    edge_samples: float = 0.0


NOTHING_SEEN = Evidence(0.0, 0.0, 1.0, 0.0, 0.0, 0.0, None, None, 0.0, 0.0, None, None, 0.0)


def measure(
    t_s: FloatArray,
    pressure_pa: FloatArray,
    onset_s: float,
    duration_s: float,
    rise_s: float,
    period_hint_s: float,
    level_u_pa: float,
) -> Evidence | None:
    """Evidence from samples (n,) that reach from before `onset_s` to now."""
    now = float(t_s[-1])
    rate = (len(t_s) - 1) / max(now - float(t_s[0]), 1e-9)
    first = int(np.searchsorted(t_s, onset_s - BEFORE_S))
    edge = int(np.searchsorted(t_s, onset_s - 0.08))
    settle_s = min(onset_s + max(duration_s, 0.02) + 0.1, max(onset_s + 0.05, now - 0.45))
    settled = int(np.searchsorted(t_s, settle_s))
    before, after = pressure_pa[first:edge], pressure_pa[settled:]
    if len(before) < 16 or len(after) < 4:
        return None
    length = max(16, min(len(after), len(before), int(1.6 * rate)))
    spec_b = spectrum(before, rate, min(length, len(before)))
    spec_a = spectrum(after, rate, min(length, len(after)))
    if spec_b is None:
        return None
    if spec_a is not None:
        spec_b, spec_a = without_hum(spec_b, spec_a)
    noise = np.sqrt(spec_b.noise_pa2)
    used_b = spec_b.hz >= LOWEST_HZ
    pulse_b = np.sqrt(max(float(spec_b.power[used_b].sum()) - spec_b.noise_pa2, 0.0))
    pulse_a = 0.0
    octaves, match, unmoved, persists = None, 0.0, 0.0, 0.0
    grown, bins = None, 0
    if spec_a is not None:
        power_a = float(spec_a.power[spec_a.hz >= LOWEST_HZ].sum())
        pulse_a = float(np.sqrt(max(power_a - min(spec_b.noise_pa2, spec_a.noise_pa2 * 2.0), 0.0)))
        octaves, match, unmoved = shift_between(spec_b, spec_a, rate)
        persists = persistence(spec_b, spec_a)
        grown, bins = weak_growth(spec_b, spec_a)
    line_snr = float(spec_b.power[used_b].max(initial=0.0)) / spec_b.floor
    seen = pulse_b > 0.7 * noise or line_snr > 20.0
    death, glide = None, None
    if seen:
        strongest = float(spec_b.hz[used_b][np.argmax(spec_b.power[used_b])])
        end = pulse_end(t_s[first:], pressure_pa[first:], edge - first, max(1.0 / strongest, 0.6 * period_hint_s))
        if end is not None:
            death = end[1] - onset_s
            stop = int(np.searchsorted(t_s, end[1]))
            width = int(min(0.6, max(0.35, 4 / strongest)) * rate)
            late = spectrum(pressure_pa[max(first, stop - width) : stop], rate, width)
            early = spectrum(before, rate, min(width, len(before)))
            if late is not None and early is not None:
                glide = shift_between(early, late, rate)[0]
    # Tapered means: pulses of a cut cycle do not shake them. A stretch shorter than the level's window still does.
    reach = float(np.clip(1.0 - (now - settle_s) / max(period_hint_s, 1e-6), 0.0, 1.0))
    level_u_pa = float(np.hypot(level_u_pa, reach * float(after.std())))
    return Evidence(
        tapered_mean(before), tapered_mean(after), level_u_pa, rise_s, float(pulse_b / noise), float(pulse_a / noise),
        float(pulse_a / pulse_b) if seen and pulse_b > 0 else None, octaves, match, unmoved, death, glide,
        now - settle_s,
        persists, line_snr, grown, bins, _third(after) / max(_third(before), 1e-9),
        len(np.unique(after[:2000])),
        _third(before) / np.sqrt(20.0) / _code(before),
    )  # fmt: skip


def _third(values: FloatArray) -> float:
    """Size of the noise from sample to sample: third differences pass the pulses by."""
    return float(np.sqrt(np.mean(np.diff(values, 3) ** 2))) if len(values) > 4 else 0.0


def _code(values: FloatArray) -> float:
    """Least step between readings."""
    steps = np.diff(np.unique(values[:2000]))
    return float(steps.min()) if len(steps) else 1.0
