"""How a strange text file is laid out: delimiter, decimal mark, header, units row, remarks."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass

from healthtrack import units
from healthtrack.errors import LogError
from healthtrack.ingest.pipeline import DELIMITERS, FileShape
from healthtrack.ingest.table import split_line

LOOKED_AT = 2_000
"""So many lines are looked at."""

_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d+)*|[.,]\d+)(?:[eE][+-]?\d+)?")
_MOMENT = re.compile(r"[\d:.,/TZ +-]*\d[\d:.,/TZ +-]*")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")
_DECIMAL_POINT = re.compile(r"[+-]?\d+\.\d+")
_THOUSANDS_POINT = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+,\d+")
_THOUSANDS_COMMA = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+\.\d+")
_COMMENTS = ("#", "//", "%", "*", "'")


@dataclass(frozen=True, slots=True)
class Layout:
    """What was found: the shape, the header's line (from zero), its cells, and doubts."""

    shape: FileShape
    header_line: int
    header: tuple[str, ...]
    doubts: tuple[str, ...] = ()


def find_layout(text: str, name: str) -> Layout:
    """Tell how a text log is laid out.

    Raises
    ------
    LogError
        ``no_layout`` where no table is found.
    """
    lines = text.split("\n", LOOKED_AT)[:LOOKED_AT]
    delimiter, width = _delimiter(lines, name)
    mark = DELIMITERS[delimiter]
    rows = [split_line(line.strip(" "), mark) for line in lines]
    first = next((at for at, row in enumerate(rows) if _is_data(row, width)), None)
    if first is None:
        raise _none(name, "no line of numbers")
    above = [at for at in range(first) if _cells(lines[at], mark) in {width, width + 1}]
    if not above:
        raise _none(name, f"line {first + 1} holds numbers, but there is no header above it")
    units_row = len(above) >= 2 and _is_units_row(rows[above[-1]])
    header_line = above[-2] if units_row else above[-1]
    comment = next((c for c in _COMMENTS if any(line.startswith(c) for line in lines)), "")
    header_text = lines[header_line].strip(" ")
    if comment and header_text.startswith(comment):
        header_text = header_text[len(comment) :]
    cells = [cell for row in rows[first:] if _is_data(row, width) for cell in row]
    decimal, thousands, doubts = _marks(cells, delimiter)
    shape = FileShape(
        delimiter=delimiter,  # type: ignore[arg-type]
        decimal=decimal,  # type: ignore[arg-type]
        thousands=thousands,  # type: ignore[arg-type]
        comment=comment,
        units_row=units_row,
    )
    return Layout(shape, header_line, tuple(split_line(header_text, mark)), doubts)


def _none(name: str, found: str) -> LogError:
    return LogError(
        "no_layout",
        f"{name}: no table was found ({found}). Expected a header line and rows of numbers under "
        "it, set apart by commas, semicolons, tabs, pipes or blanks.",
    )


def _cells(line: str, mark: str) -> int:
    stripped = line.strip(" ")
    for comment in _COMMENTS:
        stripped = stripped.removeprefix(comment)
    return len(split_line(stripped, mark))


def _delimiter(lines: list[str], name: str) -> tuple[str, int]:
    """Return the delimiter whose number of cells is the same on most lines, and that number."""
    tail = [line for line in lines[len(lines) // 3 :] if line.strip()] or lines
    best: tuple[float, str, int] = (0.0, "", 0)
    for delimiter in ("tab", "semicolon", "pipe", "comma", "blanks"):
        widths = Counter(len(split_line(line.strip(" "), DELIMITERS[delimiter])) for line in tail)
        width, count = widths.most_common(1)[0]
        share = count / len(tail)
        if width >= 2 and share > max(best[0] + 0.05, 0.5):
            best = (share, delimiter, width)
    if not best[1]:
        raise _none(name, "no delimiter gives the same number of cells on most lines")
    return best[1], best[2]


def _is_data(row: list[str], width: int) -> bool:
    if len(row) != width:
        return False
    filled = [cell.strip(' "') for cell in row if cell.strip(' "')]
    numbers = sum(bool(_NUMBER.fullmatch(cell) or _MOMENT.fullmatch(cell)) for cell in filled)
    return bool(filled) and numbers >= 0.45 * len(filled)


def _is_units_row(row: list[str]) -> bool:
    filled = [cell.strip() for cell in row if cell.strip()]
    known = sum(units.find(cell) is not None for cell in filled)
    return bool(filled) and known >= 0.5 * len(filled)


def _marks(cells: list[str], delimiter: str) -> tuple[str, str, tuple[str, ...]]:
    texts = [cell.strip(' "') for cell in cells]
    comma = sum(_DECIMAL_COMMA.fullmatch(text) is not None for text in texts)
    point = sum(_DECIMAL_POINT.fullmatch(text) is not None for text in texts)
    if any(_THOUSANDS_POINT.fullmatch(text) for text in texts) and delimiter != "comma":
        return ",", ".", ()
    if any(_THOUSANDS_COMMA.fullmatch(text) for text in texts) and delimiter != "comma":
        return ".", ",", ()
    if comma > point and delimiter != "comma":
        return ",", "", ()
    if not comma and not point:
        return ".", "", ("no number has a decimal mark; the point was assumed",)
    return ".", "", ()
