"""The alerts that a service keeps, evening after evening, are those that a replay gives."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time

import pytest

from healthtrack import indicators
from healthtrack.chain import following
from healthtrack.chain.ahead import Road
from healthtrack.chain.judging import judge
from healthtrack.chain.replay import replay
from healthtrack.records import VehicleFinding
from healthtrack.service.alerts import advance
from healthtrack.store import Episodes, Store

pytestmark = pytest.mark.slow


def test_the_episodes_in_the_store_are_those_of_the_replay(mended_in_vain, tmp_path, monkeypatch):
    one = mended_in_vain
    only = {"airflow": indicators.ALL["airflow"]}  # one indicator tells as much in less time
    monkeypatch.setattr(indicators, "ALL", only)
    days = sorted(set(one.history.drives["ended"].dt.date()))
    first = len(days) // 2 - 2  # the fault begins in the middle
    last = following.history_until(one.history, days[first + 14])
    with Store.open(tmp_path / "store.duckdb") as store:
        episodes = Episodes(store)
        for day in days[first : first + 15]:
            then = following.as_then(one.history, day)
            seen = indicators.observable(then.windows, one.vehicle)[0]
            road = Road(day, None, None, None)
            found = tuple(
                judge(item, then, one.vehicle, one.workspace, road).finding for item in seen
            )
            finding = VehicleFinding(
                one.history.vehicle, day, "normal", "", None, then.drives.height, None, found
            )
            now = datetime.combine(day, time(22), tzinfo=UTC)
            episodes.keep(advance(episodes.all(), finding, now).changed)
        kept = episodes.all()
    told = replay(replace(last, maintenance=one.history.maintenance), one.vehicle, one.workspace)
    replayed = [
        (row["indicator"], row["raised_on"], row["worst"], row["cleared_on"], row["said_on"])
        for row in told.alerts.iter_rows(named=True)
    ]
    assert replayed
    assert [
        (
            item.indicator,
            item.raised_on,
            item.worst,
            None if item.closed is None else item.closed.date(),
            item.opened.date(),
        )
        for item in kept
    ] == replayed
    assert [item.first_level for item in kept] == pytest.approx(told.alerts["level"].to_list())
