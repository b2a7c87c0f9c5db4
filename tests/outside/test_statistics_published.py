"""Statistics held against published values: NIST's reference sets, the 1000-point Allan set, the Nile's flow."""

import numpy as np
import pytest

from sumpglass.analysis import statistics
from sumpglass.analysis.happenings.onset import fit_change
from sumpglass.analysis.statistics import (
    allan_deviation,
    lag_one,
    mean_and_variance,
    mean_with_autocorrelation,
    student_95,
)

# NIST Statistical Reference Datasets, univariate summary statistics, Lew.dat (beam deflections), public domain.
LEW = np.fromstring("""
-213 -564 -35 -15 141 115 -420 -360 203 -338 -431 194 -220 -513 154 -125 -559 92 -21 -579 -52 99 -543 -175 162 -457
-346 204 -300 -474 164 -107 -572 -8 83 -541 -224 180 -420 -374 201 -236 -531 83 27 -564 -112 131 -507 -254 199 -311
-495 143 -46 -579 -90 136 -472 -338 202 -287 -477 169 -124 -568 17 48 -568 -135 162 -430 -422 172 -74 -577 -13 92
-534 -243 194 -355 -465 156 -81 -578 -64 139 -449 -384 193 -198 -538 110 -44 -577 -6 66 -552 -164 161 -460 -344 205
-281 -504 134 -28 -576 -118 156 -437 -381 200 -220 -540 83 11 -568 -160 172 -414 -408 188 -125 -572 -32 139 -492
-321 205 -262 -504 142 -83 -574 0 48 -571 -106 137 -501 -266 190 -391 -406 194 -186 -553 83 -13 -577 -49 103 -515
-280 201 300 -506 131 -45 -578 -80 138 -462 -361 201 -211 -554 32 74 -533 -235 187 -372 -442 182 -147 -566 25 68
-535 -244 194 -351 -463 174 -125 -570 15 72 -550 -190 172 -424 -385 198 -218 -536 96
""", sep=" ")  # fmt: skip

# Annual flow of the Nile at Aswan 1871 to 1970, 1e8 m3 (Cobb 1978, Biometrika 65, 243-251; break after 1898).
NILE = np.fromstring("""
1120 1160 963 1210 1160 1160 813 1230 1370 1140 995 935 1110 994 1020 960 1180 799 958 1140 1100 1210 1150 1250 1260
1220 1030 1100 774 840 874 694 940 833 701 916 692 1020 1050 969 831 726 456 824 702 1120 1100 832 764 821 768 845
864 862 698 845 744 796 1040 759 781 865 845 944 984 897 822 1010 771 676 649 846 812 742 801 1040 860 874 848 890
744 749 838 1050 918 986 797 923 975 815 1020 906 901 1170 912 746 919 718 714 740
""", sep=" ")  # fmt: skip


def test_lew_mean_and_autocorrelation_are_the_certified_ones():
    # NIST StRD Lew: mean -177.435, SD 277.332168044316, lag-1 autocorrelation -0.307304800605679.
    assert len(LEW) == 200
    assert mean_with_autocorrelation(LEW).value == pytest.approx(-177.435, abs=1e-12)
    assert LEW.std(ddof=1) == pytest.approx(277.332168044316, rel=1e-14)
    assert lag_one(LEW) == pytest.approx(-0.307304800605679, rel=1e-13)


def test_numacc4_keeps_its_digits():
    # NIST StRD NumAcc4: 10000000.2, then 1000 values that alternate 10000000.1 and 10000000.3; SD 0.1, lag one -0.999.
    values = np.concatenate([[10000000.2], np.tile([10000000.1, 10000000.3], 500)])
    assert mean_with_autocorrelation(values).value == pytest.approx(10000000.2, abs=1e-8)
    assert values.std(ddof=1) == pytest.approx(0.1, rel=1e-6)
    assert lag_one(values) == pytest.approx(-0.999, rel=1e-6)


@pytest.mark.parametrize("piece", [64, 7, 1 << 14])
def test_mean_and_deviation_read_in_pieces_are_the_certified_ones(monkeypatch, piece):
    monkeypatch.setattr(statistics, "CACHED", piece)
    # NIST StRD Lew and NumAcc4, as above.
    mean, variance = mean_and_variance(LEW)
    assert mean == pytest.approx(-177.435, rel=1e-14)
    assert np.sqrt(variance * 200 / 199) == pytest.approx(277.332168044316, rel=1e-14)
    mean, variance = mean_and_variance(np.concatenate([[10000000.2], np.tile([10000000.1, 10000000.3], 500)]))
    assert mean == pytest.approx(10000000.2, abs=1e-8) and np.sqrt(variance * 1001 / 1000) == pytest.approx(0.1, 1e-6)


def nbs14() -> np.ndarray:
    """The 1000-point set of NBS Monograph 140 / NIST SP 1065, section 12: frequency data from a congruential rule."""
    number, values = 1234567890, []
    for _ in range(1000):
        values.append(number / 2147483647)
        number = (16807 * number) % 2147483647
    return np.array(values)


def test_allan_deviation_of_the_1000_point_set():
    # NIST SP 1065, table 31: overlapping Allan deviation at 1, 10, 100 s.
    found = allan_deviation(nbs14(), [1, 10, 100])
    assert found == pytest.approx([0.2922319, 0.09159953, 0.03241343], rel=2e-7)


def test_allan_deviation_agrees_with_allantools():
    allantools = pytest.importorskip("allantools")
    noise = np.random.default_rng(3).standard_normal(4000).cumsum() * 0.1 + np.random.default_rng(4).standard_normal(
        4000
    )
    sizes = [1, 3, 10, 40, 150]
    _, theirs, _, _ = allantools.oadev(noise, rate=1.0, data_type="freq", taus=sizes)
    assert allan_deviation(noise, sizes) == pytest.approx(theirs, rel=1e-9)


def test_student_factor_is_that_of_the_tables():
    # Two-sided 95 % points of Student's t, any table: 12.706, 4.303, 3.182, 2.571, 2.228, 1.980 (120), 1.960.
    for freedom, wanted in ((1, 12.706), (2, 4.303), (3, 3.182), (5, 2.571), (10, 2.228), (120, 1.980), (1e6, 1.960)):
        assert student_95(freedom) == pytest.approx(wanted, abs=0.012)


def test_the_nile_changed_after_1898():
    change = fit_change(NILE, 1.0, 3, 5, 94)
    assert change is not None
    assert round(change.start) + 1871 in (1898, 1899)
    # Means before and after as Cobb gives them: 1097.75 and 849.97.
    assert change.before_pa == pytest.approx(1097.75, abs=15)
    assert change.after_pa == pytest.approx(849.97, abs=15)
