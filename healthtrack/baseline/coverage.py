"""What of an engine's speeds, loads and temperatures some drives cover, and what they lack."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import polars as pl

from healthtrack.baseline.learn import LEAST_DRIVES, LEAST_WINDOWS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from healthtrack.config import BaselineSettings
    from healthtrack.indicators.declaration import Indicator

    FloatArray = NDArray[np.float64]

UNLOADED = ("idle", "standstill")
"""Regions at one speed and no load: they cover nothing, and need not."""
LOADS = {
    "demand": ("load", ""),
    "manifold_pressure": ("manifold pressure", " kPa"),
}
"""Predictors that stand for load, the word for each and its unit (that of a demand is the
channel's own)."""
CORNER_DRIVES = 3
"""Drives that must have been in the upper third of the speeds at more than half load: one alone
would decide what is healthy there. (Slow and hard is not asked for: two of six vehicles of the demo
hardly ever do it.)"""


@dataclass(frozen=True, slots=True)
class _Span:
    """Bulk of what was seen: 5 %, 95 % and 99 % of the windows."""

    low: float
    high: float
    top: float


def lacking(
    indicator: Indicator, observations: pl.DataFrame, settings: BaselineSettings
) -> tuple[str, ...]:
    """Say what the drives lack before a healthy surface can be learned from them.

    Only what the indicator is a function of is asked for: speed and load where it has them as
    predictors, temperature where it answers to it.

    Parameters
    ----------
    indicator : Indicator
        Its declaration.
    observations : DataFrame
        Of the drives in question.
    settings : BaselineSettings
        Spans that are asked for.

    Returns
    -------
    tuple of str
        One clause each; empty where nothing is lacking.
    """
    if not observations.height:
        return ()
    loaded = observations.filter(~pl.col("region").is_in(UNLOADED))
    parts = (
        _running(indicator, observations, settings),
        _speeds(indicator, loaded, settings),
        _loads(indicator, loaded, settings),
        _corner(indicator, loaded),
        _temperatures(indicator, observations, settings),
    )
    return tuple(clause for part in parts for clause in part)


def _running(
    indicator: Indicator, observations: pl.DataFrame, settings: BaselineSettings
) -> Iterator[str]:
    """Ask for one region that can be learned at all, where the drives alone would do."""
    regions = observations.group_by("region").agg(
        pl.len().alias("windows"), pl.col("drive").n_unique().alias("drives")
    )
    enough = (pl.col("windows") >= LEAST_WINDOWS) & (pl.col("drives") >= LEAST_DRIVES)
    few = observations["drive"].n_unique() < settings.minimum_drives
    if few or regions.filter(enough).height:
        return
    most = regions.sort("windows", "region", descending=[True, False]).row(0, named=True)
    kind = most["region"].replace("_", " ")
    yield (
        f"no more than {most['windows']} {indicator.source} of one kind ({kind}, in "
        f"{most['drives']} drives), need {LEAST_WINDOWS} in {LEAST_DRIVES} drives"
    )


def _speeds(
    indicator: Indicator, loaded: pl.DataFrame, settings: BaselineSettings
) -> Iterator[str]:
    span = _span(indicator, loaded, "engine_speed")
    if span is not None and span.high - span.low < settings.speed_span_rpm:
        yield (
            f"steady running only at {_thousands(span.low)}–{_thousands(span.high)} /min, "
            f"need a span of {_thousands(settings.speed_span_rpm)}"
        )


def _loads(indicator: Indicator, loaded: pl.DataFrame, settings: BaselineSettings) -> Iterator[str]:
    for predictor, (word, unit) in LOADS.items():
        span = _span(indicator, loaded, predictor)
        if span is None:
            continue
        need = settings.load_span_percent / 100.0 * abs(span.top)
        if span.high - span.low < need:
            yield (
                f"steady running only at {word} {span.low:.0f}–{span.high:.0f}{unit}, "
                f"need a span of {need:.0f}"
            )


def _corner(indicator: Indicator, loaded: pl.DataFrame) -> Iterator[str]:
    """Ask for high load at high speeds: surfaces bend most there."""
    speed, load = (_span(indicator, loaded, name) for name in ("engine_speed", "demand"))
    if speed is None or load is None:
        return
    fast = speed.high - (speed.high - speed.low) / 3
    hard = (pl.col("demand") > load.top / 2) & (pl.col("engine_speed") > fast)
    drives = loaded.filter(hard)["drive"].n_unique()
    if drives < CORNER_DRIVES:
        have = f"steady running in only {drives} of {CORNER_DRIVES} drives needed"
        yield (
            f"{have if drives else 'no steady running'} above {_thousands(fast)} /min "
            "at more than half load"
        )


def _temperatures(
    indicator: Indicator, observations: pl.DataFrame, settings: BaselineSettings
) -> Iterator[str]:
    name = "ambient_temperature"
    if name not in {response.condition for response in indicator.responses}:
        return
    drives = observations.group_by("drive").agg(pl.col(name).mean())[name].drop_nulls()
    values = drives.to_numpy().astype(np.float64)
    if values.size >= LEAST_DRIVES and values.max() - values.min() < settings.temperature_span_k:
        yield (
            f"all drives at {values.min():.0f}–{values.max():.0f} °C, "
            f"need a span of {settings.temperature_span_k:.0f} K"
        )


def _span(indicator: Indicator, loaded: pl.DataFrame, predictor: str) -> _Span | None:
    if predictor not in indicator.predictors:
        return None
    values = loaded[predictor].drop_nulls().to_numpy().astype(np.float64)
    return _Span(*np.quantile(values, [0.05, 0.95, 0.99]).tolist()) if values.size else None


def _thousands(value: float) -> str:
    return f"{round(value, -2):,.0f}".replace(",", " ")
