"""`plan` says what to do when, and its calendar updates instead of duplicating."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest


@pytest.fixture
def fleet(workspace, write_log, call):
    """A workspace with three drives of otter, the last at an odometer reading that is known."""
    settings = workspace / "healthtrack.toml"
    text = settings.read_text(encoding="utf-8")
    assert "\n[vehicles.otter]\n" in text
    text = text.replace("\n[vehicles.otter]\n", "\n[vehicles.otter]\nservice_every_months = 12\n")
    settings.write_text(text, encoding="utf-8")
    day = datetime(2025, 3, 1, 7, 0, tzinfo=UTC)
    for number in range(3):
        write_log(workspace / "inbox" / "otter" / f"{number}.csv", day + timedelta(days=number))
    assert call("ingest").code == 0
    return workspace


def _serviced(call, on):
    assert call("maintenance", "add", "otter", "service", "--on", on).code == 0


def test_a_service_by_its_interval_is_in_the_plan_and_said_to_be_overdue_when_it_is(call, fleet):
    _serviced(call, "2024-06-10")
    (item,) = call("plan", "--json", "--as-of", "2025-03-31").document["items"]
    assert (item["vehicle"], item["due"], item["what"]) == (
        "otter",
        "2025-06-10",
        "routine service",
    )
    assert "overdue" not in item["why"]
    (late,) = call("plan", "otter", "--json", "--as-of", "2025-07-01").document["items"]
    assert late["uid"] == item["uid"]
    assert "overdue since 2025-06-10" in late["why"]
    assert "2025-06-10  otter    routine service" in call("plan", "--as-of", "2025-03-31").out


def test_a_second_export_has_the_same_identifiers_with_the_new_dates(call, fleet):
    _serviced(call, "2024-06-10")
    file = fleet / "plan.ics"
    entries = []
    for on in ("2024-08-01", "2025-02-01"):
        _serviced(call, on)
        called = call("plan", "--calendar", file, "--json", "--as-of", "2025-03-31")
        assert called.document["calendar"] == str(file)
        text = file.read_bytes().decode()
        (uid,) = re.findall(r"UID:(.*)\r\n", text)
        assert uid == called.document["items"][0]["uid"]
        entries.append((uid, *re.findall(r"DTSTART;VALUE=DATE:(.*)\r\n", text)))
    assert entries[0][0] == entries[1][0]
    assert [entry[1] for entry in entries] == ["20250801", "20260201"]


def test_without_a_recorded_service_it_says_what_to_enter(call, fleet):
    called = call("plan", "--as-of", "2025-03-31")
    assert called.code == 0
    assert "Nothing is to be done" in called.out
    assert "maintenance add otter service" in called.err


def test_a_calendar_that_cannot_be_written_is_said_in_words(call, fleet):
    _serviced(call, "2024-06-10")
    called = call("plan", "--calendar", fleet / "nowhere" / "plan.ics", "--as-of", "2025-03-31")
    assert called.code == 1
    assert "could not be written" in called.err
