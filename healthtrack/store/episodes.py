"""Alert episodes: from the day a symptom is raised until it is cleared, and who knows of it."""

from __future__ import annotations

from dataclasses import astuple, dataclass
from typing import TYPE_CHECKING

from healthtrack.store.outbox import Outbox
from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date, datetime

    from healthtrack.store.outbox import OutboxLetter
    from healthtrack.store.store import Store


@dataclass(frozen=True, slots=True)
class Episode:
    """One symptom's time in alert or alarm.

    Parameters
    ----------
    episode : str
        ``VEHICLE/INDICATOR/DAY``.
    vehicle, indicator, unit : str
        What it is about.
    raised_on : datetime.date
        The day on which it was raised.
    opened : datetime
        When the service first saw it.
    state : str
        The latest, ``alert`` or ``alarm``; of one that is closed, the last before that.
    worst : str
        The highest degree so far; it is told once per degree.
    first_level, level : float or None
        When it was opened and as of ``seen_on``. [unit]
    seen_on : datetime.date
        The last day as of which it stood.
    closed, acknowledged, escalated : datetime or None
        When.
    acknowledged_by : str
        Who said so.
    told : datetime or None
        When its recipients were told of it, of its present degree.
    """

    episode: str
    vehicle: str
    indicator: str
    unit: str
    raised_on: date
    opened: datetime
    state: str
    worst: str
    first_level: float | None
    level: float | None
    seen_on: date
    closed: datetime | None = None
    acknowledged: datetime | None = None
    acknowledged_by: str = ""
    escalated: datetime | None = None
    told: datetime | None = None


_COLUMNS = (
    "episode, vehicle, indicator, unit, raised_on, opened, state, worst, first_level, level, "
    "seen_on, closed, acknowledged, acknowledged_by, escalated, told"
)


class Episodes:
    """The episodes in a store; every change is one transaction."""

    def __init__(self, store: Store) -> None:
        self._connection = store._connection
        self._outbox = Outbox(store)

    def all(self, vehicle: str | None = None) -> tuple[Episode, ...]:
        """Return every episode, or those of one vehicle, in the order in which they were opened."""
        rows = self._connection.execute(
            f"SELECT {_COLUMNS} FROM episode WHERE vehicle = coalesce(?, vehicle) "  # noqa: S608
            "ORDER BY opened, episode",
            [vehicle],
        ).fetchall()
        return tuple(Episode(*row) for row in rows)

    def open(self, vehicle: str | None = None) -> tuple[Episode, ...]:
        """Return the episodes that are not closed."""
        return tuple(episode for episode in self.all(vehicle) if episode.closed is None)

    def keep(
        self,
        episodes: Iterable[Episode],
        letters: Iterable[tuple[OutboxLetter, Sequence[str], datetime]] = (),
    ) -> None:
        """Keep episodes as they are now and put letters about them out, all of it or nothing.

        Parameters
        ----------
        episodes : iterable of Episode
            New or changed.
        letters : iterable of (OutboxLetter, addresses, not before)
            As for :meth:`Outbox.put`; one that is known is left out.
        """
        marks = ", ".join("?" * 16)
        with transaction(self._connection):
            for letter, addresses, not_before in letters:
                self._outbox.insert(letter, addresses, not_before)
            for episode in episodes:
                self._connection.execute("DELETE FROM episode WHERE episode = ?", [episode.episode])
                self._connection.execute(
                    f"INSERT INTO episode ({_COLUMNS}) VALUES ({marks})",  # noqa: S608
                    list(astuple(episode)),
                )
