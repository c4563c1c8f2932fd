from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from healthtrack.ingest import parse_pipeline

PIPELINE = """
identify = ["time", "a", "b"]
[time]
columns = ["time"]
form = "elapsed"
start_from = "name"
start_search = '(2024-07-01)'
[poll]
mode = "{mode}"
[channels.engine_speed]
column = "a"
unit = "rpm"
[channels.vehicle_speed]
column = "b"
unit = "km/h"
[channels.pedal]
column = "c"
unit = "%"
"""


@pytest.fixture
def polled(read):
    """Read rows of (a, b, c) as a polling logger wrote them."""

    def run(rows, mode="round_robin"):
        pipeline = parse_pipeline(PIPELINE.format(mode=mode), "test.toml")
        lines = [
            ",".join(str(cell) for cell in (f"{number / 10:.1f}", *row))
            for number, row in enumerate(rows)
        ]
        text = "\n".join(["time,a,b,c", *lines, ""])
        return read(text, name="2024-07-01.csv", pipelines=[pipeline])

    return run


def round_robin(readings, start=("", "", "")):
    """Write readings as a logger does that asks one signal per row and repeats the others."""
    current = list(start)
    rows = []
    for number, value in enumerate(readings):
        current[number % 3] = value
        rows.append(tuple(current))
    return rows


def test_of_a_round_robin_only_the_asked_signal_is_a_reading(polled):
    readings = [900 + 7 * i if i % 3 == 0 else 40 + i % 11 for i in range(60)]
    log = polled(round_robin(readings))
    fresh = log.samples.select("engine_speed", "vehicle_speed", "pedal").to_numpy()
    for number, row in enumerate(fresh):
        expected = [np.nan] * 3
        expected[number % 3] = readings[number]
        assert row == pytest.approx(expected, nan_ok=True)


def test_a_reading_equal_to_the_one_before_is_still_a_reading(polled):
    """The pedal rests at 14 %: its place in the turn tells that it was asked."""
    readings = [(900 + i, 50, 14)[i % 3] for i in range(60)]
    log = polled(round_robin(readings))
    assert log.samples["pedal"].count() == 20
    assert log.samples["vehicle_speed"].count() == 20


def test_after_a_skipped_signal_nothing_is_claimed_that_is_not_known(polled):
    """One row is lost; where the turn cannot be told, only changed values count."""
    readings = [(900 + i, 50 + i % 7, 14)[i % 3] for i in range(90)]
    rows = round_robin(readings)
    del rows[45]
    log = polled(rows)
    fresh = log.samples.select(~pl.col("engine_speed", "vehicle_speed", "pedal").is_null())
    per_row = fresh.select(pl.sum_horizontal(pl.all())).to_series().to_list()
    # the row behind the loss shows two new values: its own and the lost row's
    assert max(per_row) == 2
    assert per_row.count(2) == 1
    assert log.notes[0].startswith("the logger lost its turn 1 times")
    # of 89 rows at most the two around the loss are left without a reading
    assert log.samples.height >= 89 - 2
    speeds = log.samples["engine_speed"].drop_nulls().to_list()
    assert speeds == [value for number, value in enumerate(readings) if number % 3 == 0]
    # the pedal rests, so only its place in the turn tells: every claim stands on the right row
    rows_of_pedal = (
        log.samples.filter(pl.col("pedal").is_not_null())["t"].dt.epoch("ms") // 100 % 600
    )
    assert set(rows_of_pedal.to_list()) <= {n for n in range(45) if n % 3 == 2} | {
        n for n in range(45, 89) if (n + 1) % 3 == 2
    }


def test_where_only_changes_are_known_a_repeat_is_never_a_reading(polled):
    rows = [(900 + i // 4, 50, 14 + i // 10) for i in range(40)]
    log = polled(rows, mode="changes")
    assert log.samples["engine_speed"].count() == 10
    assert log.samples["vehicle_speed"].count() == 1
    assert log.samples["pedal"].count() == 4
    (note,) = log.notes
    assert f"{120 - 10 - 1 - 4} values that came out as before were left out" in note
    assert "round_robin" in note


def test_where_every_value_changed_nothing_is_said_of_repeats(polled):
    rows = [(900 + i, 50 + i, 14 + i) for i in range(40)]
    assert polled(rows, mode="changes").notes == ()


def test_a_sparse_log_is_taken_as_it_is(polled):
    rows = [(900 + i, "", "") if i % 2 else ("", 50, 14) for i in range(40)]
    log = polled(rows, mode="every_row")
    assert log.samples["engine_speed"].count() == 20
    assert log.samples["pedal"].count() == 20
    assert log.losses == ()
