"""From a log in the inbox to mail in a real server on loopback: none lost, none doubled."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from healthtrack.config_service import MailSettings
from healthtrack.mail import SmtpCourier
from healthtrack.service.couriers import courier as configured
from healthtrack.service.runner import Runner
from healthtrack.store import Outbox
from tests.service_stand_ins import Clock, StandIn, make_garage
from tests.smtp_server import PASSWORD, USER, Server

pytestmark = pytest.mark.journey

SETTINGS = f"""
[mail]
host = "127.0.0.1"
port = PORT
security = "SECURITY"
sender = "monitor@workshop.example"
user = "{USER}"
ca_file = "ca.pem"
timeout_s = 5
[service]
settle_seconds = 0
[recipients.owner]
address = ["owner@garage.example", "second@garage.example"]
reports = "weekly"
quiet_from = "00:00"
quiet_to = "00:00"
[vehicles.otter]
[vehicles.stoat]
"""
ONE, TWO = "owner@garage.example", "second@garage.example"


class Journey:
    """A workspace whose service talks to a real server."""

    def __init__(self, root, server, answer_timeout=5.0):
        text = SETTINGS.replace("PORT", str(server.port)).replace("SECURITY", server.security)
        make_garage(root, text)
        (root / "ca.pem").write_bytes(server.ca_file.read_bytes())
        self.root, self.server, self.clock, self.chain = root, server, Clock(), StandIn()
        self.answer_timeout = answer_timeout
        self.start()

    def courier(self, workspace):
        found = configured(workspace, {"HEALTHTRACK_MAIL_PASSWORD": PASSWORD})
        if not isinstance(found, SmtpCourier):
            return found
        fields = {name: getattr(found, name) for name in found.__slots__}
        return SmtpCourier(**(fields | {"answer_timeout": self.answer_timeout}))

    def start(self):
        self.runner = Runner(self.root, self.clock, self.courier, bool, self.chain)
        self.runner.tick()

    def monday(self):
        """Let it be the Monday after, a minute after the reports are due."""
        self.clock.now = datetime(2026, 3, 9, 6, 1, tzinfo=UTC)
        self.runner.tick()

    def hours(self, count, minutes=60):
        for _ in range(int(count * 60 / minutes)):
            self.clock.forward(minutes=minutes)
            self.runner.tick()

    @property
    def counts(self):
        with self.runner.workspace.open_store() as store:
            return Outbox(store).counts()


@pytest.fixture(params=["starttls", "tls"])
def any_journey(request, tmp_path):
    with Server(tmp_path, request.param) as server:
        yield Journey(tmp_path / "garage", server)


@pytest.fixture
def journey(tmp_path):
    with Server(tmp_path) as server:
        yield Journey(tmp_path / "garage", server)


def _once_each(journey, letters=2):
    ids = journey.server.post.ids
    assert len(ids) == letters
    assert set(ids.values()) == {1}


def test_a_log_becomes_an_alert_and_a_monday_becomes_reports(any_journey, write_log):
    journey = any_journey
    journey.chain.raised["otter"] = (date(2026, 3, 2), "alert")
    write_log(journey.root / "inbox" / "otter" / "a.csv", datetime(2026, 3, 2, 9, tzinfo=UTC))
    journey.clock.forward(minutes=1)
    journey.runner.tick()
    (alert,) = journey.server.post.messages
    assert alert["Subject"] == "Alert: otter, airflow"
    assert [part.get_content_type() for part in alert.walk()] == [
        "multipart/mixed",
        "multipart/alternative",
        "text/plain",
        "text/html",
        "application/pdf",
    ]
    journey.monday()
    journey.hours(5)
    _once_each(journey, letters=3)
    assert journey.counts == {"sent": 6}
    assert all(addresses == (ONE, TWO) for _, addresses, _ in journey.server.post.kept)


def test_refused_for_a_while_then_accepted(journey):
    journey.server.post.script.extend(["refuse_temporarily"] * 3)
    journey.monday()
    assert journey.counts == {"sent": 0, "waiting": 4} or journey.counts == {"waiting": 4}
    journey.hours(3, minutes=5)
    _once_each(journey)
    assert journey.counts == {"sent": 4}


def test_refused_for_good_is_shown_and_not_tried_again(journey):
    journey.server.post.script.append("refuse_for_good")
    journey.monday()
    tried = journey.server.post.transactions
    journey.hours(30)
    assert journey.server.post.transactions == tried
    _once_each(journey, letters=1)
    assert journey.counts == {"failed": 2, "sent": 2}
    assert any("not wanted here" in words for words in journey.runner.status().undelivered)


@pytest.mark.parametrize("script", ["cut_before_data", "cut_during_data", "lost_after_data"])
def test_a_line_that_was_cut_loses_and_doubles_nothing(journey, script):
    journey.server.post.script.append(script)
    journey.monday()
    journey.hours(1, minutes=5)
    _once_each(journey)
    assert journey.counts == {"sent": 4}


def test_a_message_whose_answer_was_lost_comes_again_under_the_same_id_and_says_so(journey):
    journey.server.post.script.append("kept_but_answer_lost")
    journey.monday()
    journey.hours(1, minutes=5)
    assert sorted(journey.server.post.ids.values()) == [1, 2]
    (twice,) = [one for one, count in journey.server.post.ids.items() if count == 2]
    first, second = [one for one in journey.server.post.messages if one["Message-ID"] == twice]
    assert first["X-Healthtrack-Repeat"] is None
    assert "may have arrived before" in second["X-Healthtrack-Repeat"]
    assert first.get_body().get_content() == second.get_body().get_content()
    assert journey.counts == {"sent": 4}


def test_a_wrong_certificate_gets_nothing_until_it_is_right(tmp_path):
    (tmp_path / "other").mkdir()
    with Server(tmp_path) as server:
        stranger = Server(tmp_path / "other")
        journey = Journey(tmp_path / "garage", server)
        (journey.root / "ca.pem").write_bytes(stranger.ca_file.read_bytes())
        journey.monday()
        journey.hours(3)
        assert server.post.kept == []
        assert "certificate" in journey.runner.status().trouble[0]
        (journey.root / "ca.pem").write_bytes(server.ca_file.read_bytes())
        journey.hours(6)
        _once_each(journey)
        assert journey.runner.status().is_well


def test_a_slow_server_is_waited_for(journey):
    journey.server.post.script.extend(["slow", "slow"])
    journey.monday()
    _once_each(journey)


def test_a_server_slower_than_our_patience_doubles_nothing_unnoticed(tmp_path):
    with Server(tmp_path) as server:
        journey = Journey(tmp_path / "garage", server, answer_timeout=0.3)
        server.post.script.append("slow")
        journey.monday()
        journey.hours(1, minutes=5)
        assert len(server.post.ids) == 2
        assert journey.counts == {"sent": 4}
        again = [one for one in server.post.messages if one["X-Healthtrack-Repeat"]]
        assert len(again) == 1


def test_two_recipients_of_whom_one_is_refused(journey):
    journey.server.post.refused = {TWO: "550 5.1.1 no such user"}
    journey.monday()
    journey.hours(10)
    _once_each(journey)
    assert {addresses for _, addresses, _ in journey.server.post.kept} == {(ONE,)}
    assert journey.counts == {"failed": 2, "sent": 2}
    journey.server.post.refused = {}


def test_two_recipients_of_whom_one_is_busy_gets_it_later_and_the_other_once(journey):
    journey.server.post.refused = {TWO: "450 4.2.1 busy"}
    journey.monday()
    journey.server.post.refused = {}
    journey.hours(1, minutes=5)
    by_address = [addresses for _, addresses, _ in journey.server.post.kept]
    assert sorted(by_address) == [(ONE,), (ONE,), (TWO,), (TWO,)]
    assert journey.counts == {"sent": 4}


def test_no_word_of_the_password_is_kept_anywhere(journey, caplog):
    caplog.set_level("DEBUG")
    journey.server.post.script.extend(["refuse_temporarily", "refuse_for_good"])
    journey.monday()
    journey.hours(2)
    assert PASSWORD not in caplog.text
    for path in journey.root.rglob("*"):
        if path.is_file():
            assert PASSWORD.encode() not in path.read_bytes()


def test_a_dry_run_writes_the_letters_and_calls_no_one(tmp_path):
    with Server(tmp_path) as server:
        journey = Journey(tmp_path / "garage", server)
        settings = journey.root / "healthtrack.toml"
        settings.write_text(settings.read_text().replace("[mail]", "[mail]\ndry_run = true"))
        journey.monday()
        assert server.post.kept == []
        assert len(list((journey.root / "outbox").glob("*.eml"))) == 2
        assert journey.counts == {"written": 4}


def test_settings_without_a_server_send_nothing_and_are_no_trouble(tmp_path):
    assert not MailSettings().works
    text = SETTINGS[SETTINGS.index("[service]") :]
    root = make_garage(tmp_path / "garage", text)
    clock = Clock()
    runner = Runner(root, clock, configured, bool, StandIn())
    for _ in range(8):
        clock.forward(days=1)
        runner.tick()
    assert runner.status().is_well
    assert runner.status().letters == {}
    assert len(list((root / "reports").rglob("*.pdf"))) == 2
