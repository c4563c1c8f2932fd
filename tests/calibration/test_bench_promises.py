"""What the bench predicts for more vehicles of the same kind holds there.

Lives as in ``histories.py``: one indicator each, with a fault that grows over a year after 1.2
sound years. Scoring, tuning and comparing are the bench's own; only the replay of windows is left
out, which has its tests elsewhere.
"""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.stats import binomtest

from healthtrack.bench.results import Backtest
from healthtrack.bench.scoring import Told, mark_alerts, mark_faults, sound_years
from healthtrack.bench.settings import variant
from healthtrack.bench.study import AS_IT_WAS, SCHEMAS
from healthtrack.bench.truth import Truth
from healthtrack.bench.tune import Budget, Prices, compare, cost, tune
from healthtrack.chain.replay import ALERT_SCHEMA
from healthtrack.drift import follow_many
from tests.calibration.histories import LEARNED, Kind, life

pytestmark = pytest.mark.slow
KIND = Kind("a slope", ramp=-6.0, wander=0.5, regime=0.3, per_week=1.0, years=2.1)
RATES = (0.05, 0.4, 3.0)
"""Loose promises, lest there be nothing to count. [false alerts a year]"""
VEHICLES = 24
START = datetime(2022, 1, 1, 8, tzinfo=UTC)


def _day(days):
    return (START + timedelta(days=float(days))).date()


def _alerts(course, days):
    raised, cleared = course.episodes.raised, course.episodes.cleared
    rows = []
    for place in raised:
        after = [_day(days[end]) for end in cleared if end > place]
        rows.append(
            {"indicator": "airflow", "raised_on": _day(days[place]), "said_on": _day(days[place]),
             "cleared_on": after[0] if after else None, "worst": "alert"}
        )  # fmt: skip
    return pl.DataFrame(rows, schema=ALERT_SCHEMA, orient="row")


def _fleet(seed, folder):
    """Return a back-test of a fleet under three promises, and its lives."""
    rng = np.random.default_rng(seed)
    lives = [life(KIND, rng) for _ in range(VEHICLES)]
    variants = [variant({"false_alerts_per_vehicle_year": rate}) for rate in RATES]
    frames = {name: [] for name in SCHEMAS}
    for one in variants:
        bar = float(np.log(1.0 / one.changes[0][1]))
        courses = follow_many([each.segment for each in lives], [bar] * VEHICLES)
        for number, (each, course) in enumerate(zip(lives, courses, strict=True)):
            _score(frames, f"v{number:02}", one.name, each, course)
    folder.mkdir()
    for name, parts in frames.items():
        frame = pl.concat(parts) if parts else pl.DataFrame(schema=SCHEMAS[name])
        frame.write_parquet(folder / f"{name}.parquet")
    plan = {
        "vehicles": [f"v{number:02}" for number in range(VEHICLES)],
        "variants": [{"name": one.name, "changes": one.as_dict()} for one in variants],
    }
    return Backtest("fleet", json.loads(json.dumps(plan)), folder)


def _score(frames, name, label, each, course):
    days = each.segment.days
    ended = [START + timedelta(days=float(day)) for day in days]
    km = each.segment.distance * 1e4
    drives = pl.DataFrame({"ended": ended, "odometer_km": km})
    told = Told(name, _alerts(course, days), drives, _day(days[LEARNED]), _day(days[-1]))
    begins = _day(1.2 * 365.25)
    truths = (
        Truth(name, ("airflow_sensor_reads_low",), begins, begins + timedelta(days=365), size=-6.0),
    )
    marks = {"vehicle": pl.lit(name), "case": pl.lit(AS_IT_WAS), "variant": pl.lit(label)}
    middle = told.judged_from + (told.judged_to - told.judged_from) / 2
    exposure = pl.DataFrame(
        {
            "years": [sound_years(told, truths)],
            "years_early": [sound_years(told, truths, middle)],
            "middle": [middle],
            "judged_from": [told.judged_from],
            "judged_to": [told.judged_to],
            "drives": [days.size],
        }
    )
    for key, frame in (
        ("alerts", mark_alerts(told, truths)),
        ("faults", mark_faults(told, truths)),
        ("exposure", exposure),
    ):
        schema = SCHEMAS[key]
        frames[key].append(frame.with_columns(**marks).select(*schema).cast(dict(schema)))


@pytest.fixture(scope="module")
def fleets(tmp_path_factory):
    root = tmp_path_factory.mktemp("fleets")
    return _fleet(4, root / "known"), _fleet(5, root / "fresh")


def test_the_predicted_rate_of_false_alerts_holds_on_a_fresh_fleet(fleets):
    known, fresh = fleets
    for one in known.variants:
        here, there = (told.figures(one.name).false_alerts for told in (known, fresh))
        # two Poisson counts of one rate: the first is binomial given their sum
        if here.count + there.count:
            share = here.years / (here.years + there.years)
            told = binomtest(here.count, here.count + there.count, share)
            assert told.pvalue > 0.001, one.name
        assert there.rate >= (here.low or 0.0) / 3.0
        assert there.low <= here.high


def test_a_looser_promise_alerts_falsely_more_often_and_tells_earlier(fleets):
    known, _ = fleets
    rows = known.table().to_dicts()
    assert [row["false_alerts"] for row in rows] == sorted(row["false_alerts"] for row in rows)
    delays = [row["delay_days"] for row in rows]
    assert delays == sorted(delays, reverse=True)


def test_the_predicted_delay_holds_on_a_fresh_fleet(fleets):
    for one in fleets[0].variants:
        here, there = (
            told.frames["faults"].filter(
                (pl.col("variant") == one.name) & (pl.col("outcome") == "found")
            )["delay_days"]
            for told in fleets
        )
        apart = float(here.mean() - there.mean())
        error = float(np.sqrt(here.var() / here.len() + there.var() / there.len()))
        assert abs(apart) < 4.0 * error, one.name


def _error(judged, prices):
    """Return the standard error of the difference of a cost between the halves.

    Of two Poisson counts at their common rate, and of two mean delays that scatter by half.
    """
    false = judged.tuned.false_alerts, judged.held_out.false_alerts
    common = (sum(one.count for one in false) + 1.0) / sum(one.years for one in false)
    counts = sum(prices.false_alert**2 * common / one.years for one in false)
    delays = sum(
        (prices.faults_per_year * prices.delay_day * 0.5 * one.delay_days.median) ** 2 / one.faults
        for one in (judged.tuned, judged.held_out)
    )
    return float(np.sqrt(counts + delays))


def test_settings_tuned_on_one_half_do_not_shine_on_it_alone(fleets):
    known, fresh = fleets
    prices = Prices(false_alert=150.0, delay_day=2.0, miss=1500.0)
    choice = tune(known, prices, "vehicle")
    assert set(choice.tuned_on).isdisjoint(choice.held_out)
    # what it costs where it was not chosen is what it promised, to what counting alone leaves open
    assert abs(choice.gap) < 4.0 * _error(choice.chosen, prices)
    assert choice.regret < 4.0 * _error(choice.chosen, prices)
    there = cost(fresh.figures(choice.chosen.variant), prices)
    assert abs(there - choice.chosen.cost) < 4.0 * _error(choice.chosen, prices)


def test_a_split_by_time_shares_the_sound_years_out_and_loses_none(fleets):
    known, _ = fleets
    prices = Prices(false_alert=150.0, delay_day=2.0, miss=1500.0)
    # every fault begins in the earlier half, so the later one has no delay to be priced
    priced = tune(known, prices, "time")
    assert priced.chosen.cost is not None
    assert priced.gap is None
    choice = tune(known, Budget(10.0), "time")
    whole = known.figures(choice.chosen.variant).false_alerts
    halves = choice.chosen.tuned.false_alerts, choice.chosen.held_out.false_alerts
    assert sum(half.years for half in halves) == pytest.approx(whole.years)
    assert sum(half.count for half in halves) == whole.count


def test_the_difference_of_two_settings_has_an_interval_and_the_fresh_fleet_lies_in_it(fleets):
    known, fresh = fleets
    names = [known.variants[0].name, known.variants[-1].name]
    told = {one.figure: one for one in compare(known, *names, np.random.default_rng(3))}
    there = {one.figure: one for one in compare(fresh, *names, np.random.default_rng(3))}
    delay = told["delay"]
    assert delay.low < delay.difference < delay.high
    assert delay.high < 0.0  # the loose promise tells earlier, beyond chance
    # both differences are known with an error, so the two intervals meet
    assert there["delay"].low <= delay.high
    assert delay.low <= there["delay"].high


def test_a_kind_of_vehicle_that_never_fails_has_no_delay_to_tell(fleets):
    known, _ = fleets
    bare = replace(known, plan=known.plan, _cache={})
    bare.__dict__["frames"] = {
        **known.frames,
        "faults": known.frames["faults"].clear(),
    }
    told = bare.figures(known.variants[0].name)
    assert told.recall.share is None
    assert told.delay_days.median is None
