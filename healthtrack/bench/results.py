"""Back-tests as they are kept: ``backtests/NAME/`` in the workspace.

``plan.json``
    What was asked: settings, variants, faults, truth, and a digest of each vehicle's history.
``FRAME.parquet``
    One file for each of :data:`healthtrack.bench.study.SCHEMAS`.
``figures.json``
    What it says, per variant and case.

While it runs, each vehicle that is done lies in ``backtests/.NAME.partial/``; a run that was broken
off goes on from there. The finished folder takes its place in one step.
"""

from __future__ import annotations

import json
import os
import re
import shutil
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from functools import cached_property
from typing import TYPE_CHECKING, Any

import polars as pl

from healthtrack import __version__
from healthtrack.bench import settings as varied
from healthtrack.bench.scoring import Figures, figures
from healthtrack.bench.settings import Variant
from healthtrack.bench.study import AS_IT_WAS, SCHEMAS, FaultPlan, Task, run_vehicle, scored
from healthtrack.bench.tune import inspected
from healthtrack.errors import UsageError
from healthtrack.jobs.pool import run_all

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from concurrent.futures import Executor
    from pathlib import Path

    from healthtrack.baseline import Baseline
    from healthtrack.bench.truth import Truth
    from healthtrack.config import WorkspaceSettings
    from healthtrack.records import VehicleHistory

FOLDER = "backtests"
NAME = re.compile(r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")
AHEAD = 4
"""Vehicles whose histories are in memory at a time."""


@dataclass(frozen=True)
class Plan:
    """What a back-test asks.

    Parameters
    ----------
    workspace : WorkspaceSettings
        The settings as set.
    vehicles : tuple of str
        Which.
    as_of : date
        Nothing after this day is used.
    variants : tuple of Variant
        Settings to be tried; the first is as set.
    faults : tuple of FaultPlan
        To be put in, each into every vehicle.
    truths : tuple of Truth
        What is known to have been wrong.
    faults_on : tuple of date
        Days on which faults begin; the middle of each vehicle's judged time where empty.
    diagnose : bool
        Whether causes and forecasts are looked at.
    """

    workspace: WorkspaceSettings
    vehicles: tuple[str, ...]
    as_of: date
    variants: tuple[Variant, ...] = (varied.OWN,)
    faults: tuple[FaultPlan, ...] = ()
    truths: tuple[Truth, ...] = ()
    faults_on: tuple[date, ...] = ()
    diagnose: bool = True

    def as_dict(self) -> dict[str, Any]:
        """Return it as a plain document."""
        chosen = {name: self.workspace.vehicles[name] for name in self.vehicles}
        return {
            "vehicles": list(self.vehicles),
            "as_of": self.as_of.isoformat(),
            "settings": varied.what_matters(self.workspace, chosen),
            "variants": [{"name": one.name, "changes": one.as_dict()} for one in self.variants],
            "faults": [asdict(fault) for fault in self.faults],
            "faults_on": [day.isoformat() for day in self.faults_on],
            "truths": [asdict(truth) for truth in self.truths],
            "diagnose": self.diagnose,
            "version": __version__,
        }


@dataclass(frozen=True, slots=True)
class Entry:
    """A back-test in the list: ``done`` of ``vehicles`` are there; all of them when finished."""

    name: str
    created: datetime | None
    vehicles: int
    done: int
    variants: int
    cases: int
    finished: bool


@dataclass(frozen=True)
class Backtest:
    """A finished back-test.

    Parameters
    ----------
    name : str
        Its name.
    plan : dict
        ``plan.json``.
    path : Path
        Its folder.
    """

    name: str
    plan: dict[str, Any]
    path: Path
    _cache: dict[tuple[str, str | None], Figures] = field(default_factory=dict, repr=False)

    @cached_property
    def frames(self) -> dict[str, pl.DataFrame]:
        """All frames by name (:data:`healthtrack.bench.study.SCHEMAS`)."""
        return {name: self.frame(name) for name in SCHEMAS}

    def frame(self, name: str) -> pl.DataFrame:
        """Return one frame."""
        return pl.read_parquet(self.path / f"{name}.parquet")

    @property
    def variants(self) -> tuple[Variant, ...]:
        """The settings that were tried, those as set first."""
        return tuple(
            Variant(one["name"], tuple(one["changes"].items())) for one in self.plan["variants"]
        )

    @property
    def cases(self) -> tuple[str, ...]:
        """The histories that were replayed: as it was, then with each fault."""
        return tuple(self.frames["exposure"]["case"].unique(maintain_order=True))

    def figures(self, variant: str = varied.OWN.name, case: str | None = None) -> Figures:
        """Return how a variant did in one case, or in all of them together."""
        if (variant, case) not in self._cache:
            self._cache[variant, case] = figures(scored(self.frames, variant, case))
        return self._cache[variant, case]

    def table(self, case: str | None = None) -> pl.DataFrame:
        """Return one row per variant: what it costs in false alerts and how early it tells.

        ``variant``, one column per varied setting, ``false_alerts``, ``false_per_year``,
        ``false_low``, ``false_high``, ``years``, ``recall``, ``missed``, ``faults``,
        ``delay_days``, ``delay_drives``, ``delay_km``, ``reached``, ``band`` and ``front``: no
        other variant is better in false alerts per year, misses and delay.
        """
        rows = [row_of(one, self.figures(one.name, case)) for one in self.variants]
        frame = pl.DataFrame(rows, infer_schema_length=None)
        return frame.with_columns(front=pl.Series(on_front(rows)))


def row_of(variant: Variant, told: Figures) -> dict[str, Any]:
    """Return the row of one variant in :meth:`Backtest.table`."""
    false = told.false_alerts
    return {
        "variant": variant.name,
        **variant.as_dict(),
        "false_alerts": false.count,
        "false_per_year": false.rate,
        "false_low": false.low,
        "false_high": false.high,
        "years": false.years,
        "recall": told.recall.share,
        "missed": told.missed,
        "faults": told.faults,
        "delay_days": told.delay_days.median,
        "delay_days_late": told.delay_days.late,
        "delay_drives": told.delay_drives.median,
        "delay_km": told.delay_km.median,
        "reached": told.reached.median,
        "band": told.band.share,
    }


def on_front(rows: Sequence[dict[str, Any]]) -> list[bool]:
    """Say of each row whether no other one is better in false alerts, misses and delay at once.

    A delay that is not known (nothing was found) is longer than any.
    """

    def costs(row: dict[str, Any]) -> tuple[float, float, float]:
        false = row["false_per_year"]
        delay = row["delay_days"]
        return (
            float("inf") if false is None else false,
            float(row["missed"]),
            float("inf") if delay is None else delay,
        )

    all_costs = [costs(row) for row in rows]
    return [
        not any(
            other != mine and all(o <= m for o, m in zip(other, mine, strict=True))
            for other in all_costs
        )
        for mine in all_costs
    ]


def folder(root: Path, name: str) -> Path:
    """Return where a back-test of this name lies in a workspace.

    Raises
    ------
    UsageError
        The name cannot name a folder.
    """
    if not NAME.match(name):
        raise UsageError(
            f"{name!r} cannot name a back-test. Use letters, digits, dots, dashes and underscores, "
            "beginning with a letter or digit, at most 64."
        )
    return root / FOLDER / name


def listed(root: Path) -> tuple[Entry, ...]:
    """Return the back-tests of a workspace, finished ones and those that were broken off."""
    place = root / FOLDER
    if not place.is_dir():
        return ()
    entries = [_entry(path) for path in sorted(place.iterdir()) if (path / "plan.json").is_file()]
    return tuple(sorted(entries, key=lambda entry: (str(entry.created), entry.name)))


def _entry(path: Path) -> Entry:
    plan = json.loads((path / "plan.json").read_text(encoding="utf-8"))
    finished = not path.name.startswith(".")
    done = len(plan["vehicles"]) if finished else sum(1 for _ in path.glob("vehicle-*"))
    return Entry(
        name=path.name if finished else path.name[1:].removesuffix(".partial"),
        created=datetime.fromisoformat(plan["created"]),
        vehicles=len(plan["vehicles"]),
        done=done,
        variants=len(plan["variants"]),
        cases=1 + len(plan["faults"]) * max(len(plan["faults_on"]), 1),
        finished=finished,
    )


def load(root: Path, name: str) -> Backtest:
    """Return a finished back-test.

    Raises
    ------
    UsageError
        There is none of this name, or it was broken off.
    """
    path = folder(root, name)
    if (path / "plan.json").is_file():
        return Backtest(name, json.loads((path / "plan.json").read_text(encoding="utf-8")), path)
    there = [entry.name for entry in listed(root) if entry.finished]
    if _partial(path).is_dir():
        raise UsageError(
            f"the back-test {name!r} was broken off. Run the same `healthtrack backtest run` again "
            "and it goes on where it was."
        )
    raise UsageError(
        f"there is no back-test {name!r} (there: {', '.join(there) or 'none yet'}). Make one with "
        "`healthtrack backtest run NAME`."
    )


def _partial(path: Path) -> Path:
    return path.with_name(f".{path.name}.partial")


def run(
    root: Path,
    name: str,
    plan: Plan,
    histories: Iterator[tuple[VehicleHistory, tuple[Baseline, ...]]],
    now: datetime,
    executor: Executor | None = None,
) -> Iterator[str]:
    """Run a back-test and keep it; yields each vehicle's id when it is done.

    One that was broken off goes on; one that is finished and asks the same is left as it is.

    Parameters
    ----------
    root : Path
        The workspace's folder.
    name, plan : str, Plan
        What it is called and asks.
    histories : iterator of (VehicleHistory, sisters)
        Of the plan's vehicles, in order, loaded one after the other; with what others of its kind
        can lend each, by the settings as set.
    now : datetime
        When it is asked.
    executor : Executor or None
        Where the work is done; None does it here.

    Raises
    ------
    UsageError
        There is another back-test of that name that asks something else.
    """
    path = folder(root, name)
    partial = _partial(path)
    document = plan.as_dict()
    digest = varied.digest(document)
    _refuse_other(path, name, digest)
    if partial.is_dir() and _digest_of(partial) != digest:
        shutil.rmtree(partial)
    partial.mkdir(parents=True, exist_ok=True)
    if path.is_dir():
        yield from plan.vehicles
        return
    head = {"name": name, "created": now.isoformat(), "digest": digest, **document}
    _write(partial / "plan.json", head)
    digests: dict[str, str] = {}
    there: list[str] = []

    def tasks() -> Iterator[Task]:
        for history, sisters in histories:
            digests[history.vehicle] = history_digest(history)
            if _done(partial, history.vehicle) == digests[history.vehicle]:
                there.append(history.vehicle)
                continue
            yield Task(
                history,
                plan.workspace,
                plan.variants,
                plan.faults,
                plan.truths,
                plan.faults_on,
                plan.diagnose,
                sisters,
            )

    for task, frames in run_all(run_vehicle, tasks(), executor, AHEAD):
        vehicle = task.history.vehicle
        _write_chunk(partial, vehicle, digests[vehicle], frames)
        yield vehicle
    yield from there
    _finish(path, partial, {**head, "histories": digests})


def history_digest(history: VehicleHistory) -> str:
    """Return a digest of which drives and how many windows a history holds, and of its work."""
    events = [asdict(event) for event in history.maintenance]
    told = [history.drives.write_csv(), history.windows.height, events]
    return varied.digest(told)


def _refuse_other(path: Path, name: str, digest: str) -> None:
    if path.is_dir() and _digest_of(path) != digest:
        raise UsageError(
            f"there is a back-test {name!r} already, and it asks something else. Give another name,"
            f" or delete the folder {path} first."
        )


def _digest_of(path: Path) -> str | None:
    try:
        plan: dict[str, str] = json.loads((path / "plan.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return plan.get("digest")


def _chunk(vehicle: str) -> str:
    return f"vehicle-{vehicle}"


def _done(partial: Path, vehicle: str) -> str | None:
    """Return the digest of the history from which a vehicle's frames were made, None without."""
    try:
        return (partial / _chunk(vehicle) / "history").read_text(encoding="utf-8")
    except OSError:
        return None


def _write_chunk(partial: Path, vehicle: str, digest: str, frames: dict[str, pl.DataFrame]) -> None:
    """Keep one vehicle's frames: the folder appears when it is whole."""
    writing = partial / f".{vehicle}.writing"
    shutil.rmtree(writing, ignore_errors=True)
    writing.mkdir()
    for key, frame in frames.items():
        frame.write_parquet(writing / f"{key}.parquet")
    (writing / "history").write_text(digest, encoding="utf-8")
    shutil.rmtree(partial / _chunk(vehicle), ignore_errors=True)
    os.replace(writing, partial / _chunk(vehicle))  # noqa: PTH105 - the atomic one, by its name


def _finish(path: Path, partial: Path, head: dict[str, Any]) -> None:
    chunks = [partial / _chunk(vehicle) for vehicle in head["vehicles"]]
    for key in SCHEMAS:
        parts = [pl.read_parquet(chunk / f"{key}.parquet") for chunk in chunks]
        frame = pl.concat(parts) if parts else pl.DataFrame(schema=SCHEMAS[key])
        frame.write_parquet(partial / f"{key}.parquet")
    _write(partial / "plan.json", head)
    told = Backtest(head["name"], head, partial)
    _write(partial / "figures.json", as_document(told))
    for chunk in chunks:
        shutil.rmtree(chunk)
    os.replace(partial, path)  # noqa: PTH105 - the atomic one, by its name


def as_document(told: Backtest) -> dict[str, Any]:
    """Return what a back-test says as one plain document: the shape of ``show --json``."""
    held = inspected(told)
    return {
        "name": told.name,
        "created": told.plan["created"],
        "digest": told.plan["digest"],
        "vehicles": told.plan["vehicles"],
        "as_of": told.plan["as_of"],
        "settings": told.plan["settings"],
        "variants": [
            {
                "variant": one.name,
                "changes": one.as_dict(),
                "figures": told.figures(one.name).as_dict(),
                "cases": {case: told.figures(one.name, case).as_dict() for case in told.cases},
            }
            for one in told.variants
        ],
        "table": told.table().to_dicts(),
        "inspection": None if held is None else asdict(held),
    }


def _write(path: Path, document: dict[str, Any]) -> None:
    writing = path.with_name(f".{path.name}.writing")
    text = json.dumps(document, indent=1, ensure_ascii=False, default=str)
    writing.write_text(text + "\n", encoding="utf-8")
    os.replace(writing, path)  # noqa: PTH105 - the atomic one, by its name


__all__ = [
    "AS_IT_WAS",
    "Backtest",
    "Entry",
    "Plan",
    "as_document",
    "folder",
    "listed",
    "load",
    "run",
]
