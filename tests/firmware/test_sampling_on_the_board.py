"""Readings of the real firmware against what its sensors were given: values, times, faults, forms, rates."""

import numpy as np
import pytest
from boards import named, readings, run_on_board, run_requests

from sumpglass.link.virtual_feed import ArraySource, SineSource
from sumpglass_wire import layouts as wire

START = (wire.START, {"channel_mask": 0})
SENSORS = {
    "analogue": {"sensor": "analogue"},
    "ratiometric": {"sensor": "analogue", "reference_pin": 27},
    "ads1115": {"sensor": "ads1115"},
    "sdp8xx": {"sensor": "sdp8xx"},
    "sdp8xx of 125 Pa": {"sensor": "sdp8xx", "range_pa": 125},
    "bridge14": {"sensor": "bridge14", "low_pa": -1600, "high_pa": 1600},
}


def settings(*channels, **more):
    return {"channels": list(channels), **more}


@pytest.mark.parametrize("name", SENSORS)
def test_values_and_times_are_those_of_the_pressure(name):
    source = SineSource(-60.0, 40.0, 8.3)
    messages = run_requests(source, 5.0, [START], settings=settings(SENSORS[name]))
    t, values, _ = readings(messages)
    good = np.isfinite(values)
    assert good.sum() > 0.95 * len(values) - (300 if name == "ratiometric" else 0)
    t, values = t[good], values[good]
    assert np.sqrt(np.mean((values - source.at(t)) ** 2)) < 1.0  # converter noise of a code, averaged
    delays = np.arange(-1.0e-3, 1.0e-3, 2.0e-5)
    best = min(delays, key=lambda delay: np.std(values - source.at(t + delay)))
    assert abs(best) <= 1.0e-4


def test_a_supply_that_sags_falls_out_of_a_ratiometric_reading():
    sagging = {"sensor": "analogue", "reference_pin": 27, "true_supply_v": 4.75}
    _, values, _ = readings(run_requests(-1000.0, 5.0, [START], settings=settings(sagging)))
    assert np.nanmean(values) == pytest.approx(-1000.0, abs=3.0)
    fixed = {"sensor": "analogue", "true_supply_v": 4.75}
    _, values, _ = readings(run_requests(0.0, 3.0, [START], settings=settings(fixed)))
    # MPXV7002 law: zero at 4.75 V read as at 5.00 V is (4.75/5 * 0.5 - 0.5)/0.2 kPa.
    assert np.nanmean(values) == pytest.approx(-125.0, abs=2.0)


FAULTS = [
    ("analogue", "rail_low", 4), ("analogue", "rail_high", 5), ("analogue", "stuck", 3),
    ("ads1115", "absent", 1), ("ads1115", "not_ready", 7), ("ads1115", "stuck", 3), ("ads1115", "bus_held", 1),
    ("ads1115", "rail_low", 4), ("ads1115", "rail_high", 5),
    ("sdp8xx", "absent", 1), ("sdp8xx", "bad_checksum", 2), ("sdp8xx", "stuck", 3), ("sdp8xx", "bus_held", 1),
]  # fmt: skip


@pytest.mark.parametrize(("sensor", "fault", "kind"), FAULTS)
def test_a_fault_is_told_with_its_kind_and_is_no_pressure(sensor, fault, kind):
    source = SineSource(-60.0, 40.0, 8.3)
    messages = run_requests(
        source, 8.0, [START], settings=settings(SENSORS[sensor]), extra={"faults": [(1_500_000, 5_500_000, 0, fault)]}
    )
    t, values, _ = readings(messages)
    patience = 2.1 if fault == "stuck" else 0.02
    during = (t > 1.5 + patience) & (t < 5.45)
    assert during.sum() > 500
    assert np.isnan(values[during]).all()
    after = t > 5.75
    assert np.isfinite(values[after]).all()
    assert np.abs(values[after] - source.at(t[after])).max() < 2.0
    told = [(m["time_us"] / 1e6, [f["kind"] for f in m["faults"]]) for m in named(messages, "status")]
    begins = [at for at, kinds in told if kind in kinds]
    assert begins and begins[0] < 1.5 + patience + 0.3
    assert not told[-1][1]


def test_out_of_range_is_told_and_sent_at_the_limit_that_identity_names():
    messages = run_requests(-2500.0, 4.0, [START])
    facts = named(messages, "identity")[-1]["channels"][0]
    _, _, raw = readings(messages)
    assert (raw[100:] <= facts["counts_low"]).all()
    assert {f["kind"] for f in named(messages, "status")[-1]["faults"]} == {6}


def test_pulses_above_half_the_rate_do_not_fold_back():
    _, values, _ = readings(run_requests(SineSource(-400.0, 300.0, 900.0), 3.0, [START]))
    assert np.nanstd(values[200:]) < 300.0 / np.sqrt(2.0) * 10 ** (-45 / 20)  # folds to 100 Hz
    _, values, _ = readings(run_requests(SineSource(-400.0, 300.0, 180.0), 3.0, [START]))
    assert np.nanstd(values[200:]) == pytest.approx(300.0 / np.sqrt(2.0), rel=0.01)


def test_bins_keep_peaks_mean_and_mean_square():
    t = np.arange(0, 4, 1 / 4000)
    pressure = -400.0 + 150.0 * np.sin(2 * np.pi * 26.0 * t) + 300.0 * (np.abs(t - 2.0) < 0.004)
    form = (wire.SET_RATE, {"channel": 0, "rate_millihertz": 0, "decimation": 50, "form": 1})
    binned = run_requests(ArraySource(pressure), 3.9, [form, START])
    full = run_requests(ArraySource(pressure), 3.9, [(wire.IDENTIFY, {}), START])
    facts = named(binned, "identity")[-1]["channels"][0]
    assert (facts["rate_millihertz"], facts["decimation"]) == (20_000, 50)
    t_full, _, raw = readings(full)
    for block in named(binned, "bins"):
        for number, item in enumerate(block["bins"]):
            middle = block["time_us"] / 1e6 + number * 0.05
            inside = raw[np.abs(t_full - middle) < 0.0249]
            if len(inside) == 50:
                assert (item["least"], item["greatest"]) == (inside.min(), inside.max())
                assert item["mean"] == pytest.approx(inside.mean(), abs=0.01)
                assert item["mean_square"] == pytest.approx(inside.var(), rel=1e-3)
    biggest = max(item["greatest"] for block in named(binned, "bins") for item in block["bins"])
    assert biggest == raw.max()


@pytest.mark.parametrize(("rate_hz", "oversampling"), [(100, 4), (500, 4), (1000, 4), (2000, 2), (4000, 1)])
def test_rates(rate_hz, oversampling):
    rate = (wire.SET_RATE, {"channel": 0, "rate_millihertz": rate_hz * 1000, "decimation": 1, "form": 0})
    messages = run_requests(SineSource(-400.0, 100.0, 7.0), 3.2, [rate, START])
    facts = named(messages, "identity")[-1]["channels"][0]
    assert (facts["rate_millihertz"], facts["oversampling"]) == (rate_hz * 1000, oversampling)
    t, values, _ = readings(messages)
    assert len(t) == pytest.approx(3.0 * rate_hz, rel=0.06)
    assert np.allclose(np.diff(t), 1 / rate_hz, atol=2e-6)
    assert np.abs(values - SineSource(-400.0, 100.0, 7.0).at(t))[5:].max() < 3.0


def test_wire_costs_at_most_2_4_bytes_a_sample():
    from sumpglass.link.requests import RequestWriter
    from sumpglass.link.virtual_board import capture_virtual

    data = capture_virtual(
        SineSource(), 10.2, [(0.1, RequestWriter().frame(*START)[1])], settings=settings(SENSORS["analogue"])
    )
    assert len(data) / (1000 * 10.04) <= 2.4


def test_time_goes_on_over_the_wrap_of_the_tick_counter():
    source = SineSource(-400.0, 100.0, 7.0)
    start = (1 << 30) - 2_000_000
    messages = run_requests(source, 6.0, [START], extra={"ticks_at_start": start})
    t, values, _ = readings(messages)
    assert np.allclose(np.diff(t), 1e-3, atol=1e-6)
    assert np.abs(values - source.at(t - start / 1e6)).max() < 3.0


def test_unwrapping_of_ticks(tmp_path):
    # 30-bit ticks, period 2^30 us: MicroPython's documentation of time.ticks_us.
    told = run_on_board(
        """
from sumpglass_board.clock import Clock
half, period = 1 << 29, 1 << 30
ticks = iter([1073741800, 1073741820, 16, 1000])
clock = Clock(lambda: next(ticks), lambda end, start: (end - start + half) % period - half)
first = clock._us
told([0] + [clock.now_us() - first for _ in range(3)])
""",
        tmp_path,
    )
    assert told == [0, 20, 40, 1024]


def test_taps_are_those_of_a_windowed_sinc(tmp_path):
    # Second opinion: scipy.signal.firwin with the same length, window and cut-off.
    from scipy.signal import firwin

    for steps in (2, 4, 8, 16):
        told = run_on_board(
            f"from sumpglass_board.decimator import design_taps\ntold(list(design_taps({steps})))", tmp_path
        )
        assert sum(told) == 8192
        wanted = 8192 * firwin(8 * steps, 0.8 / steps, window="hamming")
        assert np.abs(np.array(told) - wanted).max() <= 3.0  # rounding, its remainder on the two middle taps


def test_late_ticks_are_counted_and_their_readings_are_no_pressure(tmp_path):
    told = run_on_board(
        """
import time, sys
class Time:
    now = 0
    @staticmethod
    def ticks_us(): return Time.now & (1 << 30) - 1
    @staticmethod
    def ticks_add(a, b): return a + b & (1 << 30) - 1
    @staticmethod
    def ticks_diff(a, b): return (a - b + (1 << 29) & (1 << 30) - 1) - (1 << 29)
sys.modules['time'] = Time
from sumpglass_board.sampler import Lane, Sampler
lane = Lane(lambda: 1000, 'H', 1024)
sampler = Sampler([lane], 1024, 250, 4)
for k in range(200):
    # 50 ticks are held up and then come in one bunch
    Time.now = 250 * (150 if 100 <= k < 150 else k) + (3 * (k - 100) if 100 <= k < 150 else 1)
    sampler._tick(None)
data = list(lane.data[:200])
told([sampler.late, sampler.largest_us, data.index(0xFFFF), data.count(0xFFFF), sampler.broken, sampler.head])
""",
        tmp_path,
    )
    late, largest, first, invalid, broken, head = told
    assert late == 50
    assert largest == pytest.approx(12_500, abs=300)
    assert (first, broken, head) == (100, False, 200)
    assert invalid == pytest.approx(46, abs=2)  # all but the last sample period of the bunch


def test_ticks_that_are_dropped_break_the_time_line(tmp_path):
    told = run_on_board(
        """
import sys
class Time:
    now = 0
    @staticmethod
    def ticks_us(): return Time.now
    @staticmethod
    def ticks_add(a, b): return a + b
    @staticmethod
    def ticks_diff(a, b): return a - b
sys.modules['time'] = Time
from sumpglass_board.sampler import Lane, Sampler
sampler = Sampler([Lane(lambda: 1000, 'H', 1024)], 1024, 250, 4)
for k in range(300):
    Time.now = 250 * (k if k < 100 else k + 40)
    sampler._tick(None)
    if sampler.broken:
        sampler.restart()
        broke = k
told([broke, sampler.anchor, sampler.broken])
""",
        tmp_path,
    )
    assert told == [pytest.approx(104, abs=2), pytest.approx(250 * 145, abs=500), False]


def test_a_full_ring_is_told_as_overrun_and_the_time_line_begins_anew(tmp_path):
    told = run_on_board(
        """
from sumpglass_board.sampler import Lane, Sampler
import time
sampler = Sampler([Lane(lambda: 5, 'H', 64)], 64, 250, 1)
for k in range(100):
    sampler._tick(None)
first = (sampler.broken, sampler.lost)
sampler.restart()
sampler._tick(None)
told([first, sampler.broken, (sampler.head - sampler.tail) & 63])
""",
        tmp_path,
    )
    assert told == [[True, 37], False, 1]


def test_nothing_is_allocated_between_tick_and_ring(tmp_path):
    told = run_on_board(
        """
import micropython
from sumpglass_board.sampler import Lane, Sampler, Slow
class Converter:
    def read_u16(self): return 1234
lanes = [Lane(Converter().read_u16, 'H', 1024) for _ in range(2)]
sampler = Sampler(lanes, 1024, 250, 4, (Slow(Converter().read_u16), Slow(Converter().read_u16)))
callback = sampler.callback
callback(None)
micropython.heap_lock()
try:
    for _ in range(900):
        callback(None)
finally:
    micropython.heap_unlock()
told(sampler.head)
""",
        tmp_path,
    )
    assert told == 901
