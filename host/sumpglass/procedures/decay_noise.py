"""Colour of the noise about a decay, and the whitening that it asks for.

The residuals of a first fit are turned into cosine ordinates (DCT-II, orthonormal), which all but decorrelate any
stationary noise. Their density is modelled as white noise with 1/f, or with a noise of finite memory, on top; each
model is weighed by Whittle's likelihood (Whittle, Arkiv for Matematik 2 (1953) 423), and the weighted mean of the
densities is what the fits of the laws are weighted by. A fit takes the slowest ordinates out of its own residuals, so
they are left out here and the model speaks for them.
"""

from __future__ import annotations

import numpy as np

from sumpglass.records import FloatArray

SKIPPED = 5
"""Slowest ordinates, that a law with its start, rate, form and zero can follow."""
SLOW_SHARES = np.concatenate([[0.0], np.geomspace(0.02, 400.0, 15)])
"""Density of the slow part, at ordinate 10, over that of the white part."""
KNEES = (3.0, 10.0, 30.0, 100.0)
"""Ordinates above which a noise of finite memory falls off."""


def ordinates(values: FloatArray) -> FloatArray:
    """Cosine ordinates of a series (n,) or of columns (n, k)."""
    from scipy.fft import dct

    return np.asarray(dct(values, type=2, norm="ortho", axis=0))


def relative_density(residual: FloatArray) -> FloatArray:
    """Density (n,) of the noise of which `residual` (n,) is what a fit has left, over its white floor."""
    n = len(residual)
    k = np.arange(n, dtype=float)
    shapes = [10.0 / np.maximum(k, 0.5), (10.0 / np.maximum(k, 0.5)) ** 2]
    shapes += [1.0 / (1.0 + (k / knee) ** 2) * (1.0 + (10.0 / knee) ** 2) for knee in KNEES if knee < n / 3]
    if n < 4 * SKIPPED:
        return np.ones(n)
    power = ordinates(residual)[SKIPPED:] ** 2
    used = n - SKIPPED
    models, costs = [], []
    for place, shape in enumerate(shapes):
        for share in SLOW_SHARES[0 if place == 0 else 1 :]:
            density = 1.0 + share * shape
            floor = max(float(np.mean(power / density[SKIPPED:])), 1e-12)
            models.append(density * floor)
            costs.append(used * np.log(floor) + float(np.sum(np.log(density[SKIPPED:]))))
    weight = np.exp(-0.5 * (np.array(costs) - min(costs)))
    mean = np.asarray(weight @ np.array(models) / weight.sum())
    return mean / float(mean[-1])
