"""Crankcase pressure, recorded, shown and judged."""

__version__ = "0.1.0"
