"""One JSON object on standard output: schema name, version, no NaN, plain numbers."""

from __future__ import annotations

import json
import math
import sys
from typing import Any, TextIO

from sumpglass import __version__


def json_object(schema: str, fields: dict[str, Any]) -> dict[str, Any]:
    """`fields` with `schema` ("assessment" becomes "sumpglass/assessment/1") and `version` in front.

    numpy scalars become plain numbers, NaN and infinity become None: the caller says why in `warnings`.
    """
    return {"schema": f"sumpglass/{schema}/1", "version": __version__, **_plain(fields)}


def print_json(schema: str, fields: dict[str, Any], stream: TextIO | None = None) -> None:
    """Write `json_object(schema, fields)` and a newline to standard output (or `stream`)."""
    out = sys.stdout if stream is None else stream
    plain = "utf" not in (getattr(out, "encoding", None) or "utf-8").lower()
    json.dump(json_object(schema, fields), out, ensure_ascii=plain, allow_nan=False)
    out.write("\n")


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
