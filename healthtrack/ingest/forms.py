"""The forms in which a log may come: delimited text, JSON lines, Parquet, ASAM MDF 4.

Each is opened once and then asked by every pipeline whether it holds the headers that the pipeline
looks for; the one that fits takes its table.
"""

from __future__ import annotations

import io
import json
from typing import TYPE_CHECKING, Protocol

import polars as pl

from healthtrack.errors import LogError
from healthtrack.ingest import source, table
from healthtrack.ingest.table import MOST_CELLS, MOST_COLUMNS, Header, Table, make_header
from healthtrack.records import Loss

if TYPE_CHECKING:
    from healthtrack.ingest.pipeline import FileForm, Pipeline
    from healthtrack.ingest.source import Content


class Form(Protocol):
    """A log that has been opened."""

    kind: FileForm

    def header(self, pipeline: Pipeline) -> Header | None:
        """Return the header if it holds all that the pipeline identifies its logs by."""
        ...

    def table(self, header: Header, pipeline: Pipeline) -> Table:
        """Return the cells under that header."""
        ...

    def first_words(self) -> str:
        """Return how the log begins, for a message."""
        ...


def open_form(content: Content, name: str) -> Form:
    """Tell a log's form from its first bytes, whatever its name says.

    Raises
    ------
    LogError
        Where the form is known and the file does not hold to it.
    """
    data = content.data
    if data[:4] == b"PAR1":
        return ParquetForm(content, name)
    if data[:8] in {b"MDF     ", b"UnFinMF "}:
        from healthtrack.ingest.mdf import MdfForm  # noqa: PLC0415 - an optional extra

        return MdfForm(content, name)
    if data[:200].lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"{"):
        return JsonLinesForm(content, name)
    return TextForm(content, name)


def holds(header: Header, pipeline: Pipeline) -> bool:
    """Say whether a header holds all that the pipeline identifies its logs by."""
    return all(header.find(wanted) is not None for wanted in pipeline.identify)


def _numeric(header: Header, pipeline: Pipeline) -> frozenset[int]:
    """Return the columns that hold plain numbers, if the log is as its pipeline says.

    Of a polling logger the text is compared, and a row of a long log is of any channel.
    """
    shape = pipeline.file
    if (
        pipeline.long is not None
        or pipeline.poll.mode != "every_row"
        or shape.decimal != "."
        or shape.thousands
    ):
        return frozenset()
    others = {
        header.find(name)
        for name in (
            *pipeline.time.columns,
            *(name for one in pipeline.channels.values() if one.raw for name in one.names),
        )
    }
    return frozenset(_mapped(header, pipeline) - others)


def _mapped(header: Header, pipeline: Pipeline) -> set[int]:
    """Return the columns that hold the pipeline's channels."""
    names = (setting.names for setting in pipeline.channels.values())
    found = (next((at for at in map(header.find, some) if at is not None), None) for some in names)
    return {at for at in found if at is not None}


def _wanted(header: Header, pipeline: Pipeline) -> frozenset[int]:
    """Return the columns of which the pipeline says what they are; all where others tell, too.

    In which row a polling logger asked what, all of its columns tell.
    """
    if pipeline.long is not None or pipeline.poll.mode != "every_row":
        return frozenset(range(len(header.raw)))
    times = map(header.find, pipeline.time.columns)
    return frozenset(_mapped(header, pipeline).union(at for at in times if at is not None))


class TextForm:
    """Delimited text, decoded once per encoding that a pipeline asks for."""

    kind: FileForm = "text"

    def __init__(self, content: Content, name: str) -> None:
        self._content = content
        self._name = name
        self._texts: dict[str, bytes] = {}
        self._heads: dict[str, list[tuple[str, str]]] = {}

    def _text(self, encoding: str) -> bytes:
        if encoding not in self._texts:
            self._texts[encoding] = source.decode(self._content, encoding, self._name)
        return self._texts[encoding]

    def header(self, pipeline: Pipeline) -> Header | None:
        """Look for the header in the first lines."""
        encoding = pipeline.file.encoding
        if encoding not in self._heads:
            self._heads[encoding] = table.head_lines(self._text(encoding))
        return table.find_header(self._heads[encoding], pipeline)

    def table(self, header: Header, pipeline: Pipeline) -> Table:
        """Take the lines under the header apart."""
        text = self._text(pipeline.file.encoding)
        return table.read_table(
            text,
            header,
            pipeline.file,
            self._name,
            cut=self._content.cut,
            wanted=table.Wanted(_wanted(header, pipeline), _numeric(header, pipeline)),
        )

    def first_words(self) -> str:
        """Return the first line that is not blank."""
        lines = table.head_lines(self._text("auto"))
        first = next((line for line, _ in lines if line.strip()), "")
        if first and b"\n" not in self._text("auto").strip(b"\n"):
            raise LogError(
                "truncated",
                f"{self._name} ends inside its first line, so its columns are not known: "
                f"{first[:300]!r}. Copy it from the logger again.",
            )
        return first


class JsonLinesForm:
    """One JSON object per line; an object inside an object is known as ``outer.inner``."""

    kind: FileForm = "json_lines"

    def __init__(self, content: Content, name: str) -> None:
        self._name = name
        text = source.decode(content, "auto", name)
        table.refuse_long_lines(text, 0, len(text), name, "Write one object per line.")
        self._keys: dict[str, str] = {}  # and the columns of their cells
        self._bad = 0
        frames = []
        number = 0
        for lines in table.line_parts(text, 0, len(text)):
            frames.append(self._part(number, lines))
            number += len(lines)
            cells = len(self._keys) * sum(frame.height for frame in frames)
            if cells > MOST_CELLS:
                raise LogError(
                    "too_large",
                    f"{name} has more than {MOST_CELLS} cells in {len(self._keys)} columns. It is "
                    "as it was. Export only the channels that are needed, or split it.",
                )
        self._cut = content.cut or bool(lines[-1].strip())
        self._cells = pl.concat(frames, how="diagonal")
        if self._cells.is_empty():
            raise LogError(
                "damaged",
                f"{name} looks like JSON lines, but no line is a complete object. Expected one "
                "object per line, like {'time': 0.5, 'rpm': 812}.",
            )

    def _part(self, above: int, lines: list[str]) -> pl.DataFrame:
        """Return the cells of some lines; objects of Python's take eight times their text."""
        rows: list[dict[str, str | None]] = []
        numbers: list[int] = []
        for number, line in enumerate(lines, start=above + 1):
            row = _object(line) if line.strip() else {}
            if row is None:
                self._bad += 1
            elif line.strip():
                rows.append(row)
                numbers.append(number)
                self._know(row)
        cells = {
            column: pl.Series([row.get(key) for row in rows], dtype=pl.String)
            for key, column in self._keys.items()
        }
        return pl.DataFrame({**cells, "line": pl.Series(numbers, dtype=pl.Int64)})

    def _know(self, row: dict[str, str | None]) -> None:
        for key in row:
            self._keys.setdefault(key, str(len(self._keys)))
        if len(self._keys) > MOST_COLUMNS:
            raise _too_many_columns(self._name, len(self._keys))

    def header(self, pipeline: Pipeline) -> Header | None:
        """Take the keys of all objects as headers."""
        header = make_header(self._keys, 0)
        return header if holds(header, pipeline) else None

    def table(self, header: Header, pipeline: Pipeline) -> Table:  # noqa: ARG002 - as the others
        """Return one row per object."""
        cells = self._cells.select(*self._keys.values(), "line")
        losses = []
        cut = 1 if self._cut and self._bad else 0
        if cut:
            losses.append(Loss("truncated", 1))
        if self._bad - cut:
            losses.append(Loss("ragged_row", self._bad - cut))
        return Table(header, cells, (), cells.height + self._bad, tuple(losses))

    def first_words(self) -> str:
        """Return the keys."""
        return ", ".join(list(self._keys)[:60])


def _object(line: str) -> dict[str, str | None] | None:
    """Return the cells of one object; None where the line is none."""
    try:
        row = json.loads(line, parse_float=str, parse_int=str, parse_constant=str)
        if "\\u" in line:  # such an escape may stand for half a sign, which is no text
            json.dumps(row, ensure_ascii=False).encode()
    except (ValueError, RecursionError):
        return None
    return dict(_flat(row)) if isinstance(row, dict) else None


def _flat(row: dict[str, object]) -> list[tuple[str, str | None]]:
    pairs: list[tuple[str, str | None]] = []
    for key, value in row.items():
        if isinstance(value, dict):
            pairs += [(f"{key}.{inner}", _cell(deep)) for inner, deep in value.items()]
        else:
            pairs.append((key, _cell(value)))
    return pairs


def _cell(value: object) -> str | None:
    if isinstance(value, str):
        return value
    if isinstance(value, bool):
        return "1" if value else "0"
    return None  # null, a list, a deeper object: no reading


class ParquetForm:
    """Apache Parquet; its own types are kept."""

    kind: FileForm = "parquet"

    def __init__(self, content: Content, name: str) -> None:
        import pyarrow as pa  # noqa: PLC0415 - only where a log is of this form
        from pyarrow import parquet  # noqa: PLC0415

        self._name = name
        try:
            file = parquet.ParquetFile(io.BytesIO(content.data), page_checksum_verification=True)
            rows, columns = file.metadata.num_rows, len(file.schema_arrow.names)
            parts = (file.metadata.row_group(at) for at in range(file.metadata.num_row_groups))
            size = sum(part.total_byte_size for part in parts)
            if columns > MOST_COLUMNS:
                raise _too_many_columns(name, columns)
            if rows * columns > MOST_CELLS or size > source.MAXIMUM_BYTES:
                raise LogError(
                    "too_large",
                    f"{name} says it has {rows} rows of {columns} columns ({size // 2**20} MiB); "
                    f"up to {MOST_CELLS} cells and {source.MAXIMUM_BYTES // 2**20} MiB are read. "
                    "Export only the channels that are needed, or split it.",
                )
            frame = pl.from_arrow(file.read())
        except (pa.ArrowException, OSError, ValueError, pl.exceptions.PolarsError) as error:
            raise LogError(
                "damaged",
                f"{name} is a Parquet file that cannot be read: {str(error)[:300]}. Copy it again.",
            ) from None
        self._frame = frame if isinstance(frame, pl.DataFrame) else frame.to_frame()

    def header(self, pipeline: Pipeline) -> Header | None:
        """Take the columns' names as headers."""
        header = frame_header(self._frame)
        return header if holds(header, pipeline) else None

    def table(self, header: Header, pipeline: Pipeline) -> Table:  # noqa: ARG002 - as the others
        """Return the columns as they are."""
        return frame_table(self._frame, header, self._name)

    def first_words(self) -> str:
        """Return the columns' names."""
        return ", ".join(self._frame.columns[:60])


def frame_header(frame: pl.DataFrame) -> Header:
    """Return the header of a frame whose columns are the log's."""
    return make_header(frame.columns, 0)


def frame_table(frame: pl.DataFrame, header: Header, name: str) -> Table:
    """Return a frame as a table; columns of nested types are not read.

    Raises
    ------
    LogError
        ``too_few_rows`` where it has none.
    """
    if frame.is_empty():
        raise LogError("too_few_rows", f"{name} has columns and no row. Copy it again.")
    columns = []
    for index, column in enumerate(frame.get_columns()):
        plain = not column.dtype.is_nested() and column.dtype not in {pl.Binary, pl.Object}
        kept = column if plain else pl.Series([None] * frame.height, dtype=pl.String)
        columns.append(kept.alias(str(index)))
    line = pl.int_range(1, frame.height + 1, dtype=pl.Int64, eager=True).alias("line")
    return Table(header, pl.DataFrame([*columns, line]), (), frame.height, ())


def _too_many_columns(name: str, count: int) -> LogError:
    return LogError(
        "too_many_columns",
        f"{name} has at least {count} columns; up to {MOST_COLUMNS} are read. Export only the "
        "channels that are needed.",
    )
