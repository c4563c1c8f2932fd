"""Which column is which channel in which unit, and why."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from healthtrack import units
from healthtrack.channels import CHANNELS
from healthtrack.ingest.draft.names import is_set_point, meanings
from healthtrack.ingest.plausible import breathing, breathing_ratio
from healthtrack.ingest.signals import signal_of
from healthtrack.ingest.values import BRIDGES, parsed_number

if TYPE_CHECKING:
    from healthtrack.ingest.pipeline import FileShape
    from healthtrack.ingest.table import Table

USUAL: dict[str, tuple[float, float, float, float]] = {
    # channel: its 2 % quantile lies between the first two, its 98 % quantile between the others
    "engine_speed": (0, 2500, 900, 7000),
    "vehicle_speed": (0, 120, 15, 250),
    "airflow": (0, 40, 8, 500),
    "manifold_pressure": (25, 130, 80, 420),
    "ambient_pressure": (55, 107, 60, 108),
    "air_box_pressure": (50, 107, 60, 108),
    "ambient_temperature": (-40, 45, -30, 50),
    "intake_temperature": (-40, 60, -10, 95),
    "charge_temperature": (-40, 90, -5, 150),
    "coolant_temperature": (-35, 100, 30, 118),
    "pedal": (0, 60, 2, 100),
    "throttle": (0, 100, 2, 100),
    "load": (0, 90, 5, 110),
    "torque": (-300, 800, 20, 4000),
    "fuel_per_stroke": (0, 60, 5, 300),
    "fuel_flow": (0, 10, 0.2, 60),
    "recirculation": (0, 100, 0, 100),
    "boost_duty": (0, 100, 1, 100),
    "altitude": (-450, 4000, -400, 5500),
    "odometer": (1, 2_000_000, 2, 2_000_000),
}
"""Where the values of a drive usually lie, in the store's units: what tells an unstated unit."""

_SAME_RANGE = {"vehicle_speed": ("mph",), "odometer": ("miles",), "altitude": ("ft",)}
COMMON: dict[str, tuple[str, ...]] = {
    "pressure": ("kPa", "hPa", "bar", "psi"),
    "temperature": ("°C", "°F"),
    "ratio": ("%", "ratio"),
    "rotation": ("rpm",),
    "speed": ("km/h", "mph"),
    "length": ("km", "miles", "m", "ft"),
}
"""Units among which an unstated one is looked for; in other dimensions all."""

_LEAST_SCORE = 0.25
_ALIKE = 0.98
_LIKELY_LITRES = (0.7, 7.0)


@dataclass(frozen=True, slots=True)
class Guess:
    """A channel found in a column, with its reason and its doubt."""

    channel: str
    column: int
    header: str
    unit: str
    stated: bool
    score: float
    why: str
    doubt: str = ""
    gauge: bool = False
    raw: str = ""


def guess_channels(
    table: Table, shape: FileShape, taken: list[int]
) -> tuple[list[Guess], list[tuple[str, str]]]:
    """Return the channels that were found, and the columns that were not understood and why."""
    numbers = {
        index: column
        for index in range(len(table.header.raw))
        if index not in taken and (column := _numbers(table, index, shape)) is not None
    }
    guesses = [guess for index, column in numbers.items() for guess in _for(table, index, column)]
    guesses.sort(key=lambda guess: -guess.score)
    chosen: dict[str, Guess] = {}
    used: set[int] = set()
    for guess in guesses:
        if guess.column in used or guess.score < _LEAST_SCORE:
            continue
        rival = chosen.get(guess.channel)
        if rival is None:
            chosen[guess.channel] = guess
            used.add(guess.column)
        elif rival.score - guess.score < 0.1 and not is_set_point(guess.header):
            chosen[guess.channel] = _with_rival(rival, guess, numbers)
    _check_airflow(chosen, numbers)
    order = list(CHANNELS)
    found = sorted(chosen.values(), key=lambda guess: order.index(guess.channel))
    return found, _left_over(table, numbers, used, taken)


def _with_rival(first: Guess, second: Guess, numbers: dict[int, pl.Series]) -> Guess:
    """Say that another column could be the channel as well, or that it shows the same."""
    pair = pl.DataFrame({"a": numbers[first.column], "b": numbers[second.column]}).drop_nulls()
    alike = pair.select(pl.corr("a", "b")).item() if pair.height > 2 else None
    if alike is not None and alike > _ALIKE:
        return replace(first, why=f"{first.why}; {second.header!r} shows the same")
    note = f"{second.header!r} could be it as well"
    return replace(first, doubt=f"{first.doubt}; {note}" if first.doubt else note)


def _numbers(table: Table, index: int, shape: FileShape) -> pl.Series | None:
    cells = table.cells[str(index)]
    if cells.dtype == pl.String:
        cells = pl.DataFrame(cells).select(parsed_number(pl.col(str(index)), shape)).to_series()
    elif not cells.dtype.is_numeric():
        return None
    cells = cells.cast(pl.Float64)
    return cells if cells.count() >= max(3, 0.01 * len(cells)) else None


def _left_over(
    table: Table, numbers: dict[int, pl.Series], used: set[int], taken: list[int]
) -> list[tuple[str, str]]:
    left = []
    for index, header in enumerate(table.header.raw):
        if index in used or index in taken:
            continue
        if index not in numbers:
            left.append((header, "holds no numbers"))
            continue
        low, high = (numbers[index].quantile(q) for q in (0.0, 1.0))
        left.append((header, f"values from {low:g} to {high:g}"))
    return left


def _for(table: Table, index: int, column: pl.Series) -> list[Guess]:
    header = table.header.raw[index]
    signal = signal_of(table.header.names[index])
    if signal is not None:
        why = f"{signal.name} is the {CHANNELS[signal.channel].meaning}"
        looks_raw = not _usual(column, signal.channel, units.named(signal.unit))
        return [
            Guess(signal.channel, index, header, signal.unit, stated=True, score=1.5, why=why,
                  gauge=units.named(signal.unit).gauge, raw=signal.name if looks_raw else "")
        ]  # fmt: skip
    name, stated = _stated_unit(table, index)
    return [
        guess
        for channel, share in meanings(name).items()
        if (guess := _with_unit(channel, share, header, index, column, stated)) is not None
    ]


def _stated_unit(table: Table, index: int) -> tuple[str, str]:
    """Return the header without its unit, and the unit's text where one is known."""
    stated = table.header.unit_texts[index]
    name = table.header.names[index]
    if stated and units.find(stated) is not None:
        return name, stated
    parts = re.split(r"[_ ]+", name)
    for count, join in ((2, "/"), (1, "")):
        text = join.join(parts[-count:])
        if len(parts) > count and units.find(text) is not None and len(text) > 1:
            return " ".join(parts[:-count]), text
    if len(parts) > 1 and parts[-1].casefold() in {"c", "f"}:
        return " ".join(parts[:-1]), parts[-1]
    return name, ""


def _with_unit(
    channel: str, share: float, header: str, index: int, column: pl.Series, stated: str
) -> Guess | None:
    score = share - (0.6 if is_set_point(header) else 0.0)
    if stated:
        unit = units.named(stated)
        target = units.named(CHANNELS[channel].unit)
        if unit.dimension != target.dimension and (channel, unit.dimension) not in BRIDGES:
            return None
        why = f"its name, and its unit {stated} is stated"
        gauge = unit.gauge or _looks_gauge(channel, column, unit)
        doubt = ""
        if gauge and not unit.gauge:
            doubt = "its values begin near 0, so it was taken as a pressure above ambient"
        elif unit.dimension == target.dimension and not _usual(column, channel, unit):
            doubt = "its values are unusual for this channel in this unit"
            score -= 0.2
        return Guess(channel, index, header, stated, stated=True, score=score + 0.3, why=why,
                     doubt=doubt, gauge=gauge)  # fmt: skip
    dimension = units.named(CHANNELS[channel].unit).dimension
    fitting = [
        spelling
        for spelling in COMMON.get(dimension, units.spellings(dimension))
        if _usual(column, channel, units.named(spelling))
    ]
    if not fitting:
        return None
    low, high = column.quantile(0.02), column.quantile(0.98)
    why = f"its name, and values from {low:g} to {high:g} fit {fitting[0]}"
    others = [*fitting[1:4], *_SAME_RANGE.get(channel, ())]
    doubt = f"unit not stated; {', '.join(dict.fromkeys(others))} would fit too" if others else ""
    return Guess(
        channel, index, header, fitting[0], stated=False, score=score, why=why, doubt=doubt
    )


def _usual(column: pl.Series, channel: str, unit: units.Unit) -> bool:
    target = units.named(CHANNELS[channel].unit)
    if unit.dimension != target.dimension or channel not in USUAL:
        return unit.dimension != target.dimension
    factor, offset = units.coefficients(unit, target)
    low, high = (column.quantile(q) for q in (0.02, 0.98))
    if low is None or high is None:
        return False
    low, high = low * factor + offset, high * factor + offset
    a, b, c, d = USUAL[channel]
    return a <= low <= b and c <= high <= d


def _looks_gauge(channel: str, column: pl.Series, unit: units.Unit) -> bool:
    if channel != "manifold_pressure" or unit.dimension != "pressure":
        return False
    low = column.quantile(0.05)
    return low is not None and -50 < low * unit.factor < 20 and not _usual(column, channel, unit)


def _check_airflow(chosen: dict[str, Guess], numbers: dict[int, pl.Series]) -> None:
    """Say what displacement the airflow implies; choose an unstated unit by that."""
    guess = chosen.get("airflow")
    if guess is None or guess.raw or units.named(guess.unit).dimension != "mass_flow":
        return
    others = [chosen.get(name) for name in ("engine_speed", "manifold_pressure")]
    if None in others:
        return
    columns = {
        one.channel: _in_store_unit(numbers[one.column], one) for one in others if one is not None
    }
    litres = {}
    options = (guess.unit,) if guess.stated else ("g/s", "kg/h", "lb/min", "kg/min", "g/h")
    for spelling in options:
        flow = numbers[guess.column] * units.named(spelling).factor
        litres[spelling] = _implied_litres({**columns, "airflow": flow})
    low, high = _LIKELY_LITRES
    fitting = [unit for unit, litre in litres.items() if low <= litre <= high]
    unit = fitting[0] if fitting else guess.unit
    why = f"{guess.why}; speed and pressure then imply an engine of {litres.get(unit, 0):.1f} L"
    doubt = guess.doubt
    if not guess.stated:
        words = ", ".join(f"{one} would mean {litres[one]:.1f} L" for one in fitting[1:])
        doubt = f"unit not stated; {words}" if words else ""
    elif not fitting:
        doubt = "no usual engine breathes so much or so little: check the unit"
    chosen["airflow"] = replace(guess, unit=unit, why=why, doubt=doubt)


def _in_store_unit(column: pl.Series, guess: Guess) -> pl.Series:
    target = units.named(CHANNELS[guess.channel].unit)
    factor, offset = units.coefficients(units.named(guess.unit), target)
    return column * factor + offset + (97.0 if guess.gauge else 0.0)


def _implied_litres(columns: dict[str, pl.Series]) -> float:
    frame = pl.DataFrame(columns)
    at = pl.datetime(2000, 1, 1) + pl.duration(milliseconds=100 * pl.int_range(pl.len()))
    rows = breathing(frame.with_columns(t=at))
    return breathing_ratio(rows, 1.0) / 0.95 if rows.height else float("nan")
