"""What a server's behaviour means, against a real server on loopback."""

import socket
import threading
from datetime import UTC, datetime

import pytest

from healthtrack.mail import Attachment, FolderCourier, Letter, SmtpCourier, build
from tests.smtp_server import PASSWORD, Server, free_port

SENDER = "monitor@workshop.example"
ONE, TWO = "a@one.example", "b@two.example"


@pytest.fixture
def raw():
    moment = datetime(2026, 11, 30, tzinfo=UTC)
    text = ".a line that begins with a dot\n..two\n"
    return build(Letter("k", (ONE, TWO), "s", text, "", moment), SENDER, 10**6)


def _outcomes(answers):
    return {address: answer.outcome for address, answer in answers.items()}


def test_an_accepted_message_arrives_byte_for_byte(server, courier, raw):
    answers = courier(server).deliver(raw, SENDER, [ONE, TWO])
    assert _outcomes(answers) == {ONE: "accepted", TWO: "accepted"}
    ((sender, addresses, content),) = server.post.kept
    assert (sender, addresses, content) == (SENDER, (ONE, TWO), raw)


@pytest.mark.parametrize(
    ("script", "outcome", "stage"),
    [
        ("refuse_temporarily", "temporary", "answer"),
        ("refuse_for_good", "permanent", "answer"),
        ("cut_before_data", "temporary", "data"),
        ("cut_during_data", "uncertain", "answer"),
        ("lost_after_data", "uncertain", "answer"),
        ("kept_but_answer_lost", "uncertain", "answer"),
    ],
)
def test_each_way_to_fail_has_its_meaning(starttls, courier, raw, script, outcome, stage):
    starttls.post.script.append(script)
    answer = courier(starttls).deliver(raw, SENDER, [ONE])[ONE]
    assert (answer.outcome, answer.stage) == (outcome, stage)
    assert len(starttls.post.kept) == (1 if script == "kept_but_answer_lost" else 0)


def test_one_of_two_recipients_refused_the_other_gets_it(starttls, courier, raw):
    starttls.post.refused = {TWO: "550 5.1.1 no such user"}
    answers = courier(starttls).deliver(raw, SENDER, [ONE, TWO])
    assert _outcomes(answers) == {ONE: "accepted", TWO: "permanent"}
    assert "no such user" in answers[TWO].words
    assert [addresses for _, addresses, _ in starttls.post.kept] == [(ONE,)]
    starttls.post.refused = {ONE: "450 4.2.1 busy", TWO: "550 5.1.1 no such user"}
    answers = courier(starttls).deliver(raw, SENDER, [ONE, TWO])
    assert _outcomes(answers) == {ONE: "temporary", TWO: "permanent"}
    assert len(starttls.post.kept) == 1


def test_a_slow_server_is_waited_for_and_a_slower_one_is_uncertain(starttls, courier, raw):
    starttls.post.script.append("slow")
    assert courier(starttls).deliver(raw, SENDER, [ONE])[ONE].outcome == "accepted"
    starttls.post.script.append("slow")
    answer = courier(starttls, answer_timeout=0.2).deliver(raw, SENDER, [ONE])[ONE]
    assert (answer.outcome, answer.stage) == ("uncertain", "answer")


def test_a_certificate_of_an_unknown_authority_gets_no_password_and_no_message(
    server, courier, raw, tmp_path
):
    (tmp_path / "other").mkdir()
    stranger = Server(tmp_path / "other")
    for ca_file in (None, stranger.ca_file):
        answer = courier(server, ca_file=ca_file).deliver(raw, SENDER, [ONE])[ONE]
        assert (answer.outcome, answer.stage) == ("settings", "certificate")
    assert server.post.kept == []


def test_a_certificate_for_another_name_is_refused(tmp_path, courier, raw):
    with Server(tmp_path, name="mail.elsewhere.example") as server:
        answer = courier(server).deliver(raw, SENDER, [ONE])[ONE]
        assert (answer.outcome, answer.stage) == ("settings", "certificate")
        assert server.post.kept == []


def test_a_server_without_starttls_is_never_spoken_to_in_the_clear(tmp_path, courier, raw):
    with Server(tmp_path, "none") as server:
        answer = courier(server, security="starttls").deliver(raw, SENDER, [ONE])[ONE]
        assert answer.outcome == "settings"
        assert "STARTTLS" in answer.words
        assert server.post.kept == []


def test_a_wrong_password_is_a_matter_of_settings_and_is_not_repeated(starttls, courier, raw):
    secret = "wrong-and-s3cret"
    wrong = courier(starttls, password=secret)
    answer = wrong.deliver(raw, SENDER, [ONE])[ONE]
    assert (answer.outcome, answer.stage) == ("settings", "login")
    assert secret not in answer.words
    assert secret not in repr(wrong)


def test_a_password_that_the_server_sends_back_is_blotted_out():
    courier = SmtpCourier("h", 25, "tls", "monitor", PASSWORD)
    assert courier._clean(f"535 bad password {PASSWORD}\r\nX") == "535 bad password *** X"


def test_a_message_too_large_for_the_server_is_said_to_be_before_it_is_sent(starttls, courier):
    moment = datetime(2026, 11, 30, tzinfo=UTC)
    report = Attachment("a.pdf", bytes(2_100_000), "reports/a.pdf")
    large = build(Letter("k", (ONE,), "s", "t", "", moment, (report,)), SENDER, 10**8)
    answer = courier(starttls).deliver(large, SENDER, [ONE])[ONE]
    assert (answer.outcome, answer.stage) == ("too_large", "mail")
    assert "2.0 MB" in answer.words


def test_nobody_there_is_temporary(courier, raw, starttls):
    answer = courier(starttls, port=free_port()).deliver(raw, SENDER, [ONE])[ONE]
    assert (answer.outcome, answer.stage) == ("temporary", "connect")


def test_a_server_that_turns_away_at_the_door(courier, raw, starttls):
    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        door.listen()

        def turn_away():
            for words in (b"421 busy\r\n", b"554 go away\r\n"):
                caller, _ = door.accept()
                caller.sendall(words)
                caller.close()

        thread = threading.Thread(target=turn_away)
        thread.start()
        port = door.getsockname()[1]
        outcomes = [
            courier(starttls, port=port).deliver(raw, SENDER, [ONE])[ONE].outcome for _ in range(2)
        ]
        thread.join()
    assert outcomes == ["temporary", "settings"]


def test_looking_signs_in_and_sends_nothing(server, courier):
    assert courier(server).look().outcome == "accepted"
    assert courier(server, password="wrong").look().stage == "login"
    assert server.post.kept == []


def test_a_dry_run_writes_one_file_per_letter_however_often(tmp_path, raw):
    folder = FolderCourier(tmp_path / "outbox")
    for _ in range(2):
        assert _outcomes(folder.deliver(raw, SENDER, [ONE, TWO])) == {
            ONE: "written",
            TWO: "written",
        }
    (file,) = (tmp_path / "outbox").iterdir()
    assert file.suffix == ".eml"
    assert file.read_bytes() == raw


def test_a_dry_run_into_a_place_that_is_none_is_temporary(tmp_path, raw):
    (tmp_path / "outbox").write_text("a file")
    answer = FolderCourier(tmp_path / "outbox").deliver(raw, SENDER, [ONE])[ONE]
    assert answer.outcome == "temporary"
