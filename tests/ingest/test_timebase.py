from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from healthtrack.errors import LogError
from healthtrack.ingest import parse_pipeline

BASE = """
identify = ["time"]
[time]
columns = ["time"]
{time}
[channels.engine_speed]
column = "rpm"
unit = "rpm"
"""


@pytest.fixture
def moments(read):
    """Read a log of these times with [time] settings; return the moments and the log."""

    def run(times, time, name="log.csv", preamble=""):
        pipeline = parse_pipeline(BASE.format(time=time), "test.toml")
        rows = "".join(f"{time},{900 + i}\n" for i, time in enumerate(times))
        log = read(f"{preamble}time,rpm\n{rows}", name=name, pipelines=[pipeline])
        return log.samples["t"].to_list(), log

    return run


def utc(*parts):
    return datetime(*parts, tzinfo=UTC)


def seconds(count, form="{}"):
    return [form.format(i) for i in range(count)]


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        ("2024-07-01T08:00:{:02d}Z", utc(2024, 7, 1, 8)),
        ("2024-07-01T08:00:{:02d}.000+02:00", utc(2024, 7, 1, 6)),
        ("2024-07-01 08:00:{:02d}+0200", utc(2024, 7, 1, 6)),
        ("2024-07-01 08:00:{:02d}.25", utc(2024, 7, 1, 6, 0, 0, 250_000)),
        ("2024-07-01T08:00:{:02d},25", None),
    ],
)
def test_iso_8601_with_and_without_an_offset(moments, written, expected):
    times = [written.format(i) for i in range(12)]
    if expected is None:  # a comma inside a comma-separated cell is another row width
        with pytest.raises(LogError):
            moments(times, 'form = "timestamp"')
        return
    got, _ = moments(times, 'form = "timestamp"\nzone = "Europe/Vienna"')
    assert got[0] == expected
    assert (got[-1] - got[0]).total_seconds() == 11


def test_day_first_and_month_first_are_what_the_pipeline_says(moments):
    times = [f"03/04/2024 08:00:{i:02d}" for i in range(12)]
    day_first, _ = moments(times, 'form = "timestamp"\npattern = "%d/%m/%Y %H:%M:%S"')
    month_first, _ = moments(times, 'form = "timestamp"\npattern = "%m/%d/%Y %H:%M:%S"')
    assert day_first[0] == utc(2024, 4, 3, 8)
    assert month_first[0] == utc(2024, 3, 4, 8)


def test_a_date_that_contradicts_the_pipeline_is_no_time(moments):
    times = [f"25/04/2024 08:00:{i:02d}" for i in range(12)]
    with pytest.raises(LogError, match="25/04/2024") as caught:
        moments(times, 'form = "timestamp"\npattern = "%m/%d/%Y %H:%M:%S"')
    assert caught.value.reason == "no_time"


def test_epoch_in_seconds_and_milliseconds(moments):
    at = utc(2024, 7, 1, 6)
    stamps = [f"{at.timestamp() + i / 4:.2f}" for i in range(12)]
    got, _ = moments(stamps, 'form = "epoch"')
    assert got[1] == utc(2024, 7, 1, 6, 0, 0, 250_000)
    stamps = [str(int(at.timestamp() * 1000) + 250 * i) for i in range(12)]
    got, _ = moments(stamps, 'form = "epoch"\nunit = "ms"')
    assert got[1] == utc(2024, 7, 1, 6, 0, 0, 250_000)


def test_elapsed_time_with_the_start_in_the_name(moments):
    time = (
        'form = "elapsed"\nstart_from = "name"\nzone = "Europe/Vienna"\n'
        "start_search = '(\\d{8}_\\d{6})'\nstart_pattern = '%Y%m%d_%H%M%S'"
    )
    got, _ = moments(seconds(12), time, name="otter_20240701_080000.csv")
    assert got[0] == utc(2024, 7, 1, 6)
    assert got[-1] == utc(2024, 7, 1, 6, 0, 11)
    with pytest.raises(LogError, match="holds no date") as caught:
        moments(seconds(12), time, name="otter.csv")
    assert caught.value.reason == "no_time"


OF_DAY = (
    'form = "time_of_day"\nstart_from = "name"\nzone = "Europe/Vienna"\n'
    "start_search = '(\\d{4}-\\d{2}-\\d{2})'"
)


def test_the_date_may_stand_in_the_folder_s_name(moments):
    times = [f"08:00:{i:02d}" for i in range(12)]
    got, _ = moments(times, OF_DAY, name="2024-07-01/log.csv")
    assert got[0] == utc(2024, 7, 1, 6)


def test_a_drive_across_midnight_goes_on_in_the_next_day(moments):
    times = [f"23:59:{50 + i}" for i in range(10)] + [f"00:00:{i:02d}" for i in range(10)]
    got, log = moments(times, OF_DAY, name="2024-07-01.csv")
    assert got[0] == utc(2024, 7, 1, 21, 59, 50)
    assert got[-1] == utc(2024, 7, 1, 22, 0, 9)
    assert len(got) == 20
    assert log.losses == ()


def test_a_clock_step_back_just_after_midnight_is_no_new_day(moments):
    times = [f"23:59:{50 + i}" for i in range(10)] + ["00:00:00", "23:59:59"]
    times += [f"00:00:{i:02d}" for i in range(1, 10)]
    got, log = moments(times, OF_DAY, name="2024-07-01.csv")
    assert got[-1] == utc(2024, 7, 1, 22, 0, 9)
    assert [(loss.reason, loss.count) for loss in log.losses] == [("clock_step", 1)]


def test_a_row_whose_clock_stepped_back_is_left_out(moments):
    times = seconds(30)
    times[14] = "3"
    got, log = moments(times, 'form = "epoch"\n' if False else OF_ELAPSED, name="2024-07-01.csv")
    assert len(got) == 29
    assert [(loss.reason, loss.count) for loss in log.losses] == [("clock_step", 1)]


def test_a_row_whose_clock_ran_ahead_is_the_one_left_out(moments):
    times = seconds(30)
    times[14] = "300"
    got, log = moments(times, OF_ELAPSED, name="2024-07-01.csv")
    assert (got[-1] - got[0]).total_seconds() == 29
    assert [(loss.reason, loss.count) for loss in log.losses] == [("clock_step", 1)]


OF_ELAPSED = 'form = "elapsed"\nstart_from = "name"\nstart_search = "([0-9]{4}-[0-9]{2}-[0-9]{2})"'


def test_a_gap_longer_than_stated_begins_another_drive(moments):
    times = [str(i) for i in range(12)] + [str(700 + i) for i in range(12)]
    _, log = moments(times, OF_ELAPSED, name="2024-07-01.csv")
    assert log.drives["drive"].to_list() == [
        "otter/2024-07-01T00:00:00",
        "otter/2024-07-01T00:11:40",
    ]
    _, log = moments(times, OF_ELAPSED + "\nsplit_gap_min = 20.0", name="2024-07-01.csv")
    assert log.drives.height == 1


def test_the_hour_that_comes_twice_in_autumn_runs_on(moments):
    """Vienna, 27 October 2024: 03:00 summer time becomes 02:00."""
    times = [f"02:{m:02d}:00" for m in range(50, 60)] + [f"02:{m:02d}:00" for m in range(10)]
    got, log = moments(times, OF_DAY, name="2024-10-27.csv")
    assert got[0] == utc(2024, 10, 27, 0, 50)
    assert got[-1] == utc(2024, 10, 27, 1, 9)
    assert np.diff([moment.timestamp() for moment in got]).tolist() == [60.0] * 19
    assert log.losses == ()


def test_a_log_inside_the_doubled_hour_says_which_one_was_taken(moments):
    times = [f"02:{m:02d}:00" for m in range(12)]
    got, log = moments(times, OF_DAY, name="2024-10-27.csv")
    assert got[0] == utc(2024, 10, 27, 0, 0)
    assert "first of the two" in " ".join(log.notes)


def test_the_hour_that_spring_skips_is_counted(moments):
    """Vienna, 31 March 2024: 02:00 becomes 03:00."""
    times = [f"01:{m:02d}:00" for m in range(48, 60)] + ["02:00:00"]
    times += [f"03:{m:02d}:00" for m in range(12)]
    got, log = moments(times, OF_DAY, name="2024-03-31.csv")
    assert got[11] == utc(2024, 3, 31, 0, 59)
    assert got[12] == utc(2024, 3, 31, 1, 0)
    assert [(loss.reason, loss.count) for loss in log.losses] == [("unreadable_time", 1)]
    assert "clock change skips" in " ".join(log.notes)


def test_a_clock_that_was_never_set_is_refused(moments):
    with pytest.raises(LogError, match="clock was not set") as caught:
        moments(seconds(12), 'form = "epoch"')
    assert caught.value.reason == "clock_not_set"


def test_a_clock_that_fell_back_midway_goes_on_in_sequence_and_says_so(moments):
    times = [f"2024-07-01T08:00:{i:02d}Z" for i in range(20)]
    times += [f"1970-01-01T00:00:{i:02d}Z" for i in range(15)]
    got, log = moments(times, 'form = "timestamp"')
    assert [(moment - got[0]).total_seconds() for moment in got] == list(range(35))
    assert "15 rows were put in sequence" in log.notes[0]


def test_a_clock_that_was_set_after_the_start_puts_the_first_rows_before(moments):
    times = [f"1980-01-06T00:00:{i:02d}Z" for i in range(10)]
    times += [f"2024-07-01T08:00:{i:02d}Z" for i in range(20)]
    got, _ = moments(times, 'form = "timestamp"')
    assert got[10] == utc(2024, 7, 1, 8)
    assert (got[10] - got[0]).total_seconds() == 10


def test_a_single_row_with_a_broken_year_is_no_reading(moments):
    times = [f"2024-07-01T08:00:{i:02d}Z" for i in range(20)]
    times[7] = "1974-07-01T08:00:07Z"
    got, log = moments(times, 'form = "timestamp"')
    assert len(got) == 19
    assert [(loss.reason, loss.count) for loss in log.losses] == [("unreadable_time", 1)]


def test_a_clock_never_set_is_put_at_the_date_in_the_name_and_says_so(moments):
    times = [f"1970-01-01T00:00:{i:02d}Z" for i in range(12)]
    settings = (
        'form = "timestamp"\nstart_from = "name"\nstart_search = "([0-9]{4}-[0-9]{2}-[0-9]{2})"'
    )
    got, log = moments(times, settings, name="otter_2024-07-01.csv")
    assert got[0] == utc(2024, 7, 1)
    assert (got[-1] - got[0]).total_seconds() == 11
    assert "clock was not set" in log.notes[0]
