"""What is kept of a vehicle as named parts of bytes: JSON, and tables as Arrow files.

Parts that grow are cut into pieces of so many rows, so that a new drive writes the last piece anew
and leaves the others as they are.
"""

from __future__ import annotations

import io
import json
import zlib
from dataclasses import asdict, replace
from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from healthtrack import baseline as baselines
from healthtrack import drift, indicators
from healthtrack.chain.following import plan_of
from healthtrack.chain.kept import VERSION, Kept, KeptIndicator
from healthtrack.records import CauseFinding, RepairChange, RepairFinding

if TYPE_CHECKING:
    from collections.abc import Mapping

    from healthtrack.baseline import Baseline
    from healthtrack.config import VehicleSettings, WorkspaceSettings

ROWS = 128
"""Rows of one piece of a table."""
_PLAIN = ("basis", "pieces", "drives", "events", "windows")


def kept_to_parts(kept: Kept) -> dict[str, bytes]:
    """Return the stored form: parts by name; equal contents are equal bytes."""
    head = {
        "version": VERSION,
        "as_of": kept.as_of.isoformat(),
        **{name: getattr(kept, name) for name in (*_PLAIN, "channels", "head")},
        "indicators": {name: item.sisters for name, item in kept.indicators.items()},
        "repairs": {key: item and asdict(item) for key, item in kept.repairs.items()},
    }
    parts = {"head": json.dumps(head, default=str, separators=(",", ":")).encode()}
    for name, item in kept.indicators.items():
        rows, document = drift.tracked_to_kept(item.tracked)
        # the places of drives are told by the history, which is always at hand
        drives = item.figures.rename({"value": "figure", "se": "figure_se"}).hstack(rows)
        parts[f"{name}/baseline"] = zlib.compress(baselines.to_json(item.learned).encode(), 1)
        parts[f"{name}/course"] = zlib.compress(document.encode(), 1)
        parts |= _pieces(f"{name}/drives", drives)
        parts |= _pieces(f"{name}/regions", item.regions)
    return parts


def kept_from_parts(
    parts: Mapping[str, bytes], vehicle: VehicleSettings, workspace: WorkspaceSettings
) -> Kept | None:
    """Read the stored form; None where it is of another version, or damaged."""
    try:
        return _read(parts, vehicle, workspace)
    except (ValueError, KeyError, TypeError, AttributeError, zlib.error, pl.exceptions.PolarsError):
        return None


def kept_outline(parts: Mapping[str, bytes]) -> Kept | None:
    """Return what is kept without its indicators: enough to tell whether it can be used."""
    try:
        return _outline(json.loads(parts["head"]))
    except (ValueError, KeyError, TypeError):
        return None


def kept_baselines(parts: Mapping[str, bytes]) -> dict[str, Baseline] | None:
    """Return the baselines that are kept, by indicator; None where one is damaged."""
    try:
        names = json.loads(parts["head"])["indicators"]
        found = {name: _baseline(parts, name) for name in names}
    except (ValueError, KeyError, TypeError, zlib.error):
        return None
    known = {name: item for name, item in found.items() if item is not None}
    return known if len(known) == len(found) else None


def _baseline(parts: Mapping[str, bytes], name: str) -> Baseline | None:
    return baselines.from_json(zlib.decompress(parts[f"{name}/baseline"]).decode())


def _outline(head: dict[str, Any]) -> Kept | None:
    if head["version"] != VERSION:
        return None
    return Kept(
        **{name: head[name] for name in _PLAIN},
        as_of=date.fromisoformat(head["as_of"]),
        channels=tuple(head["channels"]),
        head=tuple(head["head"]),
        indicators={},
        repairs={key: item and _repair(item) for key, item in head["repairs"].items()},
    )


def _read(
    parts: Mapping[str, bytes], vehicle: VehicleSettings, workspace: WorkspaceSettings
) -> Kept | None:
    head: dict[str, Any] = json.loads(parts["head"])
    outline = _outline(head)
    if outline is None:
        return None
    items: dict[str, KeptIndicator] = {}
    for name, sisters in head["indicators"].items():
        learned = _baseline(parts, name)
        drives = _table(parts, f"{name}/drives")
        split = drives.columns.index("level")
        figures = drives[:, :split].rename({"figure": "value", "figure_se": "se"})
        document = zlib.decompress(parts[f"{name}/course"]).decode()
        if learned is None:
            return None
        plan = plan_of(indicators.ALL[name], vehicle, workspace)
        tracked = drift.tracked_from_kept(drives[:, split:], document, figures, learned, plan)
        if tracked is None:
            return None
        regions = _table(parts, f"{name}/regions")
        items[name] = KeptIndicator(learned, regions, figures, tracked, sisters)
    return replace(outline, indicators=items)


def _pieces(name: str, table: pl.DataFrame) -> dict[str, bytes]:
    parts = {}
    for place, rows in enumerate(table.rechunk().iter_slices(ROWS)):
        buffer = io.BytesIO()
        # the oldest form has no string views, whose bytes differ from run to run for equal rows
        rows.rechunk().write_ipc(buffer, compression="zstd", compat_level=pl.CompatLevel.oldest())
        parts[f"{name}/{place:04d}"] = buffer.getvalue()
    return parts


def _table(parts: Mapping[str, bytes], name: str) -> pl.DataFrame:
    pieces = sorted(key for key in parts if key.startswith(f"{name}/"))
    return pl.concat([pl.read_ipc(io.BytesIO(parts[key])) for key in pieces], rechunk=True)


def _repair(item: dict[str, Any]) -> RepairFinding:
    known = dict(item)
    known["changes"] = tuple(RepairChange(**one) for one in item["changes"])
    known["causes"] = tuple(CauseFinding(**one) for one in item["causes"])
    known["on"] = None if item["on"] is None else date.fromisoformat(item["on"])
    return RepairFinding(**known)
