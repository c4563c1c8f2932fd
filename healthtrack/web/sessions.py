"""Who is signed in, and the tokens that say that a form came from our own page."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections import OrderedDict, deque
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from healthtrack.web.accounts import Role

MOST_SESSIONS = 1000
IDLE = timedelta(hours=2)
"""A session that nobody has used for so long is over."""


@dataclass(frozen=True, slots=True)
class Session:
    """A login: whose, from where, since when; ``last`` is its latest use."""

    name: str
    role: Role
    place: str
    opened: datetime
    last: datetime


class Sessions:
    """The logins, in memory: a restart ends them all. Cookies are kept as hashes only."""

    def __init__(self, lasting: timedelta) -> None:
        self._lasting = lasting
        self._open: OrderedDict[str, Session] = OrderedDict()

    def open(self, name: str, role: Role, place: str, now: datetime) -> str:
        """Open a session and return its cookie, always a new one."""
        cookie = secrets.token_urlsafe(32)
        self._open[_digest(cookie)] = Session(name, role, place, now, now)
        while len(self._open) > MOST_SESSIONS:
            self._open.popitem(last=False)
        return cookie

    def find(self, cookie: str, place: str, now: datetime) -> Session | None:
        """Return the session of a cookie; one that comes from another place ends it."""
        key = _digest(cookie)
        found = self._open.get(key)
        if found is None:
            return None
        over = now - found.opened > self._lasting or now - found.last > IDLE
        if over or found.place != place:
            del self._open[key]
            return None
        self._open[key] = Session(found.name, found.role, found.place, found.opened, now)
        return found

    def close(self, cookie: str) -> None:
        """End a session."""
        self._open.pop(_digest(cookie), None)


def _digest(cookie: str) -> str:
    return hashlib.sha256(cookie.encode()).hexdigest()


def place_of(address: str, browser: str) -> str:
    """Return where a session lives: the address and the browser that it was opened from."""
    return _digest(f"{address}\n{browser[:300]}")


class Tokens:
    """Tokens for forms, bound to a cookie; nothing is kept but one secret per start."""

    def __init__(self) -> None:
        self._secret = secrets.token_bytes(32)

    def token(self, cookie: str) -> str:
        """Return the token for forms that a cookie's owner is shown."""
        return hmac.new(self._secret, cookie.encode(), hashlib.sha256).hexdigest()

    def fits(self, cookie: str, token: str) -> bool:
        """Whether a token belongs to a cookie."""
        return bool(cookie) and hmac.compare_digest(self.token(cookie), token)


class Brake:
    """Lets so many attempts through per span of time and key, and in all ten times as many."""

    def __init__(self, most: int, span: timedelta) -> None:
        self._most, self._span = most, span
        self._tried: OrderedDict[str, deque[datetime]] = OrderedDict()

    def lets(self, key: str, now: datetime) -> bool:
        """Count an attempt; whether it may go on."""
        return self._counted(key, self._most, now) and self._counted("", 10 * self._most, now)

    def forget(self, key: str) -> None:
        """Begin anew for a key: the attempt succeeded."""
        self._tried.pop(key, None)

    def _counted(self, key: str, most: int, now: datetime) -> bool:
        tried = self._tried.setdefault(key, deque())
        self._tried.move_to_end(key)
        while len(self._tried) > MOST_SESSIONS:
            self._tried.popitem(last=False)
        while tried and now - tried[0] > self._span:
            tried.popleft()
        if len(tried) >= most:
            return False
        tried.append(now)
        return True
