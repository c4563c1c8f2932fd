"""Only the state goes on: causal to the bit, and stopped equals never stopped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from healthtrack.drift import follow, resume, state_from_json, state_to_json
from healthtrack.drift.grid import standard_grid
from healthtrack.drift.state import VERSION

PER_DRIVE = (
    "level", "level_sd", "slope", "slope_sd", "covariance", "log_years", "log_density",
)  # fmt: skip
BAR = float(np.log(20.0))


@pytest.fixture
def story(maker):
    """A healthy start, a fault that is repaired, and a few wild drives."""
    count = 150
    value = maker.rng.normal(size=count)
    value[60:100] -= 6.0
    value[[20, 75, 130]] += 15.0
    return maker.segment(value, standard_grid().wander.size, pinned=np.arange(count) < 25)


def part(segment, start, end):
    rows = slice(start, end)
    names = ("value", "se", "days", "distance", "shared", "pinned")
    return replace(segment, **{name: getattr(segment, name)[rows] for name in names})


def test_the_story_holds_an_alert_raised_and_cleared(story):
    episodes = follow(story, BAR).episodes
    assert len(episodes.raised) == 1
    assert 60 <= episodes.raised[0] < 70
    assert len(episodes.cleared) == 1
    assert 100 <= episodes.cleared[0] < 125


@pytest.mark.parametrize("end", [1, 26, 62, 66, 104, 149])
def test_later_drives_change_nothing_that_was_said_to_the_bit(story, end):
    whole, then = follow(story, BAR), follow(part(story, 0, end), BAR)
    for name in PER_DRIVE:
        np.testing.assert_array_equal(getattr(whole, name)[:end], getattr(then, name))
    np.testing.assert_array_equal(whole.episodes.state[:end], then.episodes.state)
    assert then.episodes.raised == tuple(r for r in whole.episodes.raised if r < end)


@pytest.mark.parametrize("cut", [1, 40, 64, 110])
def test_saved_restored_and_gone_on_is_never_having_stopped(story, cut):
    whole = follow(story, BAR)
    state, first = resume(None, part(story, 0, cut), BAR)
    again = state_from_json(state_to_json(state))
    _, second = resume(again, part(story, cut, None), BAR)
    for name in PER_DRIVE:
        joined = np.concatenate([getattr(first, name), getattr(second, name)])
        np.testing.assert_array_equal(joined, getattr(whole, name))
    assert first.episodes.raised + second.episodes.raised == whole.episodes.raised
    assert second.since == whole.since
    assert second.carried.information == whole.carried.information


def test_going_on_leaves_the_saved_state_as_it_was(story):
    state, _ = resume(None, part(story, 0, 64), BAR)
    before = state_to_json(state)
    resume(state, part(story, 64, 80), BAR)
    assert state_to_json(state) == before


def test_a_state_of_another_version_is_not_read(story):
    state, _ = resume(None, part(story, 0, 3), BAR)
    text = state_to_json(state)
    assert state_from_json(text) is not None
    assert state_from_json(text.replace(f'"version":{VERSION}', '"version":0')) is None
