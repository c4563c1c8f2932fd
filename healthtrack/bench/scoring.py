"""What was said against what was true: false alerts, delays, misses, causes, bands.

An alert is *false* where no known fault of its vehicle was at work on the day it was raised. Every
indicator's episode counts, as in the promise that the user is given. A fault is *found* by the
first alert raised while it was at work; one that stood already when the fault began has not told of
it, and such a fault is neither found nor missed.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import polars as pl
from scipy.stats import beta, chi2

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from healthtrack.bench.truth import Truth

DAYS_PER_YEAR = 365.25

FAULT_SCHEMA: dict[str, pl.DataType | type[pl.DataType]] = {
    "vehicle": pl.String,
    "cause": pl.String,
    "size": pl.Float64,
    "unit": pl.String,
    "since": pl.Date,
    "full_on": pl.Date,
    "until": pl.Date,
    "witness": pl.String,
    "expected": pl.Boolean,
    "outcome": pl.String,
    "indicator": pl.String,
    "raised_on": pl.Date,
    "delay_days": pl.Float64,
    "delay_drives": pl.Float64,
    "delay_km": pl.Float64,
    "reached": pl.Float64,
}
"""One row per fault. ``outcome``: ``found``, ``missed``, ``before`` (an alert stood already),
``unseen`` (no drive of a judged vehicle while it was at work)."""


@dataclass(frozen=True, slots=True)
class Told:
    """What was said of one vehicle.

    Parameters
    ----------
    vehicle : str
        Its id.
    alerts : DataFrame
        ``chain.replay.ALERT_SCHEMA``.
    drives : DataFrame
        ``ended`` (Datetime) and ``odometer_km``, in order.
    judged_from, judged_to : date or None
        First and last day on which something was judged; None where nothing ever was.
    """

    vehicle: str
    alerts: pl.DataFrame
    drives: pl.DataFrame
    judged_from: date | None
    judged_to: date | None


@dataclass(frozen=True, slots=True)
class Rate:
    """A rate with its exact 95 % interval (Garwood 1936). [per vehicle-year]."""

    count: int
    years: float
    rate: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Share:
    """A share with its exact 95 % interval (Clopper and Pearson 1934)."""

    count: int
    of: int
    share: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Middle:
    """Median and 90 % quantile of what was found; None where nothing was."""

    count: int
    median: float | None
    late: float | None


@dataclass(frozen=True, slots=True)
class Figures:
    """How well a monitor with some settings did over many vehicles.

    ``reached`` is the share of a fault's whole size at which it was told of.
    """

    vehicles: int
    faults: int
    false_alerts: Rate
    recall: Share
    missed: int
    before: int
    delay_days: Middle
    delay_drives: Middle
    delay_km: Middle
    reached: Middle
    top_cause: Share
    cause_among_likely: Share
    band: Share
    forecast_inside: Share
    forecast_error: Middle

    def as_dict(self) -> dict[str, Any]:
        """Return it as plain dictionaries."""
        return asdict(self)


def rate(count: int, years: float) -> Rate:
    """Return events per year with the exact interval of a Poisson count.

    Notes
    -----
    F. Garwood, *Biometrika* 28, 1936: from quantiles of χ².
    """
    if years <= 0.0:
        return Rate(count, years, None, None, None)
    low = float(chi2.ppf(0.025, 2 * count)) / 2.0 if count else 0.0
    high = float(chi2.ppf(0.975, 2 * count + 2)) / 2.0
    return Rate(count, years, count / years, low / years, high / years)


def share(count: int, of: int) -> Share:
    """Return a share with the exact interval of a binomial count.

    Notes
    -----
    C. J. Clopper and E. S. Pearson, *Biometrika* 26, 1934: from quantiles of the beta law.
    """
    if not of:
        return Share(0, 0, None, None, None)
    low = float(beta.ppf(0.025, count, of - count + 1)) if count else 0.0
    high = float(beta.ppf(0.975, count + 1, of - count)) if count < of else 1.0
    return Share(count, of, count / of, low, high)


def middle(values: Iterable[float | None]) -> Middle:
    """Return median and 90 % quantile of the values that are known."""
    known = np.array([value for value in values if value is not None], np.float64)
    if not known.size:
        return Middle(0, None, None)
    return Middle(known.size, float(np.median(known)), float(np.quantile(known, 0.9)))


def at_work(truths: Sequence[Truth], day: date) -> tuple[Truth, ...]:
    """Return the faults that an alert raised on a day tells of."""
    return tuple(
        truth
        for truth in truths
        if truth.begins <= day and (truth.until is None or day < truth.until)
    )


def explained(truths: Sequence[Truth], indicator: str, day: date) -> bool:
    """Say whether something known to be wrong explains an alert of an indicator."""
    return any(truth.explains(indicator) for truth in at_work(truths, day))


def sound_years(told: Told, truths: Sequence[Truth], before: date | None = None) -> float:
    """Return how long the vehicle was judged with nothing known to be wrong. [years].

    Up to its last day, or up to a day ``before``.
    """
    if told.judged_from is None or told.judged_to is None:
        return 0.0
    start, end = told.judged_from.toordinal(), told.judged_to.toordinal() + 1
    end = end if before is None else min(end, before.toordinal())
    sound = np.ones(max(end - start, 0), bool)
    for truth in truths:
        if not truth.expected:
            continue  # done by the calendar, as far as anybody knows
        first = max(truth.begins.toordinal() - start, 0)
        last = max((truth.until or date.max).toordinal() - start, 0)
        sound[first:last] = False
    return float(sound.sum()) / DAYS_PER_YEAR


def mark_alerts(told: Told, truths: Sequence[Truth]) -> pl.DataFrame:
    """Return the alerts with ``vehicle`` and ``false``: raised with nothing known to be wrong."""
    raised = told.alerts.select("indicator", "raised_on").iter_rows()
    false = [not explained(truths, indicator, day) for indicator, day in raised]
    return told.alerts.with_columns(
        vehicle=pl.lit(told.vehicle), false=pl.Series(false, dtype=pl.Boolean)
    )


def mark_faults(told: Told, truths: Sequence[Truth]) -> pl.DataFrame:
    """Return one row per fault (:data:`FAULT_SCHEMA`)."""
    rows = [_fault(told, truth) for truth in truths]
    return pl.DataFrame(rows, schema=FAULT_SCHEMA, orient="row")


def _fault(told: Told, truth: Truth) -> dict[str, object]:
    row: dict[str, object] = {
        "vehicle": told.vehicle,
        "cause": "|".join(truth.causes),
        "size": truth.size,
        "unit": truth.unit,
        "since": truth.since,
        "full_on": truth.full_on,
        "until": truth.until,
        "witness": truth.witness,
        "expected": truth.expected,
    }
    end = truth.until or date.max
    raised = told.alerts.filter((pl.col("raised_on") >= truth.begins) & (pl.col("raised_on") < end))
    if truth.indicators:
        raised = raised.filter(pl.col("indicator").is_in(truth.indicators))
    if raised.height:
        return (
            row
            | {"outcome": "found"}
            | _delay(told, truth, raised.sort("raised_on").row(0, named=True))
        )
    if not _seen(told, truth):
        return row | {"outcome": "unseen"}
    standing = told.alerts.filter(
        (pl.col("raised_on") < truth.begins)
        & (pl.col("cleared_on").is_null() | (pl.col("cleared_on") > truth.begins))
    )
    return row | {"outcome": "before" if standing.height else "missed"}


def _seen(told: Told, truth: Truth) -> bool:
    """Say whether there was a drive to tell it by."""
    if told.judged_from is None:
        return False
    days = told.drives["ended"].dt.date()
    end = truth.until or date.max
    return bool(((days >= max(truth.begins, told.judged_from)) & (days < end)).any())


def _delay(told: Told, truth: Truth, alert: dict[str, Any]) -> dict[str, object]:
    found: dict[str, object] = {"indicator": alert["indicator"], "raised_on": alert["raised_on"]}
    if truth.since is None:
        return found
    size = truth.size_on(alert["raised_on"])
    between = told.drives.filter(
        (pl.col("ended").dt.date() >= truth.since)
        & (pl.col("ended").dt.date() <= alert["raised_on"])
    )
    km = between["odometer_km"].drop_nulls()
    driven = float(km[-1] - km[0]) if km.len() else None
    return found | {
        "delay_days": float((alert["raised_on"] - truth.since).days),
        "delay_drives": float(between.height),
        "delay_km": driven,
        "reached": None if size is None or not truth.size else abs(size / truth.size),
    }


@dataclass(frozen=True, slots=True)
class Scored:
    """All that figures are made of: frames with one row per alert, fault, look, band and case.

    ``exposure`` holds ``vehicle`` and ``years``; ``looks`` (``cause``, ``top``, ``among``, forecast
    columns) and ``bands`` (``inside``, ``drives``) may be empty.
    """

    alerts: pl.DataFrame
    faults: pl.DataFrame
    exposure: pl.DataFrame
    looks: pl.DataFrame
    bands: pl.DataFrame


def figures(scored: Scored) -> Figures:
    """Sum up what was said of many vehicles."""
    faults = scored.faults
    expected = faults.filter("expected", pl.col("outcome").is_in(["found", "missed"]))
    found = faults.filter(pl.col("outcome") == "found")
    looks = scored.looks
    known = looks.filter(pl.col("top").is_not_null()) if looks.height else looks
    ahead = looks.filter(pl.col("forecast_inside").is_not_null()) if looks.height else looks
    bands = scored.bands
    drives = int(bands["drives"].sum()) if bands.height else 0
    inside = int(bands["inside"].sum()) if bands.height else 0
    return Figures(
        vehicles=scored.exposure["vehicle"].n_unique(),
        faults=expected.height,
        false_alerts=rate(
            int(scored.alerts["false"].sum()) if scored.alerts.height else 0,
            float(scored.exposure["years"].sum()),
        ),
        recall=share(expected.filter(pl.col("outcome") == "found").height, expected.height),
        missed=expected.filter(pl.col("outcome") == "missed").height,
        before=faults.filter(pl.col("outcome") == "before").height,
        delay_days=middle(found["delay_days"]),
        delay_drives=middle(found["delay_drives"]),
        delay_km=middle(found["delay_km"]),
        reached=middle(found["reached"]),
        top_cause=share(int(known["top"].sum()) if known.height else 0, known.height),
        cause_among_likely=share(int(known["among"].sum()) if known.height else 0, known.height),
        band=share(inside, drives),
        forecast_inside=share(
            int(ahead["forecast_inside"].sum()) if ahead.height else 0, ahead.height
        ),
        forecast_error=middle(ahead["forecast_error"] if ahead.height else ()),
    )
