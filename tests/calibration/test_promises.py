"""The statistical promises, on lives that the estimator does not assume.

The whole check is ``python -m tests.benchmarks.drift_calibration 200``: 200 lives a kind, 93–97 %
each, to within its error. That takes minutes; here are enough lives to catch a promise that is
broken by a factor. A life's drives share their errors, so the life is the unit: with 24 of them a
kind's coverage is known to two points, which bounds it from below; from above only all kinds
together (288 lives, to half a point) and the width of the bands can tell.
"""

from __future__ import annotations

import numpy as np
import pytest

from healthtrack.drift import follow_many
from tests.calibration.histories import KINDS, LEARNED, life

pytestmark = pytest.mark.slow
BAR_YEARS = 80.0
HISTORIES = 24
ERRORS = 3.5
"""Standard errors that a kind may lie outside: twelve kinds are looked at."""


@pytest.fixture(scope="module")
def followed():
    """Return, per kind, the lives and their courses."""
    result = {}
    for place, kind in enumerate(KINDS):
        rng = np.random.default_rng([20, place])
        lives = [life(kind, rng) for _ in range(HISTORIES)]
        bars = [float(np.log(BAR_YEARS))] * HISTORIES
        result[kind.name] = (lives, follow_many([one.segment for one in lives], bars))
    return result


def held(course, one):
    """Return of each drive whether the band holds the truth."""
    return (course.low <= one.level) & (one.level <= course.high)


def shares(followed, kind):
    """Return the share of its drives that each life's band covers."""
    return [held(course, one)[LEARNED:].mean() for one, course in zip(*followed[kind], strict=True)]


@pytest.mark.parametrize("kind", [kind.name for kind in KINDS])
def test_the_95_percent_band_covers_the_true_level(followed, kind):
    covered = shares(followed, kind)
    error = max(np.std(covered), 0.05) / np.sqrt(HISTORIES)
    assert np.mean(covered) > 0.93 - ERRORS * error


def test_over_all_kinds_the_band_covers_93_to_97_percent(followed):
    covered = np.concatenate([shares(followed, kind.name) for kind in KINDS])
    error = np.std(covered) / np.sqrt(covered.size)
    assert error < 0.01
    assert 0.94 - 2 * error < covered.mean() < 0.97 + 2 * error


def test_the_first_ten_drives_after_the_healthy_period_are_covered_too(followed):
    """Little is known then, and the band says so: 94.7 ± 0.9 % of these."""
    lives = [pair for kind in KINDS for pair in zip(*followed[kind.name], strict=True)]
    covered = [held(course, one)[LEARNED : LEARNED + 10].mean() for one, course in lives]
    assert np.mean(covered) > 0.93 - 2.0 * np.std(covered) / np.sqrt(len(covered))


def test_false_alerts_are_as_rare_as_promised(followed):
    false, years = 0, 0.0
    for kind in KINDS:
        for one, course in zip(*followed[kind.name], strict=True):
            faulty = bool(kind.step or kind.ramp)
            end = one.fault_at if faulty else one.segment.days.size - 1
            false += sum(raised < end for raised in course.episodes.raised)
            years += (one.segment.days[end] - one.segment.days[LEARNED]) / 365.25
    promised = years / BAR_YEARS
    assert years > 600
    assert false <= promised + 4 * np.sqrt(promised)


@pytest.mark.parametrize("kind", ["a step", "a slope"])
def test_every_fault_is_found_and_its_band_holds_the_truth_in_the_end(followed, kind):
    lives, courses = followed[kind]
    last = []
    for one, course in zip(lives, courses, strict=True):
        assert any(raised >= one.fault_at for raised in course.episodes.raised)
        last.append(held(course, one)[-1])
    assert np.mean(last) >= 0.95 - 4 * np.sqrt(0.95 * 0.05 / HISTORIES)


def test_bands_are_no_wider_than_the_errors_need(followed):
    """Honest must not mean useless: in white noise ±0.5 of a drive's error, after 40 drives."""
    _, courses = followed["white noise"]
    assert np.mean([(course.high - course.low)[150:].mean() / 2 for course in courses]) < 0.5
