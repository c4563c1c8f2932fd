"""Raised, held and cleared: the rules as a table of drives."""

from __future__ import annotations

import numpy as np
import pytest

from healthtrack.drift.rules import (
    ALARM,
    ALERT,
    CLEAR_AFTER,
    CLEARED,
    NORMAL,
    NOTHING,
    RAISED,
    concern,
    next_state,
)


def run(over: list[bool], concerned: list[float], beyond: list[float]) -> tuple[list, list]:
    state, healthy = np.array([NORMAL]), np.array([0])
    states, happened = [], []
    for one in zip(over, concerned, beyond, strict=True):
        chances = (np.array([one[1]]), np.array([one[2]]))
        state, healthy, what = next_state(state, healthy, np.array([one[0]]), chances)
        states.append(int(state[0]))
        happened.append(int(what[0]))
    return states, happened


def test_an_alert_is_raised_once_and_held_while_the_level_is_off():
    states, happened = run([False, True, True, False], [0.99] * 4, [0.1] * 4)
    assert states == [NORMAL, ALERT, ALERT, ALERT]
    assert happened == [NOTHING, RAISED, NOTHING, NOTHING]


def test_healthy_drives_in_a_row_clear_it_and_a_bad_one_between_starts_the_count_again():
    row = [0.6] * (CLEAR_AFTER - 1) + [0.99] + [0.6] * CLEAR_AFTER
    states, happened = run([True] + [False] * len(row), [0.99, *row], [0.0] * (len(row) + 1))
    assert happened.count(CLEARED) == 1
    assert happened[-1] == CLEARED
    assert states[-2:] == [ALERT, NORMAL]


def test_an_alarm_does_not_flap_around_its_threshold():
    states, _ = run([True] * 5, [0.99] * 5, [0.7, 0.85, 0.7, 0.55, 0.45])
    assert states == [ALERT, ALARM, ALARM, ALARM, ALERT]


def test_a_large_change_is_an_alarm_from_its_first_drive():
    assert run([True], [1.0], [0.95]) == ([ALARM], [RAISED])


def test_harm_without_significance_is_no_alarm():
    assert run([False], [1.0], [0.99]) == ([NORMAL], [NOTHING])


@pytest.mark.parametrize(("side", "expected"), [(-1, 0.975), (1, 0.025), (0, 0.975)])
def test_concern_looks_to_its_side(side, expected):
    concerned, _ = concern(
        np.array([-1.959964]), np.array([1.0]), np.array([6.0]), np.array([float(side)])
    )
    assert concerned[0] == pytest.approx(expected, abs=1e-6)


def test_beyond_the_limit_is_counted_on_the_side_of_concern():
    level, sd, limit = np.array([-7.0]), np.array([1.0]), np.array([6.0])
    of = {s: concern(level, sd, limit, np.array([float(s)]))[1][0] for s in (-1, 0, 1)}
    assert of[-1] == of[0] == pytest.approx(0.8413447, abs=1e-6)
    assert of[1] < 1e-12
