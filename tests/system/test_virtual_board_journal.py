"""A board that logs alone: bins and marks on its flash, a power cut in between, and all of it handed over."""

import time
import zlib

import pytest
from board_talk import Talk

from sumpglass.link.virtual_board import VirtualBoard, capture_virtual
from sumpglass.link.virtual_feed import SineSource
from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import FrameReceiver
from sumpglass_wire.messages import decode

SETTINGS = {"journal": {"on": True, "limit_kb": 64, "decimation": 50}}


def messages_of(data):
    receiver = FrameReceiver()
    messages = [decode(bytes(payload)) for payload in receiver.feed(data)]
    return messages, receiver.damaged


@pytest.mark.slow
def test_log_alone_lose_power_go_on_and_hand_over():
    with VirtualBoard(SineSource(-300.0, 50.0, 0.2), settings=SETTINGS) as board:
        time.sleep(3.0)
        board.press(0.3)
        time.sleep(1.0)
        board.unplug()
        time.sleep(0.2)
        board.replug()
        time.sleep(3.5)
        talk = Talk(board.port)
        listing = talk.ask(wire.JOURNAL_LIST)["answer"]
        assert (listing["oldest"], listing["newest"], listing["segments"], listing["bytes_lost"]) == (1, 2, 2, 0)
        data = b""
        while True:
            answer = talk.ask(wire.JOURNAL_READ, {"segment": 1, "offset": len(data)})
            data += answer["data"]
            if len(data) >= answer["answer"]["length"]:
                break
        messages, damaged = messages_of(data)
        assert damaged <= 1 and messages[0]["name"] == "identity"
        assert messages[0]["channels"][0]["decimation"] == 50
        assert [(m["number"], m["kind"]) for m in messages if m["name"] == "mark"] == [(1, 1)]
        bins = [m for m in messages if m["name"] == "bins"]
        assert sum(len(m["bins"]) for m in bins) >= 40
        refused = talk.ask(wire.JOURNAL_ERASE, {"segment": 1, "crc": zlib.crc32(data) ^ 1}, "error")
        assert refused["code"] == 4
        talk.ask(wire.JOURNAL_ERASE, {"segment": 1, "crc": zlib.crc32(data)})
        assert talk.ask(wire.JOURNAL_LIST)["answer"]["oldest"] == 2
        # A host that streams takes the place of the journal, and gives it back.
        talk.ask(wire.START, {"channel_mask": 0})
        assert talk.wait_for("samples")
        talk.ask(wire.STOP)
        time.sleep(1.0)
        assert talk.ask(wire.JOURNAL_LIST)["answer"]["newest"] >= 3


def test_the_oldest_goes_first_when_it_is_full(tmp_path):
    full = {"journal": {"on": True, "limit_kb": 64, "decimation": 1}}
    from sumpglass.link.requests import RequestWriter

    ask = RequestWriter().frame(wire.JOURNAL_LIST, {})[1]
    data = capture_virtual(SineSource(), 32.0, [(31.5, ask)], settings=full)
    listing = [m for m in messages_of(data)[0] if m["name"] == "answer"][0]["answer"]
    assert listing["bytes_lost"] >= 32768 and listing["oldest"] > 1
    assert listing["bytes_used"] <= 65536
