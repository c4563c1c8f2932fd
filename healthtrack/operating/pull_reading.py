"""What a pull means, in figures and in words."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

if TYPE_CHECKING:
    from healthtrack.airpath.compressor_map import CompressorMap
    from healthtrack.operating.pull_track import PullTrack

EFFICIENT_DROP = 0.05
"""The efficient zone is where the map's efficiency is within this of its peak."""

HELD = 0.03
"""Boost counts as held while it stays within this of its peak."""

HELD_RISE = 1.15
"""Engine speed must rise by this factor meanwhile: under it boost may only be about to rise."""

STOPS = (2.0, 98.0)
"""Duty under and over which a boost actuator stands at its stop. [%]"""

FALLS_OFF = 0.08
"""Boost that ends the pull this far under its peak falls off."""

MOSTLY = 0.6
"""Share of a pull in the efficient zone from which the compressor works where it should: building
boost from low speed takes the rest (common practice, no source)."""

NEAR_MARGIN = 10.0
"""A margin under this is worth a word (common practice, no source). [%]"""


@dataclass(frozen=True, slots=True)
class Margin:
    """The worst point towards a line of the map: margin ± standard deviation, when, and where."""

    percent: float
    error: float
    seconds: float
    engine_speed: float


@dataclass(frozen=True)
class PullReading:
    """One pull's verdict.

    ``share_efficient`` is the share of its time in the efficient zone, ``outside`` the seconds
    spent in each place outside the map. Without a map these are None and empty.
    ``held_ratio`` is the pressure ratio at which boost was held from ``held_from`` [rpm] on, and
    ``held_at_stop`` the boost actuator's duty [%] meanwhile if it stood at a stop.
    ``bend`` is the largest distance between the interpolated track and the one of held values, in
    percent of flow and of ratio. ``verdict`` is the one sentence on top, ``sentences`` say it all;
    after ± stand 95 % (1.96 standard deviations).
    """

    peak_ratio: float
    peak_ratio_error: float
    peak_ratio_at: float
    held_ratio: float | None
    held_from: float | None
    held_at_stop: float | None
    falls_off: float | None
    share_efficient: float | None
    outside: dict[str, float]
    surge: Margin | None
    choke: Margin | None
    bend: float
    verdict: str
    sentences: tuple[str, ...]


def read_pull(track: PullTrack, chart: CompressorMap | None) -> PullReading:
    """Put a pull's track into figures and words.

    Parameters
    ----------
    track : PullTrack
        The pull.
    chart : CompressorMap or None
        The map it was tracked on.
    """
    frame = track.frame
    peak = frame.row(frame["pressure_ratio"].arg_max() or 0, named=True)
    held = _held(frame, peak["pressure_ratio"])
    last = frame.tail(5)["pressure_ratio"].mean()
    fall = 1.0 - float(last) / peak["pressure_ratio"] if isinstance(last, float) else 0.0
    reading = PullReading(
        peak_ratio=peak["pressure_ratio"],
        peak_ratio_error=peak["pressure_ratio_error"] or float("nan"),
        peak_ratio_at=peak["engine_speed"],
        held_ratio=held[0] if held else None,
        held_from=held[1] if held else None,
        held_at_stop=held[2] if held else None,
        falls_off=100.0 * fall if fall > FALLS_OFF else None,
        share_efficient=_share_efficient(frame, chart),
        outside=_outside(frame) if chart is not None else {},
        surge=_worst(frame, "surge_margin") if chart is not None else None,
        choke=_worst(frame, "choke_margin") if chart is not None else None,
        bend=_bend(frame),
        verdict="",
        sentences=(),
    )
    told = (*_boost_words(reading), *_map_words(reading, chart), *_doubt_words(reading, track))
    return replace(reading, verdict=_verdict(reading, chart), sentences=told)


def _verdict(reading: PullReading, chart: CompressorMap | None) -> str:
    for name, margin in (("surge", reading.surge), ("choke", reading.choke)):
        if margin is not None and margin.percent < 0.0:
            sure = margin.percent + 1.96 * margin.error < 0.0
            words = "lies beyond" if sure else "touches, within its error,"
            return f"The track {words} the {name} line: look at it before trusting anything else."
    if reading.share_efficient is None:
        known = f"Boost peaks at a pressure ratio of {reading.peak_ratio:.2f}"
        if chart is None:
            return f"{known}; there is no map to place it on."
        if reading.surge is None:
            return f"{known}; without airflow it has no place on the map."
        return f"{known}; the map shows no efficiency."
    share = f"{100 * reading.share_efficient:.0f} % of the pull"
    if reading.share_efficient >= MOSTLY:
        return f"The pull stays where the map is efficient: {share} in that zone."
    return f"Inside the map, but only {share} in the efficient zone."


def _held(frame: pl.DataFrame, peak: float) -> tuple[float, float, float | None] | None:
    """Mean ratio, first engine speed and duty at a stop, where boost was held; None if not."""
    flat = frame.filter(pl.col("pressure_ratio") >= (1.0 - HELD) * peak)
    if flat.height < 5:
        return None
    first, last = flat["engine_speed"][0], flat["engine_speed"][-1]
    mean = flat["pressure_ratio"].mean()
    if last < HELD_RISE * first or not isinstance(mean, float):
        return None
    return mean, float(first), _at_stop(flat["boost_duty"])


def _at_stop(duty: pl.Series) -> float | None:
    known = duty.drop_nulls()
    if 2 * known.len() < duty.len():
        return None
    low, high = known.min(), known.max()
    if not isinstance(low, float) or not isinstance(high, float):
        return None
    return low if high <= STOPS[0] or low >= STOPS[1] else None


def _share_efficient(frame: pl.DataFrame, chart: CompressorMap | None) -> float | None:
    if chart is None or not frame["efficiency"].count():
        return None
    zone = frame["efficiency"].fill_null(0.0) >= chart.peak_efficiency - EFFICIENT_DROP
    return float(zone.sum()) / frame.height


def _outside(frame: pl.DataFrame) -> dict[str, float]:
    step = float(frame["seconds"][1] - frame["seconds"][0])
    counted = frame.filter(pl.col("place") != "inside").group_by("place").len().sort("place")
    return {place: count * step for place, count in counted.iter_rows()}


def _worst(frame: pl.DataFrame, column: str) -> Margin | None:
    # under the lowest speed line every compressor idles: no margin is meant there
    known = frame.filter(pl.col(column).is_not_null() & (pl.col("place") != "below"))
    if not known.height:
        return None
    row = known.row(known[column].arg_min() or 0, named=True)
    return Margin(row[column], row[f"{column}_error"], row["seconds"], row["engine_speed"])


def _bend(frame: pl.DataFrame) -> float:
    """Return how far held values lie from the interpolated track, in percent."""
    apart = frame.select(
        pl.max_horizontal(
            (pl.col(f"held_{name}") / pl.col(name) - 1.0).abs().max()
            for name in ("pressure_ratio", "corrected_flow")
        )
    ).item()
    return 100.0 * float(apart) if apart is not None else float("nan")


def _boost_words(reading: PullReading) -> list[str]:
    told = [
        (
            f"Boost peaks at a pressure ratio of {reading.peak_ratio:.2f} ± "
            f"{1.96 * reading.peak_ratio_error:.2f}, at {reading.peak_ratio_at:.0f} rpm."
        )
    ]
    if reading.held_ratio is not None:
        told.append(
            f"From {reading.held_from:.0f} rpm on boost is held near {reading.held_ratio:.2f} "
            "while speed and flow go on rising: the wastegate or the vanes cut it there, not the "
            "compressor."
            if reading.held_at_stop is None
            else f"From {reading.held_from:.0f} rpm on boost stays near {reading.held_ratio:.2f}, "
            f"the actuator at its stop ({reading.held_at_stop:.0f} %): nothing regulates boost "
            "any more; the turbocharger gives all that it has, or the actuator is stuck."
        )
    if reading.falls_off is not None:
        told.append(
            f"Towards the end boost falls off by {reading.falls_off:.0f} % with all still asked: "
            "a limit of the turbocharger, a leak that grows with boost, or the control's own cap."
        )
    return told


def _map_words(reading: PullReading, chart: CompressorMap | None) -> list[str]:
    if chart is None:
        return [
            (
                "There is no compressor map: with one, this page would show the share of the pull "
                "in the efficient zone and the margins to surge and choke."
            )
        ]
    told = []
    if reading.share_efficient is not None:
        told.append(
            f"{100 * reading.share_efficient:.0f} % of the pull runs in the efficient zone (within "
            f"{100 * EFFICIENT_DROP:.0f} points of the map's best {100 * chart.peak_efficiency:.0f}"
            " %)."
        )
    told += _margin_words("surge", reading.surge, reading.outside.get("surge", 0.0))
    told += _margin_words("choke", reading.choke, reading.outside.get("choke", 0.0))
    for place, words in (("above", "above the highest"), ("below", "below the lowest")):
        if reading.outside.get(place):
            told.append(
                f"For {reading.outside[place]:.1f} s the track lies {words} speed line, outside "
                "the map, where nothing is read."
            )
    return told


_MEANING = {
    "surge": (
        (
            "left of the surge line: flow breaks away and returns in pulses. A sound engine never "
            "works there; first suspect an airflow reading too low or a map of another compressor"
        ),
        "flow over that of the surge line at the same pressure ratio",
    ),
    "choke": (
        (
            "right of the choke line, where speed brings no more flow: the compressor is too small "
            "for this, the airflow reads too high, or the map is of another compressor"
        ),
        "flow under that of the choke line at the same pressure ratio",
    ),
}


def _margin_words(name: str, margin: Margin | None, seconds: float) -> list[str]:
    if margin is None:
        return []
    beyond, meaning = _MEANING[name]
    place = f"at {margin.engine_speed:.0f} rpm, {margin.seconds:.1f} s into the pull"
    if margin.percent < 0.0:
        sure = "" if margin.percent + 1.96 * margin.error < 0.0 else " (within the error of 0)"
        return [
            (
                f"For {seconds:.1f} s the track lies {beyond}. Worst {margin.percent:.0f} ± "
                f"{1.96 * margin.error:.0f} %{sure}, {place}."
            )
        ]
    close = " That is close." if margin.percent - 1.96 * margin.error < NEAR_MARGIN else ""
    return [
        (
            f"The least {name} margin is {margin.percent:.0f} ± {1.96 * margin.error:.0f} % "
            f"({meaning}), {place}.{close}"
        )
    ]


def _doubt_words(reading: PullReading, track: PullTrack) -> list[str]:
    told = [f"Known only so far: {'; '.join(track.words)}."]
    bound = track.frame.select(
        ratio=(pl.col("manifold_pressure_bound") / pl.col("manifold_pressure")).max(),
        flow=(pl.col("airflow_bound") / pl.col("airflow")).max(),
    ).row(0)
    if None not in bound:
        told.append(
            f"Between polls the track is open by at most {100 * bound[0]:.1f} % in pressure and "
            f"{100 * bound[1]:.1f} % in flow; pairs of held values would have been off by up to "
            f"{reading.bend:.0f} %. An airflow sensor may trail by up to 0.3 s; that is in "
            "the ± of the flow."
        )
    return told
