"""Fits the tables of analysis/happenings/cause_chances.py, and tells how far they hold for a maker they never saw.

    python tests/benchmarks/fit_causes.py [--short] [--seeds N] [--from SEED] [--write]

Draws recordings of every maker, lets the detector find what happens in them, and moves the hand's chances
(hand_chances.py) by maximum likelihood with a ridge, every maker weighing the same. The table that is printed holds
draws of other seeds against the fit to all makers, and against the fits that left one maker out: only the latter says
something of engines and rigs of another kind. (The signs themselves were thought out with all makers in sight.)
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from hand_chances import HAND, HAND_PRIOR
from makers import MAKERS, cases
from scipy.optimize import minimize
from scoring import matched

from sumpglass.analysis.happenings import cause as model
from sumpglass.analysis.happenings import cause_chances

RIDGE, RIDGE_OF_PRIORS, WEIGHT_OF_A_MAKER = 2.0, 20.0, 300.0
TABLES = Path(cause_chances.__file__)


@dataclass(frozen=True)
class Examples:
    """Signs (n, signs) with NaN where not told, truth as allowed causes (n, causes), log prior from a loss that is
    taken back (n, causes; NaN where there is none), maker (n,)."""

    signs: np.ndarray
    allowed: np.ndarray
    linked: np.ndarray
    maker: np.ndarray

    def part(self, keep: np.ndarray) -> Examples:
        """Those that `keep` (n,) names."""
        return Examples(self.signs[keep], self.allowed[keep], self.linked[keep], self.maker[keep])


def gather(seeds: dict[str, int], first: int) -> dict[bool, Examples]:
    """Examples of losses (True) and of recoveries (False)."""
    rows: dict[bool, list] = {True: [], False: []}
    for maker in MAKERS:
        for case in cases(maker, seeds[maker], first):
            detector = case.detector()
            found = [h for h in detector.finish() if h.withdrawn_s is None]
            for event, told in matched(case.truth, found):
                episode = detector._watcher._book.told_in(told.key)
                if episode is None or episode.evidence is None or event.cause == "unknown":
                    continue
                seen = episode.evidence
                if getattr(event, "optional", False) or seen.still or seen.railed or seen.silent:
                    continue
                row = _row(episode, event, maker)
                if row is not None:
                    rows[episode.upward].append(row)
    return {up: Examples(*(np.array(column) for column in zip(*some))) for up, some in rows.items()}


def _row(episode, event, maker):
    causes = model.UP_CAUSES if episode.upward else model.DOWN_CAUSES
    if event.cause not in causes:
        return None
    found = model.signs(episode.evidence)
    signs = [np.nan if found[sign] is None else found[sign] for sign in model.SIGNS]
    right = {event.cause, *getattr(event, "also_causes", ())}
    allowed = [cause in right or (cause == model.LOAD and "speed_change" in right) for cause in causes]
    linked = [np.nan] * len(causes)
    if episode.lost_cause is not None:
        likely = episode.lost_causes or {episode.lost_cause: 1.0}
        fast = model.by_ways({cause: 1.0 / len(causes) for cause in causes}, episode.favour())
        linked = [np.log(fast[cause] * model.prior_by_loss(cause, likely, len(causes))) for cause in causes]
    return signs, allowed, linked, maker


def _hand(up: bool) -> np.ndarray:
    causes = model.UP_CAUSES if up else model.DOWN_CAUSES
    odds = np.array([[HAND[cause][model.SIGNS.index(sign)] for sign in model.SIGNS] for cause in causes])
    return np.concatenate([np.log(odds / (1 - odds)).ravel(), np.log([HAND_PRIOR[cause] for cause in causes])])


def probabilities(theta: np.ndarray, of: Examples):
    """(n, causes) of these examples under `theta`, with what the gradient needs."""
    causes, signs = of.allowed.shape[1], of.signs.shape[1]
    pi = 1 / (1 + np.exp(-theta[: causes * signs].reshape(causes, signs)))
    q, known = np.nan_to_num(of.signs, nan=0.5), ~np.isnan(of.signs)
    chance = pi[None] * q[:, None] + (1 - pi[None]) * (1 - q[:, None])
    log = model.TEMPER * (np.log(chance) * known[:, None]).sum(axis=2)
    log += np.where(np.isnan(of.linked), theta[causes * signs :][None], np.nan_to_num(of.linked))
    p = np.exp(log - log.max(axis=1, keepdims=True))
    return p / p.sum(axis=1, keepdims=True), chance, q, known, pi


def fit(of: Examples, up: bool) -> np.ndarray:
    """Log odds of the chances and log priors, flat."""
    start = _hand(up)
    causes, signs = of.allowed.shape[1], of.signs.shape[1]
    weight = np.zeros(len(of.maker))
    for maker in set(of.maker):
        weight[of.maker == maker] = WEIGHT_OF_A_MAKER / (of.maker == maker).sum()
    free = np.isnan(of.linked[:, :1])
    ridge = np.concatenate([np.full(causes * signs, RIDGE), np.full(causes, RIDGE_OF_PRIORS)])

    def loss(theta):
        p, chance, q, known, pi = probabilities(theta, of)
        good = (p * of.allowed).sum(axis=1) + 1e-9
        pull = (p - p * of.allowed / good[:, None]) * weight[:, None]
        slope = model.TEMPER * ((2 * q - 1)[:, None] * (pi * (1 - pi))[None] / chance) * known[:, None]
        off = theta - start
        gradient = np.concatenate([(pull[:, :, None] * slope).sum(axis=0).ravel(), (pull * free).sum(axis=0)])
        return -(weight * np.log(good)).sum() + 0.5 * (ridge * off**2).sum(), gradient + ridge * off

    bounds = [(-4.6, 4.6)] * (causes * signs) + [(-6.0, 3.0)] * causes
    return minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 300}).x


def right(theta: np.ndarray, of: Examples, maker: str) -> str:
    """Share of the examples of `maker` that are told rightly, and how many there are."""
    mine = of.part(of.maker == maker)
    if not len(mine.maker):
        return "-"
    p = probabilities(theta, mine)[0]
    return f"{mine.allowed[np.arange(len(p)), p.argmax(axis=1)].mean():.3f} of {len(p)}"


def written(name: str, theta: np.ndarray, causes: tuple[str, ...]) -> str:
    """The table of chances and priors as source text."""
    signs = len(model.SIGNS)
    chances = 1 / (1 + np.exp(-theta[: len(causes) * signs].reshape(len(causes), signs)))
    prior = np.exp(theta[len(causes) * signs :])
    prior /= prior.sum()
    lines = [f"PRIOR_{name}: dict[str, float] = {{"]
    for i in range(0, len(causes), 4):
        lines.append("    " + " ".join(f'"{c}": {x:.4f},' for c, x in list(zip(causes, prior))[i : i + 4]))
    lines += ["}  # fmt: skip", f"CHANCES_{name}: dict[str, tuple[float, ...]] = {{"]
    lines.append("    #" + " " * 14 + "".join(f"{sign[:3]:>4s}" for sign in model.SIGNS))
    for cause, row in zip(causes, chances):
        cells = ", ".join(f"{np.clip(100 * x, 1, 99):2.0f}" if x > 0.008 else ".5" for x in row)
        named = f'"{cause}":'
        lines.append(f"    {named:15s}({cells}),")
    return "\n".join([*lines, "}  # fmt: skip"])


def _shared(seeds: int) -> dict[str, int]:
    return {maker: max(1, seeds // 3) if maker == "simulator" else seeds for maker in MAKERS}


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--short", action="store_true")
    parser.add_argument("--seeds", type=int, default=25, help="of each story; a third of it where it is simulated")
    parser.add_argument("--from", dest="first", type=int, default=100)
    parser.add_argument("--judge-from", type=int, default=30000)
    parser.add_argument("--write", action="store_true", help="put the fit to all makers into cause_chances.py")
    options = parser.parse_args()
    many = 2 if options.short else options.seeds
    train = gather(_shared(many), options.first)
    unseen = gather(_shared(max(1, 2 * many // 3)), options.judge_from)
    fits = {}
    print(f"{'cause right, of unseen draws of':34s}" + "".join(f"{maker:>20s}" for maker in MAKERS))
    for up, word in ((True, "loss"), (False, "recovery")):
        fits[up] = fit(train[up], up)
        told = {"the hand's tables": _hand(up), "fitted to all makers": fits[up]}
        for line, theta in told.items():
            print(f"{word + ', ' + line:34s}" + "".join(f"{right(theta, unseen[up], maker):>20s}" for maker in MAKERS))
        cells = []
        for maker in MAKERS:
            theta = fit(train[up].part(train[up].maker != maker), up)
            cells.append(f"{right(theta, unseen[up], maker):>20s}")
        print(f"{word + ', fitted to the other two':34s}" + "".join(cells))
    if options.write:
        head = TABLES.read_text(encoding="utf-8").split("PRIOR_UP")[0]
        tables = [written("UP", fits[True], model.UP_CAUSES), written("DOWN", fits[False], model.DOWN_CAUSES)]
        TABLES.write_text(head + "\n\n".join(tables) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
