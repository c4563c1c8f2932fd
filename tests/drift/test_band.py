"""The band is read from what may be true; alerts know nothing of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtri

from healthtrack.drift import band, follow_many, resume
from healthtrack.drift.level import by_pace
from healthtrack.drift.state import model_of
from tests.calibration.histories import KINDS, LEARNED, life


def only(*parts: tuple[float, float, float]) -> np.ndarray:
    """Return one drive's parts of one level: (weight, mean, sd) each."""
    told = np.zeros((1, 3, band.parts_of(3), 1))
    for place, (weight, mean, sd) in enumerate(parts):
        told[0, :, place, 0] = weight, mean, sd * sd
    return told


def lives(name: str, count: int):
    kind = next(kind for kind in KINDS if kind.name == name)
    rng = np.random.default_rng([77, KINDS.index(kind)])
    return [life(kind, rng) for _ in range(count)]


def test_one_part_alone_has_the_band_of_a_normal_distribution():
    low, high = band.edges(only((1.0, -2.0, 0.5)))[:, 0, 0]
    assert (low, high) == pytest.approx((-2.0 - 0.5 * ndtri(0.975), -2.0 + 0.5 * ndtri(0.975)))


def test_a_level_that_is_zero_by_definition_has_no_band():
    assert (band.edges(only((1.0, 0.0, 0.0))) == 0.0).all()


def test_a_far_part_counts_by_its_weight_and_not_by_its_distance():
    near, far = (band.edges(only((0.98, 0.0, 1.0), (0.02, at, 1.0))) for at in (-10.0, -1000.0))
    np.testing.assert_allclose(near, far, atol=1e-9)
    # 2 % lie far below; of the near part the band leaves out what is left of 2.5 %
    assert near[0, 0, 0] == pytest.approx(ndtri(0.005 / 0.98), abs=1e-6)


def test_two_equal_parts_far_apart_each_lose_five_percent_on_their_outer_side():
    low, high = band.edges(only((0.5, -50.0, 1.0), (0.5, 50.0, 2.0)))[:, 0, 0]
    assert low == pytest.approx(-50.0 + ndtri(0.05))
    assert high == pytest.approx(50.0 + 2.0 * ndtri(0.95))


def test_nothing_of_an_alert_depends_on_the_bands_numbers(monkeypatch):
    segments = [one.segment for one in lives("a slope", 3)]
    before = follow_many(segments, [np.log(80.0)] * 3)
    monkeypatch.setattr(band, "UNCHANGED", 0.3)
    monkeypatch.setattr(band, "ODDS", np.array([1.0, 20.0, 20.0, 2.0]))
    monkeypatch.setattr(band, "REMEMBERED", 1.0)
    after = follow_many(segments, [np.log(80.0)] * 3)
    assert any(course.episodes.raised for course in before)
    for one, other in zip(before, after, strict=True):
        assert one.episodes.raised == other.episodes.raised
        assert one.episodes.cleared == other.episodes.cleared
        np.testing.assert_array_equal(one.level, other.level)
        np.testing.assert_array_equal(one.log_years, other.log_years)
        assert (one.high - one.low != other.high - other.low).any()


def test_the_level_lies_within_its_band_and_in_the_healthy_period_both_are_zero():
    for one in follow_many([each.segment for each in lives("everything", 3)], [np.log(80.0)] * 3):
        assert (one.low <= one.level).all()
        assert (one.level <= one.high).all()
        assert (one.low[:LEARNED] == 0.0).all()
        assert (one.high[:LEARNED] == 0.0).all()


def test_a_first_drive_that_is_far_off_is_not_the_new_level():
    [one] = lives("white noise", 1)
    odd = one.segment.value.copy()
    odd[LEARNED] += 10.0
    segment = one.segment.__class__(**{**vars(one.segment), "value": odd})
    [course] = follow_many([segment], [np.log(80.0)])
    assert course.level[LEARNED] < 4.0
    assert course.low[LEARNED + 2] <= 0.0


def test_soon_after_the_healthy_period_the_whole_variance_counts_and_later_less_of_it():
    sound = np.array([True, True, True, False, False])
    step = np.array([0.0, 0.0, 0.0, 0.0, 1.0])
    kept = band.spread(np.array([0, 15, 400, 400, 400]), sound, step)
    assert kept[0] == 1.0
    assert kept[1] == pytest.approx(band.UNCHANGED + (1.0 - band.UNCHANGED) * np.exp(-1.0))
    assert kept[2:] == pytest.approx([band.UNCHANGED, band.BESIDE, 1.0])


def test_what_the_past_says_of_the_pace_counts_in_part(maker, one_point_grid):
    """With nothing of it the weights are those taken beforehand, with all of it the filter's."""
    grid = replace(
        one_point_grid(wander=0.5),
        pace=np.array([0.0, 0.5]),
        walk=np.array([0.0, 0.1]),
        log_prior_pace=np.log([0.7, 0.3]),
        log_later_pace=np.log([0.4, 0.6]),
    )
    segment = maker.segment(maker.rng.normal(size=60), pinned=np.arange(60) < 20)
    state, _ = resume(None, segment, 5.0, grid)
    model, sound = model_of([segment], grid), np.array([True])
    nothing, all_of_it = (by_pace(state.level, model, sound, share)[0, :, 0] for share in (0, 1))
    np.testing.assert_allclose(nothing, [0.4, 0.6])
    own = np.exp(state.level.log_weight[0, :, 0]) * [0.4 / 0.7, 0.6 / 0.3]
    np.testing.assert_allclose(all_of_it, own / own.sum())
    assert abs(all_of_it[0] - nothing[0]) > 0.01
