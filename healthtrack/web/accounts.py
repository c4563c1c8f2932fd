"""Who may sign in: names with the hashes of their passwords, in a file that its owner alone reads.

Passwords stand in no setting and not in the store. Hashes are Argon2id (RFC 9106) with the
library's own parameters, which follow that standard's second recommendation.
"""

from __future__ import annotations

import json
import os
import re
import secrets
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, cast

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from healthtrack.errors import SettingsError, UsageError
from healthtrack.placing import place
from healthtrack.service.state import FOLDER

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

Role = Literal["full", "reading"]

ACCOUNTS_FILE = "page-accounts.json"
CALENDAR_FILE = "page-calendar-address"
SHORTEST = 10
"""Letters of a password, at least; NIST SP 800-63B-4 asks for eight, and attempts are few here."""
LONGEST = 200
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")


@dataclass(frozen=True, slots=True)
class Account:
    """Someone who may sign in; ``reading`` may look and change nothing."""

    name: str
    role: Role
    digest: str


def load_accounts(root: Path) -> dict[str, Account]:
    """Return the accounts by name; none where there is no file.

    Raises
    ------
    SettingsError
        The file cannot be used, or others than its owner can read it.
    """
    path = root / FOLDER / ACCOUNTS_FILE
    try:
        mode = path.stat().st_mode
        raw = json.loads(path.read_text(encoding="utf-8"))
        found = {
            name: Account(name, cast("Role", item["role"]), str(item["digest"]))
            for name, item in raw.items()
            if item["role"] in ("full", "reading")
        }
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise SettingsError(
            f"{path} cannot be used ({type(error).__name__}). Delete it and set the passwords "
            "again: `healthtrack page-password NAME`."
        ) from None
    if os.name == "posix" and mode & 0o077:
        raise SettingsError(f"others can read {path}, which holds passwords' hashes: chmod 600.")
    return found


def keep_account(root: Path, name: str, password: str, role: Role) -> None:
    """Set someone's password, the file whole or as it was.

    Raises
    ------
    UsageError
        The name or the password will not do.
    """
    if not NAME.fullmatch(name):
        raise UsageError(f"{name!r} is no name: letters, digits, dot, dash; at most 40.")
    if not SHORTEST <= len(password) <= LONGEST:
        raise UsageError(f"a password needs {SHORTEST} to {LONGEST} letters; a few words do well.")
    known = load_accounts(root)
    known[name] = Account(name, role, PasswordHasher().hash(password))
    _write(root, known)


def remove_account(root: Path, name: str) -> bool:
    """Take someone's password away; False where there is none."""
    known = load_accounts(root)
    if known.pop(name, None) is None:
        return False
    _write(root, known)
    return True


def _write(root: Path, accounts: Mapping[str, Account]) -> None:
    document = {one.name: {"role": one.role, "digest": one.digest} for one in accounts.values()}
    _write_secret(root / FOLDER / ACCOUNTS_FILE, json.dumps(document, indent=1))


def _write_secret(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    place(path, text.encode(), 0o600)


class Doorkeeper:
    """Checks passwords; takes as long for a name that does not exist."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._hasher = PasswordHasher()
        self._nobody = self._hasher.hash(secrets.token_urlsafe())

    def account(self, name: str, password: str) -> Account | None:
        """Return the account where name and password belong together."""
        known = load_accounts(self._root).get(name)
        try:
            self._hasher.verify(known.digest if known else self._nobody, password[:LONGEST])
        except (VerificationError, InvalidHashError):
            return None
        return known


def calendar_token(root: Path) -> str:
    """Return the secret part of the calendar's address, made where there is none."""
    path = root / FOLDER / CALENDAR_FILE
    try:
        token = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        token = ""
    if not re.fullmatch(r"[A-Za-z0-9_-]{20,}", token):
        token = secrets.token_urlsafe(24)
        _write_secret(path, token + "\n")
    return token
