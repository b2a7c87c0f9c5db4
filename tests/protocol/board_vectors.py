# Runs under MicroPython: every vector through the codec, both ways. Prints "ok COUNT" or what differed.
import json
import sys
from binascii import hexlify, unhexlify

sys.path.insert(0, sys.argv[1])
from sumpglass_wire import frames, messages  # noqa: E402

BYTES = ("board_id", "firmware_digest", "data")


def from_json(value, name=""):
    if isinstance(value, dict):
        return {key: from_json(item, key) for key, item in value.items()}
    if isinstance(value, list):
        return [from_json(item) for item in value]
    if name in BYTES:
        return unhexlify(value)
    return float("nan") if value is None else value


def same(a, b):
    if isinstance(a, dict):
        return sorted(a) == sorted(b) and all(same(a[key], b[key]) for key in a)
    if isinstance(a, list):
        return len(a) == len(b) and all(same(x, y) for x, y in zip(a, b))
    return a == b or (a != a and b != b)


def encoded(case):
    payload = frames.payload_buffer()
    frame = frames.frame_buffer()
    fields = from_json(case["fields"])
    length = messages.encode(payload, case["type"], case["sequence"], case["time_us"], fields)
    return bytes(memoryview(frame)[: frames.seal(payload, length, frame)])


def what_is(frame):
    receiver = frames.FrameReceiver()
    payloads = receiver.feed(frame)
    if receiver.damaged:
        return "damaged", None
    if not payloads:
        return "nothing", None
    try:
        return "message", messages.decode(payloads[0])
    except messages.OtherVersion:
        return "other_version", None
    except messages.UnknownType:
        return "unknown_type", None
    except messages.MessageError:
        return "malformed", None


def main(folder):
    count = 0
    with open(folder + "/messages.json") as file:
        for case in json.load(file):
            frame = unhexlify(case["frame"])
            if encoded(case) != frame:
                print("encoded", case["name"], hexlify(encoded(case)))
            kind, message = what_is(frame)
            wanted = from_json(case["fields"])
            got = {name: message[name] for name in message if name not in ("type", "name", "sequence", "time_us")}
            if not same(got, wanted) or message["name"] != case["type_name"] or message["time_us"] != case["time_us"]:
                print("decoded", case["name"], message)
            count += 1
    with open(folder + "/broken.json") as file:
        for case in json.load(file):
            found = what_is(unhexlify(case["frame"]))[0]
            if found != case["found"]:
                print("broken", case["name"], found)
            count += 1
    print("ok", count)


main(sys.argv[2])
