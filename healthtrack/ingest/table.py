"""From text to a table of cells: finding the header, telling data from the rest, counting."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import polars as pl

from healthtrack import units
from healthtrack.errors import LogError
from healthtrack.ingest.pipeline import DELIMITERS
from healthtrack.records import Loss

if TYPE_CHECKING:
    from collections.abc import Iterable

    from healthtrack.ingest.pipeline import FileShape, Pipeline

HEADER_WITHIN = 200
"""The header must stand in the first so many lines."""

LONGEST_LINE = 1_000_000
"""A longer line is no row of a log. [characters]"""

_SHORT = 100  # a longer text is no header that comes again: it is not kept in the cache

MOST_COLUMNS = 5_000
"""A log with more columns is not read."""

_NUMBER = re.compile(r"[+-]?\d+(?:[.,:]\d+)*")
_TO_BE_MADE_PLAIN = re.compile(r"_|[^\S \n]|  |[^\x00-\x7f]")
_BRACKETED = re.compile(r"\s*[\[(]\s*([^\[\]]*?)\s*[\])]\s*$")


@dataclass(frozen=True, slots=True)
class Header:
    """Where the header stands and what it says.

    ``names`` are the headers without their units, ``unit_texts`` the units in brackets (empty
    where there are none), ``raw`` the headers as written, doubly encoded signs repaired.
    """

    line: int
    raw: tuple[str, ...]
    names: tuple[str, ...]
    unit_texts: tuple[str, ...]

    def find(self, wanted: str) -> int | None:
        """Return the column under a header, with or without its unit in brackets."""
        return _places(self.raw, self.names).get(plain(wanted))


@dataclass(frozen=True, slots=True)
class Table:
    """A log's cells as text: columns ``"0"``, ``"1"``, … and ``line`` (number in the file)."""

    header: Header
    cells: pl.DataFrame
    preamble: tuple[str, ...]
    rows: int
    losses: tuple[Loss, ...]


def plain(text: str) -> str:
    """Return a header as it is compared: repaired, lower case, blanks and underscores alike."""
    return _cached_plain(text) if len(text) < _SHORT else _plain(text)


def _plain(text: str) -> str:
    return re.sub(r"[\s_]+", " ", units.repair(text)).strip().casefold()


_cached_plain = lru_cache(maxsize=4096)(_plain)


@lru_cache(maxsize=8)
def _places(raw: tuple[str, ...], names: tuple[str, ...]) -> dict[str, int]:
    """Return the first column of each header, as it is compared; the unit in it goes before."""
    places: dict[str, int] = {}
    for texts in (raw, names):
        for index, text in enumerate(texts):
            places.setdefault(plain(text), index)
    return places


def split_line(line: str, delimiter: str) -> list[str]:
    """Return the cells of one line, quotes undone."""
    if delimiter == " ":
        return line.split()
    if '"' in line:
        try:
            return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
        except csv.Error:
            return [line]
    return line.split(delimiter)


def _printable(text: str) -> str:
    """Take out control characters: headers stand in messages, and those on terminals."""
    if text.isprintable():
        return text
    return "".join(
        letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text
    )


def make_header(cells: Iterable[str], line: int) -> Header:
    """Take the units in brackets apart from the names; empty headers at the end are dropped."""
    raw = [_printable(units.repair(cell.strip())) for cell in cells]
    while raw and not raw[-1]:
        raw.pop()
    names, unit_texts = [], []
    for text in raw:
        found = _BRACKETED.search(text)
        known = found is not None and found.start() > 0
        names.append(text[: found.start()] if found and known else text)
        unit_texts.append(found.group(1) if found and known else "")
    return Header(line, tuple(raw), tuple(names), tuple(unit_texts))


def head_lines(text: str) -> list[tuple[str, str]]:
    """Return the first lines, in which the header must stand, as written and as compared."""
    lines = text[:LONGEST_LINE].split("\n", HEADER_WITHIN)[:HEADER_WITHIN]
    head = "\n".join(lines)
    compared = head.lower().split("\n")
    line, at = 0, 0
    while odd := _TO_BE_MADE_PLAIN.search(head, at):  # rows of numbers need no more than that
        line += head.count("\n", at, odd.start())
        compared[line] = _plain(lines[line])
        at = head.find("\n", odd.end() - 1)
        if at < 0:
            break
    return list(zip(lines, compared, strict=True))


def find_header(lines: list[tuple[str, str]], pipeline: Pipeline) -> Header | None:
    """Return the first line that holds all headers by which the pipeline knows its logs."""
    shape = pipeline.file
    delimiter = DELIMITERS[shape.delimiter]
    needles = sorted((plain(name) for name in pipeline.identify), key=len, reverse=True)
    for number, (line, compared) in enumerate(lines):
        # a long name is in no row of numbers, a short one ("t") may be in all
        if needles[0] not in compared or not all(needle in compared for needle in needles):
            continue
        stripped = line.strip(" ")
        if shape.comment and stripped.startswith(shape.comment):
            stripped = stripped[len(shape.comment) :]
        header = make_header(split_line(stripped, delimiter), number)
        if all(header.find(wanted) is not None for wanted in pipeline.identify):
            return header
    return None


def read_table(
    text: str,
    header: Header,
    shape: FileShape,
    name: str,
    *,
    cut: bool,
    numeric: frozenset[int] = frozenset(),
) -> Table:
    """Take the text under a header apart.

    The ``numeric`` columns are read as numbers at once where every cell of them is one or empty.

    Rows with more or fewer cells than the header are left out and counted (``ragged_row``), as are
    repeats of the header (``repeated_header``). Where the file does not end with a line end, its
    last line may have been cut inside a number and is left out (``truncated``).

    Raises
    ------
    LogError
        ``too_many_columns``, ``long_line``, ``ragged`` or ``no_rows``.
    """
    if len(header.raw) > MOST_COLUMNS:
        raise LogError(
            "too_many_columns",
            f"{name} has {len(header.raw)} columns; up to {MOST_COLUMNS} are read. "
            "The file is left as it is. Export only the channels that are needed.",
        )
    regular = None if cut else _regular(text, header, shape, numeric)
    if regular is not None:
        return regular
    lines = text.split("\n")
    preamble = tuple(lines[: header.line])
    first = header.line + 1
    if shape.units_row:
        header, first = _with_units_row(header, lines, first, shape)
    unfinished = bool(lines[-1].strip()) or cut
    if not lines[-1].strip():
        lines.pop()
    numbered = pl.DataFrame({"text": lines[first:]}, schema={"text": pl.String}).with_columns(
        line=pl.int_range(first + 1, first + 1 + pl.len(), dtype=pl.Int64)
    )
    longest = numbered["text"].str.len_bytes().max()
    if isinstance(longest, int) and longest > LONGEST_LINE:
        raise LogError(
            "long_line",
            f"{name} has a line of {longest} characters; a row of a log is far shorter. The file "
            "is left as it is. Check its line ends and its delimiter.",
        )
    losses: list[Loss] = []
    if unfinished and numbered.height:
        numbered = numbered.head(numbered.height - 1)
        losses.append(Loss("truncated", 1))
    header_text = lines[header.line].strip()
    data, others = _only_data(numbered, header_text, shape)
    losses += others
    cells, ragged = _cells(data, len(header.raw), shape)
    rows = cells.height + sum(loss.count for loss in losses) + ragged
    if ragged:
        losses.append(Loss("ragged_row", ragged))
    if ragged > cells.height:
        raise LogError(
            "ragged",
            f"{name}: {ragged} of {rows} rows have another number of cells than the "
            f"{len(header.raw)} headers in line {header.line + 1}. The delimiter is taken to be "
            f"{shape.delimiter}. Mend file.delimiter or file.decimal of the pipeline.",
        )
    if cells.is_empty():
        raise LogError(
            "too_few_rows",
            f"{name} has its header in line {header.line + 1} and no complete row under it. "
            "If the logger was switched off at once, delete the file.",
        )
    return Table(header, cells, preamble, rows, tuple(losses))


def _regular(text: str, header: Header, shape: FileShape, numeric: frozenset[int]) -> Table | None:
    """Take a text apart at once where every line is a row of just as many cells as the header.

    Most logs are so. Where any line is not, or might not be, nothing is returned and the lines are
    looked at one by one. That all rows have the right number of cells follows from the number of
    delimiters: a row with too many is an error of the reader, so none can make up for a short one.
    """
    delimiter = DELIMITERS[shape.delimiter]
    head = text.split("\n", header.line + 2)
    if len(head) < header.line + 3 or not text.endswith("\n"):
        return None
    written = head[header.line].strip()
    first = header.line + 1
    if shape.units_row:
        header, first = _with_units_row(header, head[:-1], first, shape)
    body = head[-1] if first > header.line + 1 else f"{head[-2]}\n{head[-1]}"
    rows, width = body.count("\n"), len(header.raw)
    odd = (
        delimiter == " "
        or body.count(delimiter) != rows * (width - 1)
        or any(mark in body for mark in ('"', "\x00", "\n\n", written))
        or (shape.comment and shape.comment in body)
        or len(body) > rows * _SHORT * width
    )
    if odd or not rows:
        return None
    cells = _read_csv_or_none(body, width, delimiter, numeric) if numeric else None
    if cells is None:  # no columns of numbers, or an odd cell in one of them
        cells = _read_csv_or_none(body, width, delimiter, frozenset())
    if cells is None or cells.height != rows:
        return None
    line = pl.int_range(first + 1, first + 1 + rows, dtype=pl.Int64, eager=True).alias("line")
    return Table(header, cells.with_columns(line), tuple(head[: header.line]), rows, ())


def _read_csv_or_none(
    body: str, width: int, delimiter: str, numeric: frozenset[int]
) -> pl.DataFrame | None:
    try:
        return _read_csv(body, width, delimiter, numeric)
    except pl.exceptions.PolarsError:
        return None


def _read_csv(
    body: str, width: int, delimiter: str, numeric: frozenset[int] = frozenset()
) -> pl.DataFrame:
    return pl.read_csv(
        io.BytesIO(body.encode()),
        has_header=False,
        separator=delimiter,
        quote_char=None,
        infer_schema=False,
        schema={
            str(column): pl.Float64 if column in numeric else pl.String for column in range(width)
        },
    )


def _with_units_row(
    header: Header, lines: list[str], first: int, shape: FileShape
) -> tuple[Header, int]:
    """Return the header with the units under it, and the line where the data begin."""
    if first >= len(lines):
        return header, first
    cells = split_line(lines[first], DELIMITERS[shape.delimiter])
    texts = [units.repair(cell.strip()) for cell in cells][: len(header.raw)]
    if sum(_NUMBER.fullmatch(text) is not None for text in texts) > len(texts) // 2:
        return header, first  # a row of numbers: this log has no row of units
    texts += [""] * (len(header.raw) - len(texts))
    return Header(header.line, header.raw, header.names, tuple(texts)), first + 1


def _only_data(
    numbered: pl.DataFrame, header_text: str, shape: FileShape
) -> tuple[pl.DataFrame, list[Loss]]:
    text = pl.col("text").str.strip_chars()
    keep = text != ""
    if shape.comment:
        keep &= ~text.str.starts_with(shape.comment)
    repeated = text == header_text
    count = int(numbered.select(repeated.sum()).item())
    data = numbered.filter(keep & ~repeated)
    return data, [Loss("repeated_header", count)] if count else []


def _cells(data: pl.DataFrame, width: int, shape: FileShape) -> tuple[pl.DataFrame, int]:
    """Return the cells and how many rows had another number of them."""
    delimiter = DELIMITERS[shape.delimiter]
    written = data.height
    data = data.filter(~pl.col("text").str.contains("\x00", literal=True))
    lost = written - data.height
    cells, ragged = _split(data, width, delimiter)
    return cells, ragged + lost


def _split(data: pl.DataFrame, width: int, delimiter: str) -> tuple[pl.DataFrame, int]:
    if data["text"].str.contains('"', literal=True).any():
        return _quoted_cells(data, width, delimiter)
    if delimiter == " ":
        joined = [" ".join(line.split()) for line in data["text"]]
        data = data.with_columns(pl.Series("text", joined, dtype=pl.String))
    count = pl.col("text").str.count_matches(delimiter, literal=True) + 1
    trailing = (count == width + 1) & pl.col("text").str.ends_with(delimiter)
    good = data.filter((count == width) | trailing).with_columns(
        text=pl.when(trailing).then(pl.col("text").str.strip_suffix(delimiter)).otherwise("text")
    )
    names = [str(index) for index in range(width)]
    if good.is_empty():
        empty = pl.DataFrame(schema=dict.fromkeys(names, pl.String))
        return empty.with_columns(line=pl.lit(None, dtype=pl.Int64)), data.height
    cells = _read_csv("\n".join(good["text"]), width, delimiter)
    return cells.with_columns(good["line"]), data.height - good.height


def _quoted_cells(data: pl.DataFrame, width: int, delimiter: str) -> tuple[pl.DataFrame, int]:
    kept: list[list[str]] = []
    lines: list[int] = []
    for line, text in zip(data["line"], data["text"], strict=True):
        cells = split_line(text, delimiter)
        if len(cells) == width + 1 and not cells[-1].strip():
            cells.pop()
        if len(cells) == width:
            kept.append(cells)
            lines.append(line)
    columns = list(zip(*kept, strict=True)) if kept else [()] * width
    frame = pl.DataFrame(
        {
            str(index): pl.Series(list(column), dtype=pl.String)
            for index, column in enumerate(columns)
        }
    )
    return frame.with_columns(pl.Series("line", lines, dtype=pl.Int64)), data.height - len(kept)
