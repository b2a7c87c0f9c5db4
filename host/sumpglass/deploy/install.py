"""Putting a version of the firmware on a board, so that it starts the old or the new one whatever fails midway.

The board has two folders, `sumpglass_a` and `sumpglass_b`, each with one whole version and its manifest. A new
version goes into the folder that `main.py` does not name; every file is checked by its hash on the board; then one
rename of `main.py` switches over. Until that rename the old version starts, after it the new one, and the old one
stays to go back to. A deploy that was cut short is simply repeated: files that are there already are not sent again.
Settings and journal lie outside both folders and are never written to.
"""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass

from sumpglass.deploy.payload import BoardFile, Payload
from sumpglass.deploy.raw_repl import BoardRepl
from sumpglass.errors import DeviceError, RefusedError

SLOTS = ("sumpglass_a", "sumpglass_b")
START = 'import os, sys\nsys.path.insert(0, os.getcwd().rstrip("/") + "/{slot}")\n'
"""What `main.py` does first. Paths are relative to the folder in which a board starts, its root."""
CHUNK_BYTES = 768
"""Of a file in one piece of code: its literal is at most four times as long, and the board compiles it in its heap."""

# Functions that stay on the board until its next reset. `_walk` prints as it goes: the line is never silent for long.
_TOOLS = """
import os, sys, hashlib, binascii
def _hash(path):
    h = hashlib.sha256()
    with open(path, "rb") as f:
        while True:
            piece = f.read(512)
            if not piece:
                break
            h.update(piece)
    return binascii.hexlify(h.digest()).decode()
def _walk(folder, top):
    try:
        entries = list(os.ilistdir(folder))
    except OSError:
        return
    for entry in entries:
        path = folder + "/" + entry[0]
        if entry[1] & 0x4000:
            _walk(path, top)
        else:
            print(path[len(top) + 1:] + "\\t" + str(os.stat(path)[6]) + "\\t" + _hash(path))
def _folders(path):
    parts = path.split("/")[:-1]
    for n in range(1, len(parts) + 1):
        try:
            os.mkdir("/".join(parts[:n]))
        except OSError as e:
            if e.errno != 17:
                raise
def _keep(path, kept):
    try:
        os.stat(kept)
        return
    except OSError:
        pass
    with open(path, "rb") as f:
        with open(kept + ".new", "wb") as g:
            while True:
                piece = f.read(512)
                if not piece:
                    break
                g.write(piece)
    os.rename(kept + ".new", kept)
def _text(path):
    try:
        with open(path) as f:
            print(f.read(), end="")
    except OSError as e:
        if e.errno != 2:
            raise
"""


@dataclass(frozen=True)
class DeployStep:
    """Progress, for a person: what is being done and how far it is, 0 to 1."""

    text: str
    share: float = 0.0


@dataclass(frozen=True)
class BoardState:
    """What is on a board."""

    system: str
    """Board and interpreter, in its own words."""
    current: str | None
    """Folder that `main.py` starts, None if it is not ours."""
    manifests: dict[str, dict[str, object]]
    """By folder, of those that hold a whole version."""
    free_bytes: int
    foreign_main: bool
    """There is a `main.py` that this program did not write."""

    def version_in(self, slot: str | None) -> str:
        """Version in a folder, or "none"."""
        return str(self.manifests.get(slot or "", {}).get("version", "none"))


def open_tools(board: BoardRepl) -> None:
    """Define those functions on the board: before anything else here."""
    board.run(_TOOLS)


def read_state(board: BoardRepl) -> BoardState:
    """What the board holds. Needs `open_tools`."""
    main = board.run('_text("main.py")')
    named = re.search(r'sys\.path\.insert\(0, .*"/(sumpglass_[ab])"\)', main)
    manifests = {}
    for slot in SLOTS:
        text = board.run(f'_text("{slot}/manifest.json")')
        try:
            found = json.loads(text)
        except ValueError:
            continue
        if isinstance(found, dict) and isinstance(found.get("files"), dict) and isinstance(found.get("digest"), str):
            manifests[slot] = found
    space = board.run("s = os.statvfs(os.getcwd()); print(s[0] * s[3])").strip()
    system = board.run('print(getattr(sys.implementation, "_machine", sys.platform), sys.version, sep=", ")').strip()
    return BoardState(
        system, named.group(1) if named else None, manifests, int(space), bool(main.strip()) and named is None
    )


def install(board: BoardRepl, payload: Payload, again: bool = False) -> Iterator[DeployStep]:
    """Put `payload` on the board and switch to it; yields progress. `again` sends even what is up to date.

    Raises DeviceError when the board fails; the board then still starts what it started before.
    """
    open_tools(board)
    yield DeployStep("looking at what the board holds")
    state = read_state(board)
    running = state.manifests.get(state.current or "", {})
    if (
        not again
        and state.current
        and running.get("digest") == payload.digest
        and _whole(board, state.current, payload)
    ):
        yield DeployStep(f"version {payload.version} is there already, every file as it should be", 1.0)
        return
    target = SLOTS[1] if state.current == SLOTS[0] else SLOTS[0]
    there = files_in(board, target)
    board.run(f'os.remove("{target}/manifest.json")' if "manifest.json" in there else "pass")
    yield from _clear_strangers(board, target, there, payload)
    to_send = [file for file in payload.files if there.get(file.path, (0, ""))[1] != file.sha256]
    _check_space(state.free_bytes, there, to_send)
    total, sent = max(1, sum(len(file.content) for file in to_send)), 0
    kept = len(payload.files) - len(to_send)
    if kept:
        yield DeployStep(f"{kept} files are there already from an earlier try or version")
    for file in to_send:
        for count in _send(board, f"{target}/{file.path}", file.content):
            sent += count
            yield DeployStep(f"sending {file.path}", 0.9 * sent / total)
    yield DeployStep("checking every file by its hash", 0.92)
    _verify(board, target, payload)
    _write_checked(board, f"{target}/manifest.json", manifest_of(payload))
    yield DeployStep("switching over", 0.98)
    _switch(board, target, payload.main, state)
    yield DeployStep(
        f"version {payload.version} is on the board, {state.version_in(state.current)} is kept to go back to", 1.0
    )


def go_back(board: BoardRepl) -> Iterator[DeployStep]:
    """Switch to the version kept in the other folder, after checking each of its files.

    Raises RefusedError when there is none, or when it is damaged.
    """
    open_tools(board)
    state = read_state(board)
    other = SLOTS[1] if state.current == SLOTS[0] else SLOTS[0]
    manifest = state.manifests.get(other)
    if state.current is None or manifest is None:
        raise RefusedError("the board keeps no earlier version to go back to: deploy the one that you want instead")
    yield DeployStep("checking the kept version by its hashes", 0.3)
    files = manifest["files"]
    there = {path: entry[1] for path, entry in files_in(board, other).items() if path != "manifest.json"}
    if there != files:
        raise RefusedError("the version kept on the board is damaged: deploy the one that you want instead")
    yield DeployStep("switching over", 0.9)
    _switch(board, other, str(manifest.get("main", "")).encode(), state)
    yield DeployStep(f"back at version {state.version_in(other)}", 1.0)


def manifest_of(payload: Payload) -> bytes:
    """JSON that marks a folder as whole."""
    fields = {
        "version": payload.version,
        "digest": payload.digest,
        "main": payload.main.decode(),
        "files": {file.path: file.sha256 for file in payload.files},
    }
    return json.dumps(fields, sort_keys=True).encode()


def files_in(board: BoardRepl, slot: str) -> dict[str, tuple[int, str]]:
    """Size and SHA-256 of each file in a folder, by path relative to it."""
    found = {}
    for line in board.run(f'_walk("{slot}", "{slot}")').splitlines():
        parts = line.split("\t")
        if len(parts) != 3 or not parts[1].isdigit():
            raise DeviceError(
                f"the board listed its files as {line[:60]!r}: something else prints on its port, reset it"
            )
        found[parts[0]] = (int(parts[1]), parts[2])
    return found


def _whole(board: BoardRepl, slot: str, payload: Payload) -> bool:
    there = {path: entry[1] for path, entry in files_in(board, slot).items() if path != "manifest.json"}
    return there == {file.path: file.sha256 for file in payload.files}


def _clear_strangers(
    board: BoardRepl, slot: str, there: dict[str, tuple[int, str]], payload: Payload
) -> Iterator[DeployStep]:
    """Remove what an older version left: a stale module would be imported as if it belonged here."""
    wanted = {file.path for file in payload.files}
    strangers = [path for path in there if path not in wanted and path != "manifest.json"]
    if strangers:
        yield DeployStep(f"removing {len(strangers)} files of an older version from {slot}")
    for path in strangers:
        board.run(f"os.remove({slot + '/' + path!r})")


def _check_space(free_bytes: int, there: dict[str, tuple[int, str]], to_send: list[BoardFile]) -> None:
    # A file takes whole blocks of 4 kB of flash; littlefs wants two for each new folder, and some for its own records.
    folders = {file.path.rsplit("/", 1)[0] for file in to_send} - {path.rsplit("/", 1)[0] for path in there}
    blocks = sum(-(-len(file.content) // 4096) for file in to_send) + 2 * len(folders) + 4
    replaced = sum(-(-there[file.path][0] // 4096) for file in to_send if file.path in there)
    if blocks * 4096 > free_bytes + replaced * 4096:
        raise DeviceError(
            f"the firmware needs {blocks * 4} kB of the board's flash and {free_bytes // 1024} kB are free: "
            "collect and erase the journal, or remove other files, then deploy again"
        )


def _send(board: BoardRepl, path: str, content: bytes) -> Iterator[int]:
    """Write a file in pieces, yielding the bytes of each; it is checked afterwards with all others."""
    board.run(f'_folders({path!r})\n_f = open({path!r}, "wb")')
    for start in range(0, len(content), CHUNK_BYTES):
        piece = content[start : start + CHUNK_BYTES]
        board.run(f"_f.write({piece!r})")
        yield len(piece)
    board.run("_f.close()")


def _verify(board: BoardRepl, slot: str, payload: Payload) -> None:
    there = files_in(board, slot)
    for file in payload.files:
        if there.get(file.path, (0, ""))[1] != file.sha256:
            raise DeviceError(
                f"{file.path} arrived on the board with other content than was sent: deploy again (what arrived "
                "whole is not sent twice); if it happens again, change the cable"
            )


def _write_checked(board: BoardRepl, path: str, content: bytes) -> None:
    for _ in _send(board, path, content):
        pass
    arrived = board.run(f"print(_hash({path!r}))").strip()
    if arrived != BoardFile(path, content).sha256:
        raise DeviceError(f"{path} arrived on the board with other content than was sent: deploy again")


def _switch(board: BoardRepl, slot: str, main: bytes, state: BoardState) -> None:
    """The one moment of change: a rename, which littlefs does as a whole or not at all."""
    start = START.format(slot=slot).encode() + main
    if state.foreign_main:
        # Somebody's own program: kept under another name, never thrown away, never overwritten by a second deploy.
        # Copied, not renamed: until the switch the board starts what it started before.
        board.run('_keep("main.py", "main.py.before")')
    _write_checked(board, "main.py.new", start)
    board.run('os.rename("main.py.new", "main.py")\nif hasattr(os, "sync"):\n    os.sync()')


def reset(board: BoardRepl) -> None:
    """Start the board anew; the port goes away with it, often before it has acknowledged."""
    with contextlib.suppress(DeviceError):
        board.run_and_leave("import machine; machine.reset()")
