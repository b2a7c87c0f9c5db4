"""Signs of the cause of a happening that a person can check, each a soft yes or no."""

from __future__ import annotations

import math

import numpy as np

from sumpglass.analysis.happenings.cause_chances import SIGNS
from sumpglass.analysis.happenings.evidence import Evidence

SAME_PATTERN = 0.6
"""Likeness from which on lines elsewhere are those of before at another speed; what an engine leaves that stops, or a
line that shuts, reaches 0.45."""
HARDLY_ALIKE, FAINT = 0.5, 50.0
"""Faint lines, some of which came and others went, reach about this likeness at one speed; clear ones stand so many
times above the noise."""
LINE_TAKES = 0.4
"""A gauge line takes at most three quarters of the amplitude for each octave that pulses rise by (second order), and
nothing where they fall; this part of it is allowed for unlike lines."""
PATTERN_S = 0.7
"""A shorter piece shows too few lines for a pattern."""
EMERGED = 1.0
"""Log of how much more a line stands out (in power) where none was seen before."""
WANED, MANY_WEAK = 0.5, 8
"""What lies below the lines has fallen by so much (a log ratio of amplitudes), over no fewer bins."""
LONG_AFTER_S = 1.5
"""What is left of a vacuum so long after it went is no rest of its fall."""
RUNS_OFF, GLIDES = 0.62, 0.22
"""A shut line holds what is in it, or lets it creep by half within seconds, and moves no frequency. A vacuum without
pulses that runs off by more than such a part of itself, or whose last clear pulses came at a speed so many octaves off,
is what an engine that stopped has left; nor does a hose that comes off move a frequency."""
NOT_UNMOVED, CLEARLY_ALIKE, LEAST_FOLDED = 0.3, 0.7, 0.09
"""Lines fold where those of before are no likelier than the first, and lines elsewhere as alike as the second; part of
their size that must be left."""
CLEAR_LINE, CLEAR_RUNS, GONE_FROM_PLACE = 25.0, 4.0, 6.0
"""Power over noise of a line that stands clear before, prominence of one that does after, and what a line that has left
its place does not reach there."""


def soft(value: float, middle: float, width: float) -> float:
    """Rises from 0 to 1 around `middle`."""
    return 1.0 / (1.0 + math.exp(-min(max(float(value - middle) / width, -30.0), 30.0)))


def signs(evidence: Evidence) -> dict[str, float | None]:
    """Each sign's q in 0..1, or None where it cannot be told."""
    e = evidence
    found: dict[str, float | None] = dict.fromkeys(SIGNS)
    dead = _signs_of_size(e, found)
    size = max(abs(e.before_pa), abs(e.after_pa), 1.0)
    if e.weak_growth is not None and (dead is None or dead < 0.5) and e.heard_s > 0.4:
        grown = soft(e.weak_growth, 0.45, 0.06 + 0.2 / np.sqrt(max(e.weak_bins, 1)))
        found["grown"] = max(found["grown"] or 0.0, grown)
    if e.pulse_ratio is None:
        found["born"] = soft(e.pulses_after / max(e.pulses_before, 0.7), 2.0, 0.3)
        # Lines that come out of the noise have grown; those that may have stood in it all the time say nothing.
        emerged = soft(math.log(max(e.runs, 1e-3) / max(e.ran, 1.0)), EMERGED, 0.25)
        if emerged > 0.5 and e.heard_s > 0.4:
            found["grown"] = max(found["grown"] or 0.0, emerged)
    if found["grown"] is not None and e.weak_growth is not None and e.weak_bins >= MANY_WEAK:
        # What comes from blow-by does not fall while blow-by rises.
        found["grown"] *= soft(e.weak_growth, -WANED, 0.08)
    _signs_of_speed(e, dead, found)
    ran, runs = (soft(float(np.log(max(x, 1e-3))), 0.7, 0.25) for x in (e.ran, e.runs))
    if max(ran, runs) > 0.5:
        # An engine that is heard at no time says nothing.
        found["ran"] = ran
        found["runs"] = runs if e.heard_s > 0.3 else None
    left = e.after_pa / e.before_pa if abs(e.before_pa) > 1.0 else 1.0
    found["pressure"] = soft(e.after_pa / max(e.level_u_pa, 1e-6), 2.5, 0.5)
    found["small"] = soft(-abs(e.after_pa) / size, -0.12, 0.03)
    # No more is left than the zero is uncertain by, or next to nothing.
    tiny = max(0.012, 2.0 * e.level_u_pa / size)
    found["tiny"] = soft(-abs(e.after_pa) / size, -tiny, 0.25 * tiny) if tiny < 0.2 else None
    if e.after_s > LONG_AFTER_S and not_shut(e) < 0.5:
        # Nothing draws on an engine at rest, nor on a gauge in the room: no vacuum stays there.
        left_pa = -e.after_pa
        found["holds"] = soft(left_pa / size, 0.016, 0.002) * soft(left_pa / max(e.level_u_pa, 1e-6), 7.0, 0.8)
    found["half"] = soft(left, 0.29, 0.025) * soft(-left, -0.62, 0.04)
    # Suction that is lost seldom leaves more pressure than there was vacuum; less of it says nothing.
    beyond = soft(-left, 1.0, 0.08) if e.before_pa < 0 and e.after_s > LONG_AFTER_S else 0.0
    found["beyond"] = beyond if beyond > 0.5 else None
    found["stays"] = _stays(e)
    if math.isfinite(e.rise_s):
        found["slow"] = soft(e.rise_s, 0.4, 0.06)
        found["fast"] = soft(-e.rise_s, -0.11, 0.02)
        found["step"] = soft(-e.rise_s, -0.022, 0.005)
    return found


def _signs_of_size(e: Evidence, found: dict[str, float | None]) -> float | None:
    """Signs of what became of the size of the pulses; returns how dead they are, None where that cannot be told."""
    if e.pulse_ratio is None or e.heard_s <= 0.05:
        return None
    size = max(abs(e.before_pa), abs(e.after_pa), 1.0)
    if _elsewhere(e) > 0.5:
        # Where they now are the line may pass far less of them, or far more: their size says nothing.
        found["dead"] = 0.0
        return 0.0
    ratio = max(e.pulse_ratio, 1e-3)
    sure = float(np.clip(np.log(max(e.line_snr, 1.0) / 12.0) / np.log(5.0), 0.0, 1.0))
    dead = soft(-float(np.log10(ratio)), 0.55, 0.07)
    found["dead"] = 0.5 + (dead - 0.5) * sure
    # A faint line that goes on shows an engine that runs and a gauge that hears it.
    if ratio > 0.06:
        # Where it stood low before, noise hides it easily.
        persists = soft(e.persists, 9.0, 1.0)
        found["persists"] = max(persists, 0.5 + (persists - 0.5) * sure)
    if dead < 0.5:
        found["grown"] = soft(float(np.log(ratio)), 0.13, 0.03 + 0.15 * (9.0 / max(e.line_snr, 9.0)) ** 0.5)
        found["shrunk"] = 0.5 + (soft(-float(np.log(ratio)), 0.25, 0.08) - 0.5) * max(sure, 0.3)
    if abs(e.after_pa) <= 0.15 * size and dead > 0.5:
        few = e.codes_after <= 4 and e.codes_of_noise > 1.5
        found["quiet"] = soft(-float(np.log(max(e.quiet, 1e-3))), 1.0, 0.15) if few else 0.0
    if e.death_s is not None:
        found["late_death"] = 0.5 + (soft(e.death_s, 0.22, 0.03) - 0.5) * sure
    return dead


def _elsewhere(e: Evidence) -> float:
    """Whether the level moved and the same pattern of lines stands clear of the noise at another speed."""
    if e.pulse_ratio is None or e.heard_s < PATTERN_S or _stays(e) > 0.5:
        return 0.0
    if e.speed_octaves is None:
        return _left_places(e) or 0.0
    # Where lines fold back under too low a rate nothing says by how much they rose.
    folds = e.match_unmoved < NOT_UNMOVED and e.speed_match > CLEARLY_ALIKE
    if e.pulse_ratio < (LEAST_FOLDED if folds else LINE_TAKES * 4.0 ** -max(e.speed_octaves, 0.0)):
        return 0.0
    clear = soft(float(np.log(max(e.runs, 1e-3))), 0.7, 0.25) * soft(abs(e.speed_octaves), 0.09, 0.02)
    return clear * _surely_moved(e) * soft(e.speed_match, SAME_PATTERN, 0.03)


def _left_places(e: Evidence) -> float | None:
    """Whether lines that stood clear are gone from their places, and others are there: where they fold back next to
    half the rate no pattern of theirs shows. None where too little is left of them, or was there."""
    if e.speed_octaves is not None or e.pulse_ratio is None or e.line_snr < CLEAR_LINE or e.pulse_ratio < LEAST_FOLDED:
        return None
    others = soft(e.runs, CLEAR_RUNS, 0.5)
    return others * soft(-e.persists, -GONE_FROM_PLACE, 0.7) if others > 0.5 else None


def _stays(e: Evidence) -> float:
    """Whether the level is at first what it was."""
    soon_pa = e.after_pa if e.soon_pa is None else e.soon_pa
    return soft(-abs(soon_pa - e.before_pa) / max(abs(e.before_pa), abs(e.after_pa), 1.0), -0.4, 0.04)


def glided(e: Evidence) -> float:
    """Whether clear pulses were heard at another speed just before they ended: where lines fold, a higher one too."""
    if e.glide_octaves is None or e.death_s is None:
        return 0.0
    return soft(abs(e.glide_octaves), GLIDES, 0.03) * soft(math.log(max(e.line_snr, 1.0)), 5.0, 0.3)


def not_shut(e: Evidence) -> float:
    """Whether a vacuum that was there just after the pulses ended has gone since, or they had another speed before."""
    if e.now_pa is None or e.soon_pa is None or e.soon_pa > min(0.2 * e.before_pa, -4.0 * e.level_u_pa):
        return glided(e)
    return max(glided(e), soft(1.0 - e.now_pa / e.soon_pa, RUNS_OFF, 0.03))


def pressed(e: Evidence) -> float:
    """Whether a pressure is still there long after the change: in an engine at rest, or the room, none is kept up."""
    if e.after_s <= LONG_AFTER_S or e.now_pa is None:
        return 0.0
    kept_pa, size = min(e.after_pa, e.now_pa), max(abs(e.before_pa), abs(e.after_pa), 1.0)
    return soft(kept_pa / size, 0.03, 0.004) * soft(kept_pa / max(e.level_u_pa, 1e-6), 7.0, 0.8)


def _surely_moved(e: Evidence) -> float:
    likelier = float(np.clip((e.speed_match - e.match_unmoved) / 0.12, 0.0, 1.0))
    clear = math.log10(max(min(e.line_snr, e.runs * 10.0), 1.0) / FAINT)
    return likelier * soft(e.speed_match, HARDLY_ALIKE - 0.22 * min(max(clear, 0.0), 2.0), 0.04)


def _signs_of_speed(e: Evidence, dead: float | None, found: dict[str, float | None]) -> None:
    """Signs of what became of the frequency of the pulses."""
    if e.speed_octaves is not None and (dead is None or dead < 0.5):
        sure = _surely_moved(e)
        moved = soft(abs(e.speed_octaves), 0.09, 0.02) * (0.3 + 0.7 * sure)
        # Under too low a rate lines fold back near where they were; none is where it was then.
        folded = soft(abs(e.speed_octaves), 0.05, 0.01) * soft(-e.match_unmoved, -0.3, 0.04) * sure
        found["moved"] = max(moved, folded)
        # Nothing but the engine's own speed moves all lines so far; lines that stay say nothing more than `moved` does.
        leapt = soft(abs(e.speed_octaves), 0.3, 0.03) * sure
        found["leapt"] = leapt if leapt > 0.5 else None
    left = _left_places(e)
    if left is not None and (dead is None or dead < 0.5):
        found["moved"] = left
    if e.death_s is not None and e.glide_octaves is not None and _elsewhere(e) < 0.5:
        found["glide"] = soft(-e.glide_octaves, 0.15, 0.04)
    if e.approach_octaves is not None:
        found["early"] = soft(abs(e.approach_octaves), 0.12, 0.03)
    if e.kept_ahead is not None:
        found["ahead"] = max(soft(-e.kept_ahead, -0.3, 0.05), soft(e.kept_ahead, 3.0, 0.3))
    if e.deepened is not None and e.after_pa > e.before_pa:
        found["dips"] = soft(e.deepened, 0.08, 0.015) * soft(e.deepened_over, 1.7, 0.1)
