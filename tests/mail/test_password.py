"""The password comes from where the settings say, or the message says what to do."""

import os
import sys
import types

import pytest

from healthtrack.config_service import MailSettings
from healthtrack.errors import MailError
from healthtrack.mail.password import read_password


def _settings(**changes):
    return MailSettings(user="monitor", **changes)


def test_from_the_environment(tmp_path):
    environment = {"HEALTHTRACK_MAIL_PASSWORD": "s3cret"}
    assert read_password(_settings(), tmp_path, environment) == "s3cret"
    with pytest.raises(MailError, match="HEALTHTRACK_MAIL_PASSWORD"):
        read_password(_settings(), tmp_path, {})


def test_nobody_signs_in_without_a_user(tmp_path):
    assert read_password(MailSettings(), tmp_path, {}) == ""


@pytest.mark.parametrize(
    ("mode", "good"), [(0o600, True), (0o400, True), (0o640, False), (0o604, False)]
)
def test_a_file_that_others_can_read_is_refused_with_the_remedy(tmp_path, mode, good):
    file = tmp_path / "password"
    file.write_text("s3cret\n")
    file.chmod(mode)
    settings = _settings(password_from="file", password_file="password")
    if good:
        assert read_password(settings, tmp_path, {}) == "s3cret"
        return
    with pytest.raises(MailError, match="chmod 600") as caught:
        read_password(settings, tmp_path, {})
    assert "s3cret" not in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"\n", b"two\nlines\n", b"\xff\xfe"])
def test_a_file_that_holds_no_one_line_is_refused(tmp_path, content):
    file = tmp_path / "password"
    file.write_bytes(content)
    file.chmod(0o600)
    with pytest.raises(MailError, match="password file"):
        read_password(_settings(password_from="file", password_file="password"), tmp_path, {})


def test_a_file_that_is_missing_or_a_pipe_is_refused(tmp_path):
    settings = _settings(password_from="file", password_file="password")
    with pytest.raises(MailError, match="password_file under"):
        read_password(settings, tmp_path, {})
    (tmp_path / "password").mkdir(mode=0o700)
    with pytest.raises(MailError, match="no ordinary file"):
        read_password(settings, tmp_path, {})
    (tmp_path / "password").rmdir()
    os.mkfifo(tmp_path / "password", mode=0o600)
    with pytest.raises(MailError, match="no ordinary file"):
        read_password(settings, tmp_path, {})


def test_from_the_keyring_or_a_hint_how_to_get_one(tmp_path, monkeypatch):
    settings = _settings(password_from="keyring")
    monkeypatch.setitem(sys.modules, "keyring", None)
    with pytest.raises(MailError, match=r"healthtrack\[keyring\]"):
        read_password(settings, tmp_path, {})
    asked = []
    fake = types.ModuleType("keyring")
    fake.get_password = lambda *names: asked.append(names) or "s3cret"
    monkeypatch.setitem(sys.modules, "keyring", fake)
    assert read_password(settings, tmp_path, {}) == "s3cret"
    assert asked == [("healthtrack", "monitor")]
    fake.get_password = lambda *names: None
    with pytest.raises(MailError, match="keyring set healthtrack monitor"):
        read_password(settings, tmp_path, {})
