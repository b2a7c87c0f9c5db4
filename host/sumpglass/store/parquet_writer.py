"""Recordings to Parquet: a row a sample, marks in a column, and what else is known in the file's metadata."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import IO, Any

import numpy as np
import pyarrow
import pyarrow.parquet

from sumpglass.records import Recording
from sumpglass.store.csv_writer import place_marks


def write_parquet(recording: Recording, out: IO[Any]) -> None:
    """Write `t_s`, `pressure_pa` (NaN as null), `mark`, and the bins' own columns. Marks' exact times: metadata."""
    placed, _ = place_marks(recording.t_s, recording.marks)
    texts: list[str | None] = [None] * len(recording.t_s)
    for row, mark in placed.items():
        texts[row] = mark.text
    columns = {
        "t_s": pyarrow.array(recording.t_s),
        "pressure_pa": pyarrow.array(recording.pressure_pa, mask=np.isnan(recording.pressure_pa)),
        "mark": pyarrow.array(texts, pyarrow.string()),
    }
    for name, values in (
        ("low_pa", recording.pressure_low_pa),
        ("high_pa", recording.pressure_high_pa),
        ("mean_square_pa2", recording.mean_square_pa2),
    ):
        if values is not None:
            columns[name] = pyarrow.array(values, mask=np.isnan(values))
    about = {
        "name": recording.name,
        "rate_hz": recording.rate_hz,
        "missing": recording.missing,
        "cylinders": recording.cylinders,
        "sensor": asdict(recording.sensor),
        "zero": asdict(recording.zero) if recording.zero else None,
        "line": asdict(recording.line) if recording.line else None,
        "marks": [asdict(mark) for mark in recording.marks],
        "warnings": list(recording.warnings),
    }
    table = pyarrow.table(columns).replace_schema_metadata({"sumpglass": json.dumps(about)})
    pyarrow.parquet.write_table(table, out, compression="zstd")
