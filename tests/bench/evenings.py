"""A service that lives evening after evening on a stand-in clock, held against its replay.

The logs of a day arrive in the inbox in its evening, work on the vehicle is entered on its day. The
service is the real one (``Runner``: inbox, store, nightly assessment, episodes); only the clock and
the mail server are stand-ins.
"""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import duckdb

from healthtrack.chain.replay import replay
from healthtrack.jobs.kin import Kin
from healthtrack.jobs.starting import copy_pipelines
from healthtrack.jobs.workspace import Workspace
from healthtrack.records import Diagnosis
from healthtrack.service.due import Due, plans
from healthtrack.service.runner import Runner
from healthtrack.service.work import Bench, Chain
from healthtrack.store import Episodes
from tests.service_stand_ins import Clock, Pigeon

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence
    from pathlib import Path

    import pytest

    from healthtrack.chain.replay import Replay
    from healthtrack.records import MaintenanceEvent

SERVICE = '[service]\nsettle_seconds = 0\nassess_at = "04:30"\n[page]\nport = 0\n'
EVENING, NIGHT = time(23, 30), time(4, 31)
SAID = {
    "level": "level",
    "low": "low",
    "high": "high",
    "slope": "slope_per_10000_km",
    "slope_low": "slope_low",
    "slope_high": "slope_high",
}
"""What a replay tells of an indicator, and what ``assess --json`` calls it."""
ROUNDED, ROUNDED_KM = 0.51e-4, 0.051
"""A kept verdict has four decimals, its odometer readings one."""


def day_of(log: Path) -> date:
    """Return the day that a log's name tells, in the spellings of the demo and the open logs."""
    for pattern, form in (
        (r"\d{4}-\d{2}-\d{2}", "%Y-%m-%d"),
        (r"\d{2}-\d{2}-\d{4}", "%d-%m-%Y"),
        (r"(?<!\d)\d{8}(?!\d)", "%Y%m%d"),
    ):
        found = re.search(pattern, log.name)
        if found:
            return datetime.strptime(found[0], form).replace(tzinfo=UTC).date()
    raise AssertionError(f"{log.name} names no day")


def by_day(logs: Iterable[Path]) -> dict[date, list[Path]]:
    """Return logs by the day of their names."""
    days: dict[date, list[Path]] = {}
    for log in sorted(logs, key=day_of):
        days.setdefault(day_of(log), []).append(log)
    return days


def of_one(settings: str, vehicle: str) -> str:
    """Return settings with the tables of one vehicle only, and one worker process."""
    head, *tables = re.split(r"(?m)^(?=\[)", settings)
    mine = [table for table in tables if not table.startswith("[vehicles.")]
    mine += [table for table in tables if table.startswith(f"[vehicles.{vehicle}")]
    return "".join(["workers = 1\n", head, *mine])


def make_garage(root: Path, settings: str) -> Path:
    """Make a workspace whose service reads a log as soon as it is there."""
    root.mkdir(parents=True)
    copy_pipelines(root / "pipelines")
    (root / "healthtrack.toml").write_text(f"{settings}\n{SERVICE}", encoding="utf-8")
    (root / "inbox").mkdir()
    return root


def copy_of_one(source: Path, root: Path, vehicle: str) -> Path:
    """Make a workspace with the logs and the settings of another one, for one of its vehicles.

    Nothing that was said of them comes along: the copy lives through its evenings anew.
    """
    make_garage(root, of_one((source / "healthtrack.toml").read_text("utf-8"), vehicle))
    for path in (source / "healthtrack.duckdb", *source.glob("compressor_map.*")):
        shutil.copy(path, root / path.name)
    with duckdb.connect(root / "healthtrack.duckdb") as store:
        for table in ("finding", "episode", "kept"):
            store.execute(f"DELETE FROM {table}")
    return root


def around(told: Replay, before: int = 3, after: int = 2) -> list[date]:
    """Return the evenings with drives around each turn of an episode, and the last one."""
    days = told.verdicts["said_on"].to_list()
    names = ("said_on", "alarm_on", "cleared_on")
    turns = {day for name in names for day in told.alerts[name].drop_nulls()}
    places = [place for place, day in enumerate(days) if day in turns]
    near = {day for place in places for day in days[max(place - before, 0) : place + after + 1]}
    return sorted(near | {days[-1]})


@dataclass
class Service:
    """A service in a workspace, on a clock that is moved from evening to night."""

    root: Path
    work: Sequence[MaintenanceEvent] = ()

    def __post_init__(self) -> None:
        self.clock = Clock()
        self.runner = Runner(self.root, self.clock, lambda _: Pigeon())

    def live(self, vehicle: str, arrivals: Mapping[date, Sequence[Path]], days: Iterable[date]):
        """Let evenings and nights pass; what is due on them is done."""
        for day in sorted(days):
            self.clock.now = datetime.combine(day, EVENING, UTC)
            done = [event for event in self.work if event.on == day]
            if done:
                with self.runner.workspace.open_store() as store:
                    store.add_maintenance(done)
            for log in arrivals.get(day, ()):
                (self.root / "inbox" / vehicle).mkdir(exist_ok=True)
                shutil.copy(log, self.root / "inbox" / vehicle / log.name)
            self.runner.tick()
            self.clock.now = datetime.combine(day + timedelta(days=1), NIGHT, UTC)
            self.runner.tick()
        assert self.runner.status().is_well, self.runner.status()


def without_causes(patch: pytest.MonkeyPatch) -> None:
    """Leave out causes and what repairs have done: most of a night's time, and no episode's."""
    patch.setattr("healthtrack.chain.judging.examine", lambda *_: Diagnosis(()))
    patch.setattr("healthtrack.chain.going_on.repairs", lambda *_: {})


def nights(root: Path, days: Iterable[date]) -> None:
    """Do the service's nightly assessment after each of some days, of a store that is filled."""
    workspace = Workspace.load(root)
    (plan,) = (one for one in plans(workspace.settings) if one.kind == "assess")
    with workspace.open_store() as store:
        for day in sorted(days):
            now = datetime.combine(day + timedelta(days=1), NIGHT, UTC)
            Bench(workspace, store, now, Chain()).do(Due(plan, now.replace(minute=30)))


def replayed(root: Path, vehicle: str, day: date) -> Replay:
    """Return the replay of what a workspace holds, as of a day."""
    workspace = Workspace.load(root)
    with workspace.open_store() as store:
        history = store.history(vehicle, day)
        sisters = Kin(workspace, store, day).of(vehicle)
    return replay(history, workspace.settings.vehicles[vehicle], workspace.settings, None, sisters)


def evening(moment: datetime | None) -> date | None:
    """Return the day whose evening a moment belongs to: the small hours are the night before."""
    return None if moment is None else (moment - timedelta(hours=12)).date()


def kept_episodes(root: Path, vehicle: str) -> list[tuple[object, ...]]:
    """Return the episodes that the service kept: told, raised, by how much, how bad, until when."""
    with Workspace.load(root).open_store() as store:
        episodes = Episodes(store).all(vehicle)
    return sorted(
        (evening(one.opened), one.indicator, one.raised_on, one.worst, evening(one.closed))
        for one in episodes
    )


def replayed_episodes(told: Replay) -> list[tuple[object, ...]]:
    """Return the same of a replay."""
    names = ("said_on", "indicator", "raised_on", "worst", "cleared_on")
    return sorted(told.alerts.select(names).iter_rows())


@dataclass(frozen=True)
class Differences:
    """How often kept verdicts and replay were compared, and where they differ."""

    evenings: int
    said: int
    largest: float
    words: tuple[str, ...]


def verdicts_apart(
    root: Path, vehicle: str, told: Replay, days: Collection[date] = ()
) -> Differences:
    """Compare verdicts in the store with what the replay says of those evenings.

    Those as of some days; all of them where none is named.
    """
    with Workspace.load(root).open_store() as store:
        kept = {one.as_of: json.loads(one.document) for one in store.findings(vehicle)}
    states = dict(told.verdicts.iter_rows())
    words, said, largest = [], 0, 0.0
    chosen = {day: kept[day] for day in days} if days else kept
    for day, document in sorted(chosen.items()):
        known = [one for one in states if one <= day]
        state = states[max(known)] if known else "no_data"
        if state != document["state"]:
            words.append(f"{day}: {document['state']} was said, {state} is replayed")
        rows = {row["indicator"]: row for row in told.as_of(day).iter_rows(named=True)}
        for found in document["indicators"]:
            row = rows.get(found["indicator"], {"state": "learning", "raised_on": None})
            apart, differing = _apart(row, found)
            largest, said = max(largest, apart), said + 1
            words += [f"{day} {found['indicator']}: {one}" for one in differing]
    return Differences(len(chosen), said, largest, tuple(words))


def _apart(row: dict[str, Any], found: dict[str, Any]) -> tuple[float, list[str]]:
    """Return the largest difference of numbers, and what differs by more than rounding."""
    differing = []
    raised = row["raised_on"]
    for name, told in (
        ("state", row["state"]),
        ("raised_on", None if raised is None else str(raised)),
    ):
        if told != found[name]:
            differing.append(f"{name} {found[name]} was said, {told} is replayed")
    km, said_km = row.get("raised_at_km"), found["raised_at_km"]
    if (km is None) != (said_km is None) or (km and abs(km - said_km) > ROUNDED_KM):
        differing.append(f"raised_at_km {said_km} was said, {km} is replayed")
    largest = 0.0
    for name, called in SAID.items():
        one, other = row.get(name), found[called]
        if one is None or other is None:
            if one is not other:
                differing.append(f"{called} {other} was said, {one} is replayed")
            continue
        apart = abs(float(one) - float(other))
        largest = max(largest, apart)
        if apart > ROUNDED:
            differing.append(f"{called} {other} was said, {one} is replayed")
    return largest, differing
