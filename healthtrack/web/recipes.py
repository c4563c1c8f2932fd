"""A recipe for a strange log: drafted, corrected by choosing, looked at, saved as a pipeline."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse

from healthtrack import ingest, units
from healthtrack.channels import CHANNELS
from healthtrack.errors import HealthtrackError, LogError, SettingsError
from healthtrack.ingest.draft import draft, preview
from healthtrack.ingest.pipeline import parse_pipeline
from healthtrack.jobs.logs import content_hash
from healthtrack.placing import place
from healthtrack.web.logs import log_of
from healthtrack.web.site import form_of, site_of, text_of

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.datastructures import FormData
    from starlette.requests import Request
    from starlette.responses import Response

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import LogEntry

NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,39}")
LONGEST = 60_000
UNSURE = "# UNSURE: "
_READ = re.compile(r"#   (?P<moment>\d{4}-\d\d-\d\d [\d:.]+) UTC: (?P<values>.+)")
_BLOCK = re.compile(r"^\[channels\.(\w+)\]$", re.MULTILINE)


def page(request: Request) -> Response:
    """Draft a recipe for a log and show it."""
    site, entry = site_of(request), log_of(request)
    try:
        path = file_of(site.workspace(), entry)
        known = ingest.usable_pipelines(site.workspace().pipelines)
        text = draft(path, list(known.values()))
    except HealthtrackError as error:
        return _show(request, entry, "", str(error), 422)
    return _show(request, entry, text, "", 200)


def file_of(workspace: Workspace, entry: LogEntry) -> Path:
    """Return where a log's file lies now: in the inbox, or under the same place in quarantine.

    Raises
    ------
    LogError
        It is not there any more.
    """
    place = workspace.root / entry.name
    there = [place]
    if place.is_relative_to(workspace.inbox):
        there.append(workspace.quarantine / place.relative_to(workspace.inbox))
    folder = workspace.quarantine / entry.vehicle
    there += sorted(folder.rglob("*")) if folder.is_dir() else []
    for path in there:
        if path.is_file() and content_hash(path) == entry.sha256:
            return path
    raise LogError("gone", f"{entry.name} is no longer in the inbox or in quarantine.")


def _show(
    request: Request, entry: LogEntry, text: str, words: str, code: int, name: str = ""
) -> Response:
    told = {
        "entry": entry,
        "text": text,
        "words": words,
        "name": name or re.sub(r"[^a-z0-9_-]", "_", entry.vehicle.lower()),
        "zone": _zone(text),
        "chosen": _chosen(text),
        "doubts": _doubts(text),
        "lines": _previewed(text),
        "channels": CHANNELS,
        "units": sorted(units.UNITS),
        "unused": _unused(text),
    }
    return site_of(request).page(request, "recipe.html", told, code)


def _raw(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}


def _zone(text: str) -> str:
    time = _raw(text).get("time", {})
    return str(time.get("zone", "")) if isinstance(time, dict) else ""


def _chosen(text: str) -> list[dict[str, Any]]:
    """Return each column with the channel it is taken for, and why."""
    found = []
    channels = _raw(text).get("channels", {})
    parts = _BLOCK.split(text)
    why = dict(zip(parts[1::2], parts[2::2], strict=True))
    for channel, column in channels.items() if isinstance(channels, dict) else ():
        own = why.get(channel, "").strip("\n").partition("\n\n")[0]
        told = [line[2:] for line in own.splitlines() if line.startswith("# ")]
        found.append(
            {
                "channel": channel,
                "column": column.get("column", ""),
                "unit": column.get("unit", ""),
                "raw": column.get("raw", ""),
                "why": told,
            }
        )
    return found


def _doubts(text: str) -> list[str]:
    """Return what the draft could not tell, each with the channel that it is about."""
    found, channel = [], ""
    for line in text.splitlines():
        head = _BLOCK.match(line)
        channel = head[1].replace("_", " ") if head else "" if not line else channel
        if line.startswith(UNSURE):
            words = line.removeprefix(UNSURE)
            found.append(f"{channel}: {words}" if channel else words)
    return found


@dataclass(frozen=True)
class Unused:
    """A column of the log that the recipe does not use: its line, its name, unit, and values."""

    line: str
    column: str
    unit: str
    words: str


def _unused(text: str) -> list[Unused]:
    _, _, rest = text.partition("# Columns that were not understood")
    block = rest.partition("\n\n")[0]
    found = []
    for line in block.splitlines():
        if line.startswith("#   "):
            header, _, words = line[4:].rpartition(": ")
            named = re.fullmatch(r"(?P<column>.*?)(?: *\[(?P<unit>[^\]]*)\])?", header)
            assert named is not None, "every header fits"
            found.append(Unused(line, named["column"], named["unit"] or "", words))
    return found[:60]


def _previewed(text: str) -> dict[str, Any] | None:
    """Return the lines that were read: their times, and per channel its values."""
    _, _, rest = text.partition("Three lines as they would be read:")
    lines = [found for line in rest.splitlines() if (found := _READ.match(line))]
    if not lines:
        return None
    values = [
        dict(value.rsplit(" ", 1) for value in found["values"].split(", ") if " " in value)
        for found in lines
    ]
    names = dict.fromkeys(name for line in values for name in line)
    return {
        "moments": [found["moment"][:-3] for found in lines],
        "rows": [(name, [line.get(name, "") for line in values]) for name in names],
    }


async def change(request: Request) -> Response:
    """Apply the choices, and save the recipe where that was asked for."""
    form = await form_of(request)
    return await run_in_threadpool(_change, request, form)


def _change(request: Request, form: FormData) -> Response:
    site, entry = site_of(request), log_of(request)
    workspace = site.workspace()
    given = form.get("text")
    text = given[:LONGEST].replace("\r\n", "\n") if isinstance(given, str) else ""
    name = text_of(form, "name", 40)
    try:
        text = chosen_text(text, form)
        pipeline = parse_pipeline(text, "the recipe")
        path = file_of(workspace, entry)
        text = f"{_without_preview(text)}\n" + "\n".join(preview(path, pipeline)) + "\n"
        if text_of(form, "do", 10) == "save":
            save(workspace, name, text)
            site.look_soon()
            return RedirectResponse(f"/logs/{entry.sha256}?saved={name}", 303)
    except HealthtrackError as error:
        return _show(request, entry, text, str(error), 422, name)
    return _show(request, entry, text, "", 200, name)


def _without_preview(text: str) -> str:
    lines = text.splitlines()
    end = next(
        (at for at, line in enumerate(lines) if "Three lines as they would be read" in line),
        next((at for at, line in enumerate(lines) if "the log is refused:" in line), len(lines)),
    )
    return "\n".join(lines[:end]).rstrip() + "\n"


def chosen_text(text: str, form: FormData) -> str:
    """Return a recipe with the form's choices: each column's channel and unit, and the time zone.

    Raises
    ------
    SettingsError
        Two columns are to be one channel, or a choice is none that was offered.
    """
    zone = text_of(form, "zone", 60)
    if zone and zone != _zone(text):
        if not re.fullmatch(r"[A-Za-z0-9_+/-]+", zone):
            raise SettingsError(f"{zone!r} is no time zone; write it like Europe/Berlin.")
        text = re.sub(r'^zone = ".*"$', f'zone = "{zone}"', text, count=1, flags=re.MULTILINE)
        text = re.sub(rf"^{UNSURE}the time zone .*\n", "", text, flags=re.MULTILINE)
    wanted: dict[str, tuple[str, str]] = {}
    for column in _chosen(text):
        old = column["channel"]
        new = text_of(form, f"channel.{old}", 60) or old
        unit = text_of(form, f"unit.{old}", 30)
        if new != "leave_out" and new not in CHANNELS:
            raise SettingsError(f"there is no channel {new!r}.")
        if new != "leave_out" and new in {one for one, _ in wanted.values()}:
            raise SettingsError(f"two columns cannot both be {new.replace('_', ' ')}.")
        wanted[old] = (new, unit)
    return _counted(
        _with_unused(_rewritten(text, wanted), form, {new for new, _ in wanted.values()})
    )


def _with_unused(text: str, form: FormData, taken: set[str]) -> str:
    """Add the columns that the draft did not use and the form gives a channel."""
    blocks = []
    for at, one in enumerate(_unused(text)):
        channel = text_of(form, f"unused.{at}", 60)
        if not channel:
            continue
        if channel not in CHANNELS:
            raise SettingsError(f"there is no channel {channel!r}.")
        if channel in taken:
            raise SettingsError(f"two columns cannot both be {channel.replace('_', ' ')}.")
        unit = text_of(form, f"unused_unit.{at}", 30) or one.unit
        if unit not in units.UNITS:
            raise SettingsError(f"choose the unit of {one.column}; there is no unit {unit!r}.")
        taken.add(channel)
        column = json.dumps(one.column, ensure_ascii=False)
        blocks.append(
            f'[channels.{channel}]\n# chosen on the page\ncolumn = {column}\nunit = "{unit}"\n\n'
        )
        text = text.replace(f"{one.line}\n", "", 1)
    head, mark, rest = text.partition("# Columns that were not understood")
    return f"{head}{''.join(blocks)}{mark}{rest}" if mark else text


def _counted(text: str) -> str:
    """Say anew at the top how many doubts are left."""
    doubts = sum(line.startswith(UNSURE) for line in text.splitlines())
    said = f"# Doubts: {doubts}, marked UNSURE below." if doubts else "# Doubts: none."
    return re.sub(r"^# Doubts: .*$", said, text, count=1, flags=re.MULTILINE)


def _rewritten(text: str, wanted: dict[str, tuple[str, str]]) -> str:
    lines: list[str] = []
    now: tuple[str, str] | None = None
    for line in text.splitlines():
        head = _BLOCK.match(line)
        if head:
            now = wanted.get(head[1], (head[1], ""))
            if now[0] != "leave_out":
                lines.append(f"[channels.{now[0]}]")
            continue
        if line.startswith(("[", "# Columns that")):
            now = None
        if now is not None and now[0] == "leave_out":
            continue
        if now is not None and now[1] and line.startswith("unit = "):
            if now[1] not in units.UNITS:
                raise SettingsError(f"there is no unit {now[1]!r}.")
            lines.append(f'unit = "{now[1]}"')
            continue
        lines.append(line)
    return "\n".join(lines) + "\n"


def save(workspace: Workspace, name: str, text: str) -> Path:
    """Save a recipe among the pipelines, whole; one that is there is not overwritten.

    Raises
    ------
    SettingsError
        The name will not do, or is taken.
    """
    if not NAME.fullmatch(name):
        raise SettingsError("a recipe's name has small letters, digits and dashes only.")
    target = workspace.pipelines / f"{name}.toml"
    if target.exists():
        raise SettingsError(f"there is a recipe {name} already; give this one another name.")
    try:
        workspace.pipelines.mkdir(parents=True, exist_ok=True)
        place(target, text.encode())
    except OSError as error:
        raise SettingsError(f"{target.name} cannot be written: {error.strerror}.") from None
    return target
