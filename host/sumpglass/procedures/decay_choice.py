"""Which law a decay follows: orifice, laminar or mixed, by evidence, and how far other laws are allowed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.physics.gas import GAMMA_AIR
from sumpglass.procedures.decay_models import POWER, SUM, DecayData, DecayFit, fit_decay, shape
from sumpglass.procedures.decay_part import DecayPart
from sumpglass.records import FloatArray
from sumpglass.units import STANDARD_ATMOSPHERE_PA

PURE_WITHIN = 0.04
"""An exponent this close to 0.5 or 1 is called pure whatever the evidence: compressibility alone moves it by 0.01."""
EXPONENTS = np.round(np.arange(0.36, 1.3, 0.02), 3)
SHARES = np.array([0.0, 0.03, 0.07, 0.12, 0.18, 0.25, 0.33, 0.42, 0.5, 0.58, 0.67, 0.75, 0.82, 0.88, 0.93, 0.97, 1.0])


@dataclass(frozen=True)
class JudgedDecay:
    """The law that was chosen, its fit, and how much worse the others are."""

    model: str
    fit: DecayFit
    exponent: float
    exponent_lo: float | None
    exponent_hi: float | None
    evidence: dict[str, float]
    others: tuple[DecayFit, ...]
    """For the mixed law: fits of both families as far from the best as the data allow, for the intervals."""


def choose_law(part: DecayPart) -> JudgedDecay:
    """Fit both families and judge by Akaike-like evidence; a form close to a pure law is called pure."""
    data = DecayData(part.t_s, part.size_pa, part.offset_pa, part.offset_u_pa, expansion_per_pa=expansion_of(part))
    flexible = min((fit_decay(data, POWER, n) for n in (0.5, 0.65, 0.8, 1.0)), key=lambda f: f.deviance)
    error = (
        flexible.start_pa * shape(flexible.law, flexible.form, flexible.rate_per_s * data.t_s)
        + flexible.offset_pa
        - data.size_pa
    )
    memory = float(np.clip(np.sum(error[1:] * error[:-1]) / max(np.sum(error**2), 1e-30), 0.0, 0.95))
    fresh = error[1:] - memory * error[:-1]
    noise = max(float(np.std(fresh)), 1e-4 * flexible.start_pa, 0.02)
    data = replace(data, noise_pa=noise, whiten=memory)
    powers = _profile(data, POWER, EXPONENTS)
    sums = _profile(data, SUM, SHARES)
    n = len(data.t_s)
    orifice, laminar = fit_decay(data, POWER, 0.5), fit_decay(data, POWER, 1.0)
    best = min([*powers, *sums, orifice, laminar], key=lambda f: f.deviance)
    # What the noise really was is known after the best fit; all deviances are judged by it.
    variance = max(best.deviance / max(n - 4, 1), 0.05)
    evidence = {
        "orifice": orifice.deviance / variance,
        "laminar": laminar.deviance / variance,
        "mixed": best.deviance / variance + math.log(n),
    }
    deviance = np.array([f.deviance for f in powers]) / variance
    exponent, lo, hi = _interval(np.array([f.form for f in powers]), deviance)
    name = min(evidence, key=lambda key: evidence[key])
    if name == "mixed":
        if abs(exponent - 0.5) <= PURE_WITHIN and evidence["orifice"] <= evidence["laminar"]:
            name = "orifice"
        elif abs(exponent - 1.0) <= PURE_WITHIN:
            name = "laminar"
    fit = {"orifice": orifice, "laminar": laminar, "mixed": best}[name]
    fit = replace(fit, covariance=fit.covariance * variance)
    others = _allowed(data, powers, sums, variance) if name == "mixed" else ()
    least = min(evidence.values())
    return JudgedDecay(name, fit, exponent, lo, hi, {k: v - least for k, v in evidence.items()}, others)


def _allowed(data: DecayData, powers: list[DecayFit], sums: list[DecayFit], variance: float) -> tuple[DecayFit, ...]:
    """Of each family the best form and those at the ends of its 95 % interval, where the data allow the family."""
    found = []
    for fits in (powers, sums):
        forms = np.array([f.form for f in fits])
        middle, lo, hi = _interval(forms, np.array([f.deviance for f in fits]) / variance)
        k = int(np.argmin([f.deviance for f in fits]))
        guess = (fits[k].start_pa, fits[k].rate_per_s)
        ends = [lo if lo is not None else float(forms[0]), middle, hi if hi is not None else float(forms[-1])]
        found += [fit_decay(data, fits[k].law, max(form, 0.0), guess) for form in ends]
    least = min(f.deviance for f in found)
    # The two families are other shapes: one that fits a little worse is still allowed.
    return tuple(f for f in found if f.deviance <= least + 6.0 * variance)


def expansion_of(part: DecayPart) -> float:
    """c of `decay_models.bending`. Under pressure the outflow is denser as much as it expands: nothing is left."""
    return 0.75 / GAMMA_AIR / STANDARD_ATMOSPHERE_PA if part.sign < 0 else 0.0


def _profile(data: DecayData, law: str, forms: FloatArray) -> list[DecayFit]:
    fits: list[DecayFit] = []
    guess: tuple[float, float] | None = None
    for form in forms:
        fit = fit_decay(data, law, float(form), guess)
        guess = (fit.start_pa, fit.rate_per_s)
        fits.append(fit)
    return fits


def _interval(forms: FloatArray, deviance: FloatArray) -> tuple[float, float | None, float | None]:
    """Best form by a parabola, and where the deviance rises by 3.84; None where it does not within the forms tried."""
    k = int(np.argmin(deviance))
    best = float(forms[k])
    if 0 < k < len(forms) - 1:
        a, b, _ = np.polyfit(forms[k - 1 : k + 2] - forms[k], deviance[k - 1 : k + 2], 2)
        if a > 0:
            best = float(forms[k] + np.clip(-b / (2 * a), forms[k - 1] - forms[k], forms[k + 1] - forms[k]))
            floor = float(deviance[k] - b**2 / (4 * a))
            width = math.sqrt(3.84 / a)
            if width < forms[1] - forms[0]:
                return best, best - width, best + width
            deviance = deviance - floor
        else:
            deviance = deviance - deviance[k]
    else:
        deviance = deviance - deviance[k]
    left = np.flatnonzero(deviance[:k] > 3.84)
    right = np.flatnonzero(deviance[k:] > 3.84)
    lo = hi = None
    if len(left):
        i = int(left[-1])
        lo = float(np.interp(3.84, [deviance[i + 1], deviance[i]], [forms[i + 1], forms[i]]))
    if len(right):
        i = k + int(right[0])
        hi = float(np.interp(3.84, [deviance[i - 1], deviance[i]], [forms[i - 1], forms[i]]))
    return best, lo, hi
