"""Firmware of the rig: samples pressure sensors and speaks `sumpglass_wire` on the board's port."""

import gc
import sys

VERSION = (1, 0, 0)

try:
    from micropython import opt_level

    opt_level(3)  # without line numbers, a tenth of the memory: a traceback still names file and function
except ImportError:  # a desktop Python, which reads the tables of patterns
    pass

# The board compiles these files itself. Collecting often while it does keeps what stays together at one end of the
# memory, so that the rings find room in one piece.
gc.collect()
if hasattr(gc, "threshold"):  # a desktop Python, which reads the tables of patterns, has none
    gc.threshold(24576)


def forget(name):
    """Give back the memory of a module that is needed only for a moment."""
    sys.modules.pop("sumpglass_board." + name, None)
    globals().pop(name, None)
