"""What holds for every indicator, those to come included."""

import polars as pl
import pytest

from healthtrack.channels import CHANNELS
from healthtrack.config import VehicleSettings
from healthtrack.indicators import ALL
from healthtrack.operating import PULL_SCHEMA, empty_windows

VEHICLE = VehicleSettings(displacement_l=2.0)


@pytest.fixture(params=list(ALL))
def indicator(request):
    return ALL[request.param]


def test_its_name_is_its_key_and_its_words_are_there(indicator):
    assert ALL[indicator.name] is indicator
    assert indicator.label
    assert indicator.meaning
    assert indicator.limit_reason
    assert all(response.reason for response in indicator.responses)


def test_it_needs_channels_that_exist(indicator):
    assert {name for need in indicator.needs for name in need.any_of} <= set(CHANNELS)


def test_its_limit_lies_in_the_direction_of_concern(indicator):
    assert {"low": indicator.limit < 0, "high": indicator.limit > 0, "both": True}[
        indicator.concern
    ]


@pytest.fixture
def nothing(indicator):
    """Return an empty frame of the indicator's source."""
    return pl.DataFrame(schema=PULL_SCHEMA) if indicator.source == "pulls" else empty_windows()


def test_it_gives_its_declared_columns_even_for_nothing(indicator, nothing):
    seen = indicator.observe(nothing, VEHICLE)
    conditions = {response.condition for response in indicator.responses}
    assert {"drive", "t", "y", "region", *indicator.predictors, *conditions} <= set(seen.columns)
    assert seen.height == 0
    assert seen.schema["y"] == pl.Float64
    assert seen.schema["t"] == pl.Datetime("us", "UTC")


def test_it_changes_nothing_that_it_is_given(indicator, nothing):
    before = nothing.clone()
    indicator.observe(nothing, VEHICLE)
    assert nothing.equals(before)
    assert nothing.columns == before.columns


def test_it_says_where_it_may_be_seen(indicator):
    assert indicator.regions
    assert indicator.predictors


def test_what_is_not_worth_a_word_is_well_under_its_limit_and_has_its_reason(indicator):
    assert 0.0 <= indicator.notice <= abs(indicator.limit) / 2
    assert bool(indicator.notice_reason) == (indicator.notice > 0.0)
