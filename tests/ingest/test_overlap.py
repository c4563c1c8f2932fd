"""Two recordings of the same driving: together where they agree, refused where they do not."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from healthtrack.errors import LogError
from healthtrack.ingest.overlap import union

from .conftest import START

NAMES = ("a.csv", "b.csv")


def recording(seconds, *, factor=1.0, channel="manifold_pressure"):
    values = (150 + 40 * np.sin(np.asarray(seconds) / 20)) * factor
    moments = [START + timedelta(seconds=float(second)) for second in seconds]
    return pl.DataFrame(
        {
            "drive": "otter/1",
            "t": pl.Series(moments, dtype=pl.Datetime("us", "UTC")),
            channel: values,
        }
    )


def test_readings_at_other_times_stand_beside_each_other_where_they_agree():
    both = union(recording(np.arange(0, 300)), recording(np.arange(100.4, 400)), NAMES)
    assert both.height == 600
    assert both["t"].is_sorted()


def test_readings_at_other_times_that_do_not_follow_are_refused():
    with pytest.raises(
        LogError, match=r"manifold pressure .* kPa in a.csv and .* in b.csv"
    ) as told:
        union(recording(np.arange(0, 300)), recording(np.arange(100.4, 400), factor=1.3), NAMES)
    assert told.value.reason == "overlap"


def test_which_log_came_first_makes_no_difference():
    one, other = recording(np.arange(0, 300)), recording(np.arange(100, 400), factor=1 + 1e-6)
    backwards = union(other, one, NAMES[::-1])
    assert_frame_equal(union(one, other, NAMES), backwards, check_exact=True)


def test_channels_of_which_only_one_log_tells_are_joined_on_time():
    pressure = recording(np.arange(0, 300))
    flow = recording(np.arange(200, 500), channel="airflow")
    both = union(pressure, flow, NAMES)
    assert both.height == 500
    assert both["airflow"].count() == both["manifold_pressure"].count() == 300


def test_rows_that_share_a_stamp_all_stay():
    seconds = np.floor(np.arange(0, 300, 0.5))
    frame = recording(seconds).with_columns(manifold_pressure=pl.int_range(pl.len()) / 10.0 + 100)
    assert union(frame, frame, NAMES).height == 600
