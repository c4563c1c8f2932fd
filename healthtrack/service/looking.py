"""Looking at a service from outside, without the store: what it last published, and what is wrong.

Only small modules are imported, so that an answer takes a fraction of a second.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from healthtrack.service.instance import is_running
from healthtrack.service.state import published

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

LONGEST_SILENCE = timedelta(seconds=60)
"""A running service whose status is older than this hangs."""

FAILURES_SHOWN = 3


@dataclass(frozen=True, slots=True)
class Seen:
    """What was seen of a service: whether it runs, its last status, and what wants a person."""

    running: bool
    age_seconds: float | None
    document: Mapping[str, Any] | None
    faults: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return it, ready for JSON."""
        return {
            "running": self.running,
            "age_seconds": self.age_seconds,
            "faults": list(self.faults),
            "status": self.document,
        }


def look(root: Path, now: datetime) -> Seen:
    """Look at the service of a workspace."""
    document, running = published(root), is_running(root)
    if document is None:
        return Seen(running, None, None, ())
    age = now - datetime.fromisoformat(document["published"])
    return Seen(running, age.total_seconds(), document, tuple(_faults(document, running, age)))


def _faults(document: Mapping[str, Any], running: bool, age: timedelta) -> list[str]:  # noqa: FBT001
    found = [f"service: {words}" for words in document["trouble"]]
    for job in document["jobs"]:
        if job["failures"] >= FAILURES_SHOWN:
            found.append(f"{job['job']} failed {job['failures']} times: {job['message']}")
        elif job["overdue"]:
            found.append(f"{job['job']} is overdue; the service's log says why")
    found += [f"mail not delivered: {words}" for words in document["undelivered"]]
    found += [f"inbox: {words}" for words in document["left"]]
    if running and age > LONGEST_SILENCE:
        found.append(f"the service has said nothing for {age.total_seconds():.0f} s: restart it")
    if not running and not document["stopping"]:
        found.append(
            "the service ended without being told to, or the machine was switched off; start it "
            "again: `healthtrack serve` (what was under way is done again)"
        )
    return found
