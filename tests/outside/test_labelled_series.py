"""The onset of a change, on a published series with labels by people (ships inside river)."""

from __future__ import annotations

import numpy as np
import pytest

from sumpglass.analysis.happenings.onset import fit_change


def test_changes_of_a_runners_pace_are_placed_where_people_see_them():
    # RunLog of the Turing change point data, van den Burg and Williams 2020, arXiv:2003.06222; its first annotator.
    datasets = pytest.importorskip("river.drift.datasets")
    log = datasets.RunLog()
    pace = np.array([y["Pace"] for _, y in log])
    labels = [0, *log.annotations["6"], len(pace)]
    off = []
    for before, label, after in zip(labels, labels[1:], labels[2:]):
        first, end = (before + label) // 2, (label + after) // 2
        change = fit_change(pace[first:end], 1.0, 3, 2, end - first - 2)
        assert change is not None
        off.append(abs(change.start - (label - first)))
    assert np.median(off) <= 1.5 and max(off) <= 5
