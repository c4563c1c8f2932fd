"""What was tracked as plain numbers: a row per drive, and a short document for the rest.

Restored, it is what it was to the last bit, so going on from it equals never having stopped.
"""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl

from healthtrack.drift.course import DRIVEN, Course, Episodes
from healthtrack.drift.segment import Carried
from healthtrack.drift.state import state_from_json, state_to_json
from healthtrack.drift.track import Run, Tracked, as_tracked, axis_of, cut, whole_segment

if TYPE_CHECKING:
    from healthtrack.baseline import Baseline
    from healthtrack.drift.segment import Segment
    from healthtrack.drift.track import Plan

VERSION = 3
"""Version of the stored form; another one is not read."""
SCALARS = ("wander_sd", "step", "noise")
PLACES = ("since", "best")
CHANGES = ("injected", "pending")


def tracked_to_kept(tracked: Tracked) -> tuple[pl.DataFrame, str]:
    """Return the stored form.

    Returns
    -------
    DataFrame
        One row per drive, in order: what was known after it (as in
        :class:`healthtrack.drift.course.Course`), ``episode`` and ``pinned``.
    str
        JSON: the segments, and the state after the last drive.
    """
    courses = [run.course for run in tracked.runs]
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(course, name) for course in courses]) for name in DRIVEN
    }
    columns["episode"] = np.concatenate([course.episodes.state for course in courses])
    columns["pinned"] = np.concatenate([run.segment.pinned for run in tracked.runs])
    state = tracked.runs[-1].state
    document = {
        "version": VERSION,
        "starts": list(tracked.starts),
        "runs": [_run_to_plain(run) for run in tracked.runs],
        "state": None if state is None else state_to_json(state),
    }
    return pl.DataFrame(columns), json.dumps(document, separators=(",", ":"))


def tracked_from_kept(
    rows: pl.DataFrame, document: str, figures: pl.DataFrame, baseline: Baseline, plan: Plan
) -> Tracked | None:
    """Restore what was tracked.

    Parameters
    ----------
    rows, document : DataFrame, str
        From :func:`tracked_to_kept`.
    figures, baseline, plan
        The drives that were tracked, and how; see :func:`healthtrack.drift.track`.

    Returns
    -------
    Tracked or None
        None where the stored form is of another version.

    Raises
    ------
    ValueError, KeyError, TypeError
        It is damaged.
    """
    raw: dict[str, Any] = json.loads(document)
    if raw.get("version") != VERSION or rows.height != figures.height:
        return None
    state = None if raw["state"] is None else state_from_json(raw["state"])
    if state is None:
        return None
    axis = axis_of(figures)
    whole = whole_segment(figures, baseline, axis, plan)
    starts = [item["start"] for item in raw["runs"]]
    ends = [*starts[1:], figures.height]
    runs = [
        _run_from_plain(item, rows[start:end], cut(whole, start, end))
        for item, start, end in zip(raw["runs"], starts, ends, strict=True)
    ]
    runs[-1] = replace(runs[-1], state=state)
    return as_tracked(axis, runs, tuple(raw["starts"]))


def _run_to_plain(run: Run) -> dict[str, Any]:
    course = run.course
    return {
        "start": run.start,
        "settling": run.settling,
        "quiet": list(run.quiet),
        "failed": run.failed,
        "before": _carried_to_plain(run.segment.carried),
        "after": _carried_to_plain(course.carried),
        **{name: getattr(course, name) for name in SCALARS},
        **{name: [int(place) for place in getattr(course, name)] for name in PLACES},
        "raised": [int(place) for place in course.episodes.raised],
        "cleared": [int(place) for place in course.episodes.cleared],
        **{name: np.array(getattr(course, name)).tolist() for name in CHANGES},
    }


def _run_from_plain(item: dict[str, Any], rows: pl.DataFrame, part: Segment) -> Run:
    segment = replace(
        part, pinned=rows["pinned"].to_numpy().copy(), carried=_carried(item["before"])
    )
    episodes = Episodes(
        rows["episode"].to_numpy().astype(np.int64), tuple(item["raised"]), tuple(item["cleared"])
    )
    arrays: dict[str, Any] = {name: rows[name].to_numpy().copy() for name in DRIVEN}
    known: dict[str, Any] = {name: item[name] for name in SCALARS}
    known |= {name: tuple(item[name]) for name in PLACES}
    known |= {name: tuple((begun, found) for begun, found in item[name]) for name in CHANGES}
    course = Course(
        **arrays,
        **known,
        episodes=episodes,
        carried=_carried(item["after"]),
    )
    return Run(
        item["start"],
        segment,
        None,
        course,
        item["settling"],
        tuple(item["quiet"]),
        failed=item["failed"],
    )


def _carried_to_plain(carried: Carried) -> dict[str, Any]:
    return {
        "mean": carried.mean.tolist(),
        "covariance": carried.covariance.tolist(),
        "log_weight": carried.log_weight.tolist(),
        "noise": carried.noise.tolist(),
        "information": carried.information,
    }


def _carried(item: dict[str, Any]) -> Carried:
    return Carried(
        np.array(item["mean"], np.float64),
        np.array(item["covariance"], np.float64),
        np.array(item["log_weight"], np.float64),
        np.array(item["noise"], np.float64),
        item["information"],
    )
