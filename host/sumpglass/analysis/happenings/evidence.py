"""What the samples around a change say of its cause, measured on the raw samples up to now and no further."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from sumpglass.analysis.happenings.before import Before, known_before, third_differences_pa, way_down
from sumpglass.analysis.happenings.pulse_end import pulse_end
from sumpglass.analysis.happenings.spectra import (
    LOWEST_HZ,
    Spectrum,
    as_bytes,
    freed_of_level,
    line_powers,
    persistence,
    share_kept,
    shift_between,
    spectrum,
    tapered_mean,
    weak_growth,
    without_hum,
)
from sumpglass.analysis.statistics import distinct
from sumpglass.records import FloatArray

BEFORE_S = 2.2
GRID_S = 0.05
"""What was before is cut at multiples of this: known once, it serves an onset fitted again a little elsewhere."""
APPROACH_S = 1.0
EARLIER_S = 1.4
AHEAD_CYCLES, AHEAD_S, SHORTEST = 8.0, (0.15, 0.6), 12
"""The last moment before an onset: so many pulses, within these seconds, and no fewer samples than this."""
SEEN = 9.0
"""Pulses are there when their strongest line stands this much above the noise."""
HUSHED = 40.0
"""Breath and turbulence without lines are gone where their variance fell by this; by less it comes and goes itself."""
WHITE, LULL_S = 2.0, 0.3
"""What is left is all white, to this factor; what was there before had no pause in any piece so long."""
DIP_S, DIP_MEAN_S = 0.7, (0.06, 0.3)
"""A vacuum deepens for so long before an engine's last turns; seen in means over a pulse, between these lengths."""
NOW_S, NOW_AFTER_S = 0.4, 1.0
"""The last moment is so long, and is told apart where so much was heard after the change."""
SETTLES = 0.3
"""A change with a time constant of more than this part of what was heard after it may still go on in there."""
HOLES = 0.1
"""Part of the samples that may be missing."""
RAMPED_S, LATELY_S, LEAST_LATE_S = 2.0, 2.2, 0.6
"""A speed has moved so long after an onset; pulses are then read from the last seconds, if there are so many, whether
or not the level, which a tight crankcase fills slowly, has come to rest."""


def on_grid(t_s: float) -> float:
    """The last cut of the grid before a time in seconds."""
    return math.floor(t_s / GRID_S) * GRID_S


@dataclass(frozen=True)
class Evidence:
    """Features of one happening; None where they cannot be measured (yet)."""

    before_pa: float
    after_pa: float
    level_u_pa: float
    """Standard uncertainty of the levels, zero included."""
    rise_s: float
    """Time constant of the change; NaN where the level did not move with it."""
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
    heard_s: float = 0.0
    """Seconds of signal after the change that the features of the pulses rest on."""
    soon_pa: float | None = None
    """Level just after the change; None where it is not known apart from `after_pa`."""
    now_pa: float | None = None
    """Level in the last moment that is known; None where that is not long after the change."""
    approach_octaves: float | None = None
    """How far the pulse frequencies had moved in the last moment before the onset."""
    kept_ahead: float | None = None
    """Part of their power that the strongest lines still had in the last moment before the onset: an engine that stops
    slows first, and its lines leave their places before the level moves. None where that cannot be told."""
    deepened: float | None = None
    """By how much of its level the vacuum deepened just before the onset: an engine that stops makes less blow-by
    before its manifold fills. None where there is no vacuum, or not enough of it is known."""
    deepened_over: float = 0.0
    """The same, over the deepest that pulses and wander had taken it to before."""
    pulses_in_codes: float = 99.0
    """RMS of the pulses before, in codes of the converter."""
    evenly: bool = True
    """Whether the samples after came without holes, so that pulses would show in them."""
    persists: float = 0.0
    """Power of the strongest former lines over the noise, after the change: above about 8 they are still there."""
    line_snr: float = 0.0
    """Power over noise of the strongest line before."""
    ran: float = 0.0
    """Prominence of the strongest line before: above 1 something turned."""
    runs: float = 0.0
    """The same after."""
    weak_growth: float | None = None
    """Log ratio of amplitudes, after over before, of what lies below the strongest line: cycle-to-cycle scatter and
    lines of unlike cylinders, which come from blow-by and not from the pistons."""
    weak_bins: int = 0
    quiet: float = 1.0
    """Sample-to-sample noise after over before."""
    codes_after: int = 99
    """Different codes after, without the first third: the change may end a little later than it was placed."""
    codes_of_noise: float = 0.0
    """Sample-to-sample noise before, in codes of the converter."""
    cut_off: float = 0.0
    """Part of the samples after that lie on the furthest reading of all: pulses that a rail cuts off are not gone."""
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
    # Five digits: what is known of the time before does not change for a rounding error in the rate.
    rate = float(f"{(len(t_s) - 1) / max(now - float(t_s[0]), 1e-9):.5g}")
    cut_s = on_grid(onset_s - 0.08)
    first, edge = (int(at) for at in np.searchsorted(t_s, [cut_s - BEFORE_S, cut_s]))
    settle_s = min(onset_s + max(duration_s, 0.02) + 0.1, max(onset_s + 0.05, now - 0.45))
    settled = int(np.searchsorted(t_s, settle_s))
    before, after = pressure_pa[first:edge], pressure_pa[settled:]
    if len(before) < 16 or len(after) < 4:
        return None
    # A speed may move before the level does: what the pulses were is read from before that, where so much is known.
    earlier = pressure_pa[: max(edge - int(APPROACH_S * rate), 0)]
    base = earlier if len(earlier) > EARLIER_S * rate else before
    strongest = _strongest(base, rate)
    if strongest is None:
        return None
    end = pulse_end(t_s, pressure_pa, edge, max(1.0 / strongest, 0.6 * period_hint_s))
    moving_s = max(onset_s + RAMPED_S, now - LATELY_S)
    heard_s = min(settle_s, moving_s) if now - moving_s > LEAST_LATE_S else settle_s
    if end is not None and now - end[1] > 0.25:
        heard_s = max(heard_s, end[1] + 0.05)
    late = pressure_pa[int(np.searchsorted(t_s, heard_s)) :]
    if heard_s < settle_s:
        late = freed_of_level(late)
    width = max(3, int(np.clip(1.0 / strongest, *DIP_MEAN_S) * rate))
    was = known_before(as_bytes(base), as_bytes(before), width, int(LULL_S * rate))
    deepened, over_usual = None, 0.0
    if base is earlier and was.base_pa < -4.0 * level_u_pa:
        ahead = pressure_pa[len(earlier) + int((APPROACH_S - DIP_S) * rate) : int(np.searchsorted(t_s, onset_s)) + 1]
        deepened, over_usual = way_down(was, ahead, width)
    creeps = rise_s > SETTLES * (now - settle_s)
    spectral = _spectral(base, pressure_pa[:edge], late, rate, was, strongest, creeps)
    death, glide = None, None
    if end is not None and spectral["pulse_ratio"] is not None:
        death = end[1] - onset_s
        stop = int(np.searchsorted(t_s, end[1]))
        width = int(min(0.6, max(0.35, 4 / strongest)) * rate)
        glide = _glide(base, pressure_pa[max(0, stop - width) : stop], rate, width)
    # Tapered means: pulses of a cut cycle do not shake them. A stretch shorter than the level's window still does.
    reach = float(np.clip(1.0 - (now - settle_s) / max(period_hint_s, 1e-6), 0.0, 1.0))
    level_u_pa = float(np.hypot(level_u_pa, reach * float(after.std())))
    return Evidence(
        before_pa=was.before_pa, after_pa=tapered_mean(after), level_u_pa=level_u_pa, rise_s=rise_s,
        soon_pa=tapered_mean(after[: int(max(0.6, 2.0 / strongest, period_hint_s) * rate)]),
        now_pa=tapered_mean(after[-max(4, int(NOW_S * rate)) :]) if now - settle_s > NOW_AFTER_S else None,
        death_s=death, glide_octaves=glide, after_s=now - settle_s, heard_s=now - heard_s,
        quiet=third_differences_pa(after) / max(was.noise_pa, 1e-9),
        codes_after=len(distinct(after[len(after) // 3 :][:2000])),
        codes_of_noise=was.noise_pa / np.sqrt(20.0) / was.code_pa,
        cut_off=_on_the_furthest(pressure_pa, after), evenly=_evenly(t_s, settled),
        deepened=deepened, deepened_over=over_usual, **spectral,
    )  # fmt: skip


def _on_the_furthest(all_pa: FloatArray, after: FloatArray) -> float:
    """Part of the samples `after` that equal the least, or the greatest, reading of all."""
    return max(float((after == all_pa.min()).mean()), float((after == all_pa.max()).mean()))


def _strongest(values: FloatArray, rate: float) -> float | None:
    """Frequency of the strongest line in hertz."""
    spec = spectrum(values, rate, max(16, min(len(values), int(1.6 * rate))))
    if spec is None:
        return None
    used = spec.hz >= LOWEST_HZ
    return float(spec.hz[used][np.argmax(spec.power[used])])


def _glide(early: FloatArray, late: FloatArray, rate: float, width: int) -> float | None:
    """Octaves by which the pulse frequency moved from `early` to `late`, both cut to `width` samples."""
    a, b = spectrum(early, rate, min(width, len(early))), spectrum(late, rate, min(width, len(late)))
    if a is None or b is None:
        return None
    return shift_between(a, b)[0]


def _evenly(t_s: FloatArray, first: int) -> bool:
    """Whether hardly any samples are missing from number `first` on."""
    if len(t_s) - first < 4:
        return True
    steps = np.diff(t_s)
    if first > 16 and float(steps[first:].max()) < (1.0 + 0.5 * HOLES) * float(steps[: first - 1].min()):
        return True  # As it does nearly always, at a tenth of the medians' time.
    period = float(np.median(np.diff(t_s[:first]))) if first > 16 else float(np.median(np.diff(t_s)))
    return (len(t_s) - first - 1) * period > (1.0 - HOLES) * float(t_s[-1] - t_s[first])


def _hushed(before: Spectrum, after: Spectrum | None, code_pa: float, least_pa2: float) -> tuple[float, float]:
    """(by how much the variance fell, part of the amplitude that is left): breath that has no lines, but ended.

    (1, 1) where it fell little, where what is left is more than the sensor's own white noise, or where all of it lay
    within a code, so that it may hide between two of them, or where it had paused before: `least_pa2`.
    """
    if after is None:
        return 1.0, 1.0
    was, left = (float(s.power[s.hz >= LOWEST_HZ].sum()) for s in (before, after))
    white = after.floor * int((after.hz >= LOWEST_HZ).sum())
    if (
        left <= 0
        or was < HUSHED * left
        or left > WHITE * white
        or was < code_pa * code_pa
        or least_pa2 < 0.5 * HUSHED * left
    ):
        return 1.0, 1.0
    return was / left, float(np.sqrt(max(left - white, 0.0) / (was - white)))


def _spectral(
    base: FloatArray,
    approach: FloatArray,
    late: FloatArray,
    rate: float,
    was: Before,
    strongest_hz: float,
    creeps: bool,
) -> dict[str, Any]:
    """Features of `Evidence` that come from spectra: of what was settled, of the last moment before, of what came."""
    length = max(16, min(len(late), len(base), int(1.6 * rate)))
    spec_b = spectrum(base, rate, length)
    spec_a = spectrum(late, rate, length)
    assert spec_b is not None
    if spec_a is not None:
        spec_b, spec_a = without_hum(spec_b, spec_a)
    noise = float(np.sqrt(spec_b.noise_pa2))
    used = spec_b.hz >= LOWEST_HZ
    line_snr = float((spec_b.power / spec_b.ground)[used].max(initial=0.0))
    power_b, power_a = line_powers(spec_b, spec_a)
    pulse_b, pulse_a = float(np.sqrt(power_b)), float(np.sqrt(power_a))
    seen = line_snr > SEEN and pulse_b > 0
    ratio = pulse_a / pulse_b if seen else None
    fell, left = _hushed(spec_b, spec_a, was.code_pa, was.lull_pa2)
    heard = pulse_b
    if fell > HUSHED:
        heard = float(np.sqrt(spec_b.power[used].sum()))
        line_snr, ratio = max(line_snr, SEEN * fell), left if ratio is None else min(ratio, left)
    found: dict[str, Any] = {
        "pulses_before": pulse_b / noise, "pulses_after": pulse_a / noise, "line_snr": line_snr,
        "pulse_ratio": ratio, "pulses_in_codes": heard / was.code_pa,
        "speed_octaves": None, "speed_match": 0.0,
        "match_unmoved": 0.0, "ran": spec_b.prominence, "runs": spec_a.prominence if spec_a is not None else 0.0,
    }  # fmt: skip
    if spec_a is not None:
        found["speed_octaves"], found["speed_match"], found["match_unmoved"] = shift_between(spec_b, spec_a)
        found["persists"] = persistence(spec_b, spec_a)
        found["weak_growth"], found["weak_bins"] = weak_growth(spec_b, spec_a, creeps)
    if seen and len(approach) - len(base) > 0.5 * APPROACH_S * rate:
        tail = approach[-max(int(0.6 * rate), SHORTEST) :]
        found["approach_octaves"], found["kept_ahead"] = _approach(as_bytes(base), as_bytes(tail), rate, strongest_hz)
    return found


@lru_cache(maxsize=8)
def _approach(base: bytes, tail: bytes, rate: float, strongest_hz: float) -> tuple[float | None, float | None]:
    """Octaves by which the frequency moved, and share of the lines that was kept, in the last moment before: known
    once, while what came after is looked at again and again."""
    early, last = np.frombuffer(base), np.frombuffer(tail)
    octaves = _glide(early, last, rate, int(0.6 * rate))
    width = max(SHORTEST, int(np.clip(AHEAD_CYCLES / strongest_hz, *AHEAD_S) * rate))
    return octaves, share_kept(early, last[-width:], rate, SEEN)
