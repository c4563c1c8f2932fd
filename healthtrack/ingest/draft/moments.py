"""Where a strange log's time may come from."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING

import polars as pl

from healthtrack.ingest.draft.names import folded, may_be_time
from healthtrack.ingest.pipeline import TimeBase

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from healthtrack.ingest.table import Table

_ISO = r"^\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}:\d{2}"
_WITH_ZONE = r"(?:Z|[+-]\d{2}:?\d{2})$"
_OF_DAY = r"^\d{1,2}:\d{2}:\d{2}(?:[.,]\d+)?$"
_DATES = (
    # expression of the date, pattern day first, pattern month first
    (r"\d{1,2}\.\d{1,2}\.\d{4}", "%d.%m.%Y", "%m.%d.%Y"),
    (r"\d{1,2}/\d{1,2}/\d{4}", "%d/%m/%Y", "%m/%d/%Y"),
    (r"\d{1,2}-\d{1,2}-\d{4}", "%d-%m-%Y", "%m-%d-%Y"),
    (r"\d{4}/\d{2}/\d{2}", "%Y/%m/%d", ""),
    (r"\d{4}-\d{2}-\d{2}", "%Y-%m-%d", ""),
)
_WRITTEN = (
    # how a date or a start may be written in a name or a preamble, most telling first
    (r"(\d{4}-\d{2}-\d{2}[ T_]\d{2}:\d{2}:\d{2})", ("%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S")),
    (r"(\d{4}-\d{2}-\d{2}[ T_-]\d{6})", ("%Y-%m-%d_%H%M%S", "%Y-%m-%d-%H%M%S", "%Y-%m-%dT%H%M%S")),
    (r"(\d{8}[T_-]\d{6})", ("%Y%m%d_%H%M%S", "%Y%m%d-%H%M%S", "%Y%m%dT%H%M%S")),
    (r"(\d{1,2}\.\d{1,2}\.\d{4} \d{2}:\d{2}:\d{2})", ("%d.%m.%Y %H:%M:%S",)),
    (r"(\d{4}-\d{2}-\d{2})", ("%Y-%m-%d",)),
    (r"((?:19|20)\d{6})", ("%Y%m%d",)),
    (r"(\d{2}\.\d{2}\.\d{4})", ("%d.%m.%Y",)),
    (r"(\d{2}-\d{2}-\d{4})", ("%d-%m-%Y",)),
)


@dataclass
class Clock:
    """What was found of the time: settings, and remarks and doubts for a person."""

    base: TimeBase
    why: list[str] = field(default_factory=list)
    doubts: list[str] = field(default_factory=list)


def find_clock(table: Table, path: Path) -> Clock | None:
    """Tell which column holds the time and in which form; None where none does."""
    candidates = [
        index for index in range(len(table.header.raw)) if may_be_time(table.header.names[index])
    ] or list(range(min(3, len(table.header.raw))))
    candidates.sort(key=lambda index: not may_be_time(table.header.names[index]))
    for index in candidates:
        for tell in (_typed, _iso, _date_and_time, _of_day, _epoch, _elapsed):
            clock = tell(table, index, path)
            if clock is not None:
                return clock
    return None


def _texts(table: Table, index: int) -> pl.Series:
    cells = table.cells[str(index)].drop_nulls()
    return cells.cast(pl.String).str.strip_chars(' "').head(500)


def _share(texts: pl.Series, expression: str) -> float:
    share = texts.str.contains(expression).mean() if len(texts) else 0.0
    return float(share) if isinstance(share, float) else 0.0


def _typed(table: Table, index: int, path: Path) -> Clock | None:  # noqa: ARG001 - as the others
    dtype = table.cells[str(index)].dtype
    if not isinstance(dtype, pl.Datetime):
        return None
    base = TimeBase(columns=[table.header.names[index]], form="timestamp")
    doubts = [] if dtype.time_zone else [_zone_doubt()]
    return Clock(base, ["the column has a type for moments"], doubts)


def _iso(table: Table, index: int, path: Path) -> Clock | None:  # noqa: ARG001 - as the others
    texts = _texts(table, index)
    if _share(texts, _ISO) < 0.9:
        return None
    clock = Clock(TimeBase(columns=[table.header.names[index]], form="timestamp"))
    clock.why.append(f"ISO 8601, like {texts[0]}")
    if _share(texts, _WITH_ZONE) < 0.9:
        clock.doubts.append(_zone_doubt())
    return clock


def _date_and_time(table: Table, index: int, path: Path) -> Clock | None:  # noqa: ARG001 - as the others
    texts = _texts(table, index)
    for expression, day_first, month_first in _DATES:
        both = _share(texts, rf"^{expression} \d{{1,2}}:\d{{2}}:\d{{2}}(?:[.,]\d+)?$") > 0.9
        alone = _share(texts, rf"^{expression}$") > 0.9
        if not both and not alone:
            continue
        columns = [table.header.names[index]]
        if alone:
            partner = next(
                (
                    other
                    for other in range(len(table.header.raw))
                    if other != index and _share(_texts(table, other), _OF_DAY) > 0.9
                ),
                None,
            )
            if partner is None:
                continue
            columns.append(table.header.names[partner])
        pattern, doubts = _day_or_month(texts, day_first, month_first)
        base = TimeBase(columns=columns, form="timestamp", pattern=f"{pattern} %H:%M:%S%.f")
        return Clock(base, [f"date and time, like {texts[0]}"], [*doubts, _zone_doubt()])
    return None


def _day_or_month(texts: pl.Series, day_first: str, month_first: str) -> tuple[str, list[str]]:
    if not month_first:
        return day_first, []
    numbers = texts.str.extract_groups(r"^(\d{1,2})\D(\d{1,2})\D").struct.unnest()
    first, second = (numbers[name].cast(pl.Int64).max() for name in ("1", "2"))
    if isinstance(second, int) and second > 12:
        return month_first, []
    if isinstance(first, int) and first > 12:
        return day_first, []
    if "." in day_first:
        return day_first, []
    doubt = (
        f"day first or month first? {texts[0]} can be either; day first was assumed "
        f"(otherwise {month_first})"
    )
    return day_first, [doubt]


def _of_day(table: Table, index: int, path: Path) -> Clock | None:
    texts = _texts(table, index)
    if _share(texts, _OF_DAY) < 0.9:
        return None
    return _with_start(table, index, path, "time_of_day", f"a time of day, like {texts[0]}")


def _with_start(table: Table, index: int, path: Path, form: str, why: str) -> Clock:
    for where, places in (
        ("preamble", list(table.preamble)),
        ("name", [path.name, path.parent.name]),
    ):
        for expression, patterns in _WRITTEN:
            found = _first_fit(places, expression, patterns, form)
            if found is None:
                continue
            search, pattern, text = found
            base = TimeBase(
                columns=[table.header.names[index]],
                form=form,  # type: ignore[arg-type]
                start_from=where,  # type: ignore[arg-type]
                start_search=search,
                start_pattern=pattern,
            )
            in_utc = any(re.search(re.escape(text) + r" ?(?:UTC|Z|GMT)\b", one) for one in places)
            doubts = [] if in_utc else [_zone_doubt()]
            return Clock(base, [why, f"the date in the {where}: {text}"], doubts)
    base = TimeBase(
        columns=[table.header.names[index]],
        form=form,  # type: ignore[arg-type]
        start_from="name",
        start_search=r"(\d{4}-\d{2}-\d{2})",
        start_pattern="%Y-%m-%d",
    )
    doubt = (
        "neither the rows nor the preamble nor the file's name hold a date: put it into the name, "
        "like 2024-03-01, or mend start_from and start_search"
    )
    return Clock(base, [why], [doubt, _zone_doubt()])


def _first_fit(
    places: Sequence[str], expression: str, patterns: Sequence[str], form: str
) -> tuple[str, str, str] | None:
    for place in places:
        match = re.search(expression, place)
        if match is None:
            continue
        for pattern in patterns:
            try:
                datetime.strptime(match.group(1), pattern)  # noqa: DTZ007 - only tried
            except ValueError:
                continue
            if form == "time_of_day" and "%H" in pattern:
                continue  # the rows have the time: the date is enough
            return expression, pattern, match.group(1)
    return None


def _epoch(table: Table, index: int, path: Path) -> Clock | None:  # noqa: ARG001 - as the others
    numbers = _numbers(table, index)
    if numbers is None or not may_be_time(table.header.names[index]):
        return None
    low, high = numbers.min(), numbers.max()
    for unit, factor in (("s", 1.0), ("ms", 1e3), ("us", 1e6)):
        if 8e8 * factor < low and high < 4e9 * factor:  # type: ignore[operator]
            base = TimeBase(
                columns=[table.header.names[index]],
                form="epoch",
                unit=unit,  # type: ignore[arg-type]
            )
            return Clock(base, [f"{unit} since 1970, like {numbers[0]:.0f}"])
    return None


def _elapsed(table: Table, index: int, path: Path) -> Clock | None:
    numbers = _numbers(table, index)
    if numbers is None or len(numbers) < 5 or not may_be_time(table.header.names[index]):
        return None
    steps = numbers.diff().drop_nulls()
    if steps.min() < 0 or numbers[0] < 0:  # type: ignore[operator]
        return None
    usual = steps.filter(steps > 0).median()
    middle = usual if isinstance(usual, float) else 1.0
    unit = _elapsed_unit(table, index, middle)
    clock = _with_start(table, index, path, "elapsed", f"elapsed time, steps of {middle:g} {unit}")
    return Clock(clock.base.model_copy(update={"unit": unit}), clock.why, clock.doubts)


def _elapsed_unit(table: Table, index: int, step: float) -> str:
    stated = folded(table.header.unit_texts[index])
    if stated in {"ms", "s", "min", "h"}:
        return stated
    return "ms" if step >= 20 and step == round(step) else "s"


def _numbers(table: Table, index: int) -> pl.Series | None:
    texts = _texts(table, index)
    numbers = texts.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    return (
        None if not len(texts) or numbers.null_count() > 0.1 * len(texts) else numbers.drop_nulls()
    )


def _zone_doubt() -> str:
    return "the time zone is not written in the log; UTC was assumed"
