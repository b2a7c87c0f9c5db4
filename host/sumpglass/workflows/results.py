"""Results kept in a casebook: listed, and computed again from what was kept with them."""

from __future__ import annotations

from sumpglass.workflows.guide import KeptResult, kept_results

__all__ = ["KeptResult", "kept_results"]
