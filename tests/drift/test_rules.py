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
    Chances,
    Sizes,
    chances,
    next_state,
)


def run(over: list[bool], concerned: list[float], beyond: list[float]) -> tuple[list, list]:
    state, healthy = np.array([NORMAL]), np.array([0])
    states, happened = [], []
    for one in zip(over, concerned, beyond, strict=True):
        now = Chances(np.array([one[1]]), np.array([one[1]]), np.array([one[2]]))
        state, healthy, what = next_state(state, healthy, np.array([one[0]]), now)
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


def of(level: float, side: int, notice: float = 0.0, limit: float = 6.0) -> Chances:
    one = Sizes(np.array([notice]), np.array([limit]), np.array([float(side)]))
    return chances(np.array([level]), np.array([1.0]), one)


@pytest.mark.parametrize(("side", "expected"), [(-1, 0.975), (1, 0.025), (0, 0.975)])
def test_concern_looks_to_its_side(side, expected):
    assert of(-1.959964, side).concerned[0] == pytest.approx(expected, abs=1e-6)


def test_beyond_the_limit_is_counted_on_the_side_of_concern():
    beyond = {side: of(-7.0, side).beyond[0] for side in (-1, 0, 1)}
    assert beyond[-1] == beyond[0] == pytest.approx(0.8413447, abs=1e-6)
    assert beyond[1] < 1e-12


def test_a_change_too_small_for_a_word_raises_nothing_however_sure_it_is():
    """An air filter loads by design: 0.3 kPa is certain and normal where 1 kPa is worth a word."""
    state, healthy, over = np.array([NORMAL]), np.array([0]), np.array([True])
    small, worth = of(0.3 * 20, 1, notice=20.0), of(21.0, 1, notice=20.0)
    assert small.concerned[0] > 0.999999
    assert next_state(state, healthy, over, small)[0][0] == NORMAL
    assert next_state(state, healthy, over, worth)[0][0] >= ALERT


def test_an_alert_around_the_size_worth_a_word_does_not_flap():
    state, healthy = np.array([ALERT]), np.array([0])
    for level in (20.4, 19.6, 19.5, 20.1, 19.4, 19.7, 19.6):
        now = of(level, 1, notice=20.0, limit=60.0)
        state, healthy, _ = next_state(state, healthy, np.array([True]), now)
        assert state[0] == ALERT
    for _ in range(CLEAR_AFTER):
        now = of(18.0, 1, notice=20.0, limit=60.0)
        state, healthy, happened = next_state(state, healthy, np.array([True]), now)
    assert state[0] == NORMAL
    assert happened[0] == CLEARED
