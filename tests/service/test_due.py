"""What is due follows from settings, ledger and moment alone."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from healthtrack import config
from healthtrack.service.due import due_jobs, is_overdue, next_moment, plans
from healthtrack.store import JobRecord

SETTINGS = config.parse(
    """
    [service]
    time_zone = "Europe/Berlin"
    assess_at = "02:30"
    [recipients.owner]
    address = "owner@garage.example"
    reports = "weekly"
    [recipients.office]
    address = "office@garage.example"
    reports = "never"
    digest = "0 7 last * *"
    time_zone = "America/New_York"
    """,
    "healthtrack.toml",
)
PLANS = plans(SETTINGS)
START = datetime(2026, 3, 2, 12, tzinfo=UTC)  # a Monday, after six


def _known(since=START, **changes):
    return {plan.job: JobRecord(since, **changes.get(plan.job, {})) for plan in PLANS}


def _due(records, now):
    return [(due.plan.job, due.moment) for due in due_jobs(PLANS, records, now)]


def test_the_jobs_are_those_of_the_settings_in_the_order_in_which_they_are_done():
    assert [plan.job for plan in PLANS] == [
        "assess",
        "report/owner",
        "digest/office",
        "housekeeping",
    ]


def test_nothing_is_due_from_before_it_stood_in_the_settings():
    assert _due(_known(), START) == []
    assert _due({}, START + timedelta(days=400)) == []


def test_a_fortnight_without_power_is_caught_up_once():
    back = datetime(2026, 3, 18, 12, tzinfo=UTC)
    last = {"last_done": datetime(2026, 3, 4, 1, 30, tzinfo=UTC)}
    assert _due(_known(assess=last), back) == [
        ("assess", datetime(2026, 3, 18, 1, 30, tzinfo=UTC)),
        ("report/owner", datetime(2026, 3, 16, 5, 0, tzinfo=UTC)),
        ("housekeeping", datetime(2026, 3, 18, 2, 30, tzinfo=UTC)),
    ]


@given(steps=st.lists(st.integers(1, 60 * 30), min_size=40, max_size=80))
@settings(deadline=None, max_examples=15)
def test_whenever_one_looks_each_moment_is_done_at_most_once_and_the_last_never_missed(steps):
    now, records, done = START, _known(), []
    for minutes in steps:
        now += timedelta(minutes=minutes)
        for due in due_jobs(PLANS, records, now):
            done.append((due.plan.job, due.moment))
            records[due.plan.job] = JobRecord(START, due.moment, now)
        assert due_jobs(PLANS, records, now) == ()
    assert len(done) == len(set(done))
    for plan in PLANS:
        coming = next_moment(plan, records[plan.job], now)
        assert coming > now
        assert coming - now < timedelta(days=32)


def test_each_day_of_the_year_has_its_assessment_on_both_nights_of_the_clock_change():
    now, records, moments = START, _known(), []
    while now < START + timedelta(days=365):
        now += timedelta(minutes=57)
        for due in due_jobs(PLANS, records, now):
            if due.plan.job == "assess":
                moments.append(due.moment)
            records[due.plan.job] = JobRecord(START, due.moment, now)
    days = [moment.astimezone(SETTINGS.service.zone).date() for moment in moments]
    assert len(days) == len(set(days)) == 365


@pytest.mark.parametrize(("failures", "minutes"), [(1, 5), (2, 15), (3, 45), (5, 360), (50, 360)])
def test_a_job_that_failed_waits_longer_each_time(failures, minutes):
    now = datetime(2026, 3, 3, 1, 31, tzinfo=UTC)
    failed = {"failures": failures, "last_failed": now}
    records = _known(assess=failed)
    before = now + timedelta(minutes=minutes, seconds=-1)
    assert "assess" not in dict(_due(records, before))
    assert "assess" in dict(_due(records, before + timedelta(seconds=1)))
    assert next_moment(PLANS[0], records["assess"], now) == now + timedelta(minutes=minutes)


def test_a_clock_that_goes_back_a_little_repeats_nothing():
    done = datetime(2026, 3, 3, 1, 30, tzinfo=UTC)
    records = _known(assess={"last_done": done})
    assert _due(records, done - timedelta(minutes=5)) == []
    assert _due(records, done + timedelta(hours=23)) == [
        ("housekeeping", datetime(2026, 3, 3, 2, 30, tzinfo=UTC))
    ]


def test_overdue_is_what_should_have_been_done_an_hour_ago():
    records = _known()
    at = datetime(2026, 3, 3, 1, 30, tzinfo=UTC)
    assert not is_overdue(PLANS[0], records["assess"], at + timedelta(minutes=60))
    assert is_overdue(PLANS[0], records["assess"], at + timedelta(minutes=61))
    assert not is_overdue(PLANS[0], None, at + timedelta(days=9))
