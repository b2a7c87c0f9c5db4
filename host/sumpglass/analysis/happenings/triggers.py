"""At which hops something may be happening: masks over many hops, so that quiet time costs next to nothing.

A loss is flagged when the fast level has passed half of the settled one by `SIGMAS` of its own quiet spread, and the
settled level itself stands at least `LEAST_SIGMAS` off zero: a quiet rig then passes by chance only where a Gaussian
mean strays by LEAST_SIGMAS/2 + SIGMAS = 6 spreads, 1e-9 a window, or below once in 100 hours with four windows a
second. Real spreads are not Gaussian and are themselves estimated; the rate is therefore checked by simulation.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sumpglass.analysis.happenings.tracks import FALL_S, PULSE_S, SETTLED_S, Track
from sumpglass.analysis.level import undithered_u95
from sumpglass.records import FloatArray

SIGMAS = 2.0
LEAST_SIGMAS = 8.0
SIGN_SIGMAS = 4.0
LEAST_WANDERS, SIGN_WANDERS, MOST_WANDER_PA = 4.0, 3.5, 60.0
"""A sensor that drifts to and fro is no vacuum and no pressure; capped, since a level that settles moves too."""
SIGN_FLOOR_PA = 8.0
"""No sign is told from a level nearer to zero than this: cheap sensors wander by as much (common practice)."""
LEAST_PA = 20.0
"""A vacuum of less than two millimetres of water is no vacuum to lose (common practice, no source)."""
DROP_SHARE = 0.6
"""Pulses may be gone when the energy, noise included, is below this part of what it was; the evidence then decides."""
DROP_FLOOR_PA2 = 0.25
FAINT_SHARE = 0.88
FAINT_S = 0.7
FAINT_EVERY_S = 0.5
"""Pulses fainter than the noise hardly show in the energy: where it is this much lower, lines are looked for."""
BELOW_LEAST = 0.75
"""Pulses that beat wane by themselves: the energy must also fall well below the least of the past seconds."""
TREND_S = 0.15
AHEAD_S = 0.8
AHEAD_BACK_S = 2.5
"""A vacuum that comes back may take its time."""
MOVED_SHARE = 0.2
"""A slow fall is flagged before it has passed half: when a fifth is gone and the trend of two `TREND_S` in a row leads
past half within `AHEAD_S`. The flag is taken back if the level stops short."""
SETTLED_SHARE = 0.15
"""A level has settled that moved by no more than this part of itself within twice `SETTLED_S`."""
MISSING_S = 1.0
MISSING_SHARE = 0.25
"""A sensor is at fault that leaves out more than a quarter of its samples; a radio or a cable loses less, a gap
included."""
STILL_S = 0.3
STILL_SHARE = 0.3
STOOD_S = 0.2
AFTER_RAIL_S = 1.6
"""For so long after a rail or a standstill the slow level still remembers it."""
RAIL_SHARE = 0.7
RESTS_S, TOUCH_SHARE, TOUCH_EVERY_S = 1.0, 0.3, 0.25
"""Where so many hops of the last second touch a rail, its samples are counted."""


@dataclass
class Watch:
    """What the masks depend on besides the signal."""

    zero_u95_pa: float
    range_low_pa: float | None
    range_high_pa: float | None
    rail_margin_pa: float
    fresh_from: int = 0
    """Settled levels may be taken from this hop on."""
    lost_pa: float | None = None
    """Level of the last loss that has not been recovered."""
    recovery_from: int = 0
    sign: int = 0
    samples_per_hop: float = 1.0
    code_pa: float = 0.0
    """Step of the converter; 0 where it is not known."""
    lacking: bool = False
    still: bool = False
    railed: bool = False
    rests: bool = False
    """Half the samples lie on a rail: so does the level, or beyond it."""
    drop_from: int = 0
    """Pulses may be found gone from this hop on."""


def rolling_least(values: FloatArray, width: int) -> FloatArray:
    """Least of the last `width` values at each place (n,), by doubling; shorter at the beginning."""
    out = np.array(values)
    reach = 1
    while reach < width:
        step = min(reach, width - reach)
        out[step:] = np.minimum(out[step:], out[:-step])
        reach += step
    return out


def no_level(track: Track, hop_s: float, fresh_from: int, railed: FloatArray | None) -> np.ndarray:
    """Where no settled level (hops,) may be taken from: it moves, or stands still or on a rail, or is not known."""
    back, rest = max(1, round(SETTLED_S / hop_s)), max(1, round(AFTER_RAIL_S / hop_s))
    slow = track.slow_pa
    none = ~np.isfinite(track.sigma_pa)
    first = slow[: -2 * back]
    moved = np.abs(slow[2 * back :] - first)
    with np.errstate(invalid="ignore"):
        none[2 * back :] |= moved > SETTLED_SHARE * np.abs(first) + 4.0 * track.slow_sigma_pa[2 * back :]
    # A reading that stands still or on a rail is no level.
    if float(track.still_hops.max(initial=0.0)) * hop_s >= STOOD_S:
        stood = -rolling_least(-track.still_hops, rest) * hop_s
        none |= (stood >= STOOD_S) & (track.still_share < STILL_SHARE)
    if railed is not None and (railed > 0.3).any():
        none |= -rolling_least(-(railed > 0.3).astype(float), rest) > 0.5
    none[: max(0, fresh_from - track.first)] = True
    return none


def settled_reference(track: Track, hop_s: float, side: int, none: np.ndarray) -> FloatArray:
    """Deepest level (hops,) on `side` (-1 vacuum, +1 pressure) that held for `SETTLED_S` within the last `FALL_S`.

    `none` (hops,): where there is no settled level.
    """
    back = max(1, round(SETTLED_S / hop_s))
    slow = track.slow_pa * -side
    # Deep is low here, for both sides.
    held = np.full(len(slow), np.inf)
    held[back:] = np.maximum(slow[back:], slow[:-back])
    held[none] = np.inf
    return rolling_least(held, max(1, round(FALL_S / hop_s))) * -side


def missing_share(track: Track, hop_s: float, samples_per_hop: float) -> FloatArray:
    """Share of samples (hops,) that did not come in the last `MISSING_S`; 0 before so much has been seen."""
    width = max(1, round(MISSING_S / hop_s))
    share = np.zeros(len(track))
    if float(track.count.min(initial=np.inf)) >= samples_per_hop:
        return share
    total = np.concatenate([[0.0], np.cumsum(track.count)])
    share[width:] = 1.0 - (total[width + 1 :] - total[1:-width]) / (width * samples_per_hop)
    return share


def trends(level_pa: FloatArray, hop_s: float) -> tuple[FloatArray, FloatArray]:
    """Least upward and least downward slope (hops,) in Pa/s of the last two `TREND_S`; 0 where they disagree."""
    a = max(1, round(TREND_S / hop_s))
    slope = np.zeros(len(level_pa))
    slope[a:] = (level_pa[a:] - level_pa[:-a]) / (a * hop_s)
    before = np.zeros(len(level_pa))
    before[a:] = slope[:-a]
    return np.maximum(np.minimum(slope, before), 0.0), np.minimum(np.maximum(slope, before), 0.0)


def rail_share(track: Track, hop_s: float, watch: Watch) -> FloatArray:
    """Share of the last `PULSE_S` of hops (hops,) in which every sample lay on a rail."""
    on = np.zeros(len(track))
    if watch.range_low_pa is not None:
        on += track.high_pa <= watch.range_low_pa + watch.rail_margin_pa
    if watch.range_high_pa is not None:
        on += track.low_pa >= watch.range_high_pa - watch.rail_margin_pa
    if not on.any():
        return on
    width = max(1, round(PULSE_S / hop_s))
    total = np.concatenate([np.zeros(width), np.cumsum(on)])
    return (total[width:] - total[:-width]) / width


def touching(track: Track, hop_s: float, watch: Watch) -> np.ndarray:
    """Where so many of the last hops (hops,) touch a rail that its samples are worth a count; while they rest there,
    every `TOUCH_EVERY_S`."""
    found = np.zeros(len(track), bool)
    width, every = max(1, round(RESTS_S / hop_s)), max(1, round(TOUCH_EVERY_S / hop_s))
    at = np.arange(-track.first % every, len(track), every)
    at = at[at >= width]
    if watch.rests:
        found[at] = True
        return found
    touch = np.zeros(len(track), bool)
    if watch.range_low_pa is not None:
        touch |= track.low_pa <= watch.range_low_pa + watch.rail_margin_pa
    if watch.range_high_pa is not None:
        touch |= track.high_pa >= watch.range_high_pa - watch.rail_margin_pa
    if touch.any():
        total = np.cumsum(touch)
        found[at] = total[at] - total[at - width] > TOUCH_SHARE * width
    return found


def faint(track: Track, hop_s: float) -> np.ndarray:
    """Where the energy of a while is a little lower than it was (hops,), looked at every `FAINT_EVERY_S`."""
    width, every = max(1, round(FAINT_S / hop_s)), max(1, round(FAINT_EVERY_S / hop_s))
    found = np.zeros(len(track), bool)
    at = np.arange(-track.first % every, len(track), every)
    at = at[at >= width]
    if not len(at):
        return found
    energy = np.append(np.where(np.isnan(track.energy_pa2), 0.0, track.energy_pa2), 0.0)
    with np.errstate(invalid="ignore"):
        mean = np.add.reduceat(energy, np.stack([at + 1 - width, at + 1], axis=1).ravel())[::2] / width
        found[at] = (mean < FAINT_SHARE * track.energy_ref_pa2[at]) & (track.energy_ref_pa2[at] > DROP_FLOOR_PA2)
    return found


def no_sign_pa(track: Track, watch: Watch) -> FloatArray:
    """Half-width (hops,) about zero in which a level has no direction: of the zero, and of codes that nothing of the
    last `PULSE_S` dithers."""
    if watch.code_pa <= 0:
        return np.full(len(track), max(watch.zero_u95_pa, SIGN_FLOOR_PA))
    codes = undithered_u95(watch.code_pa, np.nan_to_num(track.energy_pa2))
    return np.maximum(np.hypot(watch.zero_u95_pa, codes), SIGN_FLOOR_PA)


def interesting(track: Track, hop_s: float, watch: Watch) -> dict[str, np.ndarray]:
    """Masks (hops,) of every trigger."""
    level, sigma = track.level_pa, track.sigma_pa
    known = np.isfinite(sigma)
    railed = None
    if watch.range_low_pa is not None or watch.range_high_pa is not None:
        railed = rail_share(track, hop_s, watch)
    none = no_level(track, hop_s, watch.fresh_from, railed)
    vacuum = settled_reference(track, hop_s, -1, none)
    with np.errstate(invalid="ignore"):
        floor = max(watch.zero_u95_pa, 3.0 * watch.code_pa, LEAST_PA)
        least = np.maximum(floor, LEAST_SIGMAS * sigma) + LEAST_WANDERS * np.maximum(
            track.wander_pa, track.long_wander_pa
        )
        leads = level > vacuum + np.maximum(MOVED_SHARE * -vacuum, 5.0 * sigma)
        if leads.any():
            leads &= level + AHEAD_S * trends(level, hop_s)[0] > 0.5 * vacuum + 4.0 * sigma
        found = {
            "loss": np.isfinite(vacuum) & (vacuum < -least) & ((level > 0.5 * vacuum + SIGMAS * sigma) | leads),
        }
        if not float(track.slow_pa.max(initial=0.0)) <= floor:
            # Only where there has been a pressure can it fade.
            pressure = settled_reference(track, hop_s, 1, none)
            found["fade"] = np.isfinite(pressure) & (pressure > least) & (level < 0.5 * pressure - SIGMAS * sigma)
        wander = np.minimum(SIGN_WANDERS * track.long_wander_pa, MOST_WANDER_PA)
        edge, slow_edge = (wander + SIGN_SIGMAS * of for of in (track.calm_sigma_pa, track.slow_sigma_pa))
        if watch.sign == 0:
            back = 2 * max(1, round(SETTLED_S / hop_s))
            settled = np.zeros(len(level), bool)
            slow = track.slow_pa
            settled[back:] = np.abs(slow[back:] - slow[:-back]) < SETTLED_SHARE * np.abs(slow[back:])
            found["sign"] = known & settled & (np.abs(slow) > slow_edge + no_sign_pa(track, watch))
        else:
            # How codes blur a sign is worked out only where one may have turned.
            calm, slow_way = -watch.sign * track.calm_pa, -watch.sign * track.slow_pa
            turned = known & (np.maximum(calm, slow_way) > SIGN_FLOOR_PA)
            if turned.any():
                nil = no_sign_pa(track, watch)
                turned &= (calm > edge + nil) | (slow_way > slow_edge + nil)
            found["reversal"] = turned
        if watch.lost_pa is not None:
            half = 0.5 * watch.lost_pa
            shallow = -rolling_least(-track.slow_pa, max(1, round(FALL_S / hop_s)))
            regain, spread = track.regain_pa, track.regain_sigma_pa
            falling = trends(regain, hop_s)[1]
            moved = regain < shallow - np.maximum(MOVED_SHARE * -watch.lost_pa, 5.0 * spread)
            leads = moved & (regain + AHEAD_BACK_S * falling < half - 4.0 * spread)
            found["recovery"] = known & ((regain < half - SIGMAS * spread) | leads)
            found["recovery"][: max(0, watch.recovery_from - track.first)] = False
        drop = (track.energy_pa2 < DROP_SHARE * track.energy_ref_pa2) & (track.energy_ref_pa2 > DROP_FLOOR_PA2)
        drop &= track.energy_pa2 < BELOW_LEAST * track.energy_least_pa2
        drop[: max(0, watch.drop_from - track.first)] = False
        found["drop"] = drop & known & (not watch.still) & (not watch.railed)
        found["faint"] = faint(track, hop_s) & known & (not watch.still) & (not watch.railed) & ~found["drop"]
        found["faint"][: max(0, watch.drop_from - track.first)] = False
    still = (track.still_hops * hop_s >= STILL_S) & (track.still_share < STILL_SHARE) & known & (track.count > 0)
    found["drop"] &= track.still_hops * hop_s < 0.1
    lacking = missing_share(track, hop_s, watch.samples_per_hop)
    # Where samples are missing, what came is no even sampling of the pulses.
    found["drop"] &= lacking < 0.5 * MISSING_SHARE
    found["faint"] &= lacking < 0.5 * MISSING_SHARE
    found["still"] = ~(track.still_hops > 0) if watch.still else still
    if railed is not None:
        found["rail"] = railed < 0.3 if watch.railed else railed > RAIL_SHARE
        found["touching"] = touching(track, hop_s, watch)
    found["lacking"] = lacking < 0.5 * MISSING_SHARE if watch.lacking else lacking > MISSING_SHARE
    found["reference"] = vacuum
    return found
