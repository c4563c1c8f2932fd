"""What all vehicles of a kind move together is told from what one does alone."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from statsmodels.stats.meta_analysis import combine_effects

from healthtrack.drift import Carried, Segment, others, together
from healthtrack.drift.contrast import Z95
from healthtrack.drift.others import (
    BY_ITSELF,
    MOST,
    Change,
    Neighbour,
    middle_of,
    moved,
    sides,
    span_of,
)
from healthtrack.records import IndicatorFinding, Trend

FIRST = date(2024, 1, 1)
DAYS = 500.0
AT = 300.0
WANDER, MEMORY = 0.5, 20.0


def on(day: float) -> date:
    return FIRST + timedelta(days=int(day))


def vehicle(rng, size=0.0, joins=0.0, sways=BY_ITSELF, pause=3.5) -> Neighbour:
    """Return drives with wander, what it does by itself, and a step on day 300. [%]."""
    days = joins + np.cumsum(rng.gamma(2.5, pause / 2.5, int(DAYS * 2.0 / pause) + 50))
    days = days[days < DAYS]
    count = days.size
    keep = np.exp(-np.diff(days, prepend=days[0]) / MEMORY)
    wander = rng.normal(0.0, WANDER, count)
    for place in range(1, count):
        k = keep[place]
        wander[place] = k * wander[place - 1] + np.sqrt(1.0 - k**2) * wander[place]
    late = days >= AT
    value = wander + rng.normal(0.0, 1.0, count) + late * (size + sways * rng.normal())
    carried = Carried(np.zeros((1, 1)), np.ones((1, 1, 1)), np.zeros(1), np.ones(1))
    segment = Segment(
        value, np.ones(count), days, days, np.ones((count, 1)), np.zeros(count, bool), carried,
        1.0, 8.0, 0,
    )  # fmt: skip
    return Neighbour("airflow", np.datetime64(FIRST) + days.astype(int), segment, WANDER, MEMORY)


def alerted(one: Neighbour, since: float = AT) -> IndicatorFinding:
    """Return what is said of a vehicle whose change is known to two weeks."""
    started = pl.Series(one.days.tolist()).cast(pl.Datetime("us", "UTC"))
    return IndicatorFinding(
        "airflow", "%", "alert", "", since_on=on(since), since_on_low=on(since - 14.0),
        trend=Trend(pl.DataFrame({"started": started})),
    )  # fmt: skip


def told(mine, *neighbours):
    return together(alerted(mine), mine, neighbours)


def test_a_step_that_all_make_is_shared_and_one_alone_is_its_own():
    rng = np.random.default_rng(3)
    shared = told(*(vehicle(rng, -4.0) for _ in range(6)))
    assert shared.vehicles == 5
    assert shared.kind == "alike"
    assert shared.shared_low < -4.0 < shared.shared_high
    assert shared.own_low < 0.0 < shared.own_high
    alone = told(vehicle(rng, -4.0), *(vehicle(rng) for _ in range(5)))
    assert alone.kind == "alone"
    assert alone.own_low < -4.0 < alone.own_high
    both = told(vehicle(rng, -8.0), *(vehicle(rng, -4.0) for _ in range(5)))
    assert both.kind == "partly"
    assert both.own == pytest.approx(both.moved - both.shared)


def test_bands_cover_and_the_part_is_named_right():
    rng = np.random.default_rng(4)
    covered, named = [], []
    for place in range(300):
        mine, theirs = [(-4.0, 0.0), (-4.0, -4.0), (-8.0, -4.0)][place % 3]
        found = told(vehicle(rng, mine), *(vehicle(rng, theirs) for _ in range(5)))
        covered.append(
            [
                found.shared_low <= theirs <= found.shared_high,
                found.own_low <= mine - theirs <= found.own_high,
            ]
        )
        named.append(found.kind == ["alone", "alike", "partly"][place % 3])
    # 300 fleets know a share of 95 % to 1.3 points
    assert np.all((np.mean(covered, axis=0) > 0.915) & (np.mean(covered, axis=0) < 0.985))
    assert np.mean(named) > 0.9


def test_another_one_that_fails_does_not_vote():
    rng = np.random.default_rng(5)
    sound = [vehicle(rng) for _ in range(4)]
    plain = told(vehicle(rng, -4.0), *sound, vehicle(rng))
    odd = told(vehicle(rng, -4.0), *sound, vehicle(rng, -9.0))
    # the mean of the five would have moved by 1.8
    assert abs(odd.shared - plain.shared) < 0.8
    assert odd.kind == "alone"


def test_of_fewer_than_three_others_nobody_can_say_who_moved():
    rng = np.random.default_rng(6)
    mine, *few = (vehicle(rng, -4.0) for _ in range(3))
    assert told(mine, *few) is None
    # one that joined after the change has no drives before it
    assert told(mine, *few, vehicle(rng, -4.0, joins=AT)) is None
    assert told(mine, *few, vehicle(rng, -4.0)) is not None


@pytest.mark.parametrize(("mine", "theirs"), [(0.4, 3.5), (3.5, 0.4)])
def test_what_all_did_long_before_is_not_mixed_in_at_whatever_pace_each_drives(mine, theirs):
    """All moved on day 80; who drives daily looks back over weeks, the others over a year."""

    def moved_before(one: Neighbour) -> Neighbour:
        value = one.segment.value - 4.0 * (one.segment.days >= 80.0)
        return replace(one, segment=replace(one.segment, value=value))

    rng = np.random.default_rng(10)
    it = moved_before(vehicle(rng, -4.0, pause=mine))
    span = span_of(alerted(it))
    found = told(it, *(moved_before(vehicle(rng, pause=theirs)) for _ in range(5)))
    if span.first > on(80.0):
        assert found.shared_low < 0.0 < found.shared_high
        assert found.kind == "alone"
    else:  # its own drives reach back before it, so that movement is in both
        assert found.shared_high < 0.0
    assert found.own_low < -4.0 < found.own_high


def test_of_very_many_drives_some_stand_for_all():
    rng = np.random.default_rng(11)
    busy = vehicle(rng, -4.0, pause=0.05)
    span = span_of(alerted(busy))
    before, late = sides(busy.days, span)
    assert before.size == late.size == MOST
    days = np.diff(late)
    assert days.min() >= 1
    assert days.max() <= days.min() + 1
    assert busy.days[late[-1]] == busy.days[-1]


def test_a_vehicle_whose_figures_are_no_numbers_is_not_heard():
    rng = np.random.default_rng(12)
    mine, *rest = (vehicle(rng, -4.0) for _ in range(5))
    value = rest[0].segment.value.copy()
    value[-3:] = np.nan
    broken = replace(rest[0], segment=replace(rest[0].segment, value=value))
    found = told(mine, broken, *rest[1:])
    assert found.vehicles == 3
    assert np.isfinite([found.shared, found.shared_low, found.own_high]).all()


def test_later_drives_of_others_change_nothing():
    rng = np.random.default_rng(7)
    mine, *rest = (vehicle(rng, -4.0) for _ in range(5))

    def until(one: Neighbour, day: np.datetime64) -> Neighbour:
        rows = slice(int((one.days <= day).sum()))
        return replace(one, days=one.days[rows], segment=others.part_of(one.segment, rows))

    early = until(mine, np.datetime64(on(400.0)))
    now = together(alerted(early), early, [until(one, early.days[-1]) for one in rest])
    assert now == together(alerted(early), early, rest)


def test_the_vehicles_last_drives_are_looked_at_however_seldom_it_drives():
    rng = np.random.default_rng(8)
    one = vehicle(rng, -4.0)
    rows = np.arange(0, one.days.size, 12)
    seldom = replace(one, days=one.days[rows], segment=others.part_of(one.segment, rows))
    often, rare = span_of(alerted(one)), span_of(alerted(seldom))
    assert (often.until - often.late).days == others.LATE_DAYS
    assert rare.late == on(AT)
    assert moved(seldom, rare) is not None
    assert span_of(replace(alerted(one), since_on=None)) is None


def test_without_doubt_about_vehicles_it_is_the_textbooks_combination(monkeypatch):
    """Weights without a belief and tails: the fixed effect with the scale that the data show.

    Hartung & Knapp 2001, *Statistics in Medicine* 20, 3875, as statsmodels' combine_effects has it.
    """
    monkeypatch.setattr(others, "BELIEF", 1e-12)
    monkeypatch.setattr(others, "FREEDOM", 1e12)
    rng = np.random.default_rng(9)
    sizes, errors = rng.normal(-2.0, 1.0, 6), rng.uniform(0.3, 1.2, 6)
    found = middle_of([Change(*one) for one in zip(sizes, Z95 * errors, strict=True)])
    theirs = combine_effects(sizes, errors**2, method_re="iterated", use_t=True)
    assert found.size == pytest.approx(theirs.mean_effect_fe, abs=1e-9)
    low, high = theirs.conf_int(alpha=0.05, use_t=True)[2]
    assert found.band == pytest.approx((low, high), rel=1e-6)
