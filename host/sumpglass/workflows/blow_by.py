"""Blow-by from figures typed by hand: the computation is `procedures.blow_by_flow`."""

from __future__ import annotations

from sumpglass.procedures.blow_by_flow import BlowBy, blow_by
from sumpglass.procedures.bores import BORE_U95_MM
from sumpglass.procedures.openings import Room

__all__ = ["BORE_U95_MM", "BlowBy", "Room", "blow_by"]
