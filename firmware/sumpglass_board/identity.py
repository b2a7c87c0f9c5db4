"""Which firmware this is: a digest over its files, the same that the host computes before it deploys them."""

import os
from binascii import hexlify
from hashlib import sha256

import sumpglass_board
import sumpglass_wire

PACKAGES = (("sumpglass_board", sumpglass_board), ("sumpglass_wire", sumpglass_wire))


def firmware_files():
    """`[(path in the firmware, path on this board)]`, sorted."""
    found = []
    for name, package in PACKAGES:
        folders = [(name, package.__file__.rsplit("/", 1)[0])]
        while folders:
            told, folder = folders.pop()
            for entry in os.ilistdir(folder):
                pair = told + "/" + entry[0], folder + "/" + entry[0]
                if entry[1] & 0x4000:
                    if entry[0] != "__pycache__":
                        folders.append(pair)
                elif entry[0].endswith(".py") or entry[0].endswith(".mpy"):
                    found.append(pair)
    found.sort()
    return found


def firmware_digest():
    """First 8 bytes of the SHA-256 over one line a file, in order of path: path, NUL, its SHA-256 in hex, line feed."""
    total = sha256()
    piece = bytearray(512)
    view = memoryview(piece)
    for told, path in firmware_files():
        one = sha256()
        with open(path, "rb") as file:
            while True:
                length = file.readinto(piece)
                if not length:
                    break
                one.update(view[:length])
        total.update(told.encode())
        total.update(b"\0")
        total.update(hexlify(one.digest()))
        total.update(b"\n")
    return total.digest()[:8]
