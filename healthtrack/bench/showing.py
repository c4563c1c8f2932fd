"""From a back-test to its report: frames become the plain rows that are drawn."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import polars as pl

from healthtrack.bench.study import AS_IT_WAS
from healthtrack.bench.tune import inspected
from healthtrack.report.backtest import (
    Band,
    CurvePoint,
    Shown,
    Strip,
    Stripe,
    VehicleLine,
    write_backtest_report,
)

if TYPE_CHECKING:
    from pathlib import Path

    from healthtrack.bench.results import Backtest
    from healthtrack.bench.scoring import Figures
    from healthtrack.config import WorkspaceSettings


def write_report(told: Backtest, settings: WorkspaceSettings, path: Path) -> None:
    """Write a back-test's report as PDF.

    Raises
    ------
    ReportError
        It cannot be drawn or written; one that was there before is left as it was.
    """
    write_backtest_report(shown(told), settings.report, path)


def shown(told: Backtest) -> Shown:
    """Return what the report shows."""
    rows = told.table().to_dicts()
    names = {name for one in told.variants for name in one.as_dict()}
    return Shown(
        name=told.name,
        as_of=told.plan["as_of"],
        digest=told.plan["digest"],
        vehicles=tuple(told.plan["vehicles"]),
        summary=tuple(_summary(told)),
        cases=tuple((case, _row(told.figures(case=case))) for case in told.cases),
        variants=(
            *((row["variant"], _row(told.figures(row["variant"]))) for row in rows),
            *_planned_rows(told),
        ),
        curve=(*(_point(row) for row in rows), *_planned_points(told)),
        strips=tuple(_strip(told, name, rows) for name in sorted(names)),
        lines=_lines(told),
        settings=told.plan["settings"],
    )


def _row(figures: Figures) -> tuple[str, ...]:
    """Return false alerts, their rate with interval, found, delays and size, as words."""
    false = figures.false_alerts
    rate = "\u2013"
    if false.rate is not None:
        rate = f"{false.rate:.2f} ({false.low:.2f} to {false.high:.2f})"
    recall = figures.recall
    return (
        f"{false.count} in {false.years:.1f} years",
        rate,
        f"{recall.count} of {recall.of}" if recall.of else "\u2013",
        _number(figures.delay_days.median, "{:.0f}"),
        _number(figures.delay_drives.median, "{:.0f}"),
        _number(figures.delay_km.median, "{:.0f}"),
        _number(figures.reached.median, "{:.0%}"),
    )


def _number(value: float | None, form: str) -> str:
    return "\u2013" if value is None else form.format(value)


def _summary(told: Backtest) -> list[Band]:
    own, before = told.figures(), told.figures(case=AS_IT_WAS)
    looked = "nothing to count" if told.plan["diagnose"] else "not looked at"
    shares = [
        ("faults told of", own.recall, "nothing to count"),
        ("likeliest cause right", own.top_cause, looked),
        ("cause among those named", own.cause_among_likely, looked),
        ("forecast interval held the truth", own.forecast_inside, looked),
        ("truth inside the 95 % band", own.band, "nothing to count"),
        (
            "\u2026 before anything was put in",
            before.band,
            "nothing to count",
        ),
    ]
    return [
        Band(words, share.count, share.of, share.share, share.low, share.high, if_none)
        for words, share, if_none in shares
    ]


def _point(row: dict[str, object]) -> CurvePoint:
    return CurvePoint(
        variant=str(row["variant"]),
        false_per_year=_float(row["false_per_year"]),
        low=_float(row["false_low"]),
        high=_float(row["false_high"]),
        delay_days=_float(row["delay_days"]),
        missed=int(str(row["missed"])),
        faults=int(str(row["faults"])),
        front=bool(row["front"]),
    )


def _planned_points(told: Backtest) -> list[CurvePoint]:
    """Return inspections by distance as a point of the curve: no alert of theirs is false."""
    held = inspected(told)
    if held is None:
        return []
    missed, delay = held.faults - held.found, held.delay_days.median
    return [CurvePoint(held.name, 0.0, None, None, delay, missed, held.faults, front=False)]


def _planned_rows(told: Backtest) -> list[tuple[str, tuple[str, ...]]]:
    """Return inspections by distance, and never looking, as rows beside the settings."""
    held = inspected(told)
    if held is None:
        return []
    none, days = "\u2013", _number(held.delay_days.median, "{:.0f}")
    return [
        (held.name, ("0", none, f"{held.found} of {held.faults}", days, none, none, none)),
        ("never looking", ("0", none, f"0 of {held.faults}", none, none, none, none)),
    ]


def _float(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def _strip(told: Backtest, name: str, rows: list[dict[str, object]]) -> Strip:
    """Return how false alerts and delay answer to one setting, the others as set."""
    points = []
    for one, row in zip(told.variants, rows, strict=True):
        changes = one.as_dict()
        own = _own_value(told, name)
        if changes and set(changes) != {name}:
            continue
        value = changes.get(name, own)
        if value is not None:
            points.append((value, _float(row["false_per_year"]), _float(row["delay_days"])))
    return Strip(name, _own_value(told, name), tuple(sorted(points, key=lambda point: point[0])))


def _own_value(told: Backtest, name: str) -> float | None:
    for table in ("alerts", "baseline"):
        if name in told.plan["settings"][table]:
            return float(told.plan["settings"][table][name])
    return None


def _true_words(fault: dict[str, Any]) -> str:
    words = str(fault["cause"]).replace("_", " ").replace("|", " or ")
    return words if fault["expected"] else f"{words}?"


def _lines(told: Backtest) -> tuple[VehicleLine, ...]:
    """Return each vehicle's own history under the settings as set: said above, true below."""
    own = (pl.col("variant") == told.variants[0].name) & (pl.col("case") == AS_IT_WAS)
    verdicts = told.frames["verdicts"].filter(own)
    faults = told.frames["faults"].filter(own)
    lines = []
    for vehicle in told.plan["vehicles"]:
        mine = verdicts.filter(pl.col("vehicle") == vehicle)
        said = mine.filter(pl.col("state") != pl.col("state").shift().fill_null(""))
        days = said["said_on"].to_list()
        ends = [*days[1:], mine["said_on"][-1] if mine.height else None]
        stripes = [
            Stripe(start, end, state)
            for start, end, state in zip(days, ends, said["state"], strict=True)
        ]
        true = [
            (fault["since"] or fault["until"], fault["until"], _true_words(fault))
            for fault in faults.filter(pl.col("vehicle") == vehicle).iter_rows(named=True)
        ]
        lines.append(VehicleLine(vehicle, tuple(stripes), tuple(true)))
    return tuple(lines)
