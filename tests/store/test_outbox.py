"""The outbox keeps each letter's state on disk."""

from datetime import UTC, datetime, timedelta

import pytest

from healthtrack.store import Outbox, OutboxLetter, Settled, Store

NOW = datetime(2026, 11, 25, 6, tzinfo=UTC)
HOUR = timedelta(hours=1)
ONE, TWO = "a@one.example", "b@two.example"


def _letter(key="k"):
    return OutboxLetter(key, "owner", "report", "Otter: alert", NOW, bytes(range(256)))


@pytest.fixture
def outbox(store):
    return Outbox(store)


def test_the_same_key_is_the_same_letter(outbox):
    assert outbox.put(_letter(), [ONE], NOW)
    assert not outbox.put(_letter(), [ONE, TWO], NOW)
    assert [delivery.address for delivery in outbox.deliveries()] == [ONE]
    assert outbox.raw("k") == bytes(range(256))


def test_each_address_has_its_own_fate(outbox):
    outbox.put(_letter(), [ONE, TWO], NOW)
    outbox.sending("k", [ONE, TWO], NOW)
    outbox.settle("k", {ONE: Settled("sent", "250"), TWO: Settled("waiting", "450", NOW + HOUR)})
    assert outbox.due(NOW) == {}
    (again,) = outbox.due(NOW + HOUR)["k"]
    assert (again.address, again.attempts, again.words) == (TWO, 1, "450")
    assert outbox.counts() == {"sent": 1, "waiting": 1}
    assert outbox.next_attempt() == NOW + HOUR


def test_what_was_being_sent_when_the_process_died_waits_again_and_is_uncertain(tmp_path):
    path = tmp_path / "healthtrack.duckdb"
    with Store.open(path) as store:
        Outbox(store).put(_letter(), [ONE, TWO], NOW)
        Outbox(store).sending("k", [ONE], NOW)
    with Store.open(path) as store:
        outbox = Outbox(store)
        assert outbox.recover() == 1
        assert outbox.recover() == 0
        states = {one.address: (one.state, one.uncertain) for one in outbox.deliveries()}
    assert states == {ONE: ("waiting", 1), TWO: ("waiting", 0)}


def test_a_letter_that_a_wrong_clock_put_off_for_years_is_due(outbox):
    outbox.put(_letter("late"), [ONE], NOW + timedelta(days=900))
    outbox.put(_letter("soon"), [ONE], NOW + timedelta(hours=9))
    assert list(outbox.due(NOW)) == ["late"]


def test_content_is_forgotten_but_that_it_was_sent_stays(outbox):
    outbox.put(_letter("sent"), [ONE], NOW)
    outbox.put(_letter("waits"), [ONE], NOW)
    outbox.settle("sent", {ONE: Settled("sent", "250")})
    outbox.forget_content(NOW + HOUR)
    assert outbox.raw("sent") is None
    assert outbox.raw("waits") is not None
    assert not outbox.put(_letter("sent"), [ONE], NOW)
