"""Calendars in local time; Germany changed its clocks on 29 March and 25 October 2026."""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from healthtrack.schedule import following, latest, parse, quiet_until

BERLIN = ZoneInfo("Europe/Berlin")


def _utc(*parts):
    return datetime(*parts, tzinfo=UTC)


def _all(line, zone, start, end):
    moments, at = [], start
    while (at := following(parse(line), zone, at)) is not None and at <= end:
        moments.append(at)
    return moments


def test_a_time_that_the_spring_night_skips_is_due_once_an_hour_later():
    due = _all("30 2 * * *", BERLIN, _utc(2026, 3, 28, 12), _utc(2026, 3, 30, 12))
    assert due == [_utc(2026, 3, 29, 1, 30), _utc(2026, 3, 30, 0, 30)]
    assert f"{due[0].astimezone(BERLIN):%H:%M}" == "03:30"


def test_a_time_that_the_autumn_night_has_twice_is_due_once_the_first_time():
    due = _all("30 2 * * *", BERLIN, _utc(2026, 10, 24, 12), _utc(2026, 10, 26, 12))
    assert due == [_utc(2026, 10, 25, 0, 30), _utc(2026, 10, 26, 1, 30)]


@pytest.mark.parametrize(
    "zone", ["Europe/Berlin", "America/St_Johns", "Australia/Lord_Howe", "UTC"]
)
@pytest.mark.parametrize("hour", [0, 1, 2, 3, 6, 23])
def test_a_daily_time_is_due_once_for_each_day_of_the_year_in_any_zone(zone, hour):
    where = ZoneInfo(zone)
    start = datetime(2026, 1, 1, tzinfo=where).astimezone(UTC) - timedelta(seconds=1)
    due = _all(f"30 {hour} * * *", where, start, start + timedelta(days=364.99))
    days = [moment.astimezone(where).date() for moment in due]
    assert len(days) == len(set(days)) == 365


def test_six_in_the_morning_stays_six_in_the_morning_over_both_changes():
    due = _all("0 6 * * *", BERLIN, _utc(2026, 1, 1), _utc(2026, 12, 31))
    assert {f"{moment.astimezone(BERLIN):%H:%M}" for moment in due} == {"06:00"}


@settings(deadline=None, max_examples=60)
@given(
    st.datetimes(datetime(2025, 1, 1), datetime(2028, 1, 1)).map(lambda t: t.replace(tzinfo=UTC)),
    st.sampled_from(["30 2 * * *", "0 6 * * mon", "0 7 last * *", "*/20 1-3 * * *", "5 0 29 2 *"]),
)
def test_the_latest_moment_is_the_one_before_the_following(now, line):
    calendar = parse(line)
    before, after = latest(calendar, BERLIN, now), following(calendar, BERLIN, now)
    assert before <= now < after
    assert following(calendar, BERLIN, before) == after


def test_weekdays_have_the_numbers_of_posix_and_names_mean_the_same():
    # IEEE Std 1003.1: weekday 0-6 with 0 = Sunday; 7 is common usage for Sunday as well
    for number, name in ((0, "sun"), (1, "mon"), (6, "sat"), (7, "sun")):
        assert parse(f"0 6 * * {number}") == parse(f"0 6 * * {name}")
    monday = following(parse("0 6 * * 1"), BERLIN, _utc(2026, 11, 25))
    assert monday.astimezone(BERLIN).strftime("%A") == "Monday"


def test_the_last_day_of_a_month_is_due_in_every_month():
    due = _all("0 7 last * *", ZoneInfo("UTC"), _utc(2027, 12, 31, 8), _utc(2028, 12, 31, 8))
    assert [moment.day for moment in due] == [31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31]


def test_day_and_weekday_together_are_either_of_them_as_posix_says():
    due = _all("0 0 1,15 * mon", ZoneInfo("UTC"), _utc(2026, 6, 1, 1), _utc(2026, 6, 30))
    assert [moment.day for moment in due] == [8, 15, 22, 29]
    due = _all("0 0 2 * mon", ZoneInfo("UTC"), _utc(2026, 6, 1, 1), _utc(2026, 6, 30))
    assert [moment.day for moment in due] == [2, 8, 15, 22, 29]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("0 6 * *", "4 fields, not five"),
        ("60 6 * * *", "'60' as the minute is no number from 0 to 59"),
        ("0 6 * * monday", "as the weekday is no number from 0 to 7 or one of sun, mon"),
        ("0 6 30 2 *", "days that no year has"),
        ("*/0 6 * * *", "step '0'"),
        ("0 22-4 * * *", "runs backwards"),
    ],
)
def test_a_wrong_line_says_which_field_and_what_may_stand_there(line, words):
    with pytest.raises(ValueError, match=words.replace("*", r"\*")):
        parse(line)


def test_quiet_hours_may_run_over_midnight_and_end_in_local_time():
    night = (time(22), time(7))
    assert quiet_until(*night, BERLIN, _utc(2026, 11, 25, 20)) is None
    assert quiet_until(*night, BERLIN, _utc(2026, 11, 25, 22)) == _utc(2026, 11, 26, 6)
    assert quiet_until(*night, BERLIN, _utc(2026, 11, 26, 5)) == _utc(2026, 11, 26, 6)
    assert quiet_until(*night, BERLIN, _utc(2026, 11, 26, 6)) is None
    assert quiet_until(time(12), time(13), BERLIN, _utc(2026, 11, 25, 11, 30)) == _utc(
        2026, 11, 25, 12
    )
    assert quiet_until(time(7), time(7), BERLIN, _utc(2026, 11, 25, 11)) is None
