"""Collecting a board's journal: against the real firmware, and against a board that fails at every step."""

import json
import subprocess
import sys
import time
from pathlib import Path
from zlib import crc32

import jsonschema
import pytest

from sumpglass.decode.items import Message
from sumpglass.errors import DeviceError, DiskError
from sumpglass.link.source import Chunk, SourceFacts
from sumpglass.link.virtual_board import VirtualBoard
from sumpglass.store.casebook import Casebook
from sumpglass.workflows.load_recording import load_recording
from sumpglass.workflows.rig_collect import Collected, Collection, collect, into_casebook
from sumpglass.workflows.rig_talk import RigTalk
from sumpglass_wire import layouts as wire
from sumpglass_wire.frames import frame_buffer, payload_buffer, seal
from sumpglass_wire.messages import encode

ROOT = Path(__file__).parents[3]
SUMPGLASS = str(Path(sys.executable).with_name("sumpglass"))


def frames(count, size=60):
    """Bytes of `count` good frames, as a segment holds them."""
    out, payload, sealed = b"", payload_buffer(), frame_buffer()
    for k in range(count):
        length = encode(payload, wire.MARK, k, k * 1000, {"number": k, "kind": 1})
        out += bytes(sealed[: seal(payload, length, sealed)])
    return out + bytes(0) * size


class JournalBoard:
    """A `Source` that answers journal requests by WIRE.md; `fail_at` makes the n-th request go unanswered."""

    def __init__(self, segments):
        self.segments = dict(segments)
        self.facts = SourceFacts("stand-in", "LIVE")
        self.identity = Message("identity", 0, {"board_id": b"\x01\x02\x03\x04\x05\x06\x07\x08", "channels": []})
        self.asked = 0
        self.fail_at = -1
        self.flip = None
        self.erased = []
        self.reads = []
        self._answers = []
        self._sequence = self._said = 0

    def request(self, kind, fields=None):
        self.asked += 1
        self._sequence += 1
        if self.asked == self.fail_at:
            return self._sequence
        fields = fields or {}
        head = {"request_sequence": self._sequence, "request_type": kind}
        if kind == wire.JOURNAL_LIST:
            numbers = sorted(self.segments)
            answer = {"oldest": numbers[0] if numbers else 0, "newest": numbers[-1] if numbers else 0, "bytes_used": 0,
                      "bytes_lost": 0, "segments": len(numbers)}  # fmt: skip
            self._say(wire.ANSWER, {**head, "answer": answer, "data": b""})
        elif fields["segment"] not in self.segments:
            self._say(wire.ERROR, {**head, "code": 8, "text": "flash: error 2"})
        elif kind == wire.JOURNAL_READ:
            whole = self.segments[fields["segment"]]
            self.reads.append((fields["segment"], fields["offset"]))
            data = bytearray(whole[fields["offset"] : fields["offset"] + 256])
            if self.flip == (fields["segment"], fields["offset"]):
                data[0] ^= 1
            answer = {"segment": fields["segment"], "offset": fields["offset"], "length": len(whole)}
            self._say(wire.ANSWER, {**head, "answer": answer, "data": bytes(data)})
        elif kind == wire.JOURNAL_ERASE:
            if crc32(self.segments[fields["segment"]]) == fields["crc"]:
                del self.segments[fields["segment"]]
                self.erased.append(fields["segment"])
                self._say(wire.ANSWER, {**head, "data": b""})
            else:
                self._say(wire.ERROR, {**head, "code": 4, "text": "the CRC does not agree: the segment is kept"})
        return self._sequence

    def _say(self, kind, fields):
        payload, sealed = payload_buffer(), frame_buffer()
        self._said += 1
        length = encode(payload, kind, self._said, 0, fields)
        self._answers.append(bytes(sealed[: seal(payload, length, sealed)]))

    def poll(self, wait_s=0.0):
        waiting, self._answers = self._answers, []
        return [Chunk(data, time.monotonic()) for data in waiting]

    def close(self):
        pass


SEGMENTS = {3: frames(40), 4: frames(25), 7: frames(60)}


def run_collect(board, folder, **more):
    return list(collect(RigTalk(board), str(folder), **more))[-1]


@pytest.fixture(autouse=True)
def impatient(monkeypatch):
    monkeypatch.setattr(RigTalk.ask, "__defaults__", (None, 0.05))


def contents(folder):
    return {int(path.stem.split("-")[1]): path.read_bytes() for path in Path(folder).glob("*.capture")}


def test_all_of_it_comes_whole_and_is_erased(tmp_path):
    board = JournalBoard(SEGMENTS)
    done = run_collect(board, tmp_path)
    assert contents(tmp_path) == SEGMENTS
    assert board.segments == {}
    assert [one.frames for one in done.segments] == [40, 25, 60]
    assert all(one.erased and one.damaged == 0 for one in done.segments)
    assert done.board_id == "0102030405060708"


def test_kept_on_request_and_then_not_fetched_twice(tmp_path):
    board = JournalBoard(SEGMENTS)
    run_collect(board, tmp_path, keep=True)
    assert board.segments == SEGMENTS
    board.reads.clear()
    run_collect(board, tmp_path)
    assert all(offset == 0 for _, offset in board.reads), "only looked for, not read again"
    assert board.segments == {}


def test_cut_at_any_request_nothing_is_lost_and_the_next_call_ends_it(tmp_path):
    whole = JournalBoard(SEGMENTS)
    run_collect(whole, tmp_path / "whole")
    for cut in range(1, whole.asked + 1, 2):
        folder = tmp_path / f"cut{cut}"
        board = JournalBoard(SEGMENTS)
        board.fail_at = cut
        with pytest.raises(DeviceError):
            run_collect(board, folder)
        for segment, data in SEGMENTS.items():
            on_disk = contents(folder).get(segment) == data
            assert on_disk or segment in board.segments, f"segment {segment} is nowhere after a cut at {cut}"
        board.fail_at = -1
        for _ in range(2):
            try:
                run_collect(board, folder)
                break
            except DeviceError as error:
                assert "differs" in str(error)
        assert contents(folder) == SEGMENTS
        assert board.segments == {}


def test_goes_on_where_it_was_cut(tmp_path):
    board = JournalBoard({5: frames(100)})
    board.fail_at = 8
    with pytest.raises(DeviceError):
        run_collect(board, tmp_path)
    board.fail_at, before = -1, max(offset for _, offset in board.reads)
    board.reads.clear()
    run_collect(board, tmp_path)
    assert min(offset for _, offset in board.reads[1:]) > before - 1


def test_a_bit_that_flipped_on_its_way_is_never_erased(tmp_path):
    # Frames carry their own CRC, so this needs memory gone wrong; the CRC over the segment still finds it.
    board = JournalBoard(SEGMENTS)
    board.flip = (4, 256)
    with pytest.raises(DeviceError, match="CRC does not agree"):
        run_collect(board, tmp_path)
    assert 4 in board.segments
    assert list(tmp_path.glob("*.differs"))
    board.flip = None
    run_collect(board, tmp_path)
    assert contents(tmp_path) == SEGMENTS


def test_disk_that_cannot_be_written(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("")
    board = JournalBoard(SEGMENTS)
    with pytest.raises(DiskError, match="nothing was erased"):
        run_collect(board, blocked / "below")
    assert board.segments == SEGMENTS


def test_empty_journal(tmp_path):
    done = run_collect(JournalBoard({}), tmp_path)
    assert done.segments == ()
    assert into_casebook(str(tmp_path / "b.casebook"), done) is None


@pytest.mark.skipif(not Path(sys.executable).with_name("micropython").exists(), reason="needs micropython")
def test_real_firmware_logs_alone_and_hands_over(tmp_path):
    settings = {"journal": {"on": True, "limit_kb": 64, "decimation": 50}}
    with VirtualBoard(-350.0, settings=settings) as board:
        time.sleep(4.0)
        words = (
            "collect",
            "--port",
            board.port,
            "--out",
            str(tmp_path / "log"),
            "--casebook",
            str(tmp_path / "j.casebook"),
        )
        done = subprocess.run([SUMPGLASS, "rig", *words, "--json"], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    jsonschema.validate(found, json.loads((ROOT / "protocol" / "schemas" / "rig-collect.schema.json").read_text()))
    assert found["segments"]
    assert all(one["erased"] for one in found["segments"])
    recording = load_recording(str(tmp_path / "j.casebook"))
    assert float(recording.pressure_pa.mean()) == pytest.approx(-350.0, abs=5.0)
    assert recording.rate_hz == pytest.approx(20.0)
    with Casebook.open(str(tmp_path / "j.casebook")) as book:
        assert len(book.recordings()) == 1
    assert isinstance(Collection("", (Collected(1, "", 1, 1, 0, False),), 0), Collection)
