"""The alerts that a service keeps, evening after evening, are those that a replay gives.

Here on a simulated vehicle; ``tests/journeys`` does the same on the demo and on the open logs, and
``tests/benchmarks/replay_history.py`` on every evening of them.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from healthtrack import indicators
from healthtrack.chain import following
from healthtrack.jobs.workspace import Workspace
from tests.bench import evenings
from tests.bench.fleet import fill

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def lived(mended_in_vain, tmp_path_factory):
    """Return workspace, vehicle and evenings of a service that saw a fault begin."""
    one = mended_in_vain
    days = sorted(set(one.history.drives["ended"].dt.date()))
    first = len(days) // 2 - 2  # the fault begins in the middle
    until = following.history_until(one.history, days[first + 12])
    settings = "\n".join(
        f"{key} = {value!r}" for key, value in one.vehicle.model_dump(exclude_defaults=True).items()
    )
    name = one.history.vehicle
    root = tmp_path_factory.mktemp("lived") / "garage"
    evenings.make_garage(root, f"workers = 1\n[vehicles.{name}]\n{settings}\n")
    with pytest.MonkeyPatch.context() as patch:
        # one indicator tells as much in less time
        patch.setattr(indicators, "ALL", {"airflow": indicators.ALL["airflow"]})
        evenings.without_causes(patch)
        with Workspace.load(root).open_store() as store:
            fill(store, replace(until, maintenance=one.history.maintenance))
        evenings.nights(root, days[first : first + 13])
        yield root, name, days[first + 12]


def test_the_episodes_in_the_store_are_those_of_the_replay(lived):
    root, name, last = lived
    kept = evenings.kept_episodes(root, name)
    assert kept
    assert kept == evenings.replayed_episodes(evenings.replayed(root, name, last))


def test_every_kept_verdict_says_what_the_replay_says_of_its_evening(lived):
    root, name, last = lived
    told = evenings.verdicts_apart(root, name, evenings.replayed(root, name, last))
    assert told.evenings == 13
    assert told.words == ()


def test_a_verdict_that_was_not_given_is_noticed(lived):
    root, name, last = lived
    wrong = evenings.replayed(root, name, last)
    course = wrong.course.with_columns(wrong.course["level"] + 1e-3)
    told = evenings.verdicts_apart(root, name, replace(wrong, course=course))
    assert len(told.words) == 13
