"""Make the golden frames of `protocol/vectors/` with other libraries' COBS and CRC and with struct written out by hand.

Nothing of `sumpglass_wire` is used here, so that a vector never agrees with the codec merely by being made by it.
Run `python tests/protocol/make_vectors.py`; a test fails when the files are stale.
"""

import json
import struct
import zlib
from pathlib import Path

from cobs import cobs

VECTORS = Path(__file__).resolve().parents[2] / "protocol" / "vectors"
NAN = float("nan")


def frame(payload: bytes) -> str:
    return (cobs.encode(payload + struct.pack("<I", zlib.crc32(payload))) + b"\0").hex()


def header(kind: int, sequence: int, time_us: int) -> bytes:
    return struct.pack("<B", 0xA1) + struct.pack("<B", kind) + struct.pack("<H", sequence) + struct.pack("<Q", time_us)


def text(words: str) -> bytes:
    return bytes([len(words)]) + words.encode("ascii")


def case(name, kind, type_name, sequence, time_us, body, fields):
    return {
        "name": name, "type": kind, "type_name": type_name, "sequence": sequence, "time_us": time_us,
        "fields": fields, "frame": frame(header(kind, sequence, time_us) + body),
    }  # fmt: skip


CHANNEL_A = {
    "channel": 0, "quantity": 1, "transfer": 2, "width": 2, "rate_millihertz": 1000000, "decimation": 1,
    "oversampling": 8, "offset": 0.5, "scale": 5000.0, "range_low": -2000.0, "range_high": 2000.0, "resolution": 0.125,
    "counts_low": -32000, "counts_high": 32000, "zero_counts": 12.5, "zero_sd_counts": 0.75, "zero_age_s": 90,
    "part": "MPXV7002DP",
}  # fmt: skip
CHANNEL_B = {
    "channel": 1, "quantity": 2, "transfer": 1, "width": 4, "rate_millihertz": 2000, "decimation": 1,
    "oversampling": 1, "offset": 0.0, "scale": 0.00390625, "range_low": 30000.0, "range_high": 110000.0,
    "resolution": 0.00390625, "counts_low": -2147483647, "counts_high": 2147483647, "zero_counts": None,
    "zero_sd_counts": None, "zero_age_s": 4294967295, "part": "BMP280",
}  # fmt: skip


def channel(c):
    number = lambda x: NAN if x is None else x  # noqa: E731
    return (
        struct.pack("<BBBB", c["channel"], c["quantity"], c["transfer"], c["width"])
        + struct.pack("<IHH", c["rate_millihertz"], c["decimation"], c["oversampling"])
        + b"".join(struct.pack("<f", c[k]) for k in ("offset", "scale", "range_low", "range_high", "resolution"))
        + struct.pack("<ii", c["counts_low"], c["counts_high"])
        + struct.pack("<ff", number(c["zero_counts"]), number(c["zero_sd_counts"]))
        + struct.pack("<I", c["zero_age_s"])
        + text(c["part"])
    )


def good():
    identity = {
        "minor": 0, "board_id": "0001020304050607", "firmware_digest": "ffeeddccbbaa9988", "boot_id": 305419896,
        "firmware_major": 0, "firmware_minor": 1, "firmware_patch": 0, "configuration": 3, "flags": 7,
        "board": "pico", "channels": [CHANNEL_A, CHANNEL_B],
    }  # fmt: skip
    yield case(
        "identity with two channels", 0x10, "identity", 0, 1,
        bytes([0]) + bytes(range(8)) + bytes.fromhex("ffeeddccbbaa9988") + struct.pack("<I", 305419896)
        + bytes([0, 1, 0, 3, 7]) + text("pico") + bytes([2]) + channel(CHANNEL_A) + channel(CHANNEL_B), identity,
    )  # fmt: skip
    for name, counts, width, form in (
        ("a block of 60", list(range(-30, 30)), 2, "<h"),
        ("all zeros", [0] * 60, 2, "<h"),
        ("no valid reading and both rails", [-32768, -32767, 32767, 1], 2, "<h"),
        ("one sample", [-5], 2, "<h"),
        ("the longest block", [((k * 7919) % 65535) - 32767 for k in range(249)], 2, "<h"),
        ("four bytes a count", [-2147483648, -2147483647, 8388607, -8388608, 0], 4, "<i"),
    ):
        body = bytes([1 | width << 4, 9]) + b"".join(struct.pack(form, n) for n in counts)
        fields = {"channel": 1, "width": width, "configuration": 9, "counts": counts}
        yield case("samples: " + name, 0x11, "samples", 65535, 2**30 + 17, body, fields)
    bins = [
        {"mean": -0.5, "least": -7, "greatest": 6, "mean_square": 12.25},
        {"mean": None, "least": -32768, "greatest": -32768, "mean_square": None},
    ]
    body = bytes([0 | 2 << 4, 1]) + struct.pack("<fhhf", -0.5, -7, 6, 12.25)
    body += struct.pack("<fhhf", NAN, -32768, -32768, NAN)
    fields = {"channel": 0, "width": 2, "configuration": 1, "bins": bins}
    yield case("bins of two bytes, one of them empty", 0x12, "bins", 7, 123456789012345, body, fields)
    wide = [{"mean": 8388607.0, "least": -8388608, "greatest": 8388607, "mean_square": 1.0}]
    body = bytes([3 | 4 << 4, 1]) + struct.pack("<fiif", 8388607.0, -8388608, 8388607, 1.0)
    yield case(
        "bins of four bytes", 0x12, "bins", 8, 5, body, {"channel": 3, "width": 4, "configuration": 1, "bins": wide}
    )
    names = ("late_samples", "overruns", "dropped_frames", "damaged_requests", "largest_lateness_us",
             "free_memory_bytes", "supply_mv", "temperature_centidegrees", "reference_counts", "flags")  # fmt: skip
    values = (3, 0, 1, 2, 5500, 184320, 4975, 3125, 20000, 3)
    faults = [{"channel": 0, "kind": 2, "occurrences": 17}, {"channel": 1, "kind": 1, "occurrences": 4294967295}]
    body = struct.pack("<III", *values[:3]) + struct.pack("<H", 2) + struct.pack("<II", 5500, 184320)
    body += struct.pack("<Hhi", 4975, 3125, 20000) + bytes([3, 2])
    body += struct.pack("<BBI", 0, 2, 17) + struct.pack("<BBI", 1, 1, 4294967295)
    yield case(
        "status with two faults", 0x13, "status", 256, 4000000, body, {**dict(zip(names, values)), "faults": faults}
    )
    values = (0, 0, 0, 0, 0, 0, 0, -32768, -2147483648, 0)
    body = bytes(22) + struct.pack("<Hhi", 0, -32768, -2147483648) + bytes([0, 0])
    yield case("status, nothing known", 0x13, "status", 1, 2, body, {**dict(zip(names, values)), "faults": []})
    yield case("mark", 0x14, "mark", 2, 31210000, struct.pack("<HB", 4, 1), {"number": 4, "kind": 1})
    answer = {"request_sequence": 513, "request_type": 0x41, "data": ""}
    yield case("answer to start", 0x15, "answer", 3, 9, struct.pack("<HB", 513, 0x41), answer)
    answer = {"request_sequence": 2, "request_type": 0x44, "data": "",
              "answer": {"mean_counts": -1.25, "sd_counts": 0.5, "samples": 3000}}  # fmt: skip
    body = struct.pack("<HB", 2, 0x44) + struct.pack("<ffI", -1.25, 0.5, 3000)
    yield case("answer to measure_zero", 0x15, "answer", 3, 9, body, answer)
    piece = b'{"rate_hz": 1000}'
    answer = {"request_sequence": 3, "request_type": 0x45, "data": piece.hex(), "answer": {"total": 17, "offset": 0}}
    body = struct.pack("<HB", 3, 0x45) + struct.pack("<HH", 17, 0) + piece
    yield case("answer to read_settings", 0x15, "answer", 4, 9, body, answer)
    answer = {"request_sequence": 4, "request_type": 0x49, "data": "",
              "answer": {"oldest": 1, "newest": 8, "bytes_used": 65536, "bytes_lost": 0, "segments": 8}}  # fmt: skip
    body = struct.pack("<HB", 4, 0x49) + struct.pack("<IIIIH", 1, 8, 65536, 0, 8)
    yield case("answer to journal_list", 0x15, "answer", 4, 9, body, answer)
    answer = {"request_sequence": 5, "request_type": 0x4A, "data": "00ff00",
              "answer": {"segment": 1, "offset": 256, "length": 259}}  # fmt: skip
    body = struct.pack("<HB", 5, 0x4A) + struct.pack("<III", 1, 256, 259) + b"\x00\xff\x00"
    yield case("answer to journal_read", 0x15, "answer", 4, 9, body, answer)
    error = {"request_sequence": 6, "request_type": 0x43, "code": 4, "text": "rate at most 2000 Hz"}
    body = struct.pack("<HBB", 6, 0x43, 4) + text("rate at most 2000 Hz")
    yield case("error", 0x16, "error", 5, 10, body, error)
    echo = {"request_sequence": 7, "token": 2**63 + 5, "received_us": 1073741824}
    yield case(
        "time echo answer", 0x17, "time_echo_answer", 6, 1073741830, struct.pack("<HQQ", 7, 2**63 + 5, 1073741824), echo
    )
    for kind, name in (
        (0x40, "identify"),
        (0x42, "stop"),
        (0x48, "give_prompt"),
        (0x49, "journal_list"),
        (0x4D, "reset"),
    ):
        yield case(name, kind, name, 1, 0, b"", {})
    yield case("start", 0x41, "start", 2, 0, bytes([0]), {"channel_mask": 0})
    rate = {"channel": 0, "rate_millihertz": 1000000, "decimation": 50, "form": 1}
    yield case("set_rate", 0x43, "set_rate", 3, 0, struct.pack("<BIHB", 0, 1000000, 50, 1), rate)
    yield case("measure_zero", 0x44, "measure_zero", 4, 0, bytes([0, 30]), {"channel": 0, "tenths_of_seconds": 30})
    yield case("read_settings", 0x45, "read_settings", 5, 0, struct.pack("<H", 256), {"offset": 256})
    write = {"total": 17, "offset": 0, "crc": zlib.crc32(piece), "data": piece.hex()}
    yield case(
        "write_settings", 0x46, "write_settings", 6, 0, struct.pack("<HHI", 17, 0, zlib.crc32(piece)) + piece, write
    )
    yield case("time_echo", 0x47, "time_echo", 7, 88, struct.pack("<Q", 2**63 + 5), {"token": 2**63 + 5})
    yield case("journal_read", 0x4A, "journal_read", 8, 0, struct.pack("<II", 1, 256), {"segment": 1, "offset": 256})
    yield case("journal_erase", 0x4B, "journal_erase", 9, 0, struct.pack("<II", 1, 77), {"segment": 1, "crc": 77})
    yield case("sound", 0x4C, "sound", 10, 0, bytes([2, 255]), {"pattern": 2, "volume_percent": 255})


def broken():
    whole = bytes.fromhex(frame(header(0x42, 1, 0)))
    yield {"name": "one bit turned", "frame": (bytes([whole[0], whole[1] ^ 1]) + whole[2:]).hex(), "found": "damaged"}
    yield {"name": "cut in the middle", "frame": (whole[:6] + b"\0").hex(), "found": "damaged"}
    yield {"name": "a run past the end", "frame": "0531323300", "found": "damaged"}
    yield {
        "name": "CRC alone",
        "frame": (cobs.encode(struct.pack("<I", zlib.crc32(b""))) + b"\0").hex(),
        "found": "damaged",
    }
    yield {"name": "too long", "frame": (cobs.encode(b"\x55" * 600) + b"\0").hex(), "found": "damaged"}
    yield {"name": "empty", "frame": "00", "found": "nothing"}
    yield {"name": "a header cut short", "frame": frame(b"\xa1\x42\x01"), "found": "malformed"}
    yield {"name": "another major version", "frame": frame(b"\xa2" + header(0x42, 1, 0)[1:]), "found": "other_version"}
    yield {"name": "no version at all", "frame": frame(b"\x51" + header(0x42, 1, 0)[1:]), "found": "malformed"}
    yield {"name": "an unknown type", "frame": frame(header(0x7E, 1, 0) + b"later"), "found": "unknown_type"}
    yield {"name": "bytes too many", "frame": frame(header(0x42, 1, 0) + b"x"), "found": "malformed"}
    yield {"name": "half a sample", "frame": frame(header(0x11, 1, 0) + bytes([0x20, 1, 5])), "found": "malformed"}
    yield {
        "name": "samples of three bytes",
        "frame": frame(header(0x11, 1, 0) + bytes([0x30, 1, 5, 5, 5])),
        "found": "malformed",
    }
    yield {
        "name": "samples of channel 9",
        "frame": frame(header(0x11, 1, 0) + bytes([0x29, 1, 5, 5])),
        "found": "malformed",
    }
    yield {
        "name": "text past the end",
        "frame": frame(header(0x16, 1, 0) + bytes([1, 0, 0x40, 4, 50]) + b"hi"),
        "found": "malformed",
    }
    yield {
        "name": "too many channels",
        "frame": frame(header(0x10, 1, 0) + bytes(26) + b"\x00\x09"),
        "found": "malformed",
    }


def main() -> None:
    for name, cases in (("messages.json", list(good())), ("broken.json", list(broken()))):
        (VECTORS / name).write_text(json.dumps(cases, indent=1) + "\n")


if __name__ == "__main__":
    main()
