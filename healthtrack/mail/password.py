"""Where the mail password comes from; it is never stored, logged or shown."""

from __future__ import annotations

import importlib
import os
import stat
from typing import TYPE_CHECKING

from healthtrack.errors import MailError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from healthtrack.config_service import MailSettings

VARIABLE = "HEALTHTRACK_MAIL_PASSWORD"
KEYRING_SERVICE = "healthtrack"


def read_password(settings: MailSettings, root: Path, environment: Mapping[str, str]) -> str:
    """Return the password; empty where nobody signs in.

    Parameters
    ----------
    settings : MailSettings
        They say where it is.
    root : Path
        The workspace; a relative ``password_file`` lies in it.
    environment : mapping
        The process's environment.

    Raises
    ------
    MailError
        It is not there, or others can read it too.
    """
    if not settings.user:
        return ""
    if settings.password_from == "file":  # noqa: S105 - no password
        return _from_file(root / settings.password_file)
    if settings.password_from == "keyring":  # noqa: S105 - no password
        return _from_keyring(settings.user)
    found = environment.get(VARIABLE, "")
    if not found:
        raise MailError(
            f"the mail password for {settings.user} is missing: set the environment variable "
            f"{VARIABLE}, or name another place with password_from under [mail]."
        )
    return found


def _from_file(path: Path) -> str:
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError as error:
        raise MailError(
            f"the mail password file {path} cannot be read: {error.strerror}. Correct "
            "password_file under [mail], or the file's owner."
        ) from None
    status = os.fstat(handle)  # of the file that is open, not of one put in its place
    if not stat.S_ISREG(status.st_mode):
        os.close(handle)
        raise MailError(f"the mail password file {path} is no ordinary file.")
    with os.fdopen(handle, encoding="utf-8") as stream:
        if status.st_mode & 0o077:
            raise MailError(
                f"the mail password file {path} can be read by others (mode "
                f"{stat.S_IMODE(status.st_mode):o}). Run `chmod 600 {path}`, and change the "
                "password if others use this machine."
            )
        try:
            words = stream.read(10_000).strip("\r\n")
        except UnicodeDecodeError:
            raise MailError(f"the mail password file {path} is not UTF-8 text.") from None
    if not words or "\n" in words:
        raise MailError(f"the mail password file {path} must hold one line, the password.")
    return words


def _from_keyring(user: str) -> str:
    try:
        keyring = importlib.import_module("keyring")
    except ImportError:
        raise MailError(
            "password_from = 'keyring' needs the extra: install healthtrack[keyring], or name "
            "another place under [mail]."
        ) from None
    try:
        found = keyring.get_password(KEYRING_SERVICE, user)
    except Exception as error:  # noqa: BLE001 - whatever the system's keyring does
        raise MailError(f"the system's keyring failed ({type(error).__name__}).") from None
    if not found:
        raise MailError(
            f"the system's keyring has no password of {user} for healthtrack. Run `keyring set "
            f"{KEYRING_SERVICE} {user}` as the user that runs the service."
        )
    return str(found)
