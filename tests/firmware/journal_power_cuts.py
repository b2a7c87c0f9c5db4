# ruff: noqa: SIM105, UP031 - MicroPython has neither contextlib nor every format
# Runs under MicroPython: a long scenario of the journal on littlefs, with the power cut at write number n, for many n.
# Arguments: folders of firmware and wire, first n, step. Prints one line of JSON.
import json
import os
import sys
from binascii import crc32

import vfs

sys.path[:0] = sys.argv[1:3]
from sumpglass_board.journal import Journal  # noqa: E402
from sumpglass_wire.frames import FrameReceiver, frame_buffer, payload_buffer, seal  # noqa: E402

BLOCK = 512
BLOCKS = 96
FRAMES = 260
FLUSH_EVERY = 6


class PowerCut(BaseException):
    pass


class Flash:
    """A block device whose power goes at write or erase number `left`, half of that write done."""

    def __init__(self, memory, left):
        self.memory = memory
        self.left = left
        self.writes = 0
        self.dead = False  # what lay open is finalised later, and must not touch what is mounted then

    def _spend(self):
        self.writes += 1
        if self.left is not None:
            self.left -= 1
            if self.left <= 0:
                self.dead = True
                return True
        return False

    def readblocks(self, number, buffer, offset=0):
        if self.dead:
            return
        start = number * BLOCK + offset
        buffer[:] = self.memory[start : start + len(buffer)]

    def writeblocks(self, number, buffer, offset=None):
        if self.dead:
            return
        start = number * BLOCK + (offset or 0)
        if offset is None:
            self._erase(number)
        last = self._spend()
        half = len(buffer) // 2 if last else len(buffer)
        self.memory[start : start + half] = buffer[:half]
        if last:
            raise PowerCut

    def _erase(self, number):
        last = self._spend()
        half = BLOCK // 2 if last else BLOCK
        self.memory[number * BLOCK : number * BLOCK + half] = b"\xff" * half
        if last:
            raise PowerCut

    def ioctl(self, request, argument):
        if request == 4:
            return BLOCKS
        if request == 5:
            return BLOCK
        if request == 6 and not self.dead:
            self._erase(argument)
            return 0
        return 0


def frame_number(number):
    payload = payload_buffer()
    frame = frame_buffer()
    body = b"%06d" % number + bytes([number * 7 & 255 for _ in range(20 + number % 40)])
    payload[: len(body)] = body
    return frame, seal(payload, len(body), frame)


ALL = [frame_number(number) for number in range(FRAMES)]


def open_journal():
    return Journal("/flash/journal", 8 * 2048, 2048, kept_free_bytes=4096)


def scenario(progress):
    """Write everything; `progress` learns what was safe before the cut: [flushed, erased]."""
    journal = open_journal()
    journal.begin_segment()
    for number, (frame, length) in enumerate(ALL):
        if journal.segment_full:
            journal.begin_segment()
        assert journal.write(frame, 0, length) == length
        if number % FLUSH_EVERY == FLUSH_EVERY - 1:
            journal.flush()
            progress[0] = number
        if number == 150:
            # A host collects the oldest segment and has it erased.
            oldest = journal.listing()["oldest"]
            data = whole(journal, oldest)
            progress[1] = max(progress[1], numbers_in(data)[-1])
            assert not journal.erase(oldest, crc32(data) ^ 1)
            assert journal.erase(oldest, crc32(data))
    journal.close()
    progress[0] = FRAMES - 1


def whole(journal, segment):
    data = b""
    while True:
        length, piece = journal.read(segment, len(data))
        data += piece
        if len(data) >= length:
            return data


def numbers_in(data):
    """Frame numbers of a segment; a wrong record fails, a torn end does not."""
    receiver = FrameReceiver()
    numbers = []
    for payload in receiver.feed(data):
        number = int(bytes(payload[:6]))
        frame, length = ALL[number]
        again = FrameReceiver().feed(bytes(memoryview(frame)[:length]))
        assert bytes(payload) == bytes(again[0]), "a wrong record"
        numbers.append(number)
    # Damage may only be the torn end of the segment.
    assert receiver.damaged == 0, "damage inside a segment"
    return numbers


def run(left):
    """One life, one cut, one look afterwards. Returns (writes, frames lost beyond the last flush)."""
    memory = bytearray(PRISTINE)
    flash = Flash(memory, left)
    progress = [-1, -1]
    cut = False
    os.umount("/flash") if "flash" in os.listdir("/") else None
    try:
        vfs.mount(vfs.VfsLfs2(flash, progsize=32, readsize=32, lookahead=32), "/flash")
        scenario(progress)
    except PowerCut:
        cut = True
    try:
        vfs.umount("/flash")
    except (PowerCut, OSError):
        pass
    flash.dead = True
    again = Flash(bytearray(memory), None)
    vfs.mount(vfs.VfsLfs2(again, progsize=32, readsize=32, lookahead=32), "/flash")
    journal = open_journal()
    listing = journal.listing()
    found = []
    if listing["segments"]:
        for segment in range(listing["oldest"], listing["newest"] + 1):
            try:
                found += numbers_in(whole(journal, segment))
            except OSError:
                pass  # that number was erased
    assert found == sorted(set(found)), "records out of order or twice"
    lost = []
    if found:
        lost = [number for number in range(found[0], progress[0] + 1) if number not in found]
        # What lies before the oldest record was rotated away or erased after the host had it.
        if listing["bytes_lost"] == 0:
            assert found[0] <= progress[1] + 1, "records lost at the front"
    elif progress[0] > progress[1]:
        lost = [progress[0]]
    assert not lost, "flushed records lost: %r" % lost
    # It goes on: the next segment has a number of its own.
    journal.begin_segment()
    frame, length = ALL[0]
    assert journal.write(frame, 0, length) == length
    journal.close()
    assert journal.listing()["newest"] > listing["newest"] or not listing["segments"]
    vfs.umount("/flash")
    return flash.writes, cut


first, step = int(sys.argv[3]), int(sys.argv[4])
PRISTINE = bytearray(BLOCK * BLOCKS)
vfs.VfsLfs2.mkfs(Flash(PRISTINE, None), progsize=32, readsize=32, lookahead=32)
total, cut = run(None)
assert not cut
cuts = 0
for left in range(first, total, step):
    try:
        writes, cut = run(left)
    except AssertionError as problem:
        print(json.dumps({"left": left, "problem": str(problem)}))
        raise
    assert cut
    cuts += 1
print(json.dumps({"writes": total, "cuts": cuts}))
