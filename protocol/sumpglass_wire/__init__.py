"""Framing and messages between board and host; the same source runs on CPython and MicroPython. See WIRE.md."""
