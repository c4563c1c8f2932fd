"""The drafted pipeline as a commented TOML text, and three lines as they would be read."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import TYPE_CHECKING

import polars as pl

from healthtrack import units
from healthtrack.config import VehicleSettings
from healthtrack.errors import LogError
from healthtrack.ingest import source, table
from healthtrack.ingest.draft.guess import Guess, guess_channels
from healthtrack.ingest.draft.layout import find_layout
from healthtrack.ingest.draft.long import find_long, widened_all
from healthtrack.ingest.draft.moments import Clock, find_clock
from healthtrack.ingest.forms import Form, open_form
from healthtrack.ingest.freshness import fresh_cells
from healthtrack.ingest.pipeline import FileShape, Pipeline, Polling, parse_pipeline
from healthtrack.ingest.reader import read_log

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from healthtrack.ingest.pipeline import LongLayout
    from healthtrack.ingest.table import Table

_POLLED_SHARE = 0.97


def draft(path: Path, pipelines: Sequence[Pipeline] = ()) -> str:
    """Look at a strange log and write a pipeline for it.

    Parameters
    ----------
    path : Path
        The log.
    pipelines : sequence of Pipeline
        Those that there are; where one reads this log already, the draft says so.

    Returns
    -------
    str
        A commented TOML text that loads as a pipeline. Lines with ``UNSURE`` say what could not be
        told; the end shows three lines of the log as they would be read.

    Raises
    ------
    LogError
        Where the file is no table, or holds no time or no channel that could be recognised.
    """
    content = source.read_content(path)
    form = open_form(content, str(path))
    cells, shape = _open(form, content, path)
    long = find_long(cells)
    if long is not None:
        cells = widened_all(cells, long)
    clock = find_clock(cells, path)
    if clock is None:
        raise LogError(
            "no_time",
            f"{path}: no column holds a time that could be recognised. Its headers are: "
            f"{', '.join(cells.header.raw[:60])}. Write [time] of a pipeline by hand.",
        )
    timed = [at for one in clock.base.columns if (at := cells.header.find(one)) is not None]
    found, left = guess_channels(cells, shape, timed)
    if not found:
        raise LogError(
            "no_channels",
            f"{path}: no column could be recognised as a channel. Its headers are: "
            f"{', '.join(cells.header.raw[:60])}. Copy the nearest example in pipelines/.",
        )
    polling, polling_words = _polling(cells, timed)
    text = "\n".join(
        [
            *_head(path, form, pipelines, clock, found),
            *_identify(cells, clock, found, long),
            *_file(shape),
            *_time(clock),
            *_poll(polling, polling_words),
            *_long(long),
            *_odometer(path, found),
            *_channels(cells, found, left),
        ]
    )
    pipeline = parse_pipeline(text, f"the draft for {path}")
    return text + "\n" + "\n".join(preview(path, pipeline)) + "\n"


def _open(form: Form, content: source.Content, path: Path) -> tuple[Table, FileShape]:
    if form.kind == "text":
        text = source.decode(content, "auto", str(path))
        layout = find_layout(text.decode(), str(path))
        header = table.make_header(layout.header, layout.header_line)
        cells = table.read_table(text, header, layout.shape, str(path), cut=content.cut)
        return _with_preamble_units(cells), layout.shape
    shape = FileShape(form=form.kind)
    wanting_nothing = parse_pipeline(_NOTHING.format(form=form.kind), "draft")
    header_or_none = form.header(wanting_nothing.model_copy(update={"identify": []}))
    if header_or_none is None:
        raise LogError("no_layout", f"{path} holds no columns. Copy it again.")
    return form.table(header_or_none, wanting_nothing), shape


def _with_preamble_units(cells: Table) -> Table:
    """Take the units from a line above the header that holds one for each column."""
    if any(cells.header.unit_texts):
        return cells
    for line in cells.preamble:
        texts = line.rsplit(":", 1)[-1].replace(",", " ").replace(";", " ").split()
        known = sum(units.find(text) is not None for text in texts)
        if len(texts) == len(cells.header.raw) and known > len(texts) // 2:
            return replace(cells, header=replace(cells.header, unit_texts=tuple(texts)))
    return cells


_NOTHING = """
identify = ["time"]
[file]
form = "{form}"
[time]
columns = ["time"]
form = "timestamp"
[channels.engine_speed]
column = "n"
unit = "rpm"
"""


def _polling(cells: Table, timed: list[int]) -> tuple[Polling, str]:
    """Tell a logger that repeats what it did not ask from one that asks everything."""
    others = [index for index in range(len(cells.header.raw)) if index not in timed]
    if len(others) < 3 or cells.cells.height < 100:
        return Polling(), ""
    fresh = fresh_cells(cells.cells, cells.header, Polling(mode="changes"), timed)
    if fresh is None:
        return Polling(), ""
    changed = fresh.cells
    per_row = changed.select(pl.sum_horizontal(pl.all())).to_series()
    empty = sum(cells.cells[str(index)].null_count() for index in others)
    filled = 1 - empty / (len(others) * cells.cells.height)
    if filled < 0.9 or (per_row <= 1).mean() < _POLLED_SHARE:  # type: ignore[operator]
        return Polling(), ""
    share = float((per_row == 1).mean() or 0.0)  # type: ignore[arg-type]
    words = f"at most one value changes per row (on {100 * share:.0f} % of rows just one)"
    if _keeps_turn(changed):
        return Polling(mode="round_robin"), f"{words}, and the turn is always the same"
    return Polling(mode="changes"), f"{words}, but in no fixed turn"


def _keeps_turn(changed: pl.DataFrame) -> bool:
    turn = changed.width
    row = pl.int_range(pl.len(), dtype=pl.Int64)
    shown = changed.select(
        pl.coalesce(
            pl.when(pl.col(name)).then((row - place) % turn)
            for place, name in enumerate(changed.columns)
        ).alias("shown")
    )["shown"].drop_nulls()
    return len(shown) > 20 and float((shown.diff() == 0).mean() or 0.0) > 0.9  # type: ignore[arg-type]


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    words = " ".join(text.split())[:400]
    return "".join(letter for letter in words if letter.isprintable())


def _head(
    path: Path, form: Form, pipelines: Sequence[Pipeline], clock: Clock, found: list[Guess]
) -> list[str]:
    lines = [
        f"# Drafted by `healthtrack ingest --draft` from {_comment(path.name)}.",
        "# Read it, mend what needs mending, and put it into the workspace's pipelines folder.",
    ]
    for pipeline in pipelines:
        if pipeline.file.form == form.kind and form.header(pipeline) is not None:
            lines.append(f"# The pipeline {pipeline.name} knows this kind of log already.")
            break
    doubts = len(clock.doubts) + sum(bool(guess.doubt) for guess in found)
    lines.append(f"# Doubts: {doubts}, marked UNSURE below." if doubts else "# Doubts: none.")
    return [*lines, "", f"about = {_quoted(f'drafted from {path.name}')}", ""]


def _identify(cells: Table, clock: Clock, found: list[Guess], long: LongLayout | None) -> list[str]:
    names = list(clock.base.columns)
    if long is not None:
        names += [long.signal, long.value]
    else:
        names += [cells.header.names[guess.column] for guess in found[:4]]
    return [
        "# A log is of this kind when all of these headers stand in it.",
        f"identify = [{', '.join(map(_quoted, dict.fromkeys(names)))}]",
        "",
    ]


def _file(shape: FileShape) -> list[str]:
    if shape.form != "text":
        return ["[file]", f'form = "{shape.form}"', ""]
    lines = ["[file]", f'delimiter = "{shape.delimiter}"', f"decimal = {_quoted(shape.decimal)}"]
    if shape.thousands:
        lines.append(f"thousands = {_quoted(shape.thousands)}")
    if shape.comment:
        lines.append(f"comment = {_quoted(shape.comment)}")
    if shape.units_row:
        lines.append("units_row = true")
    return [*lines, ""]


def _time(clock: Clock) -> list[str]:
    base = clock.base
    lines = ["[time]", *(f"# {_comment(why)}" for why in clock.why)]
    lines += [f"# UNSURE: {_comment(doubt)}" for doubt in clock.doubts]
    lines.append(f"columns = [{', '.join(map(_quoted, base.columns))}]")
    lines.append(f'form = "{base.form}"')
    if base.pattern:
        lines.append(f"pattern = {_quoted(base.pattern)}")
    if base.form in {"elapsed", "epoch"}:
        lines.append(f'unit = "{base.unit}"')
    lines.append(f"zone = {_quoted(base.zone)}")
    if base.start_from:
        lines.append(f'start_from = "{base.start_from}"')
        lines.append(f"start_search = {_quoted(base.start_search)}")
        lines.append(f"start_pattern = {_quoted(base.start_pattern)}")
    return [*lines, ""]


def _poll(polling: Polling, words: str) -> list[str]:
    if polling.mode == "every_row":
        return []
    return ["[poll]", f"# {words}", f'mode = "{polling.mode}"', ""]


def _long(long: LongLayout | None) -> list[str]:
    if long is None:
        return []
    lines = ["# A row per reading: the signal's name stands in a column of its own.", "[long]"]
    lines += [f"signal = {_quoted(long.signal)}", f"value = {_quoted(long.value)}"]
    return [*lines, *([f"unit = {_quoted(long.unit)}"] if long.unit else []), ""]


def _odometer(path: Path, found: list[Guess]) -> list[str]:
    named = re.search(r"(?<!\d)\d{3,7} ?(km|mi)(?![a-z])", path.name)
    if named is None or any(guess.channel == "odometer" for guess in found):
        return []
    return [
        "[odometer]",
        f"# the odometer at the start, in the file's name: {named.group(0)}",
        f"name_search = {_quoted(rf'(?<![0-9])([0-9]{{3,7}}) ?{named.group(1)}')}",
        f'unit = "{"km" if named.group(1) == "km" else "miles"}"',
        "",
    ]


def _channels(cells: Table, found: list[Guess], left: list[tuple[str, str]]) -> list[str]:
    lines = []
    for guess in found:
        lines += [f"[channels.{guess.channel}]", f"# {_comment(guess.why)}"]
        if guess.doubt:
            lines.append(f"# UNSURE: {_comment(guess.doubt)}")
        lines.append(f"column = {_quoted(cells.header.names[guess.column])}")
        if guess.raw:
            lines.append(f"raw = {_quoted(guess.raw)}")
        else:
            lines.append(f"unit = {_quoted(guess.unit)}")
            if guess.gauge:
                lines.append("gauge = true")
        lines.append("")
    if left:
        lines.append("# Columns that were not understood, or are not used:")
        lines += [f"#   {_comment(header)}: {_comment(words)}" for header, words in left[:60]]
        lines.append("")
    return lines


def preview(path: Path, pipeline: Pipeline) -> list[str]:
    """Return three lines of a log as a pipeline reads them, as comments; or why it is refused."""
    named = pipeline.model_copy(update={"name": "draft"})
    try:
        log = read_log(path, [named], "vehicle", VehicleSettings(altitude_m=0.0))
    except LogError as error:
        return [
            "# UNSURE: read with this draft, the log is refused:",
            f"#   {_comment(error.message)}",
        ]
    samples = log.samples.drop("drive")
    held = samples.with_columns(pl.exclude("t").forward_fill())
    rows = held.filter(pl.int_range(pl.len()) >= pl.len() // 3).head(3)
    lines = [f"# {log.rows} rows, {log.drives.height} drive(s). Three lines as they would be read:"]
    for row in rows.iter_rows(named=True):
        values = [
            f"{name} {value:g}" for name, value in row.items() if name != "t" and value is not None
        ]
        lines.append(f"#   {row['t']:%Y-%m-%d %H:%M:%S.%f} UTC: {', '.join(values)}")
    return lines
