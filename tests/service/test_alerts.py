"""One alert per episode; worse is news, the same is not."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from healthtrack.records import IndicatorFinding, VehicleFinding
from healthtrack.service.alerts import advance, to_escalate

NOW = datetime(2026, 11, 25, 6, tzinfo=UTC)
RAISED = date(2026, 11, 20)


def _finding(state, raised_on=RAISED, as_of=date(2026, 11, 25), level=-4.0):
    raised = raised_on if state in {"alert", "alarm"} else None
    item = IndicatorFinding("airflow", "%", state, "…", level=level, raised_on=raised)
    return VehicleFinding("otter", as_of, state, "…", 1.0, 100, None, (item,))


def _live(states, raised_on=RAISED):
    """Assess day by day; return the episodes and how often something was told on each day."""
    episodes, told = {}, []
    for day, state in enumerate(states):
        finding = _finding(state, raised_on, date(2026, 11, 25) + timedelta(days=day))
        step = advance(tuple(episodes.values()), finding, NOW + timedelta(days=day))
        episodes |= {one.episode: one for one in step.changed}
        told.append(len(step.told))
    return tuple(episodes.values()), told


@pytest.mark.parametrize(
    ("states", "told"),
    [
        (["normal", "learning", "no_data"], [0, 0, 0]),
        (["alert", "alert", "alert"], [1, 0, 0]),
        (["alert", "alarm", "alarm", "alert", "alarm"], [1, 1, 0, 0, 0]),
        (["alarm", "alert"], [1, 0]),
        (["alert", "learning", "alert"], [1, 0, 0]),
        (["alert", "normal", "alert"], [1, 0, 0]),  # raised on the same day: the same episode
    ],
)
def test_an_episode_is_told_once_per_degree(states, told):
    episodes, seen = _live(states)
    assert seen == told
    assert len(episodes) == (1 if any(told) else 0)


def test_an_alert_that_is_cleared_and_raised_anew_is_a_new_episode():
    first, _ = _live(["alert", "normal"])
    assert [one.closed is not None for one in first] == [True]
    step = advance(first, _finding("alert", date(2026, 12, 20), date(2026, 12, 21)), NOW)
    assert [one.episode for one in step.told] == ["otter/airflow/2026-12-20"]


def test_cleared_and_raised_between_two_assessments_closes_the_first():
    first, _ = _live(["alert"])
    later = _finding("alert", date(2026, 12, 20), date(2026, 12, 21))
    step = advance(first, later, NOW + timedelta(days=26))
    assert {one.episode: one.closed is None for one in step.changed} == {
        "otter/airflow/2026-11-20": False,
        "otter/airflow/2026-12-20": True,
    }
    assert len(step.told) == 1


def test_a_day_of_raising_that_shifts_because_old_logs_came_late_is_the_same_episode():
    first, _ = _live(["alert"])
    for shifted in (date(2026, 11, 18), date(2026, 11, 23)):
        step = advance(first, _finding("alert", shifted, date(2026, 11, 26)), NOW)
        assert step.told == ()
        assert [one.episode for one in step.changed] == ["otter/airflow/2026-11-20"]


def test_the_same_assessment_twice_changes_nothing_the_second_time():
    first, _ = _live(["alert"])
    step = advance(first, _finding("alert"), NOW)
    assert step.changed == first
    assert step.told == step.cleared == ()


def test_an_alarm_that_nobody_acknowledges_is_escalated_once():
    (alarm,), _ = _live(["alarm"])
    wait = timedelta(hours=48)
    assert to_escalate([alarm], wait, NOW + wait - timedelta(seconds=1)) == ()
    assert to_escalate([alarm], wait, NOW + wait) == (alarm,)
    for harmless in (
        replace(alarm, acknowledged=NOW),
        replace(alarm, escalated=NOW),
        replace(alarm, closed=NOW),
        replace(alarm, worst="alert"),
    ):
        assert to_escalate([harmless], wait, NOW + 9 * wait) == ()


def test_an_alert_that_became_an_alarm_waits_from_then_and_wants_acknowledging_again():
    (alert,), _ = _live(["alert"])
    known = replace(alert, acknowledged=NOW, acknowledged_by="Ann")
    later = NOW + timedelta(days=9)
    (alarm,) = advance([known], _finding("alarm", as_of=date(2026, 12, 4)), later).changed
    assert alarm.acknowledged is None
    wait = timedelta(hours=48)
    assert to_escalate([alarm], wait, later + timedelta(hours=47)) == ()
    assert to_escalate([alarm], wait, later + wait) == (alarm,)
