"""A calibration: residuals and lack of fit told, never edited, old recordings read again under it."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sumpglass.analysis.calibration import (
    CalibrationPoint,
    apply_calibration,
    calibrate,
    calibration_fields,
    calibration_from_fields,
)
from sumpglass.analysis.water_column import WaterColumn, column_pascals
from sumpglass.errors import InputError
from sumpglass.records import Recording, SensorFacts, Zero

COLUMN = WaterColumn("u_tube", water_c=18.0, latitude_deg=48.0, altitude_m=300.0)


def points_at(mm, gain=0.96, offset_pa=12.0, rng=None, bend=0.0):
    """What a rig shows whose true line is `true = offset + gain * indicated`, with the column's own reading errors."""
    rng = rng or np.random.default_rng(0)
    made = []
    for reading in mm:
        true = float(column_pascals(COLUMN, reading + rng.normal(0, COLUMN.u_reading_mm)))
        made.append(
            CalibrationPoint(reading, (true - offset_pa) / gain + bend * (true / 1000) ** 2 + rng.normal(0, 0.5), 0.5)
        )
    return made


def test_intervals_hold_the_true_line():
    held = {0: 0, 1: 0}
    for seed in range(300):
        result = calibrate(points_at((-150, -75, 0, 75, 150), rng=np.random.default_rng(seed)), COLUMN)
        held[0] += abs(result.offset_pa - 12.0) <= result.coverage * math.sqrt(result.covariance[0][0])
        held[1] += abs(result.gain - 0.96) <= result.coverage * math.sqrt(result.covariance[1][1])
    assert 0.92 < held[0] / 300 <= 0.99
    assert 0.92 < held[1] / 300 <= 1.0


def test_a_bent_sensor_and_a_misread_point_are_told():
    bent = calibrate(points_at((-200, -100, 0, 100, 200), bend=15.0), COLUMN)
    assert "off a straight line" in " ".join(bent.warnings)
    points = points_at((-150, -75, 0, 75, 150))
    points[1] = replace(points[1], reading_mm=-57.0)
    wrong = calibrate(points, COLUMN)
    assert "off a straight line" in " ".join(wrong.warnings)
    straight = calibrate(points_at((-150, -75, 0, 75, 150)), COLUMN)
    assert straight.warnings == ()
    assert wrong.covariance[1][1] > straight.covariance[1][1]


def test_lack_of_fit_is_called_for_nothing_once_in_a_hundred():
    called = sum(
        bool(calibrate(points_at((-150, -75, 0, 75, 150), rng=np.random.default_rng((3, seed))), COLUMN).warnings)
        for seed in range(400)
    )
    assert called <= 10


def test_two_points_are_taken_and_said_to_be_unchecked():
    result = calibrate(points_at((-100, 100)), COLUMN)
    assert result.p_value is None
    assert "third" in result.warnings[0]


def test_swapped_ports_are_told():
    points = [CalibrationPoint(-p.reading_mm, p.indicated_pa, 0.5) for p in points_at((-100, 0, 100))]
    assert "other port" in " ".join(calibrate(points, COLUMN).warnings)


def test_recording_is_read_again_and_the_first_reading_stays():
    calibration = calibrate(points_at((-150, 0, 150)), COLUMN, date="2031-04-02T09:00:00Z")
    shown = np.array([-500.0, -510.0, np.nan, -490.0])
    before = Recording(
        np.arange(4) / 100, shown, sensor=SensorFacts("MPXV7002-ads1115", -2000.0, 2000.0, 0.19, 0.0625, 250.0),
        zero=Zero(-10.0, 1.0), pressure_low_pa=shown - 5, pressure_high_pa=shown + 5, mean_square_pa2=shown**2 + 4.0,
    )  # fmt: skip
    after = apply_calibration(before, calibration)
    assert np.array_equal(before.pressure_pa, shown, equal_nan=True)
    true = calibration.offset_pa + calibration.gain * shown
    assert after.pressure_pa == pytest.approx(true, nan_ok=True)
    # The variance in a bin goes with the square of the gain, whatever the offset.
    variance = after.mean_square_pa2 - true**2
    assert variance == pytest.approx(np.array([4.0, 4.0, np.nan, 4.0]) * calibration.gain**2, nan_ok=True, rel=1e-6)
    assert after.zero.pressure_pa == pytest.approx(calibration.offset_pa - 10 * calibration.gain)
    # Pressure above zero does not depend on the calibration's offset.
    assert after.pressure_pa[0] - after.zero.pressure_pa == pytest.approx(calibration.gain * -490.0)
    assert after.sensor.gain_relative_u95 < 0.02 < before.sensor.gain_relative_u95
    assert after.sensor.offset_u95_pa < 50
    assert "2031-04-02" in after.warnings[-1]


def test_beyond_the_calibrated_pressures_is_told():
    calibration = calibrate(points_at((-50, 0, 50)), COLUMN)
    far = apply_calibration(Recording(np.arange(2.0), np.array([-1900.0, -1800.0])), calibration)
    assert "beyond" in far.warnings[-1]


def test_written_and_read_back():
    calibration = calibrate(points_at((-150, 0, 70, 150)), COLUMN, rig="shed 2", part="XGZP6897D-5K", channel=1)
    back = calibration_from_fields(json.loads(json.dumps(calibration_fields(calibration))))
    assert back == calibration
    with pytest.raises(InputError, match="not a calibration"):
        calibration_from_fields({"gain": 1.0})


@given(st.floats(0.7, 1.4), st.floats(-300, 300), st.lists(st.integers(-200, 200), min_size=3, max_size=8, unique=True))
def test_exact_readings_give_the_line_back(gain, offset, mm):
    points = [CalibrationPoint(m, (float(column_pascals(COLUMN, m)) - offset) / gain, 0.5) for m in mm]
    result = calibrate(points, COLUMN)
    assert result.gain == pytest.approx(gain, rel=1e-6)
    assert result.offset_pa == pytest.approx(offset, rel=1e-6, abs=1e-4)
