"""Choosing settings, by a price or by a budget, and comparing two of them, honestly.

Settings are chosen on one part of what is known and reported on the other, so that what looked good
by chance does not pass for good; the gap between the two parts is shown as over-fitting.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np
import polars as pl

from healthtrack.bench.scoring import Figures, Middle, Scored, figures, middle
from healthtrack.bench.study import AS_IT_WAS, scored
from healthtrack.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from healthtrack.bench.results import Backtest
    from healthtrack.bench.settings import Variant

    FloatArray = NDArray[np.float64]

Split = Literal["vehicle", "time"]
FAULTS_PER_YEAR = 0.3
"""Faults of the air path per vehicle and year where the user says nothing else: about one in three
years, as the drift takes for possible (common practice, no source)."""
DRAWS = 4000
"""Bootstrap draws: the ends of a 95 % interval are then known to about 2 % of its width."""
EVERY_KM = 15_000.0
"""Distance between the inspections that settings are held against: a year's driving. [km]"""
FEWEST = 4
"""Vehicles from which a bootstrap over vehicles means anything."""


@dataclass(frozen=True, slots=True)
class Prices:
    """What being wrong costs, in any one currency.

    Parameters
    ----------
    false_alert : float
        Of a false alert.
    delay_day : float
        Of a day from the beginning of a fault to its alert.
    miss : float
        Of a fault of which nothing was said.
    faults_per_year : float
        How many faults a vehicle has in a year: false alerts are counted by the year, and faults
        were put in.
    """

    false_alert: float
    delay_day: float
    miss: float
    faults_per_year: float = FAULTS_PER_YEAR


@dataclass(frozen=True, slots=True)
class Budget:
    """The most false alerts per vehicle-year; within it the earliest and surest is chosen."""

    false_per_year: float


@dataclass(frozen=True, slots=True)
class Judged:
    """A variant on both parts: its figures, and its cost where prices were given."""

    variant: str
    tuned: Figures
    held_out: Figures
    cost: float | None
    cost_held_out: float | None


@dataclass(frozen=True, slots=True)
class Choice:
    """What was chosen, and how it does where it was not chosen.

    ``gap`` is the cost held out less the cost tuned on; ``regret`` what the chosen one costs held
    out more than the best there. None without prices.
    """

    chosen: Judged
    all: tuple[Judged, ...]
    split: Split
    tuned_on: tuple[str, ...]
    held_out: tuple[str, ...]
    gap: float | None
    regret: float | None
    why: str


@dataclass(frozen=True, slots=True)
class Difference:
    """The second settings less the first, with a 95 % interval; None where it cannot be told."""

    figure: str
    unit: str
    first: float | None
    second: float | None
    difference: float | None
    low: float | None
    high: float | None


def tune(told: Backtest, goal: Prices | Budget, split: Split = "vehicle") -> Choice:
    """Choose among a back-test's variants.

    Parameters
    ----------
    told : Backtest
        A sweep.
    goal : Prices or Budget
        What is wanted.
    split : "vehicle" or "time"
        Every second vehicle is held out, or each vehicle's later half: alerts and faults after the
        middle of its judged time.

    Raises
    ------
    UsageError
        There is only one variant, or only one vehicle to be split.
    """
    if len(told.variants) < 2:
        raise UsageError(
            f"the back-test {told.name!r} tried one set of settings only, so there is nothing to "
            "choose. Run one with --vary."
        )
    parts, names = _parts(told, split)
    all_judged = []
    for one in told.variants:
        tuned, held = (figures(part(one)) for part in parts)
        prices = goal if isinstance(goal, Prices) else None
        costs = [None if prices is None else cost(half, prices) for half in (tuned, held)]
        all_judged.append(Judged(one.name, tuned, held, *costs))
    chosen, why = _cheapest(all_judged) if isinstance(goal, Prices) else _within(all_judged, goal)
    gap = regret = None
    if chosen.cost is not None and chosen.cost_held_out is not None:
        gap = chosen.cost_held_out - chosen.cost
        regret = chosen.cost_held_out - min(
            one.cost_held_out for one in all_judged if one.cost_held_out is not None
        )
    return Choice(chosen, tuple(all_judged), split, names[0], names[1], gap, regret, why)


def cost(told: Figures, prices: Prices) -> float | None:
    """Return what a vehicle costs in a year; None where nothing was judged or no fault was there.

    A missed fault costs the price of a miss and no delay; the mean delay is of those found.
    """
    rate = told.false_alerts.rate
    if rate is None or told.recall.share is None:
        return None
    delay = told.delay_days.median or 0.0
    late = told.recall.share * delay * prices.delay_day
    missed = (1.0 - told.recall.share) * prices.miss
    return prices.false_alert * rate + prices.faults_per_year * (late + missed)


def _cheapest(all_judged: Sequence[Judged]) -> tuple[Judged, str]:
    known = [one for one in all_judged if one.cost is not None]
    if not known:
        raise UsageError(
            "no cost can be told: the part that settings are chosen on holds no judged time or no "
            "fault. Put faults in with --fault, or take more vehicles."
        )
    best = min(known, key=lambda one: (one.cost, one.variant))
    return best, f"cheapest at {best.cost:.3g} per vehicle-year"


def _within(all_judged: Sequence[Judged], budget: Budget) -> tuple[Judged, str]:
    kept = [
        one
        for one in all_judged
        if one.tuned.false_alerts.rate is not None
        and one.tuned.false_alerts.rate <= budget.false_per_year
    ]
    if not kept:
        raise UsageError(
            f"none of the settings stays within {budget.false_per_year:g} false alerts per "
            "vehicle-year. Vary false_alerts_per_vehicle_year further down, or allow more."
        )

    def late(one: Judged) -> tuple[float, float, str]:
        delay = one.tuned.delay_days.median
        return one.tuned.missed, float("inf") if delay is None else delay, one.variant

    best = min(kept, key=late)
    return best, f"fewest misses, then earliest, within {budget.false_per_year:g} a year"


_Parts: TypeAlias = (
    "tuple[tuple[Callable[[Variant], Scored], ...], tuple[tuple[str, ...], tuple[str, ...]]]"
)


def _parts(
    told: Backtest, split: Split
) -> tuple[
    tuple[Callable[[Variant], Scored], Callable[[Variant], Scored]], tuple[tuple[str, ...], ...]
]:
    vehicles = sorted(told.plan["vehicles"])
    if split == "time":
        return (
            (lambda one: _half(told, one, late=False), lambda one: _half(told, one, late=True)),
            (("first half of each",), ("second half of each",)),
        )
    if len(vehicles) < 2:
        raise UsageError("one vehicle cannot be split by vehicle. Use --split time.")
    first, second = tuple(vehicles[::2]), tuple(vehicles[1::2])
    return (
        (lambda one: _of(told, one, first), lambda one: _of(told, one, second)),
        (first, second),
    )


def _of(told: Backtest, one: Variant, vehicles: Sequence[str]) -> Scored:
    whole = scored(told.frames, one.name)
    mine = pl.col("vehicle").is_in(vehicles)
    return Scored(*(getattr(whole, name).filter(mine) for name in Scored.__slots__))


def _half(told: Backtest, one: Variant, *, late: bool) -> Scored:
    """Return one half of each vehicle's judged time under the settings as set."""
    whole = scored(told.frames, one.name)
    exposure = told.frames["exposure"].filter(
        (pl.col("variant") == told.variants[0].name) & (pl.col("case") == AS_IT_WAS)
    )
    middle = exposure.drop_nulls("middle").select("vehicle", "middle")

    def side(frame: pl.DataFrame, column: str) -> pl.DataFrame:
        joined = frame.join(middle, on="vehicle", how="inner")
        after = pl.col(column) >= pl.col("middle")
        return joined.filter(after if late else ~after).drop("middle")

    return Scored(
        side(whole.alerts, "raised_on"),
        side(whole.faults, "since"),
        whole.exposure.with_columns(
            years=pl.col("years") - pl.col("years_early") if late else pl.col("years_early")
        ),
        side(whole.looks, "day") if whole.looks.height else whole.looks,
        whole.bands,
    )


def compare(
    told: Backtest, first: str, second: str, rng: np.random.Generator
) -> tuple[Difference, ...]:
    """Compare two variants on the same histories.

    The interval of each difference is a paired bootstrap over vehicles: a vehicle is drawn with all
    that was said of it under both.

    Parameters
    ----------
    told : Backtest
        That holds both.
    first, second : str
        Names of variants.
    rng : Generator
        Draws vehicles.

    Raises
    ------
    UsageError
        There is no such variant.
    """
    names = [one.name for one in told.variants]
    for name in (first, second):
        if name not in names:
            raise UsageError(
                f"the back-test {told.name!r} has no settings {name!r} (there: "
                f"{'; '.join(repr(one) for one in names)})."
            )
    vehicles = sorted(told.plan["vehicles"])
    draws = rng.integers(0, len(vehicles), (DRAWS, len(vehicles)))
    sums = [_per_vehicle(told, name, vehicles) for name in (first, second)]
    return tuple(
        _difference(figure, unit, (_ratio(sums, top, below)), draws)
        for figure, unit, top, below in (
            ("false alerts", "per vehicle-year", "false", "years"),
            ("faults found", "share", "found", "expected"),
            ("delay", "days", "delay", "delayed"),
            ("drift reached", "share of its size", "reached", "sized"),
        )
    )


def _per_vehicle(told: Backtest, variant: str, vehicles: Sequence[str]) -> dict[str, FloatArray]:
    part = scored(told.frames, variant)
    faults = part.faults.filter("expected", pl.col("outcome").is_in(["found", "missed"]))
    found = faults.filter(pl.col("outcome") == "found")

    def per(frame: pl.DataFrame, value: pl.Expr) -> FloatArray:
        told_by = dict(frame.group_by("vehicle").agg(value.alias("n")).iter_rows())
        return np.array([float(told_by.get(name) or 0.0) for name in vehicles])

    return {
        "false": per(part.alerts, pl.col("false").sum()),
        "years": per(part.exposure, pl.col("years").sum()),
        "found": per(found, pl.len()),
        "expected": per(faults, pl.len()),
        "delay": per(found, pl.col("delay_days").sum()),
        "delayed": per(found, pl.col("delay_days").count()),
        "reached": per(found, pl.col("reached").sum()),
        "sized": per(found, pl.col("reached").count()),
    }


def _ratio(
    sums: list[dict[str, FloatArray]], top: str, below: str
) -> list[tuple[FloatArray, FloatArray]]:
    return [(one[top], one[below]) for one in sums]


def _difference(
    figure: str, unit: str, ratios: list[tuple[FloatArray, FloatArray]], draws: NDArray[np.int64]
) -> Difference:
    values = [float(top.sum() / below.sum()) if below.sum() else None for top, below in ratios]
    first, second = values
    if first is None or second is None:
        return Difference(figure, unit, first, second, None, None, None)
    low = high = None
    if draws.shape[1] >= FEWEST:
        with np.errstate(divide="ignore", invalid="ignore"):
            a, b = (top[draws].sum(axis=1) / below[draws].sum(axis=1) for top, below in ratios)
        apart = (b - a)[np.isfinite(b - a)]
        if apart.size:
            low, high = (float(np.quantile(apart, q)) for q in (0.025, 0.975))
    return Difference(figure, unit, first, second, second - first, low, high)


@dataclass(frozen=True, slots=True)
class Inspected:
    """What looking at every vehicle each so many kilometres finds of the faults that were put in.

    Never looking finds none of them.
    """

    every_km: float
    faults: int
    found: int
    delay_days: Middle

    @property
    def name(self) -> str:
        """What it is called beside settings."""
        return f"inspection every {self.every_km:.0f} km"


def inspected(told: Backtest, every_km: float = EVERY_KM) -> Inspected | None:
    """Return what inspections would find; None where no fault was put in."""
    rows = inspections(told, every_km)
    if not rows:
        return None
    delays = [row["delay_days"] for row in rows if row["found"]]
    return Inspected(every_km, len(rows), len(delays), middle(delays))


def inspections(told: Backtest, every_km: float, share: float = 0.5) -> list[dict[str, Any]]:
    """Return what would be found by looking at every vehicle each so many kilometres.

    An inspection finds a fault for sure once it has reached a share of its whole size, and raises
    no false alert. Where there is no odometer nothing can be said.

    Returns
    -------
    list of dict
        Per fault whose size and beginning are known: ``vehicle``, ``case``, ``found``,
        ``delay_days``.
    """
    rows = []
    faults = told.frames["faults"].filter(
        (pl.col("variant") == told.variants[0].name) & (pl.col("witness") == "injected")
    )
    for fault in faults.iter_rows(named=True):
        days = (fault["full_on"] - fault["since"]).days * share
        drives = told.frames["drives"].filter(
            (pl.col("vehicle") == fault["vehicle"]) & (pl.col("case") == AS_IT_WAS)
        ).drop_nulls("odometer_km")  # fmt: skip
        found = _inspected(drives, fault["since"], days, every_km)
        rows.append(
            {
                "vehicle": fault["vehicle"],
                "case": fault["case"],
                "found": found is not None,
                "delay_days": None if found is None else float((found - fault["since"]).days),
            }
        )
    return rows


def _inspected(drives: pl.DataFrame, since: date, days: float, every_km: float) -> date | None:
    km = drives["odometer_km"].to_numpy()
    when: list[date] = drives["ended"].dt.date().to_list()
    due = np.flatnonzero(np.diff(np.floor(km / every_km), prepend=np.floor(km[:1] / every_km)) > 0)
    return next((when[place] for place in due if (when[place] - since).days >= days), None)
