"""Hose, blockage, response, noise and converter."""

import numpy as np
import pytest
from scipy import signal

from sumpglass.physics import line
from sumpglass.records import SensorLine
from sumpglass.simulate.noise import FlickerNoise, WanderNoise
from sumpglass.simulate.plant import Sensor
from sumpglass.simulate.sensor_line import Blockage, LineResponse, impulse_response
from sumpglass.simulate.sensor_output import Response, SensorOutput

HOSE = SensorLine(4e-3, 1.0, 1e-6)


@pytest.mark.parametrize("hose", [HOSE, SensorLine(2e-3, 0.3, 0.3e-6), SensorLine(5e-3, 1.8, 4e-6)])
def test_taps_have_the_lines_transfer(hose):
    taps = impulse_response(hose, 8000.0)
    frequency = np.linspace(1.0, 400.0, 200)
    ours = np.exp(-2j * np.pi * np.outer(frequency, np.arange(len(taps))) / 8000.0) @ taps
    theirs = line.transfer(frequency, hose)
    assert np.max(np.abs(ours - theirs)) < 0.01 * np.max(np.abs(theirs))


def test_sine_through_the_hose_in_blocks():
    # 4 mm hose, 1 m, 1 cm3: gain 1.1116 at 20 Hz (Bergh and Tijdeman, computed independently).
    t = np.arange(16000) / 8000.0
    response = LineResponse(HOSE, 8000.0)
    out = np.concatenate([response.take(block) for block in np.split(np.sin(2 * np.pi * 20 * t), 20)])
    assert np.max(np.abs(out[8000:])) == pytest.approx(1.1116, abs=0.002)
    assert len(out) == len(t)


def test_level_passes_any_hose():
    assert LineResponse(HOSE, 4000.0).take(np.full(400, -500.0)) == pytest.approx(-500.0)
    assert LineResponse(None, 4000.0).take(np.array([1.0, 2.0])) == pytest.approx([1.0, 2.0])


def test_blockage():
    t = np.arange(8000) / 8000.0
    swing = -500 + 300 * np.sin(2 * np.pi * 30 * t)
    assert Blockage(8000.0).take(swing, np.zeros(8000)) == pytest.approx(swing)
    plug = Blockage(8000.0)
    plug.take(np.full(10, -500.0), np.zeros(10))
    shut = plug.take(swing, np.ones(8000))
    assert np.std(shut) < 2.0
    assert np.mean(shut) == pytest.approx(-500, abs=10)
    slow = Blockage(8000.0).take(swing, np.full(8000, 0.6))
    assert 30 < np.std(slow[2000:]) < 0.6 * np.std(swing)


def test_response_time():
    # One pole: 10-90 % rise time is ln 9 times the time constant.
    step = np.concatenate((np.zeros(10), np.ones(2000)))
    out = Response(5e-3, 8000.0).take(step)
    rise = (np.argmax(out > 0.9) - np.argmax(out > 0.1)) / 8000.0
    assert rise == pytest.approx(np.log(9) * 5e-3, abs=2.5e-4)


def output(**changes):
    sensor = Sensor(**{"white_pa": 0.0, "flicker_pa": 0.0, **changes})
    return SensorOutput(sensor, 1000.0, np.random.default_rng(5))


def tell(out, membrane_pa, mode="well", began=0, drift=0.0):
    count = len(membrane_pa)
    t = np.arange(count) / 1000.0
    rpm, firings, drifts = np.full(count, 800.0), np.zeros(count, int), np.full(count, drift)
    analogue = out.analogue(t, membrane_pa, t * 800 / 60, rpm, firings, drifts)
    return out.convert(analogue, mode, began)


def test_counts_and_pascals():
    out = output(bits=12, headroom=0.0)
    codes, present = tell(out, np.array([-2500.0, -2000.0, 0.0, 2000.0, 9000.0]))
    assert codes.tolist() == [0, 0, 2048, 4095, 4095]
    assert present.all()
    readings = out.pascals(tell(out, np.linspace(-1990, 1990, 500))[0])
    assert np.max(np.abs(readings - np.linspace(-1990, 1990, 500))) <= out.sensor.resolution_pa / 2 + 1e-9


def test_errors_add_up():
    out = output(gain_error=0.02, offset_pa=15.0, bits=16)
    readings = out.pascals(tell(out, np.full(1000, -1000.0), drift=-10.0)[0])
    assert readings[0] == pytest.approx(-1005.0, abs=0.1)
    assert readings[-1] == pytest.approx(-1015.0, abs=0.1)


def test_sticky_codes():
    codes = tell(output(sticky_codes=3, headroom=0.0), np.linspace(-2000, 2000, 4096))[0]
    counted = np.bincount(codes, minlength=4096)
    for centre in (512, 1536, 2560, 3584):
        assert counted[centre] >= 6
        assert counted[centre - 3 : centre].sum() == 0


def test_failures():
    steady = np.linspace(-100, 100, 50)
    assert set(tell(output(), steady, "rail_high")[0]) == {4095}
    assert set(tell(output(), steady, "rail_low")[0]) == {0}
    stuck = tell(output(), steady, "stuck", 20)[0]
    assert len(set(stuck[19:])) == 1 and len(set(stuck[:20])) > 5
    assert not tell(output(), steady, "missing", 30)[1][30:].any()
    assert 0.4 < tell(output(), np.zeros(2000), "dropouts")[1].mean() < 0.9
    assert np.ptp(tell(output(), steady, "dead")[0]) <= 2


def test_stuck_stays_over_blocks_and_lets_go():
    out = output()
    held = tell(out, np.linspace(0, 500, 50), "stuck", 25)[0][-1]
    assert set(tell(out, np.linspace(500, 900, 50), "stuck")[0]) == {held}
    assert len(set(tell(out, np.linspace(500, 900, 50), "well")[0])) > 5


def test_wander_has_its_size_and_time():
    noise = WanderNoise(np.random.default_rng(1), 100.0, 0.5, 2.0)
    values = np.concatenate([noise.take(500) for _ in range(200)])
    assert np.std(values) == pytest.approx(2.0, rel=0.05)
    lag = np.corrcoef(values[:-50], values[50:])[0, 1]
    assert lag == pytest.approx(np.exp(-1.0), abs=0.05)


def test_flicker_falls_as_one_over_f():
    noise = FlickerNoise(np.random.default_rng(2), 200.0, 3.0)
    values = np.concatenate([noise.take(1000) for _ in range(400)])
    frequency, density = signal.welch(values, 200.0, nperseg=16384)
    fitted = (frequency > 0.05) & (frequency < 20)
    slope = np.polyfit(np.log(frequency[fitted]), np.log(density[fitted]), 1)[0]
    assert slope == pytest.approx(-1.0, abs=0.12)
    assert np.std(values) == pytest.approx(3.0, rel=0.1)
