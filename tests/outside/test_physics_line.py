"""Sensor line: against the measured and computed responses of NLR-TR F.238 (Bergh and Tijdeman 1965)."""

import numpy as np
import pytest

from sumpglass.physics import line
from sumpglass.records import SensorLine

F238 = {"temperature_k": 288.15, "pressure_pa": 101325.0, "viscosity_pa_s": 1.82e-5}


@pytest.mark.parametrize(
    ("radius_mm", "length_mm", "digitised", "calculated"),
    [(0.50, 500, (79.6, 1.61), (75.2, 1.576)), (0.75, 500, (110.6, 3.21), (108.0, 3.194)),
     (1.25, 500, (139.1, 6.00), (137.1, 6.031)), (0.75, 1000, (57.9, 2.15), (56.8, 2.147)),
     (1.25, 1000, (68.3, 4.18), (69.2, 4.160)), (1.25, 3000, (21.1, 2.11), (21.4, 2.137))],
)  # fmt: skip
def test_first_resonance(radius_mm, length_mm, digitised, calculated):
    hose = SensorLine(2e-3 * radius_mm, length_mm / 1e3, 300e-9)
    frequency, gain = line.peak(hose, **F238)
    assert frequency == pytest.approx(calculated[0], abs=0.06)
    assert gain == pytest.approx(calculated[1], abs=6e-4)
    # Figures read off the report's plots.
    assert frequency == pytest.approx(digitised[0], rel=0.06)
    assert gain == pytest.approx(digitised[1], rel=0.025)


def test_one_metre_of_four_millimetre_hose():
    # 20 degC, mu 1.81e-5, rho 1.2041, volume 1 cm3, computed independently.
    hose = SensorLine(4e-3, 1.0, 1e-6)
    state = {"viscosity_pa_s": 1.81e-5, "density_kg_m3": 1.2041}
    frequency, gain = line.peak(hose, 293.15, **state)
    assert frequency == pytest.approx(72.67, abs=0.006)
    assert gain == pytest.approx(6.919, abs=6e-4)
    sizes = np.abs(line.transfer(np.array([10.0, 20.0]), hose, **state))
    assert sizes == pytest.approx([1.0279, 1.1116], abs=6e-5)
    frequency, gain = line.peak(hose, 293.15, viscosity_pa_s=1.82e-5, density_kg_m3=1.2041)
    assert (frequency, gain) == (pytest.approx(72.65, abs=0.006), pytest.approx(6.899, abs=6e-4))
