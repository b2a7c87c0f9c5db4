"""A signal that is cut off at the end of the range, and one that comes to rest on its deepest code by itself."""

import numpy as np
import pytest

from sumpglass.procedures.clipping import resting_end_pa


def filling(towards_pa, end_pa, step_pa):
    """From -400 Pa towards a level in half a second's time constant, cut off at `end_pa`, in codes."""
    t = np.arange(1200) / 100.0
    p = np.where(t < 3.0, -400.0, towards_pa + (-400.0 - towards_pa) * np.exp(-(t - 3.0) / 0.5))
    return np.round(np.maximum(p, end_pa) / step_pa) * step_pa


@pytest.mark.parametrize("step_pa", [1.0, 5.0])
@pytest.mark.parametrize(
    ("towards_pa", "end_pa", "cut"),
    [(-1480.0, -9e9, False), (-3000.0, -1480.0, True), (-1900.0, -1480.0, True), (-2600.0, -2000.0, True)],
)
def test_coarse_codes_are_no_end_of_the_range(towards_pa, end_pa, step_pa, cut):
    found = resting_end_pa(filling(towards_pa, end_pa, step_pa))
    assert (found is not None) == cut


def test_a_signal_that_creeps_to_the_end_of_a_common_range_is_still_cut_off():
    assert resting_end_pa(filling(-2010.0, -2000.0, 1.0)) == -2000.0
