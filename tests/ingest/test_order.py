from __future__ import annotations

from itertools import combinations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from healthtrack.ingest.order import longest_rise


def test_what_only_grows_is_kept_whole():
    assert longest_rise(np.array([1, 2, 2, 5])).all()
    assert longest_rise(np.array([], dtype=np.int64)).all()


def test_one_step_back_and_one_leap_ahead_leave_out_one_reading_each():
    values = np.array([1, 2, 3, 1, 4, 5, 99, 6, 7])
    assert np.flatnonzero(~longest_rise(values)).tolist() == [3, 6]


@given(st.lists(st.integers(0, 6), max_size=9))
def test_no_larger_set_could_have_been_kept(values):
    """Checked against every subset."""
    array = np.array(values, dtype=np.int64)
    kept = longest_rise(array)
    assert np.all(np.diff(array[kept]) >= 0)
    for size in range(int(kept.sum()) + 1, len(values) + 1):
        for rows in combinations(range(len(values)), size):
            assert np.any(np.diff(array[list(rows)]) < 0)
