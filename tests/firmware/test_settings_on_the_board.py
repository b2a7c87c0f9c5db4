"""Settings: read, written as a whole or not at all, defaults when damaged."""

import json
import zlib

import pytest
from boards import named, run_on_board, run_requests

from sumpglass_wire import layouts as wire

CODE = """
import os
from sumpglass_board import settings
def outcome(text):
    try:
        return settings.parse(text)["rate_hz"]
    except ValueError as problem:
        return str(problem)
"""


def test_defaults_when_missing_or_damaged_and_replaced_by_rename(tmp_path):
    told = run_on_board(
        CODE
        + """
first = settings.load()
changed = dict(first[0], rate_hz=500)
settings.save(changed)
kept = settings.load()
with open("settings.json", "w") as file:
    file.write('{"rate_hz": 5')
spoiled = settings.load()
told([first[0]["rate_hz"], first[1], kept[0]["rate_hz"], kept[1], spoiled[0]["rate_hz"], spoiled[1], os.listdir()])
""",
        tmp_path,
    )
    assert told[:6] == [1000, False, 500, False, 1000, True]
    assert "settings.new" not in told[6]


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"rate_hz": 0}, "rate_hz"), ({"rate_hz": True}, "rate_hz"), ({"surprise": 1}, "surprise"),
        ({"channels": []}, "channels"), ({"channels": [{"pin": 26}]}, "sensor"), ({"name": ""}, "name"),
        ({"watchdog": 1}, "watchdog"), ({"button": {"pin": 99}}, "button"), ({"sounder_pin": "x"}, "sounder_pin"),
        ({"journal": {"on": True, "limit_kb": 1}}, "limit_kb"), ({"zeros": {"9": [0, 0]}}, "zeros"),
        ({"i2c": {"hz": -1}}, "hz"), ({"channels": [{"sensor": "sdp8xx", "address": 3}]}, "address"),
    ],
)  # fmt: skip
def test_wrong_settings_are_refused_in_words(change, word, tmp_path):
    told = run_on_board(CODE + f"told(outcome({json.dumps(json.dumps(change))}))", tmp_path)
    assert isinstance(told, str) and word in told


def write(settings, at_s):
    raw = json.dumps(settings).encode()
    for number, at in enumerate(range(0, len(raw), 250)):
        fields = {"total": len(raw), "offset": at, "crc": zlib.crc32(raw), "data": raw[at : at + 250]}
        yield at_s + 0.05 * number, wire.WRITE_SETTINGS, fields


def test_settings_over_the_wire_while_streaming():
    wider = {"channels": [{"sensor": "analogue", "part": "MPX5010DP"}], "name": "East Bank rig"}
    unknown = {"channels": [{"sensor": "no_such_part"}]}
    messages = run_requests(
        500.0, 3.0, [(0.1, wire.START, {"channel_mask": 0}), *write(wider, 0.5), *write(unknown, 1.5),
                     (2.5, wire.READ_SETTINGS, {"offset": 0})],
        settings={"channels": [{"sensor": "analogue"}]},
    )  # fmt: skip
    identities = named(messages, "identity")
    assert [m["channels"][0]["part"] for m in identities][0] == "MPXV7002DP"
    assert identities[-1]["channels"][0]["part"] == "MPX5010DP"
    assert identities[-1]["configuration"] > identities[0]["configuration"]
    refused = named(messages, "error")
    assert [m["code"] for m in refused] == [7] and "no_such_part" in refused[0]["text"]
    assert b"East Bank rig" in named(messages, "answer")[-1]["data"]
    blocks = named(messages, "samples")
    assert blocks[-1]["configuration"] == identities[-1]["configuration"] and blocks[-1]["time_us"] > 2.8e6


def test_settings_may_go_through_every_driver_without_running_out_of_memory():
    parts = [
        {"sensor": "sdp8xx"}, {"sensor": "ads1115"}, {"sensor": "bmp280"}, {"sensor": "xgzp6897d", "range_kpa": 5},
        {"sensor": "bridge14", "low_pa": -1600, "high_pa": 1600},
    ]  # fmt: skip
    requests = [(0.1, wire.START, {"channel_mask": 0})]
    for number, part in enumerate(parts * 2):
        requests += write({"channels": [{"sensor": "analogue"}, part]}, 0.5 + 0.4 * number)
    messages = run_requests(-100.0, 7.0, requests, settings={"channels": [{"sensor": "analogue"}]})
    assert not named(messages, "error")
    assert named(messages, "identity")[-1]["configuration"] == len(parts) * 2
    assert named(messages, "status")[-1]["free_memory_bytes"] > 56_000
