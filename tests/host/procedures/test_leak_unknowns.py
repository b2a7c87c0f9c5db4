"""What nobody told of a recording: the hose to the sensor, and the zero."""

import math

import numpy as np
import pytest

from sumpglass.procedures.leak_size import size_leak
from sumpglass.procedures.leak_zero import WIDE_ZERO_U_PA, zero_uncertainties_pa
from sumpglass.procedures.openings import Reading, Room, swing_shifts_pa
from sumpglass.procedures.settled import level_of
from sumpglass.procedures.unknown_hose import HOSES, at_port_pa, likely_hoses, unknown_hose_errors_pa

LEAK_MM2, RHO = 2.5, 1.2041


def recorded(offset_pa):
    """Square-law levels of one leak with the same offset on all."""
    rows = []
    for bore in (5.0, 4.0, 3.2, 2.5, 1.6):
        vacuum = (9e-5 / (0.61e-6 * (LEAK_MM2 + math.pi / 4 * bore**2))) ** 2 / (2 * RHO)
        rows.append(Reading(bore, vacuum + offset_pa, max(0.5, 0.004 * vacuum), name="recorded 0 to 9 s"))
    return rows


def test_a_zero_that_is_right_is_left_alone():
    assert zero_uncertainties_pa(recorded(0.0), Room(), 5.0, WIDE_ZERO_U_PA, 0.01) == [5.0]


def test_a_zero_that_nobody_took_may_be_far_off_and_the_leak_is_held():
    size = size_leak(recorded(60.0), Room(), 5.0, wide_zero_u_pa=WIDE_ZERO_U_PA)
    assert size.lo95_mm2 <= LEAK_MM2 <= size.hi95_mm2
    assert "zero were off" in size.warnings[0]


def test_likely_hoses_differ_and_leave_the_mean():
    hoses = likely_hoses()
    assert len(set(hoses)) == HOSES
    t = np.arange(4000) / 1000.0
    seen = -300 + 200 * np.sin(2 * np.pi * 30 * t)
    assert at_port_pa(seen, 1000.0, hoses[0]).mean() == pytest.approx(-300, abs=1)


@pytest.mark.parametrize(("amplitude", "matters"), [(5.0, False), (900.0, True)])
def test_only_pulses_that_are_large_beside_the_level_need_the_hose(amplitude, matters):
    t = np.arange(8000) / 1000.0
    level = level_of(t, -400 + amplitude * np.sin(2 * np.pi * 30 * t))
    errors = unknown_hose_errors_pa(level, 1000.0, 400.0)
    assert bool(len(errors) and np.abs(errors).max() > 1.0) == matters


def test_the_form_of_small_pulses_shifts_nothing_that_of_large_ones_does():
    small, large = swing_shifts_pa(1000.0, 5.0, Room()), swing_shifts_pa(100.0, 300.0, Room())
    assert np.abs(small[1]).max() < 0.1
    assert np.abs(large[1]).max() > 3.0
    assert swing_shifts_pa(100.0, 0.0, Room())[0] == 0.0
