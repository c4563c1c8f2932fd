"""An index of all reports in a folder: one page that opens in any browser, without a server."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, get_args
from urllib.parse import quote

from pypdf import PdfReader
from pypdf.errors import PyPdfError

from healthtrack.records import State
from healthtrack.report import style
from healthtrack.report.document import write_whole
from healthtrack.report.numbers import count, day

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

INDEX_FILE = "index.html"

_FACTS = re.compile(r"healthtrack report; state=([a-z_]+); vehicle=([^;]*); as_of=([0-9-]+)")


@dataclass(frozen=True, slots=True)
class Entry:
    """A report that lies in the folder, as its own metadata describe it."""

    path: Path
    vehicle: str
    title: str
    as_of: date
    state: State
    reason: str


def facts(state: State, vehicle: str, as_of: date) -> str:
    """Return the keywords by which a report is found again: state, vehicle and day."""
    return f"healthtrack report; state={state}; vehicle={vehicle}; as_of={as_of.isoformat()}"


def find_reports(folder: Path) -> list[Entry]:
    """Read what lies in a folder and below; PDFs that are no reports of ours are passed over.

    Sorted by vehicle, the latest report first.
    """
    entries = []
    for path in sorted(folder.rglob("*.pdf")):
        if any(part.startswith(".") for part in path.relative_to(folder).parts):
            continue
        entry = _entry(path)
        if entry is not None:
            entries.append(entry)
    return sorted(entries, key=lambda entry: (entry.vehicle, -entry.as_of.toordinal(), entry.path))


def _entry(path: Path) -> Entry | None:
    try:
        metadata = PdfReader(path).metadata
    except (PyPdfError, OSError, ValueError):
        return None
    if metadata is None:
        return None
    found = _FACTS.fullmatch(str(metadata.get("/Keywords", "")))
    if found is None or found[1] not in get_args(State):
        return None
    state: State = next(known for known in get_args(State) if known == found[1])
    return Entry(
        path,
        found[2],
        str(metadata.title or found[2]),
        date.fromisoformat(found[3]),
        state,
        str(metadata.subject or ""),
    )


def write_index(folder: Path) -> Path:
    """Write ``index.html`` into a folder of reports, whole or not at all; return its path.

    Raises
    ------
    ReportError
        Where it cannot be written.
    """
    entries = find_reports(folder)
    path = folder / INDEX_FILE
    write_whole(_page(entries, folder).encode(), path)
    return path


def _page(entries: Sequence[Entry], folder: Path) -> str:
    vehicles: dict[str, list[Entry]] = {}
    for entry in entries:
        vehicles.setdefault(entry.vehicle, []).append(entry)
    order = {state: index for index, state in enumerate(("alarm", "alert"))}
    groups = sorted(
        vehicles.values(), key=lambda found: (order.get(found[0].state, 9), found[0].vehicle)
    )
    body = "\n".join(_group(found, folder) for found in groups)
    total = f"{count(len(entries), 'report')} on {count(len(vehicles), 'vehicle')}"
    return f"""<!doctype html>
<html lang="en-GB">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Condition reports</title>
<style>
body {{ font: 16px/1.45 "Source Sans Pro", system-ui, sans-serif; color: {style.INK};
  max-width: 46rem; margin: 2rem auto; padding: 0 1rem; }}
h1 {{ font-size: 1.7rem; margin: 0 0 .2rem; }}
h2 {{ font-size: 1.1rem; margin: 1.8rem 0 .3rem; }}
p, small {{ color: {style.SOFT}; margin: 0; }}
ul {{ list-style: none; margin: 0; padding: 0; }}
li {{ border-top: 1px solid {style.HAIR}; padding: .35rem 0; }}
a {{ color: {style.DATA}; }}
b.alarm {{ color: {style.RED}; }}
b.alert {{ color: {style.OCHRE}; }}
</style>
</head>
<body>
<h1>Condition reports</h1>
<p>{total}; alarm and alert first, then by vehicle.</p>
{body}
</body>
</html>
"""


def _group(found: Sequence[Entry], folder: Path) -> str:
    title = html.escape(found[0].title.partition(": ")[0])
    items = "\n".join(_item(entry, folder) for entry in found)
    return f"<h2>{title}</h2>\n<ul>\n{items}\n</ul>"


def _item(entry: Entry, folder: Path) -> str:
    target = quote(entry.path.relative_to(folder).as_posix())
    word = style.MARKS[entry.state].word
    return (
        f'<li><a href="{target}">{day(entry.as_of)}</a> \N{MIDDLE DOT} '
        f'<b class="{entry.state}">{word}</b><br><small>{html.escape(entry.reason)}</small></li>'
    )
