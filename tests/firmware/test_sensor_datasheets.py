"""Drivers against figures of their data sheets, computed on the board's own interpreter."""

import numpy as np
import pytest
from boards import named, readings, run_on_board, run_requests
from test_sampling_on_the_board import START, settings

from sumpglass.link.virtual_feed import SineSource


def test_crc8_of_sensirion_sensors(tmp_path):
    # SDP8xx data sheet: 0xBEEF -> 0x92; the other two are known values of the same CRC.
    told = run_on_board(
        "from sumpglass_board.crc8 import crc8\n"
        "told([crc8(bytes([0, a, b]), 1) for a, b in ((0xBE, 0xEF), (0, 0), (255, 255))])",
        tmp_path,
    )
    assert told == [0x92, 0x81, 0xAC]


def test_bmp280_example_of_its_data_sheet(tmp_path):
    # BMP280 data sheet 3.12: t_fine 128422, 25767236/256 Pa; its 64-bit code gives 25767233.
    told = run_on_board(
        """
from sumpglass_board.sensors.bmp280 import compensate
words = (27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
told(compensate(words, 519888, 415148))
""",
        tmp_path,
    )
    assert told == [128422, pytest.approx(25767236, abs=4)]


@pytest.mark.parametrize(
    ("range_kpa", "k"),
    # Second-hand, two public libraries.
    [(0.5, 8192), (1, 4096), (2, 4096), (2.5, 2048), (4, 2048), (5, 1024), (10, 512), (20, 256), (40, 128), (100, 64),
     (200, 32)],
)  # fmt: skip
def test_xgzp6897d_factors(range_kpa, k, tmp_path):
    told = run_on_board(f"from sumpglass_board.sensors.xgzp6897d import factor\ntold(factor({range_kpa}))", tmp_path)
    assert told == k


def test_transfer_of_14_bit_bridges(tmp_path):
    # 10-90 % of 2^14: 0..1.6 range at 8192 -> 0.8; +-15 range at 8880 -> 1.574707.
    told = run_on_board(
        """
from sumpglass_board.sensors.bridge14 import Bridge14
out = []
for low, high, counts in ((0, 1.6, 8192), (-15, 15, 8880)):
    facts = Bridge14(None, {"low_pa": low, "high_pa": high}).facts()
    out.append((counts - facts["offset"]) * facts["scale"])
told(out)
""",
        tmp_path,
    )
    assert told == [pytest.approx(0.8, abs=1e-6), pytest.approx(1.574707, abs=1e-6)]


@pytest.mark.parametrize(
    ("part", "points"),
    [
        # Data sheets of the parts (MPXV7007 and MPX5050 from memory): volts at 5.0 V supply.
        ("MPXV7002DP", {-2000: 0.5, -1000: 1.5, 0: 2.5, 1000: 3.5, 2000: 4.5}),
        ("MPXV7007DP", {-7000: 0.505, 7000: 4.495}),
        ("MPX5010DP", {0: 0.2, 5000: 2.45, 10000: 4.7}),
        ("MPX5050DP", {50000: 4.7}),
    ],
)
def test_transfer_of_analogue_parts(part, points, tmp_path):
    code = """
from sumpglass_board.sensors import analogue, ads1115
class Board:
    def converter(self, pin): return None
config = {"part": %r, "divider": 0.6, "supply_v": 5.0}
chip = analogue.Analogue(config, Board()).facts()
apart = ads1115.Ads1115(None, {"part": %r, "supply_v": 5.0}).facts()
told([chip, apart])
"""
    chip, apart = run_on_board(code % (part, part), tmp_path)
    for pascals, volts in points.items():
        # 12-bit codes spread over 16 bits, (x << 4) + (x >> 8); a floor converter's codes stand half a step low.
        counts = (volts * 0.6 / 3.3 * 4096 - 0.5) * 65535 / 4095 - 32768
        assert (counts - chip["offset"]) * chip["scale"] == pytest.approx(pascals, abs=0.5)
        counts = volts / 187.5e-6  # ADS1115 data sheet: step at +-6.144 V
        assert (counts - apart["offset"]) * apart["scale"] == pytest.approx(pascals, abs=0.5)


MORE = {
    "bridge14": ({"sensor": "bridge14", "low_pa": -1600, "high_pa": 1600}, 0.002),
    "xgzp6897d": ({"sensor": "xgzp6897d", "range_kpa": 5}, 0.006),
    "hx710b": (
        {"sensor": "hx710b", "clock_pin": 2, "data_pin": 3, "pa_per_count": 0.0085, "offset_counts": 1000,
         "low_pa": -20000, "high_pa": 20000}, 0.03,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", MORE)
def test_values_and_times(name):
    config, patience_s = MORE[name]
    source = SineSource(-60.0, 40.0, 1.0)
    t, values, _ = readings(run_requests(source, 5.0, [START], settings=settings(config)))
    good = np.isfinite(values)
    assert good.mean() > 0.95
    t, values = t[good], values[good]
    delays = np.arange(-0.06, 0.06, 0.0005)
    best = min(delays, key=lambda delay: np.std(values - source.at(t + delay)))
    assert abs(best) <= patience_s
    assert np.std(values - source.at(t + best)) < 0.5


@pytest.mark.parametrize("name", [*MORE, "bmp280"])
@pytest.mark.parametrize(("fault", "kind"), [("absent", 1), ("not_ready", 7), ("stuck", 3), ("rail_high", 5)])
def test_faults_are_told_with_their_kind(name, fault, kind):
    if name == "bmp280" and fault == "rail_high":
        pytest.skip("a barometer has no rails")
    config = {"sensor": "bmp280"} if name == "bmp280" else MORE[name][0]
    if name == "hx710b" and fault == "not_ready":
        kind = 1  # a converter that is never ready is not there
    length = 22 if name == "bmp280" and fault == "stuck" else 4
    messages = run_requests(
        SineSource(-60.0, 40.0, 1.0), length + 2.5, [START], settings=settings(config),
        extra={"faults": [(1_500_000, 1_500_000 + length * 1_000_000, 0, fault)]},
    )  # fmt: skip
    t, values, _ = readings(messages)
    late = 20.3 if name == "bmp280" and fault == "stuck" else 2.3 if fault == "stuck" else 0.2
    during = (t > 1.5 + late) & (t < 1.4 + length)
    assert during.any() and np.isnan(values[during]).all()
    kinds = {f["kind"] for m in named(messages, "status") for f in m["faults"] if m["time_us"] > 1.5e6}
    assert kind in kinds
    assert np.isfinite(values[t > 2.2 + length]).all()


def test_two_sensors_and_a_barometer_at_once():
    source = SineSource(-60.0, 40.0, 8.3)
    channels = [{"sensor": "analogue"}, {"sensor": "sdp8xx", "quantity": "manifold_pressure"}, {"sensor": "bmp280"}]
    messages = run_requests(source, 6.0, [START], settings=settings(*channels))
    facts = named(messages, "identity")[-1]["channels"]
    assert [c["quantity"] for c in facts] == [1, 3, 2]
    assert [c["rate_millihertz"] for c in facts] == [1_000_000, 500_000, 10_000]
    for channel, tolerance in ((0, 4.0), (1, 1.0)):
        t, values, _ = readings(messages, channel)
        good = np.isfinite(values)
        assert good.mean() > 0.99
        assert np.abs(values[good] - source.at(t[good])).max() < tolerance
    _, pressure, _ = readings(messages, 2)
    # The stand-in compensates in floating point (data sheet 8.1), the board in integers (3.11.3).
    assert np.nanmean(pressure) == pytest.approx(101325.0, abs=3.0)
    status = named(messages, "status")[-1]
    assert status["overruns"] == status["dropped_frames"] == 0


def test_the_bus_is_scanned_and_each_part_told_by_id_or_behaviour(tmp_path):
    parts = {
        "sdp8xx": {"address": 0x26, "range_pa": 125}, "ads1115": {"address": 0x49, "part": "MPXV7002DP"},
        "bridge14": {"address": 0x28, "low_pa": -1600, "high_pa": 1600}, "xgzp6897d": {"address": 0x6D, "range_kpa": 5},
        "bmp280": {"address": 0x77},
    }  # fmt: skip
    from boards import STAND_INS

    feed = tmp_path / "feed"
    from sumpglass.link.virtual_feed import Feed

    pressures = Feed(feed, 4000)
    pressures.write(SineSource(-60.0, 0.0).advance(4000))
    bus = [dict(part, model=model, number=n, column=0) for n, (model, part) in enumerate(parts.items())]
    config = {"time": "virtual", "feed": pressures.description(), "analogue": [], "bus": bus}
    told = run_on_board(
        f"""
sys.path.insert(0, {str(STAND_INS)!r})
import world
here = world.open_world({config!r})
class Time:
    sleep_ms = staticmethod(lambda ms: here.sleep_us(1000 * ms))
sys.modules['time'] = Time
import machine
from sumpglass_board.scan import find
told(find(machine.I2C(0)))
""",
        tmp_path,
        heap="400K",
    )
    assert sorted((found["address"], found.get("sensor", "unknown")) for found in told) == sorted(
        (part["address"], name) for name, part in parts.items()
    )
    assert [found for found in told if found["sensor"] == "sdp8xx"][0]["range_pa"] == 125
