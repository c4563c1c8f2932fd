"""The outbox: letters on their way, each with its state on disk.

``waiting`` → ``sending`` → ``sent`` (the server accepted it), ``written`` (a dry run), ``failed``
(refused for good) or ``given_up`` (tried until its end). What was ``sending`` when the process died
may or may not have arrived: it waits again, and ``uncertain`` counts that.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from healthtrack.store.store import Store

LONGEST_WAIT = timedelta(hours=25)
"""No letter waits longer for its next attempt than quiet hours or a retry last; one that seems to
was put there by a clock that was wrong, and is due now."""


@dataclass(frozen=True, slots=True)
class OutboxLetter:
    """A letter as it was put into the outbox; ``raw`` is the message as it goes to the server."""

    key: str
    recipient: str
    kind: str
    subject: str
    created: datetime
    raw: bytes


@dataclass(frozen=True, slots=True)
class Delivery:
    """One letter to one address."""

    key: str
    address: str
    state: str
    attempts: int
    uncertain: int
    next_attempt: datetime
    last_attempt: datetime | None
    words: str
    created: datetime
    subject: str


@dataclass(frozen=True, slots=True)
class Settled:
    """What became of an attempt for one address; ``next_attempt`` where it waits again."""

    state: str
    words: str
    next_attempt: datetime | None = None
    uncertain: bool = False


_DELIVERY = (
    "SELECT delivery.key, address, state, attempts, uncertain, next_attempt, last_attempt, words, "
    "created, subject FROM delivery JOIN outbox USING (key) "
)


class Outbox:
    """The outbox in a store; every change is one transaction."""

    def __init__(self, store: Store) -> None:
        self._connection = store._connection

    def put(self, letter: OutboxLetter, addresses: Sequence[str], not_before: datetime) -> bool:
        """Put a letter in, to go no earlier than a moment; False where its key is known already."""
        with transaction(self._connection):
            return self.insert(letter, addresses, not_before)

    def insert(self, letter: OutboxLetter, addresses: Sequence[str], not_before: datetime) -> bool:
        """Do what :meth:`put` does, inside a transaction of the caller."""
        if self.knows(letter.key):
            return False
        self._connection.execute(
            "INSERT INTO outbox VALUES (?, ?, ?, ?, ?, ?)",
            [
                letter.key,
                letter.recipient,
                letter.kind,
                letter.subject,
                letter.created,
                letter.raw,
            ],
        )
        for address in addresses:
            self._connection.execute(
                "INSERT INTO delivery VALUES (?, ?, 'waiting', 0, 0, ?, NULL, '')",
                [letter.key, address, not_before],
            )
        return True

    def knows(self, key: str) -> bool:
        """Whether a letter with this key was ever put in."""
        found = self._connection.execute("SELECT 1 FROM outbox WHERE key = ?", [key]).fetchall()
        return bool(found)

    def due(self, now: datetime) -> dict[str, tuple[Delivery, ...]]:
        """Return what is to be sent now, by letter, the oldest first."""
        rows = self._connection.execute(
            f"{_DELIVERY} WHERE state = 'waiting' AND (next_attempt <= ? OR next_attempt > ?) "
            "ORDER BY created, delivery.key, address",
            [now, now + LONGEST_WAIT],
        ).fetchall()
        found: dict[str, list[Delivery]] = {}
        for row in rows:
            found.setdefault(row[0], []).append(Delivery(*row))
        return {key: tuple(deliveries) for key, deliveries in found.items()}

    def raw(self, key: str) -> bytes | None:
        """Return a letter's message; None once its content was forgotten."""
        rows = self._connection.execute("SELECT raw FROM outbox WHERE key = ?", [key]).fetchall()
        return None if not rows or rows[0][0] is None else bytes(rows[0][0])

    def replace_raw(self, key: str, raw: bytes) -> None:
        """Put a smaller message in a letter's place."""
        with transaction(self._connection):
            self._connection.execute("UPDATE outbox SET raw = ? WHERE key = ?", [raw, key])

    def sending(self, key: str, addresses: Sequence[str], now: datetime) -> None:
        """Note, before the server is called, that an attempt begins."""
        with transaction(self._connection):
            for address in addresses:
                self._connection.execute(
                    "UPDATE delivery SET state = 'sending', attempts = attempts + 1, "
                    "last_attempt = ? WHERE key = ? AND address = ? AND state = 'waiting'",
                    [now, key, address],
                )

    def settle(self, key: str, settled: Mapping[str, Settled]) -> None:
        """Note what the server said, for each address of an attempt."""
        with transaction(self._connection):
            for address, one in settled.items():
                self._connection.execute(
                    "UPDATE delivery SET state = ?, words = ?, uncertain = uncertain + ?, "
                    "next_attempt = coalesce(?, next_attempt) WHERE key = ? AND address = ?",
                    [
                        one.state,
                        one.words,
                        int(one.uncertain),
                        one.next_attempt,
                        key,
                        address,
                    ],
                )

    def recover(self) -> int:
        """Let letters wait again that were being sent when the process died; returns how many."""
        with transaction(self._connection):
            rows = self._connection.execute(
                "UPDATE delivery SET state = 'waiting', uncertain = uncertain + 1, "
                "words = 'the service ended while the server was asked' "
                "WHERE state = 'sending' RETURNING key"
            ).fetchall()
        return len(rows)

    def deliveries(self, state: str | None = None) -> tuple[Delivery, ...]:
        """Return all deliveries, or those in a state, the oldest first."""
        rows = self._connection.execute(
            f"{_DELIVERY} WHERE state = coalesce(?, state) ORDER BY created, delivery.key, address",
            [state],
        ).fetchall()
        return tuple(Delivery(*row) for row in rows)

    def counts(self) -> dict[str, int]:
        """Return how many deliveries are in each state."""
        rows = self._connection.execute(
            "SELECT state, count(*) FROM delivery GROUP BY state ORDER BY state"
        ).fetchall()
        return dict(rows)

    def next_attempt(self) -> datetime | None:
        """Return when the next letter is due; None where none waits."""
        rows = self._connection.execute(
            "SELECT min(next_attempt) FROM delivery WHERE state = 'waiting'"
        ).fetchall()
        found: datetime | None = rows[0][0]
        return found

    def forget_content(self, before: datetime) -> None:
        """Forget the content of letters from before a moment that wait for nothing any more."""
        with transaction(self._connection):
            self._connection.execute(
                "UPDATE outbox SET raw = NULL WHERE raw IS NOT NULL AND created < ? AND key NOT IN "
                "(SELECT key FROM delivery WHERE state IN ('waiting', 'sending'))",
                [before],
            )
