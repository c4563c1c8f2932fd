"""A verdict says whether others of its kind moved too, through the demo's engine model."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
import pytest

from demo_history.simulator.stories import Story
from healthtrack import chain
from healthtrack.chain.going_on import Asked, Misfit
from healthtrack.config import WorkspaceSettings
from healthtrack.jobs.findings import finding_as_dict
from healthtrack.store import StoredFinding
from healthtrack.web.kept import read_kept
from tests.chain.kinds import of_one_kind

if TYPE_CHECKING:
    from healthtrack.records import VehicleHistory

WORKSPACE = WorkspaceSettings()
STORY = Story(years=0.9, wander="ar", wander_size=0.004, drives_per_week=2.0)
LESS = 0.95
"""What the airflow is multiplied with, from six tenths of the time on."""


@pytest.fixture(scope="module")
def fleet():
    """Return the settings of one kind and the sound histories of five of them."""
    return of_one_kind(np.random.default_rng(11), 5, STORY)


def changed(history: VehicleHistory, moment) -> VehicleHistory:
    late = pl.col("t") >= moment
    flow = pl.when(late).then(pl.col("airflow") * LESS).otherwise("airflow")
    return replace(history, windows=history.windows.with_columns(airflow=flow))


@pytest.fixture(scope="module")
def said(fleet):
    """Return two verdicts on the first vehicle: all have changed, and it has alone."""
    settings, sound = fleet
    starts = sound[0].drives["started"]
    moment, day = starts[int(0.6 * len(starts))], starts[-1].date()
    broken = [changed(history, moment) for history in sound]
    asked = Asked(settings, WORKSPACE, day)
    heard = {
        name: [chain.neighbours(one, asked) for one in some]
        for name, some in (("sound", sound), ("broken", broken))
    }
    finding = chain.assess(broken[0], settings, WORKSPACE, day)
    return {
        name: chain.beside_others(
            finding, heard["broken"][0], [item for one in heard[name][1:] for item in one]
        )
        for name in heard
    } | {"by itself": finding}


def test_what_all_do_is_said_first_and_the_alert_stands(said):
    plain, finding = said["by itself"], said["broken"]
    assert plain.state == finding.state
    assert finding.state in {"alert", "alarm"}
    concerned = [item for item in finding.indicators if item.state in {"alert", "alarm"}]
    assert {item.together.kind for item in concerned} == {"alike"}
    (airflow,) = [item for item in concerned if item.indicator == "airflow"]
    assert airflow.together.vehicles == 4
    assert airflow.together.shared_low < -5.0 < airflow.together.shared_high
    begun, _, why = plain.reason.rpartition("; ")
    assert finding.reason == (
        f"{begun}; others of its kind (4 heard) moved alike: look first at what they share; if it "
        f"is a part, {why}"
    )
    assert finding.advice[0].startswith("Others of its kind (4 heard) moved alike: before")
    assert finding.advice[1:] == plain.advice


def test_what_one_does_alone_is_said_to_be_its_own(said):
    plain, finding = said["by itself"], said["sound"]
    (airflow,) = [item for item in finding.indicators if item.indicator == "airflow"]
    assert airflow.together.kind == "alone"
    assert airflow.together.shared_low < 0.0 < airflow.together.shared_high
    assert airflow.together.own_low < -5.0 < airflow.together.own_high
    assert finding.reason == plain.reason
    assert finding.advice == plain.advice
    assert all(item.together is None for item in finding.indicators if item.state == "normal")


def test_the_stored_verdict_tells_it_again(said):
    finding = said["broken"]
    document = json.dumps(finding_as_dict(finding))
    stored = StoredFinding(finding.vehicle, finding.as_of, None, finding.state, document)
    for now, then in zip(finding.indicators, read_kept(stored).indicators, strict=True):
        if now.together is None:
            assert then.together is None
        else:
            assert then.together.kind == now.together.kind
            assert then.together.shared == pytest.approx(now.together.shared, abs=1e-4)


def test_a_neighbour_is_the_same_from_what_was_kept(fleet):
    settings, sound = fleet
    history = sound[1]
    days = history.drives["ended"].dt.date().to_list()
    kept = chain.assess_whole(history, Asked(settings, WORKSPACE, days[-4])).kept
    asked = Asked(settings, WORKSPACE, days[-1])
    whole, on = chain.neighbours(history, asked), chain.neighbours(history, asked, kept)
    assert len(whole) == len(on) > 2
    for one, other in zip(whole, on, strict=True):
        assert one.indicator == other.indicator
        assert (one.days == other.days).all()
        assert one.wander_sd == other.wander_sd
        np.testing.assert_array_equal(one.segment.value, other.segment.value)
        np.testing.assert_array_equal(one.segment.carried.mean, other.segment.carried.mean)
        np.testing.assert_array_equal(
            one.segment.carried.covariance, other.segment.carried.covariance
        )
    odd = replace(asked, sisters=(replace(kept.indicators["airflow"].learned, sisters=0),))
    assert isinstance(chain.neighbours(history, odd, kept), Misfit)
