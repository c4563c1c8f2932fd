"""An episode and the letters about it are kept together or not at all."""

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from healthtrack.store import Episode, Episodes, Ledger, Outbox, OutboxLetter

NOW = datetime(2026, 11, 25, 6, tzinfo=UTC)
EPISODE = Episode(
    "otter/airflow/2026-11-20",
    "otter",
    "airflow",
    "%",
    date(2026, 11, 20),
    NOW,
    "alert",
    "alert",
    -4.1,
    -4.1,
    date(2026, 11, 25),
    told=NOW,
)


def test_an_episode_is_kept_as_it_was_and_replaced_by_its_later_self(store):
    episodes = Episodes(store)
    episodes.keep([EPISODE])
    assert episodes.open("otter") == (EPISODE,)
    later = replace(EPISODE, level=-5.0, closed=NOW, acknowledged=NOW, acknowledged_by="Ann")
    episodes.keep([later])
    assert episodes.all() == (later,)
    assert episodes.open() == ()
    assert episodes.all("stoat") == ()


def test_where_the_letter_cannot_be_put_out_the_episode_is_not_kept(store):
    broken = OutboxLetter("k", "owner", "alert", "s", None, b"")
    with pytest.raises(Exception, match="NOT NULL"):
        Episodes(store).keep([EPISODE], [(broken, ["a@b.example"], NOW)])
    assert Episodes(store).all() == ()
    whole = OutboxLetter("k", "owner", "alert", "s", NOW, b"")
    for _ in range(2):
        Episodes(store).keep([EPISODE], [(whole, ["a@b.example"], NOW)])
    assert [one.key for one in Outbox(store).deliveries()] == ["k"]


def test_news_are_the_vehicles_with_logs_that_were_not_looked_at(store, made):
    ledger = Ledger(store)
    assert ledger.news() == ()
    made.add(store)
    made.add(store, vehicle="stoat")
    assert ledger.news() == ("otter", "stoat")
    ledger.seen("otter")
    assert ledger.news() == ("stoat",)
    made.add(store, "b.csv", started=datetime(2025, 4, 1, 7, tzinfo=UTC))
    assert ledger.news() == ("otter", "stoat")
