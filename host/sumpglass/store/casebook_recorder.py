"""Writing while recording, on a thread of its own: neither the port nor the screen ever waits for the disk."""

from __future__ import annotations

import os
import queue
import shutil
import threading
import time
from typing import BinaryIO

from sumpglass.errors import DiskError, InputError, SumpglassError
from sumpglass.records import Mark
from sumpglass.store.casebook import Casebook

COMMIT_EVERY_S = 0.4
"""A `kill -9` loses at most what came since the last commit."""
MOST_WAITING = 20000
"""Chunks that may wait for a disk that hangs; beyond it recording stops rather than eat all memory."""


class _Recorder:
    """A queue, a thread, and what to do with what comes."""

    def __init__(self, path: str) -> None:
        self.name = path
        self._queue: queue.Queue[tuple | None] = queue.Queue(MOST_WAITING)
        self._error: SumpglassError | None = None
        self._closed = False
        self._thread = threading.Thread(target=self._run, name="recorder", daemon=True)

    def append(self, data: bytes, received_s: float) -> None:
        """Keep bytes as they came off the wire, with the host's monotonic time."""
        self._put(("chunk", data, received_s))

    def mark(self, key: str, mark: Mark, board_us: int | None) -> None:
        """Keep a mark, or name an earlier one with the same key."""
        self._put(("mark", key, mark, board_us))

    def trouble(self) -> SumpglassError | None:
        """Why it stopped keeping anything; None while all is well."""
        return self._error

    def free_bytes(self) -> int | None:
        """Room left on the disk."""
        try:
            return shutil.disk_usage(os.path.dirname(os.path.abspath(self.name))).free
        except OSError:
            return None

    def close(self) -> None:
        """Write what is left and close the file. Raises what went wrong while writing, if anything did."""
        if not self._closed:
            self._closed = True
            self._queue.put(None)
            self._thread.join()
        if self._error is not None:
            raise self._error

    def _put(self, job: tuple) -> None:
        if self._error is not None or self._closed:
            return
        try:
            self._queue.put_nowait(job)
        except queue.Full:
            self._error = DiskError(f"{self.name}: the disk does not take what comes in: recording has stopped")

    def _run(self) -> None:
        chunks: list[tuple[bytes, float]] = []
        due = time.monotonic() + COMMIT_EVERY_S
        try:
            going = True
            while going:
                try:
                    job = self._queue.get(timeout=max(0.0, due - time.monotonic()))
                except queue.Empty:
                    job = ()
                if job is None:
                    going = False
                elif job and job[0] == "chunk":
                    chunks.append(job[1:])
                elif job:
                    self._write_mark(*job[1:])
                if not going or time.monotonic() >= due:
                    due = time.monotonic() + COMMIT_EVERY_S
                    if chunks:
                        self._write_chunks(chunks)
                        chunks = []
        except SumpglassError as error:
            self._error = error
        except OSError as error:
            self._error = DiskError(f"{self.name}: cannot be written ({error.strerror}): what is there is kept")
        finally:
            self._finish()

    def _write_chunks(self, chunks: list[tuple[bytes, float]]) -> None:
        raise NotImplementedError

    def _write_mark(self, key: str, mark: Mark, board_us: int | None) -> None:
        raise NotImplementedError

    def _finish(self) -> None:
        raise NotImplementedError


class CasebookRecorder(_Recorder):
    """Appends a new recording to a casebook, which is made if it is not there."""

    def __init__(
        self, path: str, recording: str = "", source: str = "", cylinders: int | None = None, subject: str = ""
    ) -> None:
        super().__init__(path)
        self._book = Casebook.create(path)
        try:
            if subject:
                self._book.set_subject(subject, cylinders)
            name = recording or f"run {len(self._book.recordings()) + 1}"
            self.recording_id = self._book.begin_recording(name, "frames", source, cylinders)
        except BaseException:
            self._book.close()
            raise
        self._thread.start()

    def _write_chunks(self, chunks: list[tuple[bytes, float]]) -> None:
        self._book.append_frames(self.recording_id, chunks)

    def _write_mark(self, key: str, mark: Mark, board_us: int | None) -> None:
        self._book.set_mark(self.recording_id, key, mark, board_us)

    def _finish(self) -> None:
        try:
            if self._error is None:
                self._book.end_recording(self.recording_id)
        except SumpglassError as error:
            self._error = error
        finally:
            try:
                self._book.close()
            except SumpglassError as error:
                self._error = self._error or error


class CaptureRecorder(_Recorder):
    """Writes the byte stream alone to a new file. Marks of the host have no place there; `marks_lost` counts them."""

    def __init__(self, path: str) -> None:
        super().__init__(path)
        self.marks_lost = 0
        try:
            self._file: BinaryIO = open(path, "xb", buffering=0)  # noqa: SIM115 - closed by the thread
        except FileExistsError:
            raise InputError(f"{path}: is there already, expected a new name for a raw capture") from None
        except OSError as error:
            raise DiskError(f"{path}: cannot be written ({error.strerror}): choose another place") from None
        self._thread.start()

    def _write_chunks(self, chunks: list[tuple[bytes, float]]) -> None:
        left = memoryview(b"".join(data for data, _ in chunks))
        while left:
            left = left[self._file.write(left) :]

    def _write_mark(self, key: str, mark: Mark, board_us: int | None) -> None:
        del key, board_us
        self.marks_lost += mark.origin != "board"

    def _finish(self) -> None:
        try:
            os.fsync(self._file.fileno())
            self._file.close()
        except OSError as error:
            self._error = self._error or DiskError(f"{self.name}: cannot be written ({error.strerror})")
