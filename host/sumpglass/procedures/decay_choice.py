"""Which law a decay follows: orifice, laminar or mixed, by evidence, and how far other laws are allowed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sumpglass.physics.decay import temperature_effect_pa_k
from sumpglass.physics.gas import GAMMA_AIR
from sumpglass.procedures.decay_models import (
    GAS_DRIFT_U_K_S,
    POWER,
    SUM,
    DecayData,
    DecayFit,
    fit_decay,
    relative_rate,
    residual_of,
    seconds_of_warming,
    shape,
)
from sumpglass.procedures.decay_noise import SKIPPED, ordinates, relative_density
from sumpglass.procedures.decay_part import DecayPart
from sumpglass.procedures.openings import Room
from sumpglass.records import FloatArray
from sumpglass.units import STANDARD_ATMOSPHERE_PA

PURE_WITHIN = 0.04
"""An exponent this close to 0.5 or 1 is called pure whatever the evidence: compressibility alone moves it by 0.01."""
EXPONENTS = np.round(np.arange(0.36, 1.3, 0.02), 3)
SHARES = np.array([0.0, 0.03, 0.07, 0.12, 0.18, 0.25, 0.33, 0.42, 0.5, 0.58, 0.67, 0.75, 0.82, 0.88, 0.93, 0.97, 1.0])
FIRST_FORMS = (0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2)
REFUSED = 300.0
"""Rise of the deviance above the least at which no further forms are tried."""
LEAST_STEP, STEEP = 1e-4, 8.0
"""Finest step of forms, and the rise of the deviance from one to the next above which a finer step is taken."""
LEAST_NOISE_PA = 0.02
CHANCE_PURE = 0.25
"""Chance, before the data, of each pure law; what is left is shared by both families of laws between them."""


@dataclass(frozen=True)
class JudgedDecay:
    """The law that was chosen, its fit, how much worse the others are, and every law that the data allow with its
    chance (they sum to 1)."""

    model: str
    fit: DecayFit
    exponent: float
    exponent_lo: float | None
    exponent_hi: float | None
    evidence: dict[str, float]
    allowed: tuple[tuple[float, DecayFit], ...]


def choose_law(part: DecayPart, room: Room) -> JudgedDecay:
    """Fit both families and judge by Akaike-like evidence; a form close to a pure law is called pure."""
    data, near = _with_noise(
        DecayData(
            part.t_s,
            part.size_pa,
            part.offset_pa,
            part.offset_u_pa,
            expansion_per_pa=expansion_of(part),
            zero_at_s=part.zero_at_s,
        ),
        GAS_DRIFT_U_K_S * temperature_effect_pa_k(room.pressure_pa, room.temperature_k),
    )
    powers = _profile(data, POWER, EXPONENTS, near)
    sums = _profile(data, SUM, SHARES, 2.0 * near - 1.0)
    orifice, laminar = fit_decay(data, POWER, 0.5), fit_decay(data, POWER, 1.0)
    best = min([*powers, *sums, orifice, laminar], key=lambda f: f.deviance)
    evidence = {
        "orifice": orifice.deviance,
        "laminar": laminar.deviance,
        "mixed": best.deviance + math.log(len(data.t_s)),
    }
    exponent, lo, hi = _interval(np.array([f.form for f in powers]), np.array([f.deviance for f in powers]))
    name = min(evidence, key=lambda key: evidence[key])
    if name == "mixed":
        if abs(exponent - 0.5) <= PURE_WITHIN and evidence["orifice"] <= evidence["laminar"]:
            name = "orifice"
        elif abs(exponent - 1.0) <= PURE_WITHIN:
            name = "laminar"
    fit = {"orifice": orifice, "laminar": laminar, "mixed": best}[name]
    least = min(evidence.values())
    allowed = _allowed(data, orifice, laminar, (powers, (0.5, 1.0)), (sums, (0.0, 1.0)))
    return JudgedDecay(name, fit, exponent, lo, hi, {k: v - least for k, v in evidence.items()}, allowed)


def _with_noise(data: DecayData, warming_u_pa_s: float) -> tuple[DecayData, float]:
    """`data` with the size and colour of its noise and what warming would do, from the fit of a law of free form; and
    that form."""
    fits = [fit_decay(data, POWER, 0.4)]
    for form in FIRST_FORMS:
        fits.append(fit_decay(data, POWER, form, fits[-1]))
    form = _interval(np.array([0.4, *FIRST_FORMS]), np.array([f.deviance for f in fits]))[0]
    least = min(fits, key=lambda f: f.deviance)
    flexible = min(least, fit_decay(data, POWER, form, least), key=lambda f: f.deviance)
    rest = residual_of(data, flexible)
    density = relative_density(rest)
    white = float(np.mean((ordinates(rest) ** 2 / density)[SKIPPED:])) if len(rest) > 4 * SKIPPED else float(rest.var())
    left = shape(flexible.law, flexible.form, flexible.rate_per_s * data.t_s)
    pace = flexible.start_pa * flexible.rate_per_s * relative_rate(flexible.law, flexible.form, left)
    coloured = replace(
        data,
        noise_pa=max(math.sqrt(white), 1e-4 * flexible.start_pa, LEAST_NOISE_PA),
        density=density,
        warming_pa=warming_u_pa_s * seconds_of_warming(data.t_s, pace),
    )
    return coloured, flexible.form


def _allowed(
    data: DecayData,
    orifice: DecayFit,
    laminar: DecayFit,
    *families: tuple[list[DecayFit], tuple[float, float]],
) -> tuple[tuple[float, DecayFit], ...]:
    """Laws with their chances after the data: both pure ones, and points over the forms that each family allows.

    The prior over a family's forms is even over its physical range; a flexible law pays for its freedom by what it
    spends on forms that the data refuse (Bayesian averaging of models; Kass and Raftery, JASA 90 (1995) 773).
    """
    found = [(CHANCE_PURE, orifice), (CHANCE_PURE, laminar)]
    for fits, (least, most) in families:
        forms = np.array([f.form for f in fits])
        middle, lo, hi = _interval(forms, np.array([f.deviance for f in fits]))
        lo, hi = max(least, lo if lo is not None else least), min(most, hi if hi is not None else most)
        if lo >= hi:
            continue
        reach = 0.3 * (hi - lo)
        points = np.linspace(max(least, lo - reach), min(most, hi + reach), 9)
        step = float(points[1] - points[0])
        near = fits[int(np.argmin(np.abs(forms - middle)))]
        for k, form in enumerate(points):
            share = step / (most - least) * (0.5 if k in (0, len(points) - 1) else 1.0)
            found.append(((1.0 - 2.0 * CHANCE_PURE) / 2.0 * share, fit_decay(data, near.law, float(form), near)))
    bottom = min(f.deviance for _, f in found)
    weights = np.array([prior * math.exp(-0.5 * min(f.deviance - bottom, 1000.0)) for prior, f in found])
    weights /= weights.sum()
    return tuple((float(w), f) for w, (_, f) in zip(weights, found) if w > 1e-4)


def expansion_of(part: DecayPart) -> float:
    """c of `decay_models.bending`. Under pressure the outflow is denser as much as it expands: nothing is left."""
    return 0.75 / GAMMA_AIR / STANDARD_ATMOSPHERE_PA if part.sign < 0 else 0.0


def _profile(data: DecayData, law: str, forms: FloatArray, near: float) -> list[DecayFit]:
    """Fits over `forms`, from the one next to `near` both ways until the data refuse them; finer about the least."""
    first = int(np.argmin(np.abs(forms - near)))
    fits = [fit_decay(data, law, float(forms[first]))]
    least = fits[0].deviance
    for way in (range(first + 1, len(forms)), range(first - 1, -1, -1)):
        guess = fits[0] if way.step < 0 else fits[-1]
        for k in way:
            guess = fit_decay(data, law, float(forms[k]), guess)
            fits.insert(0 if way.step < 0 else len(fits), guess)
            least = min(least, guess.deviance)
            if guess.deviance > least + REFUSED:
                break
    # Where the data know the form better than the grid, its neighbours tell nothing of the shape of the least.
    step = float(np.min(np.diff(forms)))
    while step > LEAST_STEP:
        k = min(range(len(fits)), key=lambda i: fits[i].deviance)
        beside = [fits[i].deviance - fits[k].deviance for i in (k - 1, k + 1) if 0 <= i < len(fits)]
        if min(beside) < STEEP:
            break
        step /= 3.0
        middle = fits[k]
        around = [middle.form + step * j for j in (-2, -1, 1, 2)]
        inside = [form for form in around if fits[0].form < form < fits[-1].form]
        fits = sorted([*fits, *(fit_decay(data, law, form, middle) for form in inside)], key=lambda f: f.form)
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
            if width < forms[k + 1] - forms[k]:
                return best, best - width, best + width
            deviance = deviance - floor
        else:
            deviance = deviance - deviance[k]
    else:
        deviance = deviance - deviance[k]
    left = np.flatnonzero(deviance[:k] > 3.84)
    right = np.flatnonzero(deviance[k:] > 3.84)
    # The root of the deviance rises straight from the least, so that is what is read between the forms.
    lo = hi = None
    root = np.sqrt(np.maximum(deviance, 0.0))
    if len(left):
        i = int(left[-1])
        lo = float(np.interp(1.96, [root[i + 1], root[i]], [forms[i + 1], forms[i]]))
    if len(right):
        i = k + int(right[0])
        hi = float(np.interp(1.96, [root[i - 1], root[i]], [forms[i - 1], forms[i]]))
    return best, lo, hi
