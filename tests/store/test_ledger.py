"""The ledger remembers what was done; what a wrong clock wrote does not count."""

from datetime import UTC, datetime, timedelta

import pytest

from healthtrack.store import Ledger

NOW = datetime(2026, 11, 25, 6, tzinfo=UTC)
HOUR = timedelta(hours=1)


@pytest.fixture
def ledger(store):
    return Ledger(store)


def _run(ledger, job, due, state="done", started=None, message=""):
    started = started or due
    ledger.start(job, due, started)
    ledger.finish(job, state, started + HOUR / 2, message)


def test_a_job_is_known_since_it_first_stood_in_the_settings(ledger):
    ledger.know(["assess"], NOW)
    ledger.know(["assess", "report/owner"], NOW + HOUR)
    records = ledger.records(NOW + 2 * HOUR)
    assert records["assess"].known_since == NOW
    assert records["report/owner"].known_since == NOW + HOUR
    assert records["assess"].last_done is None


def test_failures_count_from_the_last_success(ledger):
    ledger.know(["assess"], NOW)
    _run(ledger, "assess", NOW, "failed", message="first")
    _run(ledger, "assess", NOW, "done", started=NOW + HOUR)
    for number in (2, 3):
        _run(ledger, "assess", NOW + 24 * HOUR, "failed", NOW + number * 10 * HOUR, f"no {number}")
    record = ledger.records(NOW + 100 * HOUR)["assess"]
    assert (record.failures, record.message) == (2, "no 3")
    assert record.last_done == NOW
    assert record.last_failed == NOW + 30.5 * HOUR


def test_runs_that_never_ended_are_interrupted_and_not_done(ledger):
    ledger.know(["assess"], NOW)
    ledger.start("assess", NOW, NOW)
    assert ledger.interrupt_open(NOW + HOUR) == 1
    assert [run.state for run in ledger.runs("assess")] == ["interrupted"]
    record = ledger.records(NOW + HOUR)["assess"]
    assert (record.last_done, record.failures) == (None, 0)
    assert ledger.interrupt_open(NOW + HOUR) == 0


def test_what_lies_in_the_future_does_not_count(ledger):
    ledger.know(["assess"], NOW + 9999 * HOUR)
    _run(ledger, "assess", NOW)
    _run(ledger, "assess", NOW + 9999 * HOUR)
    record = ledger.records(NOW + HOUR)["assess"]
    assert record.last_done == NOW
    assert record.known_since == NOW + HOUR


def test_forgetting_old_runs_keeps_the_last_one_done_of_each_job(ledger):
    ledger.know(["assess", "digest"], NOW)
    for day in range(5):
        _run(ledger, "assess", NOW + 24 * day * HOUR)
    _run(ledger, "digest", NOW)
    ledger.prune(NOW + 1000 * HOUR)
    assert [run.due for run in ledger.runs("assess")] == [NOW + 96 * HOUR]
    assert [run.due for run in ledger.runs("digest")] == [NOW]
