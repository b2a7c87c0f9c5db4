"""The log on the board's own flash: the frames of the wire, in numbered segments that are bounded and rotate.

A record is a frame: it carries its own CRC, and a segment read on its own is a raw capture like any other. A power cut
loses at most what was written after the last flush; the file system (littlefs) keeps the file as of that flush. After a
start a new segment begins: nothing is ever added behind a torn end.
"""

import os
from binascii import crc32

SEGMENT_BYTES = 32768
KEPT_FREE_BYTES = 65536
"""Left alone for the settings and what is written beside a file before it is replaced."""
NEW_FIRMWARE_BYTES = 344064
"""Left alone as well as long as there is no second version of the firmware, whose place a new one would take."""
FIRMWARE_FOLDERS = ("sumpglass_a", "sumpglass_b")
NAME = "%08d.log"
LOST_FILE = "lost"
PIECE = 256


def kept_free():
    """Bytes of the flash that the journal leaves alone, so that a new firmware always finds room."""
    for folder in FIRMWARE_FOLDERS:
        try:
            os.stat(folder)
        except OSError:
            return KEPT_FREE_BYTES + NEW_FIRMWARE_BYTES
    return KEPT_FREE_BYTES


class Journal:
    """Segments in `folder`, at most `limit_bytes` in all; the oldest goes first when it is full."""

    def __init__(self, folder="journal", limit_bytes=524288, segment_bytes=SEGMENT_BYTES, kept_free_bytes=None):
        self._kept_free_bytes = kept_free() if kept_free_bytes is None else kept_free_bytes
        self._folder = folder
        self._segment_bytes = segment_bytes
        self._limit = max(limit_bytes, 2 * segment_bytes)
        self._file = None
        self._length = 0
        self._unflushed = False
        self.full = False
        """True once something old had to go."""
        self.failed = False
        """True when the flash refuses even after the oldest segment was given up."""
        try:
            os.mkdir(folder)
        except OSError:
            pass  # it is there already
        self._numbers = self._find()
        self.bytes_lost = self._read_lost()

    # writing

    def begin_segment(self):
        """Close the segment that is open and begin the next one."""
        self.close()
        number = self._numbers[-1] + 1 if self._numbers else self._read_next()
        while self._numbers and (self._used() + self._segment_bytes > self._limit or not self._room()):
            self._give_up_oldest()
        try:
            self._file = open(self._path(number), "wb")
        except OSError:
            self.failed = True
            return
        self._numbers.append(number)
        self._length = 0

    @property
    def segment_full(self):
        """Time for the next segment."""
        return self._file is None or self._length >= self._segment_bytes

    def write(self, data, start, length):
        """Add bytes of a frame; returns how many were taken (all, or none when the flash refuses)."""
        if self._file is None:
            return 0
        try:
            self._file.write(data, start, length)
        except OSError:
            self.failed = True
            self.close()
            return 0
        self._length += length
        self._unflushed = True
        return length

    def flush(self):
        """From now on what was written survives a power cut."""
        if self._unflushed and self._file is not None:
            self._unflushed = False
            try:
                self._file.flush()
            except OSError:
                self.failed = True

    def close(self):
        """Close the open segment."""
        if self._file is not None:
            try:
                self._file.close()
            except OSError:
                self.failed = True
            self._file = None

    # handing over

    def listing(self):
        """Fields of the answer to JOURNAL_LIST."""
        self.flush()
        return {
            "oldest": self._numbers[0] if self._numbers else 0,
            "newest": self._numbers[-1] if self._numbers else 0,
            "bytes_used": self._used(),
            "bytes_lost": self.bytes_lost,
            "segments": len(self._numbers),
        }

    def read(self, number, offset):
        """`(length of the segment, piece from offset)`. Raises OSError when there is no such segment."""
        self.flush()
        path = self._path(number)
        length = os.stat(path)[6]
        if offset >= length:
            return length, b""
        with open(path, "rb") as file:
            file.seek(offset)
            return length, file.read(PIECE)

    def is_open(self, number):
        """Whether that segment is being written."""
        return self._file is not None and self._numbers[-1] == number

    def erase(self, number, crc):
        """Erase a segment whose CRC-32 is `crc`; False when it is not. Raises OSError when there is none."""
        path = self._path(number)
        total = 0
        piece = bytearray(PIECE)
        view = memoryview(piece)
        with open(path, "rb") as file:
            while True:
                length = file.readinto(piece)
                if not length:
                    break
                total = crc32(view[:length], total)
        if total & 0xFFFFFFFF != crc:
            return False
        self._note_next()
        os.remove(path)
        if number in self._numbers:
            self._numbers.remove(number)
        self.full = False
        self.failed = False
        return True

    # files

    def _path(self, number):
        return self._folder + "/" + NAME % number

    def _find(self):
        numbers = []
        for entry in os.listdir(self._folder):
            if entry.endswith(".log") and len(entry) == 12:
                try:
                    numbers.append(int(entry[:8]))
                except ValueError:
                    pass  # not one of ours
        numbers.sort()
        return numbers

    def _used(self):
        total = 0
        for number in self._numbers:
            try:
                total += os.stat(self._path(number))[6]
            except OSError:
                pass  # erased by hand meanwhile
        return total

    def _room(self):
        if not hasattr(os, "statvfs"):
            return True
        facts = os.statvfs(self._folder)
        return facts[0] * facts[3] > self._kept_free_bytes + self._segment_bytes

    def _give_up_oldest(self):
        number = self._numbers.pop(0)
        path = self._path(number)
        try:
            self.bytes_lost += os.stat(path)[6]
            os.remove(path)
        except OSError:
            pass
        self.full = True
        self._note(self._numbers[-1] + 1 if self._numbers else number + 1)

    def _note_next(self):
        self._note(self._numbers[-1] + 1 if self._numbers else 1)

    def _note(self, following):
        """Keep the bytes lost and the next number over a start, by rename so that a power cut leaves one of the two."""
        temporary = self._folder + "/" + LOST_FILE + ".new"
        try:
            with open(temporary, "w") as file:
                file.write("%d %d" % (self.bytes_lost, following))
            os.rename(temporary, self._folder + "/" + LOST_FILE)
        except OSError:
            pass  # only the count of what was lost suffers

    def _noted(self):
        try:
            with open(self._folder + "/" + LOST_FILE) as file:
                words = file.read(40).split()
            return int(words[0]), int(words[1])
        except (OSError, ValueError, IndexError):
            return 0, 1

    def _read_lost(self):
        return self._noted()[0]

    def _read_next(self):
        return self._noted()[1]
