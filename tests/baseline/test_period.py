"""Which drives are the healthy period, and what is said while they do not suffice."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from healthtrack.baseline import healthy_period
from healthtrack.config import MAINTENANCE_KINDS, BaselineSettings, VehicleSettings
from healthtrack.indicators import ALL
from healthtrack.records import MaintenanceEvent

SETTINGS = BaselineSettings(minimum_drives=20, automatic_drives=30)
FIRST = date(2024, 1, 1)


@pytest.fixture
def observations(maker):
    return maker.observe(50, 3)


@pytest.fixture
def chosen(airflow):
    """Return the healthy period of airflow, by default where none is stated."""

    def choose(observations, stated=None, settings=SETTINGS, events=()):
        return healthy_period(airflow, observations, stated or VehicleSettings(), settings, events)

    return choose


def work(kind: str, days: int) -> MaintenanceEvent:
    return MaintenanceEvent("e", "v", FIRST + timedelta(days=days), kind)


def test_the_first_drives_are_the_healthy_period_where_none_is_stated(observations, chosen):
    period = chosen(observations.reverse())
    assert period.drives == tuple(f"v/{place:04d}" for place in range(30))
    assert (period.start, period.end, period.missing) == (FIRST, date(2024, 1, 30), "")


def test_stated_days_are_kept_both_included(observations, chosen):
    stated = VehicleSettings(baseline_from=date(2024, 1, 5), baseline_to=date(2024, 1, 26))
    period = chosen(observations, stated)
    assert len(period.drives) == 22
    assert (period.start, period.end) == (date(2024, 1, 5), date(2024, 1, 26))


def test_a_stated_beginning_alone_begins_the_search_there_and_it_ends(observations, chosen):
    """A period without an end would take every later fault for healthy, and never say a word."""
    period = chosen(observations, VehicleSettings(baseline_from=date(2024, 1, 8)))
    assert period.drives == tuple(f"v/{place:04d}" for place in range(7, 37))
    assert period.missing == ""
    stated = VehicleSettings(baseline_from=date(2024, 1, 8))
    before, after = (work("airflow_sensor_replaced", days) for days in (3, 12))
    assert chosen(observations, stated, events=[before]) == period
    assert chosen(observations, stated, events=[before, after]).drives[0] == "v/0013"
    late = chosen(observations, VehicleSettings(baseline_from=FIRST + timedelta(days=100)))
    assert late.missing == "have 0 drives since 2024-04-10, need 20"


def test_too_few_drives_say_how_many_are_there_and_needed(observations, chosen):
    few = chosen(observations.filter(pl.col("drive") < "v/0009"))
    assert few.missing.split("; ")[0] == "have 9 drives, need 20"
    one = chosen(observations.filter(pl.col("drive") < "v/0001"))
    assert one.missing.startswith("have 1 drive, need 20")
    stated = VehicleSettings(baseline_to=date(2024, 1, 5))
    short = chosen(observations, stated)
    assert short.missing == "have 5 drives in the stated healthy period, need 20"


def test_no_drive_at_all_is_a_result(observations, chosen):
    nothing = chosen(observations.head(0))
    assert nothing.drives == ()
    assert nothing.start is None
    assert nothing.missing == "have 0 drives, need 20"


def test_drives_without_a_usable_figure_do_not_count(observations, chosen):
    blank = observations.with_columns(
        y=pl.when(pl.col("drive") < "v/0010").then(None).otherwise(pl.col("y"))
    )
    assert chosen(blank).drives[0] == "v/0010"


def test_later_drives_do_not_move_the_automatic_period(observations, chosen):
    now = chosen(observations.filter(pl.col("drive") < "v/0035"))
    assert now == chosen(observations)


LACKING = [
    ({"speed": (1400.0, 1600.0)}, "steady running only at 1 400–1 600 /min, need a span of 800"),
    ({"demand": (20.0, 25.0)}, "steady running only at load 20–25, need a span of 7"),
    ({"warmth": np.linspace(14.0, 19.0, 100)}, "all drives at 14–19 °C, need a span of 8 K"),
]


@pytest.mark.parametrize(("narrow", "clause"), LACKING)
def test_what_the_drives_do_not_cover_is_named_with_what_is_needed(maker, chosen, narrow, clause):
    frame = maker.observe(35, 20, **{k: v[:35] if k == "warmth" else v for k, v in narrow.items()})
    few = chosen(frame.filter(pl.col("drive") < "v/0009"))
    said = few.missing.split("; ")
    assert said[0] == "have 9 drives, need 20"
    numbers = clause.replace("14–19", "14–14")  # nine of a hundred even steps
    assert clause in said or numbers in said
    enough = chosen(frame)
    assert enough.missing.startswith("have 35 drives, but ")
    assert "need a span of" in enough.missing
    assert enough.missing.endswith("it is learned from 40 drives at the latest")


def test_a_corner_of_speed_and_load_that_was_never_driven_is_named(maker, chosen):
    frame = maker.observe(35)
    fast_and_hard = (pl.col("engine_speed") > 2050) & (pl.col("demand") > 39)
    said = chosen(frame.filter(~fast_and_hard)).missing
    assert "no steady running above 2 300 /min at more than half load" in said


def test_the_period_grows_until_what_was_lacking_is_covered_and_no_further(maker, chosen):
    warmth = np.concatenate([np.full(34, 15.0), np.full(26, 24.0)])
    frame = maker.observe(60, warmth=warmth)
    assert len(chosen(frame).drives) == 35
    assert chosen(frame).missing == ""
    assert "all drives at 15–15 °C" in chosen(frame.filter(pl.col("drive") < "v/0034")).missing


def test_a_vehicle_that_always_drives_the_same_is_learned_as_it_is(maker, chosen):
    always = maker.observe(70, speed=(1400.0, 1500.0), warmth=np.full(70, 28.0))
    period = chosen(always)
    assert len(period.drives) == 40
    assert period.missing == ""


def test_only_what_an_indicator_is_a_function_of_is_asked_for(maker):
    """Standing pressure has no speed, no load and no answer to temperature."""
    frame = maker.observe(30, 2, warmth=np.full(30, 15.0), speed=(0.0, 1.0)).with_columns(
        region=pl.lit("standstill")
    )
    period = healthy_period(ALL["standing_pressure"], frame, VehicleSettings(), SETTINGS)
    assert len(period.drives) == 30
    assert period.missing == ""


@pytest.mark.parametrize("kind", sorted(MAINTENANCE_KINDS))
def test_work_before_enough_drives_starts_the_search_anew_where_it_concerns_the_indicator(
    maker, kind
):
    frame = maker.observe(60, 20)
    for name in ("airflow", "boost"):
        period = healthy_period(ALL[name], frame, VehicleSettings(), SETTINGS, [work(kind, days=9)])
        concerned = name in MAINTENANCE_KINDS[kind][1]
        assert period.drives[0] == ("v/0010" if concerned else "v/0000")
        assert len(period.drives) == 30


def test_work_after_the_period_is_complete_leaves_it_as_it_was(maker, chosen):
    frame = maker.observe(60, 20)
    after = [work("airflow_sensor_replaced", days=45)]
    assert chosen(frame, events=after) == chosen(frame)


def test_after_work_it_says_since_when_the_drives_count(maker, chosen):
    frame = maker.observe(25, 20)
    period = chosen(frame, events=[work("airflow_sensor_replaced", days=14)])
    assert period.missing == "have 10 drives since the work of 2024-01-15, need 20"


def test_drives_with_too_few_windows_of_one_kind_are_no_healthy_period_yet(maker, chosen):
    """Thirty drives, but never the same kind of running in five of them with twenty windows."""
    frame = maker.observe(30, 1).with_columns(
        region=pl.concat_str(pl.lit("kind_"), (pl.int_range(pl.len()) % 10).cast(pl.String))
    )
    said = chosen(frame).missing
    assert "no more than 3 windows of one kind (kind 0, in 3 drives), need 20 in 5 drives" in said
