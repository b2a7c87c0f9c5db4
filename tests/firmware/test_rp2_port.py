"""What the rp2 port of MicroPython does otherwise than a desktop: hard callbacks, a watchdog for good, absent parts."""

import numpy as np
import pytest
from boards import named, readings, run_requests

from sumpglass.link.virtual_feed import SineSource
from sumpglass_wire import layouts as wire

START = (wire.START, {"channel_mask": 0})
BUS_SENSORS = [
    {"sensor": "ads1115"}, {"sensor": "sdp8xx"}, {"sensor": "bridge14", "low_pa": -1600, "high_pa": 1600},
    {"sensor": "xgzp6897d", "range_kpa": 5}, {"sensor": "bmp280"},
]  # fmt: skip


def test_a_timer_whose_callback_failed_once_is_started_again():
    # machine_timer.c ends an alarm whose hard callback raised; nothing but a new timer brings it back.
    source = SineSource(-400.0, 100.0, 7.0)
    messages = run_requests(source, 8.0, [START], extra={"callback_fails_us": 2_000_000})
    t, values, _ = readings(messages)
    steps = np.diff(t)
    gap = steps > 0.01
    assert gap.sum() == 1 and 0.9 < steps[gap][0] < 1.6
    assert np.allclose(steps[~gap], 1e-3, atol=2e-5)
    assert t[-1] > 7.9 and np.abs(values - source.at(t))[50:].max() < 20.0


def test_ticks_of_a_slower_clock_lose_nothing_and_keep_the_time():
    # 160 ppm: in 15 s more than two samples' worth. A state machine's ticks run off so on an emulated board.
    source = SineSource(-400.0, 100.0, 7.0)
    messages = run_requests(source, 15.0, [START], extra={"timer_slow_calls": 25})
    t, values, _ = readings(messages)
    status = named(messages, "status")[-1]
    assert status["overruns"] == status["late_samples"] == 0 and len(t) > 14_500
    assert np.diff(t).max() < 1.2e-3
    last = t > 10.0
    assert np.abs(values - source.at(t))[last].max() < 20.0
    shift = np.linspace(-2e-3, 2e-3, 401)
    misfit = [np.abs(values[last] - source.at(t[last] + s)).mean() for s in shift]
    assert abs(shift[int(np.argmin(misfit))]) < 2e-4


@pytest.mark.parametrize(
    "settings",
    [
        {"channels": [{"sensor": "no_such_part"}]},
        {"channels": [{"sensor": "analogue", "pin": 5}]},
        {"channels": [{"sensor": "ads1115"}], "i2c": None, "button": {"pin": 40, "active": "high"}},
        {"channels": [{"sensor": "ads1115", "bus": {"sda": 5, "scl": 4}}]},
        {"channels": [{"sensor": "xgzp6897d"}]},
        {"sounder_pin": 40},
    ],
)
def test_settings_that_do_not_suit_the_board_leave_it_with_the_defaults(settings):
    messages = run_requests(-300.0, 3.0, [(wire.IDENTIFY, {}), START], settings=settings)
    identity = named(messages, "identity")[-1]
    assert identity["flags"] & 16 and identity["channels"][0]["part"] == "MPXV7002DP"
    blocks = named(messages, "samples")
    assert len(blocks) >= 44 and (np.diff([m["time_us"] for m in blocks]) == 60_000).all()


@pytest.mark.parametrize("fault", ["absent", "bus_held"])
@pytest.mark.parametrize("sensor", BUS_SENSORS, ids=lambda sensor: sensor["sensor"])
def test_a_bus_sensor_that_is_not_there_at_power_on_delays_nothing(sensor, fault):
    messages = run_requests(
        -300.0, 3.0, [(wire.IDENTIFY, {}), START], settings={"channels": [{"sensor": "analogue"}, sensor]},
        extra={"faults": [(0, 10_000_000, 1, fault)]},
    )  # fmt: skip
    assert named(messages, "identity")[0]["time_us"] < 1_000_000
    t, values, _ = readings(messages, 0)
    assert len(t) > 2500 and np.nanmax(np.abs(values[50:] + 300.0)) < 20.0
    counts = [c for m in named(messages, "samples") if m["channel"] == 1 for c in m["counts"]]
    assert counts and set(counts) <= {-0x8000, -0x80000000}
    assert 1 in [f["kind"] for f in named(messages, "status")[-1]["faults"]]


def test_a_watchdog_that_cannot_be_stopped_is_fed_for_whoever_sits_there():
    requests = [(0.1, *START), (2.0, wire.STOP, {}), (20.0, wire.IDENTIFY, {}), (20.5, *START)]
    messages = run_requests(-300.0, 22.0, requests, extra={"watchdog_sticks": True})
    assert named(messages, "samples")[-1]["time_us"] > 21_500_000
