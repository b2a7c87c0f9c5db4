"""What nobody told of a recording: the hose to the sensor, and the zero."""

import math
from dataclasses import fields, replace

import numpy as np
import pytest

from sumpglass.procedures.leak_answer import answer_of
from sumpglass.procedures.leak_hoses import hoses_of
from sumpglass.procedures.leak_rows import Fitted
from sumpglass.procedures.leak_size import size_leak
from sumpglass.procedures.leak_ways import WIDE_ZERO_U_PA, Told, ways_of
from sumpglass.procedures.openings import Reading, Room, swing_shifts_pa
from sumpglass.procedures.settled import level_of
from sumpglass.procedures.unknown_hose import HOSES, at_port_pa, likely_hoses, unknown_hose_shapes_pa

LEAK_MM2, RHO = 2.5, 1.2041


def recorded(offset_pa):
    """Square-law levels of one leak with the same offset on all."""
    rows = []
    for bore in (5.0, 4.0, 3.2, 2.5, 1.6):
        vacuum = (9e-5 / (0.61e-6 * (LEAK_MM2 + math.pi / 4 * bore**2))) ** 2 / (2 * RHO)
        rows.append(Reading(bore, vacuum + offset_pa, max(0.5, 0.004 * vacuum), name="recorded 0 to 9 s"))
    return rows


def test_the_ways_to_read_a_series_share_its_chance_and_a_zero_that_is_right_is_likeliest():
    ways = ways_of(recorded(0.0), Room(), Told(5.0, True, 0.01, 3500.0, None, WIDE_ZERO_U_PA))
    assert sum(w.chance for w in ways) == pytest.approx(1.0)
    assert ways[0].zero_u_pa == 5.0


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
    shapes = unknown_hose_shapes_pa(level, 1000.0, 400.0)
    readings = [Reading(3.0, 400.0, 1.0, shape_pa=-level.swing_pa, name="recorded", hose_shapes_pa=shapes)]
    groups = hoses_of(readings, Room())
    assert bool(groups) == matters
    assert sum(share for _, share in groups) <= 1.0


def test_a_zero_runs_away_with_the_time_since_it_was_taken():
    early, late = (
        size_leak([replace(r, zero_age_s=age * (k + 1)) for k, r in enumerate(recorded(0.0))], Room(), 0.2)
        for age in (0.0, 60.0)
    )
    assert late.hi95_mm2 - late.lo95_mm2 > 1.05 * (early.hi95_mm2 - early.lo95_mm2)


def test_the_form_of_small_pulses_shifts_nothing_that_of_large_ones_does():
    small, large = swing_shifts_pa(1000.0, 5.0, Room()), swing_shifts_pa(100.0, 300.0, Room())
    assert np.abs(small[1]).max() < 0.1
    assert np.abs(large[1]).max() > 3.0
    assert swing_shifts_pa(100.0, 0.0, Room())[0] == 0.0


def test_a_way_to_read_the_series_that_leaves_no_bent_source_is_weighed_with_the_others():
    told = Told(5.0, True, 0.01, 3500.0, None, WIDE_ZERO_U_PA)
    parts = [w.weighed for w in ways_of(recorded(0.0), Room(), told)]
    sources = parts[0].sources
    straight = sources.of(["choked"])
    fitted = Fitted(*(getattr(sources.fitted, f.name)[straight] for f in fields(Fitted)))
    bare = replace(
        sources, rows=tuple(sources.rows[i] for i in straight), best_mm2=sources.best_mm2[straight],
        least=sources.least[straight], fitted=fitted,
    )  # fmt: skip
    parts[0] = replace(
        parts[0], sources=bare, log_weight=parts[0].log_weight[straight], draw_sd=parts[0].draw_sd[straight]
    )
    for some in (parts, parts[:1]):
        answer = answer_of(some)
        assert answer.bent is False
        assert answer.area_lo95_mm2 <= LEAK_MM2 <= answer.area_hi95_mm2


@pytest.mark.parametrize("bypass", [0.0, 0.12])
def test_a_membrane_that_shuts_late_beside_a_bypass_is_held_though_no_family_is_just_so(bypass):
    def share(vacuum):
        return bypass + (1.0 - bypass) * min(max((1100.0 - vacuum) / 700.0, 0.0), 1.0)

    readings = []
    for bore in (6.0, 4.5, 4.0, 2.2, 1.8, 0.0):
        low, high = 0.0, 1100.0
        for _ in range(50):
            vacuum = 0.5 * (low + high)
            drawn = 9e-5 * share(vacuum) - 0.61e-6 * (1.2 + math.pi / 4 * bore**2) * math.sqrt(2 * RHO * vacuum)
            low, high = (vacuum, high) if drawn > 0 else (low, vacuum)
        readings.append(Reading(bore, vacuum, math.hypot(1.0, 0.003 * vacuum)))
    size = size_leak(readings)
    assert size.bent
    assert size.lo95_mm2 <= 1.2 <= size.hi95_mm2
    assert size.net_draw_at_cd_lo95 <= 9e-5 / RHO * 60e3 <= size.net_draw_at_cd_hi95


def test_behind_a_hose_that_nobody_told_the_gas_may_be_warm_or_not():
    t = np.arange(8000) / 1000.0
    readings = []
    for bore, vacuum in ((5.0, 150.0), (3.2, 400.0), (2.0, 1400.0)):
        level = level_of(t, -vacuum + 900 * np.sin(2 * np.pi * 30 * t))
        shapes = unknown_hose_shapes_pa(level, 1000.0, vacuum)
        readings.append(Reading(bore, vacuum, 5.0, shape_pa=-level.swing_pa, name="recorded", hose_shapes_pa=shapes))
    groups = hoses_of(readings, Room())
    swings = [np.std(behind[0].shape_pa) for behind, _ in groups]
    assert min(swings) < 0.9 * np.std(readings[0].shape_pa), "the hose that changes most stands for itself"
    ways = ways_of(readings, Room(), Told(5.0, True, 0.005, 3500.0, 343.15, None))
    assert {w.room.gas_k for w in ways if w.hose} == {None, 343.15}
    assert sum(w.chance for w in ways) == pytest.approx(1.0)
