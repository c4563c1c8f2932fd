"""The demo: the whole job on an invented fleet, and only then a look at what was really wrong."""

from __future__ import annotations

import csv
import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING

from healthtrack import config
from healthtrack.errors import SettingsError
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.starting import copy_pipelines
from healthtrack.jobs.workspace import Workspace

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from healthtrack.jobs.logs import LogFile
    from healthtrack.records import VehicleFinding


@dataclass(frozen=True, slots=True)
class Truth:
    """What was really the matter with a vehicle at the end of the demo's history.

    ``states`` are the verdicts that would be right; ``causes`` the faults that were still there.
    """

    vehicle: str
    states: tuple[str, ...]
    causes: tuple[str, ...]
    words: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """A verdict beside the truth."""

    truth: Truth
    state: str
    cause: str | None

    @property
    def agrees(self) -> bool:
        """Whether the state is right and, where a cause was named, that too."""
        cause_is_right = not self.truth.causes or self.cause in {None, *self.truth.causes}
        return self.state in self.truth.states and cause_is_right


def make_demo_workspace(history: Path, root: Path, reports: Path) -> Workspace:
    """Make a fresh workspace for the demo; the one of an earlier run is removed.

    Raises
    ------
    SettingsError
        ``history`` does not hold the demo's history.
    """
    if not (history / config.SETTINGS_FILE).is_file():
        raise SettingsError(
            f"{history} does not hold the demo's history. Run this in the folder that you cloned, "
            "or give its demo_history folder with --history."
        )
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    copy_pipelines(root / "pipelines")
    shutil.copyfile(history / config.SETTINGS_FILE, root / config.SETTINGS_FILE)
    for part in history.glob("compressor_map.*"):  # which healthtrack.toml names
        shutil.copyfile(part, root / part.name)
    for part in sorted(history.glob("compressor_map.*")):
        shutil.copyfile(part, root / part.name)
    loaded = Workspace.load(root)
    settings = loaded.settings.model_copy(update={"reports": str(reports.absolute())})
    return Workspace(root, settings)


def demo_logs(workspace: Workspace, history: Path) -> list[LogFile]:
    """Return the raw logs of the history, which lie in ``logs/VEHICLE/`` and stay there."""
    logs: list[LogFile] = []
    for vehicle in workspace.settings.vehicles:
        folder = history / "logs" / vehicle
        if folder.is_dir():
            logs += find_logs(workspace, [folder], vehicle)
    return logs


def read_truth(path: Path) -> dict[str, Truth]:
    """Read the table of truth: one row per vehicle and fault; an empty ``until`` is still there.

    Raises
    ------
    SettingsError
        It cannot be read, or lacks a column.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.DictReader(stream))
    except OSError as error:
        raise SettingsError(f"{path} cannot be read: {error.strerror}.") from None
    needed = {"vehicle", "state_at_end", "cause", "until", "words"}
    if not rows or not needed <= set(rows[0]):
        raise SettingsError(f"{path} needs the columns {', '.join(sorted(needed))}.")
    truth: dict[str, Truth] = {}
    for row in rows:
        before = truth.get(row["vehicle"])
        causes = before.causes if before else ()
        if row["cause"] != "none" and not row["until"]:
            causes = (*causes, row["cause"])
        words = "; ".join(part for part in (before.words if before else "", row["words"]) if part)
        states = tuple(row["state_at_end"].split("|"))
        truth[row["vehicle"]] = Truth(row["vehicle"], states, causes, words)
    return truth


def compare(findings: Sequence[VehicleFinding], truth: dict[str, Truth]) -> list[Comparison]:
    """Put each verdict beside the truth; a vehicle that the table does not list is left out."""
    comparisons = []
    for finding in findings:
        if finding.vehicle in truth:
            likely = max(finding.causes, key=lambda cause: cause.probability, default=None)
            cause = likely.cause if likely else None
            comparisons.append(Comparison(truth[finding.vehicle], finding.state, cause))
    return comparisons
