"""Sequence numbers judged one by one and in bulk agree."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sumpglass.decode.sequence import SequenceKeeper, Verdict

STEPS = st.lists(
    st.tuples(
        st.sampled_from([1, 1, 1, 1, 1, 1, 0, 2, 5, -1, -3, 40000, 65535]),
        st.sampled_from([60_000, 60_000, 60_000, 0, -60_000, -30_000, -(10**9)]),
    ),
    max_size=60,
)


@settings(max_examples=200, deadline=None)
@given(steps=STEPS, start=st.integers(0, 65535), cut=st.integers(0, 60), repeat=st.integers(0, 8))
def test_bulk_agrees_with_one_by_one(steps, start, cut, repeat):
    sequences, times = [start], [5_000_000]
    for step, later in steps:
        sequences.append((sequences[-1] + step) % 65536)
        times.append(times[-1] + later)
        if repeat and len(sequences) % 7 == 0:
            sequences += sequences[-repeat:]
            times += times[-repeat:]
    one, many = SequenceKeeper(), SequenceKeeper()
    slow = [int(one.take(s, t)) for s, t in zip(sequences, times, strict=True)]
    fast = []
    for part in (slice(None, cut), slice(cut, None)):
        fast += many.take_many(np.array(sequences[part], np.int64), np.array(times[part], np.int64)).tolist()
    assert fast == slow and one.lost == many.lost


def test_a_stretch_sent_twice_is_taken_once():
    keeper = SequenceKeeper()
    verdicts = [keeper.take(s, s * 100) for s in (1, 2, 3, 1, 2, 3, 4)]
    assert verdicts == [Verdict.NEW] * 3 + [Verdict.REPEATED] * 3 + [Verdict.NEW] and keeper.lost == 0
