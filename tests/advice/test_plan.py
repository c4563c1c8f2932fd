from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from healthtrack.advice import Service, calendar, plan, table
from healthtrack.advice.calendar import escape, fold, identifier
from healthtrack.records import CauseFinding, Forecast, IndicatorFinding, VehicleFinding

TODAY = date(2025, 6, 30)
NOW = datetime(2025, 6, 30, 20, 15, tzinfo=UTC)


def vehicle(name: str = "otter", state="alert", *, foreseen: Forecast | None = None, **more):
    indicator = IndicatorFinding(
        "airflow", "%", state, "", raised_on=TODAY - timedelta(days=4), forecast=foreseen
    )
    causes = (CauseFinding("charge_air_leak", 0.8), CauseFinding("none", 0.05))
    facts = {
        "vehicle": name,
        "as_of": TODAY,
        "state": state,
        "reason": "",
        "odometer_km": 100_000.0,
        "drives": 50,
        "baseline": None,
        "indicators": (indicator,),
        "causes": causes,
    }
    return VehicleFinding(**(facts | more))


EXPECTED = Forecast(
    110_000.0,
    105_000.0,
    120_000.0,
    date(2025, 12, 1),
    date(2025, 10, 1),
    date(2026, 4, 1),
    "expected",
)


def lines(text: str) -> list[str]:
    """Undo the folding, as RFC 5545, 3.1 says."""
    assert "\n" not in text.replace("\r\n", "")
    return text.replace("\r\n ", "").split("\r\n")


def test_an_alert_is_checked_within_two_weeks_of_being_raised_and_an_alarm_within_days():
    slow, quick = plan([vehicle()])[0], plan([vehicle(state="alarm")])[0]
    assert slow.due == TODAY - timedelta(days=4) + timedelta(days=14)
    assert quick.due < slow.due
    assert "hose" in slow.what
    assert "80 %" in slow.why


def test_a_sound_vehicle_has_nothing_to_do():
    sound = vehicle(state="normal", causes=(CauseFinding("none", 0.95),))
    assert plan([sound]) == ()


def test_a_limit_ahead_is_seen_to_before_its_interval_begins():
    item = next(x for x in plan([vehicle(foreseen=EXPECTED)]) if "/limit/" in x.key)
    assert item.due == date(2025, 9, 17)
    assert "2025-12-01" in item.why


def test_what_can_wait_for_the_service_waits_for_it():
    service = Service("otter", date(2025, 8, 1))
    item = next(x for x in plan([vehicle(foreseen=EXPECTED)], [service]) if "/limit/" in x.key)
    assert item.due == service.due
    late = Service("otter", date(2025, 11, 1))
    item = next(x for x in plan([vehicle(foreseen=EXPECTED)], [late]) if "/limit/" in x.key)
    assert item.due < late.due


def test_an_answer_that_is_no_date_makes_no_entry():
    vague = replace(EXPECTED, answer="too_uncertain")
    assert not any("/limit/" in item.key for item in plan([vehicle(foreseen=vague)]))


def test_the_plan_is_in_order_of_dates_over_all_vehicles():
    fleet = [vehicle("otter", foreseen=EXPECTED), vehicle("heron", state="alarm")]
    due = [item.due for item in plan(fleet, [Service("heron", date(2025, 9, 1))])]
    assert due == sorted(due)
    assert table(plan(fleet))[0] == ("due", "vehicle", "what", "why")


def test_a_second_export_updates_and_does_not_duplicate():
    before = plan([vehicle(foreseen=EXPECTED)])
    moved = replace(EXPECTED, limit_on=date(2026, 1, 1), limit_on_low=date(2025, 11, 1))
    after = plan([vehicle(foreseen=moved)])
    assert [identifier(x) for x in before] == [identifier(x) for x in after]
    assert before != after

    def sequence(when: datetime) -> int:
        told = [x for x in lines(calendar(before, when)) if x.startswith("SEQUENCE:")]
        return int(told[0].split(":")[1])

    # also within an hour, and over a new year
    assert sequence(NOW + timedelta(minutes=5)) > sequence(NOW)
    assert sequence(NOW + timedelta(days=200)) > sequence(NOW)


def test_identifiers_of_different_matters_differ():
    fleet = [vehicle("otter", foreseen=EXPECTED), vehicle("heron", foreseen=EXPECTED)]
    found = [identifier(item) for item in plan(fleet)]
    assert len(set(found)) == len(found)


@pytest.mark.published("RFC 5545, 3.6, 3.8: what a calendar and an event must hold, once")
def test_the_calendar_holds_what_the_standard_asks_for():
    told = lines(calendar(plan([vehicle(foreseen=EXPECTED)]), NOW))
    assert told[0] == "BEGIN:VCALENDAR"
    assert "VERSION:2.0" in told
    assert any(line.startswith("PRODID:") for line in told)
    assert told.count("BEGIN:VEVENT") == told.count("END:VEVENT") == 2
    for name in ("UID:", "DTSTAMP:", "DTSTART;VALUE=DATE:"):
        assert sum(line.startswith(name) for line in told) == 2
    assert told[-2:] == ["END:VCALENDAR", ""]


@pytest.mark.published("RFC 5545, 3.1: lines are folded after at most 75 octets")
def test_lines_are_folded_by_octets_and_never_inside_a_character():
    folded = fold("SUMMARY:" + "ä€" * 60)
    for line in folded.split("\r\n"):
        assert len(line.encode()) <= 75
    assert folded.replace("\r\n ", "") == "SUMMARY:" + "ä€" * 60


@pytest.mark.published("RFC 5545, 3.3.11: backslash, semicolon, comma and line ends are escaped")
def test_text_is_escaped():
    assert escape("a,b;c\\d\ne\r\nf") == "a\\,b\\;c\\\\d\\ne\\nf"
    assert escape("bell\x07") == "bell"


def test_an_independent_reader_takes_the_calendar():
    icalendar = pytest.importorskip("icalendar", reason="the oracle for RFC 5545 is not installed")
    read = icalendar.Calendar.from_ical(calendar(plan([vehicle(foreseen=EXPECTED)]), NOW))
    events = read.walk("VEVENT")
    assert len(events) == 2
    assert {event["DTSTART"].dt for event in events} == {date(2025, 7, 10), date(2025, 9, 17)}
    assert any("hose" in str(event["SUMMARY"]) for event in events)
