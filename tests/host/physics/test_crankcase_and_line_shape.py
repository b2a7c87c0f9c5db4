"""Firing layouts, swept volume and sensor line as functions."""

import numpy as np
import pytest

from sumpglass.physics import crankcase, line
from sumpglass.records import SensorLine


@pytest.mark.parametrize("cylinders", range(1, 9))
def test_even_firing(cylinders):
    angles = crankcase.firing_angles_deg(cylinders)
    geometry = crankcase.CrankGeometry(0.1, 0.1, 0.16, angles)
    assert geometry.even
    assert geometry.cylinders == cylinders
    assert geometry.displacement_m3 == pytest.approx(cylinders * np.pi / 4 * 1e-3)


def test_uneven_firing():
    assert crankcase.firing_angles_deg(2, "odd_vee", 90) == (0.0, 270.0)
    assert crankcase.firing_angles_deg(6, "odd_vee", 90) == (0.0, 90.0, 240.0, 330.0, 480.0, 570.0)
    assert not crankcase.CrankGeometry(0.1, 0.1, 0.16, crankcase.firing_angles_deg(2, "twin_180")).even


@pytest.mark.parametrize(("cylinders", "layout"), [(0, "inline"), (9, "inline"), (3, "twin_180"), (4, "wankel")])
def test_impossible_engines(cylinders, layout):
    with pytest.raises(ValueError, match="expected"):
        crankcase.firing_angles_deg(cylinders, layout)


def test_piston_ends_of_travel():
    assert crankcase.piston_travel_m(0.0, 0.1, 0.16) == pytest.approx(0.0)
    assert crankcase.piston_travel_m(np.pi, 0.1, 0.16) == pytest.approx(0.1)
    assert crankcase.piston_travel_m(np.pi / 2, 0.1, 0.16) > 0.05  # past half way: the rod's slant


def test_mean_swept_volume():
    geometry = crankcase.CrankGeometry(0.08, 0.09, 0.14, crankcase.firing_angles_deg(4))
    assert crankcase.mean_swept_volume_m3(geometry) == pytest.approx(crankcase.order_amplitudes_m3(geometry)[0])


def test_line_limits():
    hose = SensorLine(4e-3, 1.0, 1e-6)
    assert line.transfer(0.0, hose) == pytest.approx(1.0)
    assert line.transfer(np.array([-30.0]), hose) == pytest.approx(np.conj(line.transfer(np.array([30.0]), hose)))
    assert line.gain(np.array([5.0, 50.0]), None) == pytest.approx([1.0, 1.0])
    assert line.peak(SensorLine(0.3e-3, 3.0, 5e-6)) == (0.0, 1.0)  # narrow and long: overdamped
    assert 10 < line.corner_hz(hose) < 20  # 1.0279 at 10 Hz, 1.1116 at 20 Hz
    assert np.abs(line.transfer(5000.0, SensorLine(20e-3, 2.0, 1e-6))) < 10  # no overflow in a wide bore


def test_amplitude_correction():
    hose = SensorLine(4e-3, 1.0, 1e-6)
    frequency = np.array([10.0, 60.0])
    measured = 50.0 * line.gain(frequency, hose)
    assert line.corrected_amplitude_pa(measured, frequency, hose) == pytest.approx([50.0, 50.0])
    narrow = SensorLine(0.4e-3, 2.0, 5e-6)
    assert np.isnan(line.corrected_amplitude_pa(1.0, 200.0, narrow))
