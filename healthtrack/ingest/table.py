"""From text to a table of cells: finding the header, telling data from the rest, counting."""

from __future__ import annotations

import csv
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
    from collections.abc import Iterable, Iterator

    from healthtrack.ingest.pipeline import FileShape, Pipeline

HEADER_WITHIN = 200
"""The header must stand in the first so many lines."""

LONGEST_LINE = 1_000_000
"""A longer line is no row of a log. [characters]"""

_PART = 2 * 2**20
"""So much is looked at line by line at a time, which bounds what texts of Python's take. [byte]"""

_SHORT = 100  # a longer text is no header that comes again: it is not kept in the cache

MOST_COLUMNS = 5_000
"""A log with more columns is not read."""

MOST_CELLS = 6_000_000
"""A log of a packed form with more cells is not read: 20 channels at ten rows per second for eight
hours, twice what a text of the longest holds. Six million took a process to 480 MB."""

_NUMBER = re.compile(r"[+-]?\d+(?:[.,:]\d+)*")
_TO_BE_MADE_PLAIN = re.compile(r"_|[^\S \n]|  |[^\x00-\x7f]")
_ODD_MARKS = "_\t\r\v\f\x1c\x1d\x1e\x1f"  # all of that in a text of ASCII, but for two blanks
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


@dataclass(frozen=True, slots=True)
class Wanted:
    """The columns of a log that are kept, and which of them should hold plain numbers."""

    columns: frozenset[int]
    numeric: frozenset[int] = frozenset()


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


def head_lines(text: bytes) -> list[tuple[str, str]]:
    """Return the first lines, in which the header must stand, as written and as compared."""
    begin = text[: 4 * LONGEST_LINE].decode(errors="ignore")[:LONGEST_LINE]
    lines = begin.split("\n", HEADER_WITHIN)[:HEADER_WITHIN]
    head = "\n".join(lines)
    compared = head.lower().split("\n")
    line, at = 0, 0
    # rows of numbers need no more than that, which is told faster than it is searched for
    while not _is_plain(head[at:]) and (odd := _TO_BE_MADE_PLAIN.search(head, at)):
        line += head.count("\n", at, odd.start())
        compared[line] = _plain(lines[line])
        at = head.find("\n", odd.end() - 1)
        if at < 0:
            break
    return list(zip(lines, compared, strict=True))


def _is_plain(head: str) -> bool:
    return head.isascii() and "  " not in head and not any(mark in head for mark in _ODD_MARKS)


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
    text: bytes,
    header: Header,
    shape: FileShape,
    name: str,
    *,
    cut: bool,
    wanted: Wanted | None = None,
) -> Table:
    """Take the text, UTF-8, under a header apart.

    The ``wanted`` columns are kept, all of them where none are named; those that should hold
    numbers are read as such at once where every cell of them is one or empty.

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
    starts, lines = _first_lines(text, header.line + 2)
    written, preamble, first = lines[header.line].strip(), tuple(lines[: header.line]), header.line
    first += 1
    if shape.units_row:
        header, first = _with_units_row(header, lines, first, shape)
    body = _Body(text, starts[first] if first < len(starts) else len(text) + 1, first, written)
    width = len(header.raw)
    kept = [str(at) for at in range(width) if wanted is None or at in wanted.columns]
    numeric = frozenset() if wanted is None else wanted.numeric
    regular = None if cut else _regular(body, width, shape, numeric)
    if regular is not None:
        return Table(header, regular.select(*kept, "line"), preamble, regular.height, ())
    cells, losses = _irregular(body, header, shape, name, kept=kept, cut=cut)
    rows = cells.height + sum(loss.count for loss in losses)
    return Table(header, cells, preamble, rows, losses)


@dataclass(frozen=True, slots=True)
class _Body:
    """The rows of a log: the whole text, where they begin in it, how many lines stand above them.

    ``header`` is the header's line as written, without blanks around it.
    """

    text: bytes
    start: int
    lines_above: int
    header: str

    def holds(self, mark: str) -> bool:
        """Say whether a mark stands anywhere in the rows."""
        return self.text.find(mark.encode(), self.start) >= 0


def _first_lines(text: bytes, count: int) -> tuple[list[int], list[str]]:
    """Return where the first lines and the one behind them begin, and what they say."""
    starts = [0]
    while len(starts) <= count and (end := text.find(b"\n", starts[-1])) >= 0:
        starts.append(end + 1)
    ends = [*(start - 1 for start in starts[1:]), len(text)]
    pairs = list(zip(starts, ends, strict=True))[:count]
    return starts, [text[start:end].decode() for start, end in pairs]


def _regular(
    body: _Body, width: int, shape: FileShape, numeric: frozenset[int]
) -> pl.DataFrame | None:
    """Take a text apart at once where every line is a row of just as many cells as the header.

    Most logs are so. Where any line is not, or might not be, nothing is returned and the lines are
    looked at one by one. That all rows have the right number of cells follows from the number of
    delimiters: a row with too many is an error of the reader, so none can make up for a short one.
    """
    text, start = body.text, body.start
    delimiter = DELIMITERS[shape.delimiter]
    rows = text.count(b"\n", start)
    if not rows or not text.endswith(b"\n") or delimiter == " ":
        return None
    odd = (
        text.count(delimiter.encode(), start) != rows * (width - 1)
        or any(body.holds(mark) for mark in ('"', "\x00", "\n\n", body.header))
        or (shape.comment and body.holds(shape.comment))
        or len(text) - start > rows * _SHORT * width
    )
    if odd:
        return None
    above = body.lines_above
    cells = _read_csv_or_none(text, width, delimiter, numeric, above) if numeric else None
    if cells is None:  # no columns of numbers, or an odd cell in one of them
        cells = _read_csv_or_none(text, width, delimiter, frozenset(), above)
    if cells is None or cells.height != rows:
        return None
    return cells.with_columns(_line_numbers(above, rows))


def _line_numbers(above: int, rows: int) -> pl.Series:
    """Return where lines stand in the file, counted from one."""
    return pl.int_range(above + 1, above + 1 + rows, dtype=pl.Int64, eager=True).alias("line")


def _irregular(
    body: _Body, header: Header, shape: FileShape, name: str, *, kept: list[str], cut: bool
) -> tuple[pl.DataFrame, tuple[Loss, ...]]:
    """Take a text apart line by line, some MiB of them at a time, and count what is left out.

    Raises
    ------
    LogError
        ``long_line``, ``ragged`` or ``too_few_rows``.
    """
    stop, whole = _last_line(body.text)
    advice = "Check its line ends and its delimiter."
    refuse_long_lines(body.text, body.start, stop, name, advice)
    losses: list[Loss] = []
    if (cut or not whole) and body.start <= stop:
        stop = max(body.text.rfind(b"\n", body.start, stop), body.start - 1)
        losses.append(Loss("truncated", 1))
    cells, repeated, ragged = _line_by_line(body, stop, len(header.raw), shape, kept)
    if repeated:
        losses.append(Loss("repeated_header", repeated))
    if ragged:
        losses.append(Loss("ragged_row", ragged))
    if ragged > cells.height:
        rows = cells.height + sum(loss.count for loss in losses)
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
    return cells, tuple(losses)


def _last_line(text: bytes) -> tuple[int, bool]:
    """Return where the last line ends that says something, and whether it is a whole one."""
    end = text.rfind(b"\n")
    whole = not text[end + 1 :].decode().strip()
    return (end if whole else len(text)), whole


def refuse_long_lines(text: bytes, start: int, stop: int, name: str, advice: str) -> None:
    """Refuse a text with a line that is longer than any row of a log.

    Raises
    ------
    LogError
        ``long_line``.
    """
    at = start
    while stop - at > LONGEST_LINE:
        end = text.rfind(b"\n", at, at + LONGEST_LINE + 1)
        if end < 0:
            longest = max(map(len, text[start:stop].split(b"\n")))
            raise LogError(
                "long_line",
                f"{name} has a line of {longest} characters; a row of a log is far shorter. The "
                f"file is left as it is. {advice}",
            )
        at = end + 1


def _line_by_line(
    body: _Body, stop: int, width: int, shape: FileShape, kept: list[str]
) -> tuple[pl.DataFrame, int, int]:
    """Return the cells, how many rows repeat the header, and how many are of another width."""
    quoted = body.holds('"') and any(
        _with_quotes(_only_data(part, body.header, shape)[0]) for part in _parts(body, stop)
    )
    frames, repeats, ragged = [_no_cells(width).select(*kept, "line")], 0, 0
    for part in _parts(body, stop):
        data, repeated = _only_data(part, body.header, shape)
        cells = _cells(data, width, shape, quoted=quoted)
        frames.append(cells.select(*kept, "line"))
        repeats, ragged = repeats + repeated, ragged + data.height - cells.height
    return pl.concat(frames), repeats, ragged


def _parts(body: _Body, stop: int) -> Iterator[pl.DataFrame]:
    """Yield the rows as ``text`` with their ``line``, some MiB of them at a time."""
    above = body.lines_above
    for lines in line_parts(body.text, body.start, stop):
        part = pl.DataFrame({"text": lines}, schema={"text": pl.String})
        yield part.with_columns(_line_numbers(above, len(lines)))
        above += len(lines)


def line_parts(text: bytes, start: int, stop: int) -> Iterator[list[str]]:
    """Yield the lines between two places, some MiB of them at a time."""
    while start <= stop:
        end = text.find(b"\n", min(start + _PART, stop), stop)
        end = stop if end < 0 else end
        yield text[start:end].decode().split("\n")
        start = end + 1


def _read_csv_or_none(
    text: bytes, width: int, delimiter: str, numeric: frozenset[int], lines_above: int
) -> pl.DataFrame | None:
    try:
        return _read_csv(text, width, delimiter, numeric, lines_above)
    except pl.exceptions.PolarsError:
        return None


def _read_csv(
    text: bytes,
    width: int,
    delimiter: str,
    numeric: frozenset[int] = frozenset(),
    lines_above: int = 0,
) -> pl.DataFrame:
    return pl.read_csv(
        text,
        has_header=False,
        separator=delimiter,
        quote_char=None,
        infer_schema=False,
        skip_lines=lines_above,
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


def _only_data(part: pl.DataFrame, header_text: str, shape: FileShape) -> tuple[pl.DataFrame, int]:
    """Return the rows that are neither empty nor comments, and how many repeat the header."""
    text = pl.col("text").str.strip_chars()
    keep = text != ""
    if shape.comment:
        keep &= ~text.str.starts_with(shape.comment)
    repeated = text == header_text
    count = int(part.select(repeated.sum()).item())
    return part.filter(keep & ~repeated), count


def _with_quotes(data: pl.DataFrame) -> bool:
    return bool(_without_null_bytes(data)["text"].str.contains('"', literal=True).any())


def _without_null_bytes(data: pl.DataFrame) -> pl.DataFrame:
    return data.filter(~pl.col("text").str.contains("\x00", literal=True))


def _cells(data: pl.DataFrame, width: int, shape: FileShape, *, quoted: bool) -> pl.DataFrame:
    """Return the cells of the rows that have the right number of them."""
    split = _quoted_cells if quoted else _plain_cells
    return split(_without_null_bytes(data), width, DELIMITERS[shape.delimiter])


def _plain_cells(data: pl.DataFrame, width: int, delimiter: str) -> pl.DataFrame:
    if delimiter == " ":
        joined = [" ".join(line.split()) for line in data["text"]]
        data = data.with_columns(pl.Series("text", joined, dtype=pl.String))
    count = pl.col("text").str.count_matches(delimiter, literal=True) + 1
    trailing = (count == width + 1) & pl.col("text").str.ends_with(delimiter)
    good = data.filter((count == width) | trailing).with_columns(
        text=pl.when(trailing).then(pl.col("text").str.strip_suffix(delimiter)).otherwise("text")
    )
    if good.is_empty():
        return _no_cells(width)
    cells = _read_csv("\n".join(good["text"]).encode(), width, delimiter)
    return cells.with_columns(good["line"])


def _no_cells(width: int) -> pl.DataFrame:
    names = [str(index) for index in range(width)]
    return pl.DataFrame(schema={**dict.fromkeys(names, pl.String), "line": pl.Int64})


def _quoted_cells(data: pl.DataFrame, width: int, delimiter: str) -> pl.DataFrame:
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
    return frame.with_columns(pl.Series("line", lines, dtype=pl.Int64))
