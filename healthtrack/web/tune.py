"""Tuning: what a setting costs in false alerts and in days of delay, from stored back-tests."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

import polars as pl
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from healthtrack.bench import results
from healthtrack.bench.applying import apply as apply_variant
from healthtrack.errors import HealthtrackError, UsageError
from healthtrack.web.drawing import frame_around
from healthtrack.web.site import form_of, site_of, text_of, visitor_of
from healthtrack.web.strips import strips

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.requests import Request
    from starlette.responses import Response

    from healthtrack.bench.results import Backtest
    from healthtrack.web.site import Site

WIDTH, HEIGHT = 640.0, 320.0
MOST_ALERTS = 200
LEAST_SHOWN = 0.2
"""False alerts per vehicle-year that the axis reaches at least."""
OWN_COLUMNS = frozenset(
    {
        *("variant", "false_alerts", "false_per_year", "false_low", "false_high", "years"),
        *("recall", "missed", "faults", "delay_days", "delay_days_late", "delay_drives"),
        *("delay_km", "reached", "band", "front"),
    }
)


def page(request: Request) -> Response:
    """Show a back-test: the curve, a marker to move along it, who would have been alerted when."""
    return _page(request, "", 200)


def _page(request: Request, words: str, code: int) -> Response:
    site = site_of(request)
    root = site.workspace().root
    entries = [entry for entry in results.listed(root) if entry.finished]
    name = request.query_params.get("backtest", "") or (entries[-1].name if entries else "")
    told: dict[str, Any] = {"entries": entries, "name": name, "words": words, "test": None}
    if entries:
        try:
            test = _loaded(root, name)
            told |= _told(site, test, request.query_params.get("variant", ""))
        except UsageError as error:
            raise HTTPException(404, str(error)) from None
    return site.page(request, "tune.html", told, code)


def _loaded(root: Path, name: str) -> Backtest:
    """Return a back-test, read once for as long as its folder is the same one.

    Raises
    ------
    UsageError
        There is none of that name.
    """
    test = results.load(root, name)
    return _same(root, name, test.path.stat().st_mtime_ns)


@lru_cache(maxsize=4)
def _same(root: Path, name: str, _changed: int) -> Backtest:
    return results.load(root, name)


def _told(site: Site, test: Backtest, wanted: str) -> dict[str, Any]:
    rows = sorted(
        test.table().to_dicts(), key=lambda row: (row["false_per_year"] or 0.0, row["variant"])
    )
    names = [row["variant"] for row in rows]
    at = names.index(wanted) if wanted in names else names.index(test.variants[0].name)
    chosen = rows[at]
    return {
        "test": test,
        "rows": rows,
        "at": at,
        "chosen": chosen,
        "own": test.variants[0].name,
        "changes": next(v for v in test.variants if v.name == chosen["variant"]).as_dict(),
        "drawn": _drawn(rows),
        "alerts": _alerts(test, chosen["variant"]),
        "strips": strips(test, chosen["variant"]),
        "columns": [name for name in rows[0] if name not in OWN_COLUMNS],
        "promise": site.workspace().settings.alerts.false_alerts_per_vehicle_year,
    }


def _drawn(rows: list[dict[str, Any]]) -> dict[str, Any] | None:
    known = [
        (index, row)
        for index, row in enumerate(rows)
        if row["false_per_year"] is not None and row["delay_days"] is not None
    ]
    if not known:
        return None
    xs = [row["false_per_year"] for _, row in known]
    ys = [row["delay_days"] for _, row in known]
    frame = frame_around([0.0, LEAST_SHOWN, *xs], [0.0, *ys], WIDTH, HEIGHT)
    front = [row for _, row in known if row["front"]]
    return {
        "frame": frame,
        "points": [
            {
                "x": frame.across(row["false_per_year"]),
                "y": frame.down(row["delay_days"]),
                "index": index,
                "variant": row["variant"],
                "front": row["front"],
            }
            for index, row in known
        ],
        "front": frame.line(
            [row["false_per_year"] for row in front], [row["delay_days"] for row in front]
        ),
    }


def _alerts(test: Backtest, variant: str) -> list[dict[str, Any]]:
    """Return who would have been alerted when: first in the history as it was, then with faults."""
    own = test.frames["alerts"].filter(pl.col("variant") == variant)
    first = pl.col("case") == test.cases[0]
    return own.sort(first, descending=True, maintain_order=True).head(MOST_ALERTS).to_dicts()


async def apply(request: Request) -> Response:
    """Write a variant's settings into the workspace, with where they came from."""
    site = site_of(request)
    form = await form_of(request)
    name, variant = text_of(form, "backtest", 70), text_of(form, "variant", 300)
    visitor = visitor_of(request)
    by = (visitor.name if visitor else "") or "someone"
    why = text_of(form, "why", 150) or "chosen at the page"

    def write() -> None:
        root = site.workspace().root
        told = results.load(root, name)
        apply_variant(root, told, variant, site.clock().date(), f"{why} ({by}, at the page)")

    try:
        await run_in_threadpool(write)
    except HealthtrackError as error:
        return await run_in_threadpool(_page, request, str(error), 422)
    return RedirectResponse(f"/tune?backtest={name}&applied=1", 303)
