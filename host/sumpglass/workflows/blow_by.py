"""Blow-by from figures typed by hand: the computation is `procedures.blow_by_flow`."""

from __future__ import annotations

from sumpglass.procedures.blow_by_flow import BlowBy, blow_by
from sumpglass.procedures.openings import BORE_U95_MM, Room

__all__ = ["BORE_U95_MM", "BlowBy", "Room", "blow_by"]
