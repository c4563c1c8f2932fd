"""How the templates write: numbers and quantities as the reader of reports wants them."""

from __future__ import annotations

import math
from functools import wraps
from typing import TYPE_CHECKING, Any

from healthtrack.config import MAINTENANCE_KINDS
from healthtrack.report import facts, numbers, quality, words
from healthtrack.report.style import MARKS

if TYPE_CHECKING:
    from collections.abc import Callable

    from healthtrack.report.reader import Reader


def filters(reader: Reader) -> dict[str, Callable[..., Any]]:
    """Return the templates' filters for one reader."""

    def written(write: Callable[..., str]) -> Callable[..., str]:
        @wraps(write)
        def wrapped(*given: Any, **more: Any) -> str:  # noqa: ANN401 - as the filter takes them
            return reader.marks.written(write(*given, **more))

        return wrapped

    def measured(value: float | None, unit: str, decimals: int = 1) -> str:
        """Write what stands in the store's unit in the reader's, as finely."""
        if value is None:
            return numbers.number(None)
        units = reader.units
        return numbers.quantity(
            units.value(value, unit), units.unit(unit), finer(decimals, units.factor(unit))
        )

    def bare(value: float | None, unit: str, decimals: int = 1) -> str:
        """Write the same without its unit, for a column that has it in its head."""
        if value is None:
            return numbers.number(None)
        units = reader.units
        return numbers.number(units.value(value, unit), finer(decimals, units.factor(unit)))

    def sentence(told: str) -> str:
        """Write a sentence of another block with its quantities in the reader's units."""
        return numbers.typeset(reader.units.sentence(told))

    def in_unit(unit: str) -> str:
        """Return what a unit of the store is shown in."""
        return reader.units.unit(unit)

    return {
        "number": written(numbers.number),
        "quantity": written(numbers.quantity),
        "measured": written(measured),
        "bare": written(bare),
        "percent": written(numbers.percent),
        "count": written(numbers.count),
        "typeset": written(numbers.typeset),
        "sentence": written(sentence),
        "written": written(str),
        "level": written(_level),
        "band": written(_band),
        "limit": written(facts.limit_words),
        "since": written(lambda item: facts.since_words(item, reader.units.distance)),
        "others": written(facts.others_words),
        "in_unit": in_unit,
        "day": numbers.day,
        "short_day": numbers.short_day,
        "label": words.label,
        "meaning": words.meaning,
        "cause": words.cause,
        "cause_size": words.cause_size,
        "reason": words.reason,
        "region": lambda name: words.REGIONS.get(name, name.replace("_", " ")),
        "work": lambda kind: MAINTENANCE_KINDS.get(kind, (kind, ()))[0],
        "moment": lambda moment: f"{numbers.short_day(moment.date())}, {moment:%H:%M} UTC",
    }


def constants() -> dict[str, Any]:
    """Return what templates know besides."""
    return {
        "MARKS": MARKS,
        "KINDS": MAINTENANCE_KINDS,
        "ROWS": quality.ROWS,
        "RUNNING": quality.RUNNING,
        "falls": quality.falls,
        "next_steps": words.next_steps,
    }


def finer(decimals: int, factor: float) -> int:
    """Return the decimals in a unit of which one of the store's is ``factor``.

    Examples
    --------
    >>> finer(0, 0.145), finer(1, 0.62), finer(1, 3.6)
    (1, 1, 0)
    """
    return max(0, decimals - round(math.log10(factor)))


def _level(item: Any) -> str:  # noqa: ANN401 - a finding of an indicator, or a change
    return numbers.quantity(item.level, item.unit, numbers.decimals_for(item.low, item.high))


def _band(item: Any) -> str:  # noqa: ANN401 - anything with ends
    low, high = item.low, item.high
    return numbers.span(low, high, numbers.decimals_for(low, high))
