"""A letter becomes the same bytes each time, and nothing in it can become a header."""

import email
from datetime import UTC, datetime
from email import policy

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from healthtrack.errors import MailError
from healthtrack.mail import (
    Attachment,
    Letter,
    Picture,
    build,
    message_id,
    without_attachments,
)
from healthtrack.mail.message import marked_as_repeat

SENDER = "monitor@workshop.example"
PDF = b"%PDF-1.4\n" + bytes(range(256)) * 20


def _letter(**changes):
    fields = {
        "key": "report/owner/otter/2026-11-30",
        "addresses": ("a@one.example", "b@two.example"),
        "subject": "Otter: alert – airflow −4.1 %",
        "text": "Airflow is low by 4.1 %.\nFrom the start: 203 000 km.\n",
        "html": "<html><body><p>Airflow is low by 4.1&nbsp;%.</p></body></html>",
        "moment": datetime(2026, 11, 30, 6, tzinfo=UTC),
        "attachments": (Attachment("otter.pdf", PDF, "reports/otter/otter.pdf"),),
    }
    return Letter(**(fields | changes))


def _parsed(raw):
    return email.message_from_bytes(raw, policy=policy.SMTP)


def test_a_message_has_text_page_and_report():
    message = _parsed(build(_letter(), SENDER, 10**7))
    assert message["Subject"] == "Otter: alert – airflow −4.1 %"
    assert message["To"] == "a@one.example, b@two.example"
    assert message["From"] == SENDER
    assert message["Date"] == "Mon, 30 Nov 2026 06:00:00 +0000"
    assert "203 000 km" in message.get_body(("plain",)).get_content()
    assert "4.1&nbsp;%" in message.get_body(("html",)).get_content()
    (report,) = message.iter_attachments()
    assert report.get_filename() == "otter.pdf"
    assert report.get_content_type() == "application/pdf"
    assert report.get_content() == PDF
    assert not message.defects


def test_the_same_letter_gives_the_same_bytes_and_another_key_another_id():
    assert build(_letter(), SENDER, 10**7) == build(_letter(), SENDER, 10**7)
    assert message_id("report/owner/otter/1", SENDER) != message_id("report/guest/otter/1", SENDER)
    assert message_id("x", SENDER).endswith("@workshop.example>")


TRICKS = [
    "otter\r\nBcc: thief@evil.example",
    "otter\nSubject: other",
    "otter\r\n\r\nbody",
    "otter\u2028Bcc: thief@evil.example",
    "otter\x0bBcc: thief@evil.example",
    "otter\x85Bcc: thief@evil.example",
]


@pytest.mark.parametrize("trick", TRICKS)
def test_a_name_cannot_become_a_header(trick):
    letter = _letter(
        subject=trick,
        attachments=(Attachment(trick + ".pdf", PDF, trick),),
        headers=(("X-Healthtrack-Vehicle", trick),),
    )
    message = _parsed(build(letter, SENDER, 10**7))
    assert message["Bcc"] is None
    assert len(message.get_all("Subject")) == 1
    assert message["To"] == "a@one.example, b@two.example"
    (report,) = message.iter_attachments()
    assert report.get_content() == PDF
    assert set(report.get_filename()) <= set(
        "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-"
    )


@settings(deadline=None, max_examples=50)
@given(st.text(max_size=60))
def test_no_text_at_all_adds_a_header(text):
    plain = {name for name, _ in _parsed(build(_letter(), SENDER, 10**7)).items()}
    message = _parsed(build(_letter(subject=text, text=text, html=text), SENDER, 10**7))
    assert {name for name, _ in message.items()} == plain
    assert message["To"] == "a@one.example, b@two.example"


def test_a_header_name_that_is_none_is_an_error_not_a_message():
    with pytest.raises(MailError, match="cannot be made"):
        build(_letter(headers=(("X: y\r\nBcc", "z"),)), SENDER, 10**7)


def test_a_message_over_the_limit_goes_with_a_note_that_says_where_the_report_is():
    raw = build(_letter(), SENDER, 4000)
    assert len(raw) <= 4000
    message = _parsed(raw)
    assert list(message.iter_attachments()) == []
    for kind in ("plain", "html"):
        words = message.get_body((kind,)).get_content()
        assert "reports/otter/otter.pdf" in words
        assert "4.1" in words
    assert message["Message-ID"] == message_id(_letter().key, SENDER)


def test_words_alone_over_the_limit_are_an_error_that_names_the_setting():
    with pytest.raises(MailError, match="size_limit_mb"):
        build(_letter(text="long " * 2000), SENDER, 4000)


def test_taking_the_attachments_off_twice_is_the_same_letter():
    once = without_attachments(build(_letter(), SENDER, 10**7), "too large")
    assert _parsed(once)["Message-ID"] == message_id(_letter().key, SENDER)
    assert list(_parsed(once).iter_attachments()) == []
    assert _parsed(once)["Subject"] == _letter().subject


def test_a_repeat_says_so_in_its_head_and_is_otherwise_the_same():
    raw = build(_letter(), SENDER, 10**7)
    repeat = marked_as_repeat(raw, ["2026-11-30 06:00 UTC"])
    message = _parsed(repeat)
    assert "may have arrived before" in message["X-Healthtrack-Repeat"]
    assert message["Message-ID"] == message_id(_letter().key, SENDER)
    assert repeat.partition(b"\r\n\r\n")[2] == raw.partition(b"\r\n\r\n")[2]


def test_pictures_travel_inside_the_page_and_leave_with_the_attachments():
    shown = '<html><body><p><img src="cid:airflow" alt="Airflow"></p>\n<p>4.1</p></body></html>'
    letter = _letter(html=shown, pictures=(Picture("airflow", b"\x89PNG dots"),))
    raw = build(letter, SENDER, 10**7)
    message = _parsed(raw)
    (picture,) = [part for part in message.walk() if part.get_content_type() == "image/png"]
    assert picture["Content-ID"] == "<airflow>"
    assert picture.get_content() == b"\x89PNG dots"
    assert "cid:airflow" in message.get_body(("html",)).get_content()
    assert [part.get_filename() for part in message.iter_attachments()] == ["otter.pdf"]
    assert raw == build(letter, SENDER, 10**7)
    bare = _parsed(without_attachments(raw, "too large"))
    assert "cid:" not in bare.get_body(("html",)).get_content()
    assert all(part.get_content_type() != "image/png" for part in bare.walk())
