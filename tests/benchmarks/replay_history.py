"""Print whether the alerts of a service that lived evening after evening are those of a replay.

Every evening with a drive (``every``: every evening of the calendar) of vehicles in a workspace
whose logs are stored, such as the demo's: the service's own nightly assessment goes through them
again in a copy, then one replay is held against the episodes and verdicts that it kept. Causes and
repairs are left out, which no episode hangs on. Run as
``python -m tests.benchmarks.replay_history WORKSPACE [every] VEHICLE…``.
"""

# ruff: noqa: T201 - a script that prints figures
from __future__ import annotations

import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import pytest

from healthtrack.jobs.workspace import Workspace
from tests.bench import evenings


def evenings_of(root: Path, vehicle: str, *, every: bool) -> list[date]:
    """Return the evenings to live through: those with drives or work, or all of them."""
    with Workspace.load(root).open_store() as store:
        history = store.history(vehicle, date.max - timedelta(days=2))
    days = set(history.drives["ended"].dt.date())
    first, last = min(days), max(days)
    if every:
        return [first + timedelta(days=number) for number in range((last - first).days + 1)]
    return sorted(days | {event.on for event in history.maintenance if first < event.on < last})


def live(source: Path, root: Path, vehicle: str, *, every: bool) -> None:
    """Live through one vehicle's evenings in a copy and print what came of it."""
    evenings.copy_of_one(source, root, vehicle)
    days = evenings_of(root, vehicle, every=every)
    start = time.process_time()
    evenings.nights(root, days)
    told = evenings.replayed(root, vehicle, days[-1])
    kept, replayed = evenings.kept_episodes(root, vehicle), evenings.replayed_episodes(told)
    compared = evenings.verdicts_apart(root, vehicle, told, days)
    print(
        f"{vehicle}: {len(days)} evenings, {compared.said} statements on indicators, "
        f"{len(kept)} episodes, {'the same' if kept == replayed else 'NOT THE SAME'}; "
        f"{len(compared.words)} statements differ, largest difference {compared.largest:.1e} "
        f"(four decimals are kept); {time.process_time() - start:.0f} s"
    )
    for one in (*kept, *(() if kept == replayed else ("replayed:", *replayed)), *compared.words):
        print("   ", one)


def main(source: Path, *words: str) -> None:
    """Live through the evenings of vehicles."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        evenings.without_causes(patch)
        for vehicle in (word for word in words if word != "every"):
            live(source, Path(folder) / vehicle, vehicle, every="every" in words)


if __name__ == "__main__":
    main(Path(sys.argv[1]), *sys.argv[2:])
