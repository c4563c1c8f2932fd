"""Looking over a workspace: what is in order, what is wrong, and what to do next."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from healthtrack import config, ingest
from healthtrack.airpath.map_file import read_map
from healthtrack.errors import HealthtrackError, MapError, SettingsError
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.words import counted
from healthtrack.jobs.workspace import Workspace

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date
    from pathlib import Path

    from healthtrack.jobs.logs import LogFile
    from healthtrack.store import LogEntry, Store

Level = Literal["ok", "wrong", "next"]


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing that was looked at: in order, wrong, or the next thing to do."""

    level: Level
    subject: str
    text: str


def check(root: Path, today: date) -> tuple[Remark, ...]:
    """Look over a workspace; nothing is made or changed, not even an empty store.

    Parameters
    ----------
    root : Path
        The folder, a workspace or not.
    today : datetime.date
        Up to which drives are counted.
    """
    try:
        workspace = Workspace.load(root)
    except SettingsError as error:
        return (Remark("wrong", "settings", str(error)),)
    remarks = [
        *_settings(workspace),
        *_maps(workspace),
        *_pipelines(workspace),
        *_store(workspace, today),
    ]
    return tuple(remarks)


def _settings(workspace: Workspace) -> Iterator[Remark]:
    vehicles = workspace.settings.vehicles
    if not vehicles:
        yield Remark(
            "wrong",
            "settings",
            f"{config.SETTINGS_FILE} has no vehicle. Add a section [vehicles.ID] for each.",
        )
        return
    yield Remark(
        "ok", "settings", f"{config.SETTINGS_FILE} is valid; vehicles: {', '.join(vehicles)}"
    )
    for vehicle, settings in vehicles.items():
        if settings.displacement_l is None:
            yield Remark(
                "next",
                vehicle,
                f"give displacement_l under [vehicles.{vehicle}] in {config.SETTINGS_FILE}: "
                "without it a wrong unit of the airflow may go unnoticed",
            )


def _maps(workspace: Workspace) -> Iterator[Remark]:
    for vehicle, settings in workspace.settings.vehicles.items():
        if not settings.compressor_map:
            continue
        try:
            read_map(workspace.root / settings.compressor_map)
        except MapError as error:
            yield Remark("wrong", vehicle, str(error))
        else:
            yield Remark("ok", vehicle, f"its compressor map {settings.compressor_map} is valid")


def _pipelines(workspace: Workspace) -> Iterator[Remark]:
    shown = workspace.shown(workspace.pipelines)
    if not workspace.pipelines.is_dir():
        yield Remark(
            "wrong",
            "pipelines",
            f"the folder {shown} does not exist. Make it, or copy "
            "it from a fresh workspace (`healthtrack init DIR`).",
        )
        return
    try:
        pipelines = ingest.load_pipelines(workspace.pipelines)
    except SettingsError as error:
        yield Remark("wrong", "pipelines", str(error))
        return
    if not pipelines:
        yield Remark(
            "wrong",
            "pipelines",
            f"{shown} holds no pipeline (*.toml). Copy one there "
            "from a fresh workspace (`healthtrack init DIR`).",
        )
        return
    names = ", ".join(sorted(pipelines))
    yield Remark("ok", "pipelines", f"these kinds of log can be read: {names}")
    for vehicle, settings in workspace.settings.vehicles.items():
        if settings.pipeline and settings.pipeline not in pipelines:
            yield Remark(
                "wrong",
                vehicle,
                f"its pipeline {settings.pipeline!r} is not in {shown} (there: {names})",
            )


def _store(workspace: Workspace, today: date) -> Iterator[Remark]:
    shown = workspace.shown(workspace.store_path)
    if not workspace.store_path.exists():
        yield Remark(
            "ok", "store", f"{shown} is not there yet; the first `healthtrack ingest` makes it"
        )
        yield from _waiting(workspace, ())
        return
    try:
        with workspace.open_for_reading() as (store, published):
            if published is not None:
                yield Remark(
                    "ok",
                    "store",
                    f"the service holds it; seen as of {published:%Y-%m-%d %H:%M} UTC",
                )
            entries = store.logs()
            counts = Counter(entry.state for entry in entries)
            yield Remark(
                "ok",
                "store",
                f"{shown}: {counted(counts['stored'], 'log')} stored, "
                f"{counts['quarantined']} in quarantine",
            )
            yield from _waiting(workspace, entries)
            for vehicle in workspace.settings.vehicles:
                yield _vehicle(workspace, store, vehicle, today)
    except HealthtrackError as error:
        yield Remark("wrong", "store", str(error))


def _waiting(workspace: Workspace, entries: Sequence[LogEntry]) -> Iterator[Remark]:
    """Say which logs wait; a log is taken by its name here, `ingest` goes by its content."""
    yield from _quarantined(entries)
    stored = {entry.name for entry in entries if entry.state == "stored"}
    inbox = workspace.shown(workspace.inbox)
    if not workspace.inbox.is_dir():
        yield Remark(
            "wrong",
            "inbox",
            f"the folder {inbox} does not exist. Make it, with a folder in it for each vehicle.",
        )
        return
    fresh = [log for log in find_logs(workspace, [workspace.inbox]) if log.shown not in stored]
    known = workspace.settings.vehicles
    for vehicle, logs in _by_vehicle(fresh).items():
        if vehicle is None:
            yield Remark(
                "wrong",
                "inbox",
                f"{logs[0].shown}: nothing tells which vehicle it is "
                f"from. Move it into {inbox}/VEHICLE/",
            )
        elif vehicle not in known:
            yield Remark(
                "wrong",
                "inbox",
                f"{inbox}/{vehicle} holds {counted(len(logs), 'log')}, but there "
                f"is no [vehicles.{vehicle}] in {config.SETTINGS_FILE}. Add it, or "
                "rename the folder",
            )
    ready = [log for log in fresh if log.vehicle in known]
    if ready:
        yield Remark(
            "next",
            "inbox",
            f"{counted(len(ready), 'log')} to be read in {inbox}: run `healthtrack ingest`",
        )
    elif not entries and not fresh:
        first = next(iter(known), "VEHICLE")
        yield Remark(
            "next",
            "inbox",
            f"put log files into {inbox}/{first}/ (one folder per "
            "vehicle), then run `healthtrack ingest`. What cannot be read is put aside "
            "with a reason that says what to change in pipelines/",
        )


def _by_vehicle(logs: Sequence[LogFile]) -> dict[str | None, list[LogFile]]:
    groups: dict[str | None, list[LogFile]] = {}
    for log in logs:
        groups.setdefault(log.vehicle, []).append(log)
    return groups


def _quarantined(entries: Sequence[LogEntry]) -> Iterator[Remark]:
    for entry in entries:
        if entry.state == "quarantined":
            yield Remark(
                "wrong",
                entry.vehicle,
                f"{entry.name} is in quarantine ({entry.reason}): {entry.message}",
            )


def _vehicle(workspace: Workspace, store: Store, vehicle: str, today: date) -> Remark:
    history = store.history(vehicle, today)
    drives = history.drives.height
    if not drives:
        return Remark(
            "next",
            vehicle,
            f"no drives yet: put its logs into {workspace.shown(workspace.inbox)}/{vehicle}/",
        )
    usable = history.windows["drive"].n_unique()
    needed = workspace.settings.baseline.minimum_drives
    told = f"{counted(drives, 'drive')}, {usable} with steady windows"
    if usable < needed:
        return Remark("next", vehicle, f"{told}; {needed} are needed before it is judged")
    last = store.findings(vehicle)
    if not last:
        return Remark("next", vehicle, f"{told}: run `healthtrack assess`")
    return Remark("ok", vehicle, f"{told}; {last[-1].state} as of {last[-1].as_of:%Y-%m-%d}")
