"""From evidence to the probability of each cause, by Bayes' rule over signs that a person can check.

Each sign is a soft yes or no, q in 0..1, and each cause has a chance of showing it: likelihood = pi q + (1-pi)(1-q).
Signs that cannot be measured are left out. The chances are set from the physics of a crankcase and its gauge line and
tempered so that the stated probabilities are right as often as they say (checked over many random engines by
tests/benchmarks/bench_happenings.py).
"""

from __future__ import annotations

import math

import numpy as np

from sumpglass.analysis.happenings.cause_chances import CHANCES_DOWN, CHANCES_UP, PRIOR_DOWN, PRIOR_UP, SIGNS
from sumpglass.analysis.happenings.evidence import Evidence
from sumpglass.records import FloatArray

UP_CAUSES = tuple(PRIOR_UP)
DOWN_CAUSES = tuple(PRIOR_DOWN)
SHOWS_UP, SHOWS_DOWN = (
    0.01 * np.array([chances[cause] for cause in causes], float)
    for causes, chances in ((UP_CAUSES, CHANCES_UP), (DOWN_CAUSES, CHANCES_DOWN))
)
"""Chance (causes, signs) of each sign under each cause."""
PARTNER = {"opening": "closing", "suction_lost": "suction_back", "engine_stop": "engine_start",
           "speed_change": "speed_change", "blow_by_rise": "speed_change"}  # fmt: skip
"""What usually ends the state that each cause of a loss began; a mended rig has no word of its own: unknown."""
LOAD, LOAD_SHARE = "load_change", 0.3
SAME_SPEED = {LOAD: ("speed_change", LOAD_SHARE), "speed_change": ("speed_change", 1.0 - LOAD_SHARE)}
"""An engine that takes up load at the speed it had is told as a change of speed, as causes have no other name for it;
its signs are its own. Part of the changes that are such."""
FEW_CODES = 12
HIDDEN_IN_A_CODE = 0.7
"""Pulses of a smaller RMS, in codes, may hide between two steps of the converter."""
SETTLES, CREPT = 0.3, 0.8
"""A change with a time constant of more than this part of what was heard after it may still go on in there; what lies
below the lines must then have grown by so much (a log ratio)."""
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
LONG_AFTER_S = 1.5
"""What is left of a vacuum so long after it went is no rest of its fall."""
RUNS_OFF, GLIDES, NOT_SHUT_BY = 0.62, 0.45, 5.0
"""A shut line holds what is in it, or lets it creep by half within seconds, and moves no frequency. A vacuum without
pulses that runs off by more than such a part of itself, or whose last clear pulses came so many octaves slower, is what
an engine that stopped has left, and a blocked line so much less likely (log odds)."""

# Signs are not independent of each other: their log likelihoods count for less than their sum.
TEMPER = 0.78
LINK = 0.85
"""How often what takes a loss back is the partner of its cause."""


def _soft(value: float, middle: float, width: float) -> float:
    """Rises from 0 to 1 around `middle`."""
    return 1.0 / (1.0 + math.exp(-min(max(float(value - middle) / width, -30.0), 30.0)))


def signs(evidence: Evidence) -> dict[str, float | None]:
    """Each sign's q in 0..1, or None where it cannot be told."""
    e = evidence
    found: dict[str, float | None] = dict.fromkeys(SIGNS)
    dead = _signs_of_size(e, found)
    size = max(abs(e.before_pa), abs(e.after_pa), 1.0)
    if e.weak_growth is not None and (dead is None or dead < 0.5) and e.heard_s > 0.4:
        # A level that still creeps adds to what lies below the lines.
        middle = CREPT if e.rise_s > SETTLES * e.after_s else 0.45
        grown = _soft(e.weak_growth, middle, 0.06 + 0.2 / np.sqrt(max(e.weak_bins, 1)))
        found["grown"] = max(found["grown"] or 0.0, grown)
    if e.pulse_ratio is None:
        found["born"] = _soft(e.pulses_after / max(e.pulses_before, 0.7), 2.0, 0.3)
    _signs_of_speed(e, dead, found)
    ran, runs = (_soft(float(np.log(max(x, 1e-3))), 0.7, 0.25) for x in (e.ran, e.runs))
    if max(ran, runs) > 0.5:
        # An engine that is heard at no time says nothing.
        found["ran"] = ran
        found["runs"] = runs if e.heard_s > 0.3 else None
    left = e.after_pa / e.before_pa if abs(e.before_pa) > 1.0 else 1.0
    found["pressure"] = _soft(e.after_pa / max(e.level_u_pa, 1e-6), 2.5, 0.5)
    found["small"] = _soft(-abs(e.after_pa) / size, -0.12, 0.03)
    # No more is left than the zero is uncertain by, or next to nothing.
    tiny = max(0.012, 2.0 * e.level_u_pa / size)
    found["tiny"] = _soft(-abs(e.after_pa) / size, -tiny, 0.25 * tiny) if tiny < 0.2 else None
    if e.after_s > LONG_AFTER_S and _not_shut(e) < 0.5:
        # Nothing draws on an engine at rest, nor on a gauge in the room: no vacuum stays there.
        left_pa = -e.after_pa
        found["holds"] = _soft(left_pa / size, 0.016, 0.002) * _soft(left_pa / max(e.level_u_pa, 1e-6), 7.0, 0.8)
    found["half"] = _soft(left, 0.29, 0.025) * _soft(-left, -0.62, 0.04)
    found["stays"] = _stays(e)
    if math.isfinite(e.rise_s):
        found["slow"] = _soft(e.rise_s, 0.4, 0.06)
        found["fast"] = _soft(-e.rise_s, -0.11, 0.02)
        found["step"] = _soft(-e.rise_s, -0.022, 0.005)
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
    dead = _soft(-float(np.log10(ratio)), 0.55, 0.07)
    found["dead"] = 0.5 + (dead - 0.5) * sure
    # A faint line that goes on shows an engine that runs and a gauge that hears it.
    if ratio > 0.06:
        # Where it stood low before, noise hides it easily.
        persists = _soft(e.persists, 9.0, 1.0)
        found["persists"] = max(persists, 0.5 + (persists - 0.5) * sure)
    if dead < 0.5:
        found["grown"] = _soft(float(np.log(ratio)), 0.13, 0.03 + 0.15 * (9.0 / max(e.line_snr, 9.0)) ** 0.5)
        found["shrunk"] = 0.5 + (_soft(-float(np.log(ratio)), 0.25, 0.08) - 0.5) * max(sure, 0.3)
    if abs(e.after_pa) <= 0.15 * size and dead > 0.5:
        few = e.codes_after <= 4 and e.codes_of_noise > 1.5
        found["quiet"] = _soft(-float(np.log(max(e.quiet, 1e-3))), 1.0, 0.15) if few else 0.0
    if e.death_s is not None:
        found["late_death"] = 0.5 + (_soft(e.death_s, 0.22, 0.03) - 0.5) * sure
    return dead


def _elsewhere(e: Evidence) -> float:
    """Whether the level moved and the same pattern of lines stands clear of the noise at another speed."""
    if e.speed_octaves is None or e.pulse_ratio is None or e.heard_s < PATTERN_S or _stays(e) > 0.5:
        return 0.0
    if e.pulse_ratio < LINE_TAKES * 4.0 ** -max(e.speed_octaves, 0.0):
        return 0.0
    clear = _soft(float(np.log(max(e.runs, 1e-3))), 0.7, 0.25) * _soft(abs(e.speed_octaves), 0.09, 0.02)
    return clear * _surely_moved(e) * _soft(e.speed_match, SAME_PATTERN, 0.03)


def _stays(e: Evidence) -> float:
    """Whether the level is at first what it was."""
    soon_pa = e.after_pa if e.soon_pa is None else e.soon_pa
    return _soft(-abs(soon_pa - e.before_pa) / max(abs(e.before_pa), abs(e.after_pa), 1.0), -0.4, 0.04)


def _not_shut(e: Evidence) -> float:
    """Whether a vacuum that was there just after the pulses ended has gone since, or they had slowed much before."""
    glided = 0.0
    if e.glide_octaves is not None and e.death_s is not None:
        glided = _soft(-e.glide_octaves, GLIDES, 0.05) * _soft(math.log(max(e.line_snr, 1.0)), 5.0, 0.3)
    if e.now_pa is None or e.soon_pa is None or e.soon_pa > min(0.2 * e.before_pa, -4.0 * e.level_u_pa):
        return glided
    return max(glided, _soft(1.0 - e.now_pa / e.soon_pa, RUNS_OFF, 0.03))


def _surely_moved(e: Evidence) -> float:
    likelier = float(np.clip((e.speed_match - e.match_unmoved) / 0.12, 0.0, 1.0))
    clear = math.log10(max(min(e.line_snr, e.runs * 10.0), 1.0) / FAINT)
    return likelier * _soft(e.speed_match, HARDLY_ALIKE - 0.22 * min(max(clear, 0.0), 2.0), 0.04)


def _signs_of_speed(e: Evidence, dead: float | None, found: dict[str, float | None]) -> None:
    """Signs of what became of the frequency of the pulses."""
    if e.speed_octaves is not None and (dead is None or dead < 0.5):
        sure = _surely_moved(e)
        moved = _soft(abs(e.speed_octaves), 0.09, 0.02) * (0.3 + 0.7 * sure)
        # Under too low a rate lines fold back near where they were; none is where it was then.
        folded = _soft(abs(e.speed_octaves), 0.05, 0.01) * _soft(-e.match_unmoved, -0.3, 0.04) * sure
        found["moved"] = max(moved, folded)
        # Nothing but the engine's own speed moves all lines so far; lines that stay say nothing more than `moved` does.
        leapt = _soft(abs(e.speed_octaves), 0.3, 0.03) * sure
        found["leapt"] = leapt if leapt > 0.5 else None
    if e.death_s is not None and e.glide_octaves is not None and _elsewhere(e) < 0.5:
        found["glide"] = _soft(-e.glide_octaves, 0.15, 0.04)
    if e.approach_octaves is not None:
        found["early"] = _soft(abs(e.approach_octaves), 0.12, 0.03)
    if e.kept_ahead is not None:
        found["ahead"] = max(_soft(-e.kept_ahead, -0.3, 0.05), _soft(e.kept_ahead, 3.0, 0.3))
    if e.deepened is not None and e.after_pa > e.before_pa:
        found["dips"] = _soft(e.deepened, 0.08, 0.015) * _soft(e.deepened_over, 1.7, 0.1)


def _fell_to_zero(evidence: Evidence) -> bool:
    near = 3.0 * evidence.level_u_pa
    return abs(evidence.after_pa) <= near and evidence.before_pa < -4.0 * near


def _pulses_died_alone(evidence: Evidence) -> bool:
    soon_pa = evidence.after_pa if evidence.soon_pa is None else evidence.soon_pa
    stays = abs(soon_pa - evidence.before_pa) < 0.6 * abs(evidence.before_pa)
    return stays and evidence.pulse_ratio is not None and evidence.pulse_ratio < 0.28


FAVOURED = {"opening": 0.5, "closing": 0.5, "suction_lost": -0.5, "suction_back": -0.5}


def by_ways(causes: dict[str, float], favour: float | None) -> dict[str, float]:
    """`causes` of a loss, or of what took it back, in the light of the ways that the vacuum went and came back;
    `favour`: by refill.favours_opening."""
    if favour is None:
        return causes
    weights = {cause: p * math.exp(FAVOURED.get(cause, 0.0) * favour) for cause, p in causes.items()}
    total = sum(weights.values())
    return {cause: weight / total for cause, weight in weights.items()}


def as_mended(gone: dict[str, float], back: dict[str, float]) -> dict[str, float]:
    """Causes of a loss once it is known what took it back (`back`, judged in the light of `gone`), by Bayes' rule;
    opening to suction as closing to suction that is back."""
    count = len(DOWN_CAUSES)
    if any(cause != LOAD and cause not in back for cause in DOWN_CAUSES):
        return gone
    before = {cause: prior_by_loss(cause, gone, count) for cause in DOWN_CAUSES}
    before["speed_change"] += before.pop(LOAD)
    spoke = {cause: back[cause] / p for cause, p in before.items()}
    by_chance = (1.0 - LINK) * sum(spoke.values()) / count
    found = {cause: p * (LINK * spoke.get(PARTNER.get(cause, ""), 0.0) + by_chance) for cause, p in gone.items()}
    total = sum(found.values())
    found = {cause: p / total for cause, p in found.items()}
    both = found.get("opening", 0.0) + found.get("suction_lost", 0.0)
    part = back["closing"] / max(back["closing"] + back["suction_back"], 1e-12)
    return {**found, "opening": both * part, "suction_lost": both * (1.0 - part)}


def prior_by_loss(cause: str, lost_causes: dict[str, float], causes: int) -> float:
    """How likely `cause`, one of so many `causes`, is before a look at the signs, if it takes back a loss of these."""
    name, part = SAME_SPEED.get(cause, (cause, 1.0))
    linked = LINK * sum(p for lost, p in lost_causes.items() if PARTNER.get(lost) == name)
    return part * (linked + (1.0 - LINK) / causes)


def _still_at_zero(evidence: Evidence) -> dict[str, float]:
    """A frozen code stands anywhere. At zero stands, under a converter coarser than the noise, an open hose, at once;
    a large opening, after the time that the crankcase takes to fill; or an engine at rest."""
    found = signs(evidence)
    if evidence.pulses_in_codes < HIDDEN_IN_A_CODE:
        found["dead"] = None
    weights = _weights(found, UP_CAUSES, np.log([PRIOR_UP[cause] for cause in UP_CAUSES]), SHOWS_UP)
    few = _shares({cause: weights[cause] for cause in ("tap_off", "opening", "engine_stop")})
    return {**{cause: 0.95 * p for cause, p in few.items()}, "sensor_fault": 0.05}


def _weights(
    found: dict[str, float | None], causes: tuple[str, ...], log_prior: FloatArray, chances: FloatArray
) -> dict[str, float]:
    """Log of how likely each cause is by its prior and the signs `found`, but for a constant."""
    q = np.array([math.nan if found[sign] is None else found[sign] for sign in SIGNS])
    told = TEMPER * np.nansum(np.log(chances * q + (1.0 - chances) * (1.0 - q)), axis=1)
    return dict(zip(causes, (log_prior + told).tolist()))


def _shares(weights: dict[str, float]) -> dict[str, float]:
    """Probabilities from their logarithms."""
    top = max(weights.values())
    raw = {cause: math.exp(w - top) for cause, w in weights.items()}
    total = sum(raw.values())
    return {cause: w / total for cause, w in raw.items()}


def judge(
    evidence: Evidence, upward: bool, lost_cause: str | None = None, lost_causes: dict[str, float] | None = None
) -> dict[str, float]:
    """Probability of each cause. `lost_cause`: of the loss that this change takes back; `lost_causes`: of each."""
    if evidence.still and upward and _fell_to_zero(evidence):
        return _still_at_zero(evidence)
    if evidence.still and upward and 1 < evidence.codes_after <= FEW_CODES and _pulses_died_alone(evidence):
        # A frozen code is one code; a held level under a coarse converter creeps from one to the next.
        return {"line_blocked": 0.85, "sensor_fault": 0.12, "unknown": 0.03}
    if evidence.silent or evidence.still:
        return {"sensor_fault": 0.97, "unknown": 0.03}
    if evidence.railed:
        sudden = _soft(-evidence.edge_samples, -2.5, 0.3)
        return {"sensor_fault": 0.96 * sudden + 0.02, "out_of_range": 0.96 * (1 - sudden) + 0.02}
    found = signs(evidence)
    likely = lost_causes or ({} if lost_cause is None else {lost_cause: 1.0})
    causes, prior, chances = (UP_CAUSES, PRIOR_UP, SHOWS_UP) if upward else (DOWN_CAUSES, PRIOR_DOWN, SHOWS_DOWN)
    before = [prior[cause] if lost_cause is None else prior_by_loss(cause, likely, len(causes)) for cause in causes]
    weights = _weights(found, causes, np.log(before), chances)
    if lost_cause in ("sensor_fault", "line_blocked", "out_of_range", "tap_off"):
        weights["unknown"] = max(weights.values()) + 2.0
    if "sensor_fault" in weights:
        # Neither stands a code still, nor is a rail reached, nor do samples fail to come.
        weights["sensor_fault"] -= 3.0
    if upward:
        weights["line_blocked"] -= NOT_SHUT_BY * _not_shut(evidence)
    if found["dead"] is None:
        # Nothing shows that the pulses ended: a rig fault is then only a guess.
        for cause, against in (("tap_off", 2.0), ("line_blocked", 5.0), ("sensor_fault", 2.0)):
            weights[cause] = weights.get(cause, -30.0) - against
    shares = _shares(weights)
    shares["speed_change"] += shares.pop(LOAD)
    return shares
