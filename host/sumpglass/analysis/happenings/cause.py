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
from sumpglass.analysis.happenings.signs import glided, not_shut, pressed, signs, soft
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
NOT_SHUT_BY = 5.0
"""A rig fault is so much less likely (log odds) where the signs are of an engine that stopped."""
NOT_PRESSED_BY = 2.0
"""So are an engine that stopped and a hose that is off where a pressure stays."""

# Signs are not independent of each other: their log likelihoods count for less than their sum.
TEMPER = 0.78
LINK = 0.85
"""How often what takes a loss back is the partner of its cause."""


def _fell_to_zero(evidence: Evidence) -> bool:
    near = 3.0 * evidence.level_u_pa
    return abs(evidence.after_pa) <= near and evidence.before_pa < -4.0 * near


def _pulses_died_alone(evidence: Evidence) -> bool:
    soon_pa = evidence.after_pa if evidence.soon_pa is None else evidence.soon_pa
    stays = abs(soon_pa - evidence.before_pa) < 0.6 * abs(evidence.before_pa)
    return stays and evidence.pulse_ratio is not None and evidence.pulse_ratio < 0.28


FAVOURED = {"opening": 1.0, "closing": 1.0, "suction_lost": -1.0, "suction_back": -1.0}


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
        sudden = soft(-evidence.edge_samples, -2.5, 0.3)
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
        weights["line_blocked"] -= NOT_SHUT_BY * not_shut(evidence)
        weights["tap_off"] -= NOT_SHUT_BY * glided(evidence) + NOT_PRESSED_BY * pressed(evidence)
        weights["engine_stop"] -= NOT_PRESSED_BY * pressed(evidence)
    if found["dead"] is None:
        # Nothing shows that the pulses ended: a rig fault is then only a guess.
        for cause, against in (("tap_off", 2.0), ("line_blocked", 5.0), ("sensor_fault", 2.0)):
            weights[cause] = weights.get(cause, -30.0) - against
    shares = _shares(weights)
    shares["speed_change"] += shares.pop(LOAD)
    return shares
