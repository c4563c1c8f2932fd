"""Taking logs in: a handful at a time, so that other jobs get their turn."""

from __future__ import annotations

import logging
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack.jobs.ingesting import ingest_logs, load_pipelines
from healthtrack.jobs.logs import find_logs
from healthtrack.service.journal import LOGGER

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Sequence
    from datetime import datetime
    from pathlib import Path

    from healthtrack.jobs.ingesting import FileOutcome
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.service.intake import Intake
    from healthtrack.store import Store

_log = logging.getLogger(f"{LOGGER}.scan")

_AGAIN = frozenset({"still_arriving", "worker_died", "unreadable"})
"""Reasons for which a file is looked at again at the next scan."""


@dataclass(frozen=True, slots=True)
class Taken:
    """What became of some files, counted, and what needs a person."""

    counts: dict[str, int]
    left: tuple[str, ...]

    def words(self) -> str:
        """Return it in a few words."""
        return ", ".join(f"{count} {state}" for state, count in self.counts.items()) or "nothing"


def take_in(
    workspace: Workspace,
    store: Store,
    intake: Intake,
    files: Sequence[Path],
    now: datetime,
    over: Callable[[], bool] = bool,
) -> Taken:
    """Ingest files and remember them.

    ``over`` is asked after each: where it says so, the rest is left to be found again.

    Raises
    ------
    HealthtrackError
        The pipelines cannot be used, or the store not be written. What was stored stays.
    Stopping
        ``over`` raised it: the service is to stop.
    """
    logs = find_logs(workspace, [path for path in files if path.exists()])
    paths = {log.shown: log.path for log in logs}
    pipelines = load_pipelines(workspace)
    counts: Counter[str] = Counter()
    left = []
    outcomes: Generator[FileOutcome, None, None]
    outcomes = ingest_logs(workspace, store, logs, pipelines, now)  # type: ignore[assignment]
    with closing(outcomes):
        for outcome in outcomes:
            counts[outcome.state] += 1
            _log.debug("step", extra={"step": f"log {outcome.state}", "what": outcome.file})
            if outcome.state in {"quarantined", "left"}:
                _log.warning(
                    "log %s",
                    outcome.state,
                    extra={"file": outcome.file, "reason": outcome.reason},
                )
            if outcome.reason not in _AGAIN:
                intake.dealt_with(paths[outcome.file])
            if outcome.state == "left" and outcome.reason not in _AGAIN:
                left.append(f"{outcome.file}: {outcome.message}")
            if over():
                break
    return Taken(dict(counts), tuple(left))
