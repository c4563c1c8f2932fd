"""Other detectors of change on the same figures, at the same number of false alerts.

Each gives a score after every drive of an indicator. Its threshold is set so that on the sound
histories of the back-test it raises as many false alerts as this monitor did (at least one, to its
favour); then it is held against the same faults. The monitor's own rate is never touched.
"""

from __future__ import annotations

import importlib
import importlib.util
import warnings
from datetime import date
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
import polars as pl

from healthtrack.bench.scoring import middle
from healthtrack.bench.study import AS_IT_WAS
from healthtrack.bench.tune import inspections
from healthtrack.bench.yardsticks import cusum, ewma, page_hinkley

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from healthtrack.bench.results import Backtest

    FloatArray = NDArray[np.float64]
    Score = Callable[[FloatArray, int], FloatArray]

MONITOR, EVERY, NEVER = "healthtrack", "inspection", "never"
CONFIDENCES = (0.3, 0.1, 0.03, 1e-2, 1e-3, 1e-4, 1e-6, 1e-9)
"""At which ADWIN is asked; its score is the place of the last one at which it has alerted."""


def change_points(values: FloatArray, learned: int) -> FloatArray:
    """Return the gain of one change point (least squares), looked for every ten drives."""
    ruptures: Any = importlib.import_module("ruptures")
    path = np.zeros(values.size)
    for end in range(learned + 10, values.size, 10):
        signal = values[:end, None]
        cost = ruptures.costs.CostL2().fit(signal)
        at = ruptures.Binseg(model="l2", jump=5, min_size=5).fit(signal).predict(n_bkps=1)[0]
        path[end:] = cost.error(0, end) - cost.error(0, at) - cost.error(at, end)
    return path


def adaptive_window(values: FloatArray, learned: int) -> FloatArray:
    """Return how small a confidence ADWIN has alerted at so far (Bifet and Gavaldà 2007)."""
    drift: Any = importlib.import_module("river.drift")
    path = np.zeros(values.size)
    for place, delta in enumerate(CONFIDENCES, start=1):
        window = drift.ADWIN(delta=delta, clock=1, grace_period=max(learned, 1))
        for drive, value in enumerate(values):
            window.update(float(value))
            if window.drift_detected and drive > learned:
                path[drive:] = place
                break
    return path


def forest(values: FloatArray, learned: int) -> FloatArray:
    """Score an isolation forest learned on the healthy period: figure and mean of ten."""
    from sklearn.ensemble import IsolationForest  # noqa: PLC0415 - half a second

    mean = np.convolve(values, np.ones(10) / 10.0)[: values.size]
    features = np.column_stack([values, mean])
    model = IsolationForest(n_estimators=60, random_state=0).fit(
        features[min(10, learned) : learned]
    )
    return ewma(-model.score_samples(features), 0.1, target=0.45)


def local_trend(values: FloatArray, _learned: int) -> FloatArray:
    """Return a local linear trend's level over its error, filtered.

    Its variances are by maximum likelihood on the whole history, to its favour.
    """
    import statsmodels.api as sm  # noqa: PLC0415 - a second

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = sm.tsa.UnobservedComponents(values, "lltrend").fit(disp=0, maxiter=30)
    result = fitted.filter_results
    spread = np.sqrt(np.maximum(result.filtered_state_cov[0, 0], 1e-6))
    return np.asarray(np.abs(result.filtered_state[0]) / spread)


DETECTORS: dict[str, tuple[Score, str | None]] = {
    # name: (score, package that it needs)
    "EWMA 0.1": (lambda values, _: np.abs(ewma(values, 0.1)), None),
    "CUSUM 0.5": (lambda values, _: np.maximum(*cusum(values, 0.5)), None),
    "Page-Hinkley 0.25": (lambda values, _: page_hinkley(values, 0.25), None),
    "ADWIN": (adaptive_window, "river"),
    "change points": (change_points, "ruptures"),
    "isolation forest": (forest, None),
    "local linear trend": (local_trend, None),
}


def table(told: Backtest, every_km: float) -> tuple[pl.DataFrame, dict[str, str]]:
    """Return one row per detector and case, and why a detector was left out.

    Parameters
    ----------
    told : Backtest
        With faults put in.
    every_km : float
        Distance between inspections. [km]

    Returns
    -------
    DataFrame
        ``detector``, ``case``, ``false_alerts``, ``faults``, ``found``, ``missed``,
        ``delay_days``, ``delay_drives``, ``reached`` (medians of those found).
    dict
        Detector and reason.
    """
    series = _series(told)
    allowed = max(told.figures(case=AS_IT_WAS).false_alerts.count, 1)
    rows = _monitor(told)
    skipped = {}
    for name, (score, package) in DETECTORS.items():
        if package is not None and importlib.util.find_spec(package) is None:
            skipped[name] = f"the package {package} is not installed"
            continue
        rows += _rows(name, _raises(told, series, score, allowed), told, allowed)
    rows += _planned(told, every_km)
    return pl.DataFrame(rows, infer_schema_length=None), skipped


_Series: TypeAlias = "dict[tuple[str, str, str], tuple[FloatArray, int, list[date]]]"


def _series(told: Backtest) -> _Series:
    """Return per vehicle, case and indicator the figures in healthy standard deviations."""
    series: _Series = {}
    course = told.frames["course"].drop_nulls("value")
    for key, rows in course.group_by(["vehicle", "case", "indicator"], maintain_order=True):
        vehicle, case, indicator = (str(part) for part in key)
        early = rows.select((pl.col("state") == "learning").cast(pl.Int8).cum_prod().sum())
        learned = int(early.item())
        if learned < 5 or learned >= rows.height:
            continue
        values = rows["value"].to_numpy().astype(np.float64)
        healthy = values[:learned]
        spread = float(healthy.std(ddof=1)) or 1.0
        scaled = (values - healthy.mean()) / spread
        series[vehicle, case, indicator] = (scaled, learned, rows["said_on"].to_list())
    return series


def _raises(
    told: Backtest, series: _Series, score: Score, allowed: int
) -> dict[tuple[str, str], list[date]]:
    """Return per vehicle and case the days on which a detector first raised each indicator."""
    paths = {key: score(values, learned)[learned:] for key, (values, learned, _) in series.items()}
    wrong = _begins(told, AS_IT_WAS)
    highest = []
    for key, path in paths.items():
        vehicle, case, _ = key
        if case == AS_IT_WAS:
            _, learned, days = series[key]
            until = wrong.get(vehicle, date.max)
            sound = [score for score, day in zip(path, days[learned:], strict=True) if day < until]
            highest.append(max(sound, default=-np.inf))
    ordered = np.sort(highest)
    threshold = ordered[-allowed - 1] if allowed < len(ordered) else ordered[0]
    raised: dict[tuple[str, str], list[date]] = {}
    for (vehicle, case, indicator), path in paths.items():
        _, learned, days = series[vehicle, case, indicator]
        over = np.flatnonzero(path > threshold)
        if over.size:
            raised.setdefault((vehicle, case), []).append(days[learned + int(over[0])])
    return raised


def _begins(told: Backtest, case: str) -> dict[str, date]:
    """Return the day on which the first known fault of each vehicle began."""
    faults = told.frames["faults"].filter(
        (pl.col("case") == case) & (pl.col("variant") == told.variants[0].name)
    )
    first: dict[str, date] = {}
    for vehicle, since, until in faults.select("vehicle", "since", "until").iter_rows():
        day = since or until
        first[vehicle] = min(first.get(vehicle, day), day)
    return first


def _injected(told: Backtest) -> pl.DataFrame:
    return told.frames["faults"].filter(
        (pl.col("variant") == told.variants[0].name) & (pl.col("witness") == "injected")
    )


def _monitor(told: Backtest) -> list[dict[str, Any]]:
    false = told.figures(case=AS_IT_WAS).false_alerts.count
    rows = []
    for (case,), faults in _injected(told).group_by(["case"], maintain_order=True):
        found = faults.filter(pl.col("outcome") == "found")
        told_of = [
            (row["delay_days"], row["delay_drives"], row["reached"])
            for row in found.iter_rows(named=True)
        ]
        judged = faults.filter(pl.col("outcome").is_in(["found", "missed"])).height
        rows.append(_row(MONITOR, str(case), false, judged, told_of))
    return rows


def _rows(
    name: str, raised: dict[tuple[str, str], list[date]], told: Backtest, allowed: int
) -> list[dict[str, Any]]:
    rows = []
    for (case,), faults in _injected(told).group_by(["case"], maintain_order=True):
        told_of, judged = [], 0
        for fault in faults.iter_rows(named=True):
            days = raised.get((fault["vehicle"], str(case)), [])
            if any(day < fault["since"] for day in days):
                continue  # an alert stood already
            judged += 1
            later = sorted(day for day in days if day >= fault["since"])
            if later:
                told_of.append(_delay(told, fault, later[0]))
        rows.append(_row(name, str(case), allowed, judged, told_of))
    return rows


def _delay(told: Backtest, fault: dict[str, Any], day: date) -> tuple[float, float, float]:
    drives = told.frames["drives"].filter(
        (pl.col("vehicle") == fault["vehicle"]) & (pl.col("case") == AS_IT_WAS)
    )
    between = drives.filter(pl.col("ended").dt.date().is_between(fault["since"], day)).height
    growing = (fault["full_on"] - fault["since"]).days
    days = (day - fault["since"]).days
    return float(days), float(between), min(1.0, (days + 0.5) / growing) if growing else 1.0


def _planned(told: Backtest, every_km: float) -> list[dict[str, Any]]:
    found = pl.DataFrame(
        inspections(told, every_km),
        schema={
            "vehicle": pl.String,
            "case": pl.String,
            "found": pl.Boolean,
            "delay_days": pl.Float64,
        },
        orient="row",
    )
    rows = []
    for (case,), faults in found.group_by(["case"], maintain_order=True):
        delays = [(days, None, None) for days in faults.filter("found")["delay_days"]]
        rows.append(_row(f"{EVERY} every {every_km:.0f} km", str(case), 0, faults.height, delays))
        rows.append(_row(NEVER, str(case), 0, faults.height, []))
    return rows


def _row(
    name: str,
    case: str,
    false: int,
    judged: int,
    told_of: list[Any],
) -> dict[str, Any]:
    days, drives, reached = ([one[place] for one in told_of] for place in range(3))
    return {
        "detector": name,
        "case": case,
        "false_alerts": false,
        "faults": judged,
        "found": len(told_of),
        "missed": judged - len(told_of),
        "delay_days": middle(days).median,
        "delay_drives": middle(drives).median,
        "reached": middle(reached).median,
    }


def lines(rows: pl.DataFrame) -> list[str]:
    """Return the table as lines for a person, case by case."""
    told: list[str] = []
    if rows.is_empty():
        return ["No faults were put in, so there is nothing to tell of: run one with --fault."]
    for (case,), part in rows.group_by(["case"], maintain_order=True):
        told.append(str(case))
        told.append(f"  {'':26}{'false':>6}{'found':>9}{'days':>7}{'drives':>8}{'size':>7}")
        told += [_line(row) for row in part.iter_rows(named=True)]
    return told


def _line(row: dict[str, Any]) -> str:
    return (
        f"  {row['detector']:26}{row['false_alerts']:6}{row['found']:5} /{row['faults']:2}"
        f"{_number(row['delay_days']):>7}{_number(row['delay_drives']):>8}"
        f"{_percent(row['reached']):>7}"
    )


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.0f}"


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:.0f} %"
