"""Settings of mail, service and recipients: what is wrong is said with key, value and remedy."""

import re
from datetime import UTC, datetime

import pytest

from healthtrack import config
from healthtrack.config_service import named_calendar
from healthtrack.errors import SettingsError
from healthtrack.jobs.starting import settings_text
from healthtrack.schedule import following


def _fault(text):
    with pytest.raises(SettingsError) as caught:
        config.parse(text, "healthtrack.toml")
    return str(caught.value)


def test_the_template_with_every_mark_taken_away_is_valid():
    text = re.sub(r"^#(\[.*\]|\w+ = .*)$", r"\1", settings_text(), flags=re.MULTILINE)
    settings = config.parse(text, "healthtrack.toml")
    assert settings.recipients["owner"].addresses == ("owner@garage.example",)
    assert settings.recipients["owner"].reports == "monthly"
    assert set(config.parse(settings_text(), "t").recipients) == set()


@pytest.mark.parametrize(
    "address",
    [
        "a@b.example\r\nBcc: c@d.example",
        "a@b.example\n",
        "a b@c.example",
        "<a@b.example>",
        "a@b.example,c@d.example",
        "a@@b.example",
        "@b.example",
        "a@-b.example-",
    ],
)
def test_an_address_that_could_carry_a_header_is_refused(address):
    quoted = address.encode("unicode_escape").decode()
    assert "recipients.a.address" in _fault(f'[recipients.a]\naddress = "{quoted}"')
    assert "mail.sender" in _fault(f'[mail]\nsender = "{quoted}"')


def test_mail_in_the_clear_leaves_this_machine_never():
    assert "in the clear to mail.example" in _fault(
        '[mail]\nhost = "mail.example"\nsender = "a@b.example"\nsecurity = "none"'
    )
    here = '[mail]\nhost = "127.0.0.1"\nsender = "a@b.example"\nsecurity = "none"'
    assert config.parse(here, "t").mail.works


def test_a_password_has_no_place_in_the_settings():
    assert "mail.password: no such setting" in _fault('[mail]\npassword = "s3cret"')


def test_a_recipient_of_an_unknown_vehicle_is_told_which_there_are():
    text = '[vehicles.otter]\n[recipients.a]\naddress = "a@b.example"\nvehicles = ["ottre"]'
    assert "there is no [vehicles.ottre] (there: otter)" in _fault(text)


def test_a_crontab_line_that_cannot_be_read_says_which_field():
    text = '[recipients.a]\naddress = "a@b.example"\nreports = "0 7 * * friday"'
    assert "'friday' as the weekday" in _fault(text)


def test_weekly_is_monday_and_monthly_the_first_at_the_time_that_is_set():
    utc = datetime(2026, 11, 25, tzinfo=UTC)  # a Wednesday
    zone = config.ServiceSettings().zone
    due = {line: named_calendar(line, "06:30") for line in ("weekly", "monthly")}
    weekly, monthly = (following(calendar, zone, utc) for calendar in due.values())
    assert weekly == datetime(2026, 11, 30, 6, 30, tzinfo=UTC)
    assert monthly == datetime(2026, 12, 1, 6, 30, tzinfo=UTC)
    assert named_calendar("never", "06:30") is None
