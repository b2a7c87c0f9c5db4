"""From evidence to the probability of each cause, by Bayes' rule over signs that a person can check.

Each sign is a soft yes or no, q in 0..1, and each cause has a chance of showing it: likelihood = pi q + (1-pi)(1-q).
Signs that cannot be measured are left out. The chances are set from the physics of a crankcase and its gauge line and
tempered so that the stated probabilities are right as often as they say (checked over many random engines by
tests/benchmarks/bench_happenings.py).
"""

from __future__ import annotations

import numpy as np

from sumpglass.analysis.happenings.evidence import Evidence

UP_CAUSES = ("opening", "suction_lost", "blow_by_rise", "engine_stop", "speed_change", "tap_off", "line_blocked",
             "engine_start", "sensor_fault", "unknown")  # fmt: skip
DOWN_CAUSES = ("closing", "suction_back", "engine_start", "speed_change", "engine_stop", "tap_off", "unknown")
PARTNER = {"opening": "closing", "suction_lost": "suction_back", "engine_stop": "engine_start",
           "speed_change": "speed_change", "blow_by_rise": "speed_change"}  # fmt: skip
"""What usually ends the state that each cause of a loss began; a mended rig has no word of its own: unknown."""
PRIOR = {"opening": 0.198, "suction_lost": 0.142, "blow_by_rise": 0.068, "engine_stop": 0.290, "speed_change": 0.135,
         "tap_off": 0.067, "line_blocked": 0.040, "sensor_fault": 0.03, "engine_start": 0.01, "unknown": 0.02,
         "closing": 0.3, "suction_back": 0.15}  # fmt: skip

FEW_CODES = 12

# Chance of each sign under each cause, in the order of SIGNS. First set from the physics by hand, then, for the causes
# of a loss, moved by maximum likelihood on drawn traces of three makers, with a ridge (0.5 on the log odds) towards
# the hand's values; held against draws that the fit had not seen.
SIGNS = (
    "dead",
    "moved",
    "glide",
    "late_death",
    "pressure",
    "small",
    "stays",
    "step",
    "grown",
    "born",
    "shrunk",
    "quiet",
    "fast",
    "slow",
    "early",
    "half",
    "tiny",
    "persists",
    "leapt",
)
CHANCES: dict[str, tuple[float, ...]] = {
    #                 dead move glid late pres smal stay step grow born shru quie fast slow earl half tiny pers leap
    "opening":       (.05, .02, .12, .26, .02, .74, .01, .09, .04, .03, .28, .05, .53, .07, .06, .18, .13, .91, .004),
    "closing":       (.02, .03, .20, .30, .03, .03, .03, .15, .30, .05, .05, .05, .30, .38, .05, .50, .05, .95, .004),
    "suction_lost":  (.02, .02, .10, .29, .83, .44, .04, .05, .03, .03, .09, .05, .30, .39, .05, .20, .07, .96, .004),
    "suction_back":  (.02, .03, .20, .30, .03, .03, .03, .05, .08, .03, .08, .05, .30, .38, .05, .50, .05, .97, .004),
    "blow_by_rise":  (.01, .04, .09, .27, .93, .27, .09, .06, .90, .10, .02, .02, .21, .50, .06, .13, .06, .97, .004),
    "engine_stop":   (.83, .75, .74, .48, .04, .62, .23, .03, .27, .01, .54, .13, .13, .38, .42, .11, .65, .23, .30),
    "engine_start":  (.02, .60, .20, .30, .10, .05, .05, .05, .60, .95, .05, .05, .06, .45, .50, .50, .05, .30, .40),
    "speed_change":  (.04, .89, .09, .35, .32, .52, .14, .03, .15, .25, .42, .05, .09, .21, .41, .21, .12, .48, .45),
    "tap_off":       (.98, .21, .09, .05, .04, .97, .04, .83, .01, .01, .98, .12, .96, .01, .04, .02, .95, .10, .05),
    "line_blocked":  (.94, .09, .07, .04, .05, .06, .87, .34, .01, .01, .96, .12, .45, .15, .04, .39, .02, .14, .02),
    "sensor_fault":  (.97, .10, .10, .03, .10, .90, .10, .95, .01, .01, .97, .97, .98, .01, .05, .50, .50, .05, .05),
    "unknown":       (.20, .20, .20, .30, .25, .40, .20, .15, .20, .10, .25, .10, .35, .25, .20, .30, .20, .60, .08),
}  # fmt: skip
# Signs are not independent of each other: their log likelihoods count for less than their sum.
TEMPER = 0.78


def _soft(value: float, middle: float, width: float) -> float:
    """Rises from 0 to 1 around `middle`."""
    return float(1.0 / (1.0 + np.exp(-np.clip((value - middle) / width, -30, 30))))


def signs(evidence: Evidence) -> dict[str, float | None]:
    """Each sign's q in 0..1, or None where it cannot be told."""
    e = evidence
    found: dict[str, float | None] = dict.fromkeys(SIGNS)
    dead = _signs_of_size(e, found)
    size = max(abs(e.before_pa), abs(e.after_pa), 1.0)
    if e.weak_growth is not None and (dead is None or dead < 0.5) and e.after_s > 0.4:
        grown = _soft(e.weak_growth, 0.45, 0.06 + 0.2 / np.sqrt(max(e.weak_bins, 1)))
        found["grown"] = max(found["grown"] or 0.0, grown)
    if e.pulse_ratio is None:
        found["born"] = _soft(e.pulses_after / max(e.pulses_before, 0.7), 2.0, 0.3)
    _signs_of_speed(e, dead, found)
    left = e.after_pa / e.before_pa if abs(e.before_pa) > 1.0 else 1.0
    soon_pa = e.after_pa if e.soon_pa is None else e.soon_pa
    found["pressure"] = _soft(e.after_pa / max(e.level_u_pa, 1e-6), 2.5, 0.5)
    found["small"] = _soft(-abs(e.after_pa) / size, -0.12, 0.03)
    # No more is left than the zero is uncertain by, or next to nothing.
    tiny = max(0.012, 2.0 * e.level_u_pa / size)
    found["tiny"] = _soft(-abs(e.after_pa) / size, -tiny, 0.25 * tiny) if tiny < 0.2 else None
    found["half"] = _soft(left, 0.29, 0.025) * _soft(-left, -0.62, 0.04)
    found["stays"] = _soft(-abs(soon_pa - e.before_pa) / size, -0.4, 0.04)
    found["slow"] = _soft(e.rise_s, 0.4, 0.06)
    found["fast"] = _soft(-e.rise_s, -0.11, 0.02)
    found["step"] = _soft(-e.rise_s, -0.022, 0.005)
    return found


def _signs_of_size(e: Evidence, found: dict[str, float | None]) -> float | None:
    """Signs of what became of the size of the pulses; returns how dead they are, None where that cannot be told."""
    if e.pulse_ratio is None or e.after_s <= 0.05:
        return None
    size = max(abs(e.before_pa), abs(e.after_pa), 1.0)
    ratio = max(e.pulse_ratio, 1e-3)
    sure = float(np.clip(np.log(max(e.line_snr, 1.0) / 12.0) / np.log(5.0), 0.0, 1.0))
    dead = _soft(-float(np.log10(ratio)), 0.55, 0.07)
    found["dead"] = 0.5 + (dead - 0.5) * sure
    # A faint line that goes on shows an engine that runs and a gauge that hears it.
    if ratio > 0.06:
        found["persists"] = _soft(e.persists, 9.0, 1.0)
    if dead < 0.5:
        found["grown"] = _soft(float(np.log(ratio)), 0.2, 0.05)
        found["shrunk"] = _soft(-float(np.log(ratio)), 0.25, 0.08)
    if abs(e.after_pa) <= 0.15 * size and dead > 0.5:
        few = e.codes_after <= 4 and e.codes_of_noise > 1.5
        found["quiet"] = _soft(-float(np.log(max(e.quiet, 1e-3))), 1.0, 0.15) if few else 0.0
    if e.death_s is not None:
        found["late_death"] = 0.5 + (_soft(e.death_s, 0.22, 0.03) - 0.5) * sure
    return dead


def _signs_of_speed(e: Evidence, dead: float | None, found: dict[str, float | None]) -> None:
    """Signs of what became of the frequency of the pulses."""
    if e.speed_octaves is not None and (dead is None or dead < 0.5):
        sure = float(np.clip((e.speed_match - e.match_unmoved) / 0.12, 0.0, 1.0))
        found["moved"] = _soft(abs(e.speed_octaves), 0.09, 0.02) * (0.3 + 0.7 * sure)
        # Nothing but the engine's own speed moves all lines so far; lines that stay say nothing more than `moved` does.
        leapt = _soft(abs(e.speed_octaves), 0.3, 0.03) * sure
        found["leapt"] = leapt if leapt > 0.5 else None
    if e.death_s is not None and e.glide_octaves is not None:
        found["glide"] = _soft(-e.glide_octaves, 0.15, 0.04)
    if e.approach_octaves is not None:
        found["early"] = _soft(abs(e.approach_octaves), 0.12, 0.03)


def _fell_to_zero(evidence: Evidence) -> bool:
    near = 3.0 * evidence.level_u_pa
    return abs(evidence.after_pa) <= near and evidence.before_pa < -4.0 * near


def _pulses_died_alone(evidence: Evidence) -> bool:
    soon_pa = evidence.after_pa if evidence.soon_pa is None else evidence.soon_pa
    stays = abs(soon_pa - evidence.before_pa) < 0.6 * abs(evidence.before_pa)
    return stays and evidence.pulse_ratio is not None and evidence.pulse_ratio < 0.28


def judge(
    evidence: Evidence, upward: bool, lost_cause: str | None = None, lost_causes: dict[str, float] | None = None
) -> dict[str, float]:
    """Probability of each cause. `lost_cause`: of the loss that this change takes back; `lost_causes`: of each."""
    if evidence.still and upward and _fell_to_zero(evidence):
        # A frozen code stands anywhere. At zero stands an open hose under a converter coarser than the noise, at once;
        # or a large opening, after the time that the crankcase takes to fill.
        step = _soft(-evidence.rise_s, -0.022, 0.005)
        return {"tap_off": 0.05 + 0.85 * step, "opening": 0.05 + 0.85 * (1.0 - step), "sensor_fault": 0.05}
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
    causes = UP_CAUSES if upward else DOWN_CAUSES
    weights = {}
    for cause in causes:
        chance = PRIOR[cause]
        if lost_cause is not None:
            chance = 0.85 * sum(p for c, p in likely.items() if PARTNER.get(c) == cause) + 0.15 / len(causes)
        log = np.log(chance)
        for sign, pi in zip(SIGNS, CHANCES[cause]):
            q = found[sign]
            if q is not None:
                log += TEMPER * np.log(pi * q + (1 - pi) * (1 - q))
        weights[cause] = log
    if lost_cause in ("sensor_fault", "line_blocked", "out_of_range", "tap_off"):
        weights["unknown"] = max(weights.values()) + 2.0
    if "sensor_fault" in weights:
        # Neither stands a code still, nor is a rail reached, nor do samples fail to come.
        weights["sensor_fault"] -= 3.0
    if found["dead"] is None:
        # Nothing shows that the pulses ended: a rig fault is then only a guess.
        for cause, against in (("tap_off", 2.0), ("line_blocked", 5.0), ("sensor_fault", 2.0)):
            weights[cause] = weights.get(cause, -30.0) - against
    top = max(weights.values())
    raw = {cause: float(np.exp(w - top)) for cause, w in weights.items()}
    total = sum(raw.values())
    return {cause: w / total for cause, w in raw.items()}
