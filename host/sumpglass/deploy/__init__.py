"""Firmware onto a board: found, sent, checked by hash, switched to in one rename, and back again."""
