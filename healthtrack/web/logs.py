"""Bringing logs: files into the inbox, each whole or not at all, and what became of each."""

from __future__ import annotations

import hashlib
import os
import re
import textwrap
import uuid
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Any

import polars as pl
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse

from healthtrack.errors import StoreError
from healthtrack.ingest.source import MAXIMUM_BYTES
from healthtrack.jobs.logs import STILL_ARRIVING
from healthtrack.report.quality import sort_losses
from healthtrack.store import open_snapshot
from healthtrack.web.site import form_of, site_of, text_of

if TYPE_CHECKING:
    from pathlib import Path
    from typing import BinaryIO

    from starlette.datastructures import FormData
    from starlette.requests import Request
    from starlette.responses import Response

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import LogEntry
    from healthtrack.web.site import Site

MOST_BATCHES = 200
MOST_IN_A_BATCH = 5000
MOST_LISTED = 200
CHUNK = 1 << 20
LONGEST_NAME = 150
LONGEST_MESSAGE = 20_000


@dataclass(frozen=True, slots=True)
class Brought:
    """A file that someone brought: under which name it lies in the inbox, or why it does not."""

    name: str
    vehicle: str
    sha256: str = ""
    size: int = 0
    refused: str = ""


class Batches:
    """What was brought together, so that its progress can be shown; the latest only."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, list[Brought]] = OrderedDict()

    def add(self, batch: str, brought: list[Brought]) -> None:
        """Add files to a batch."""
        kept = self._kept.setdefault(batch, [])
        kept.extend(brought[: MOST_IN_A_BATCH - len(kept)])
        self._kept.move_to_end(batch)
        while len(self._kept) > MOST_BATCHES:
            self._kept.popitem(last=False)

    def get(self, batch: str) -> tuple[Brought, ...]:
        """Return a batch's files; none where it is not known."""
        return tuple(self._kept.get(batch, ()))


def page(request: Request) -> Response:
    """Show the form, what was brought just now, and the latest logs."""
    return _page(request, "", 200)


def _page(request: Request, words: str, code: int) -> Response:
    site = site_of(request)
    seen = site.glance()
    latest = sorted(seen.logs, key=lambda entry: entry.received, reverse=True)
    batch = request.query_params.get("batch", "")
    told = {
        "seen": seen,
        "vehicles": site.workspace().settings.vehicles,
        "chosen": request.query_params.get("vehicle", ""),
        "aside": [
            (entry, said(site.workspace(), entry, 300))
            for entry in latest
            if entry.state == "quarantined"
        ][:MOST_LISTED],
        "stored": [entry for entry in latest if entry.state == "stored"][:50],
        "batch": batch,
        "rows": rows_of(site, _batches(request).get(batch)),
        "largest": MAXIMUM_BYTES // 2**20,
        "words": words,
    }
    return site.page(request, "logs.html", told, code)


def _batches(request: Request) -> Batches:
    found: Batches = request.app.state.batches
    return found


def progress(request: Request) -> Response:
    """Show how far a batch is; asked again and again while something waits."""
    site = site_of(request)
    batch = str(request.path_params["batch"])
    told = {"batch": batch, "rows": rows_of(site, _batches(request).get(batch))}
    return site.page(request, "progress.html", told)


def rows_of(site: Site, brought: tuple[Brought, ...]) -> list[dict[str, Any]]:
    """Say of each file how far it is, from the store as it is now."""
    if not brought:
        return []
    entries = _entries(site, brought)
    workspace = site.workspace()
    return [
        {
            "file": one,
            "entry": entry,
            "said": said(workspace, entry, 160).partition(". ")[0] if entry is not None else "",
        }
        for one in brought
        for entry in (entries.get(one.sha256),)
    ]


def said(workspace: Workspace, entry: LogEntry, most: int) -> str:
    """Return why a log was put aside, with its place as seen from the workspace, cut at a word."""
    words = entry.message or entry.reason or ""
    for root in (workspace.root, workspace.root.resolve()):
        words = words.replace(f"{root}/", "")
    return textwrap.shorten(words, most, placeholder=" …") if len(words) > most else words


def _entries(site: Site, brought: tuple[Brought, ...]) -> dict[str, LogEntry]:
    try:
        # in the service's own process the store may be looked into while it is written
        with site.workspace().open_for_reading() as (store, _):
            found = (store.log(one.sha256) for one in brought if one.sha256)
            return {entry.sha256: entry for entry in found if entry is not None}
    except StoreError:
        return {}


async def bring(request: Request) -> Response:
    """Take files in; a script gets JSON, a form the page again."""
    site = site_of(request)
    async with request.app.state.uploads:
        form = await form_of(request)
        try:
            vehicle, brought = await _kept(site, form)
        finally:
            await form.close()
    batch = text_of(form, "batch", 32)
    batch = batch if re.fullmatch(r"[0-9a-f]{16,32}", batch) else uuid.uuid4().hex
    _batches(request).add(batch, brought)
    site.look_soon()
    if "application/json" in request.headers.get("accept", ""):
        found = [{"name": one.name, "refused": one.refused} for one in brought]
        return JSONResponse({"batch": batch, "files": found})
    return RedirectResponse(f"/logs?batch={batch}&vehicle={vehicle}#brought", 303)


async def _kept(site: Site, form: FormData) -> tuple[str, list[Brought]]:
    vehicle = text_of(form, "vehicle", 64)
    if vehicle not in site.workspace().settings.vehicles:
        raise HTTPException(422, "Choose the vehicle whose logs these are.")
    files = [one for one in form.getlist("files") if isinstance(one, UploadFile) and one.filename]

    def keep_all() -> list[Brought]:
        workspace = site.workspace()
        return [keep(workspace, vehicle, one.filename or "", one.file) for one in files]

    return vehicle, await run_in_threadpool(keep_all)


def keep(workspace: Workspace, vehicle: str, name: str, content: BinaryIO) -> Brought:
    """Put a file into the vehicle's folder of the inbox, whole or not at all."""
    safe = safe_name(name)
    folder = workspace.inbox / vehicle
    temporary = folder / f".{uuid.uuid4().hex}.part"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        digest, size = _copy(content, temporary)
        if size > MAXIMUM_BYTES:
            words = f"it holds more than {MAXIMUM_BYTES // 2**20} MiB; split it or pack it"
            return Brought(safe, vehicle, refused=words)
        if size == 0:
            return Brought(safe, vehicle, refused="it is empty")
        return Brought(_place(temporary, folder, safe, digest), vehicle, digest, size)
    except OSError as error:
        return Brought(safe, vehicle, refused=f"it cannot be kept: {error.strerror}")
    finally:
        temporary.unlink(missing_ok=True)


def _copy(content: BinaryIO, target: Path) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    with target.open("xb") as stream:
        while size <= MAXIMUM_BYTES and (chunk := content.read(CHUNK)):
            size += len(chunk)
            digest.update(chunk)
            stream.write(chunk)
        stream.flush()
        os.fsync(stream.fileno())
    return digest.hexdigest(), size


def _place(temporary: Path, folder: Path, name: str, digest: str) -> str:
    """Give the file its name, and another one where that is taken by another content."""
    target = folder / name
    stem, dot, rest = name.partition(".")
    if target.exists() or target.is_symlink():
        with target.open("rb") as stream:
            if hashlib.file_digest(stream, "sha256").hexdigest() == digest:
                return name
        target = folder / f"{stem}-{digest[:8]}{dot}{rest}"
    os.replace(temporary, target)  # noqa: PTH105 - the atomic one, by its own name
    return target.name


def safe_name(name: str) -> str:
    r"""Return a file's own name as it may lie in the inbox: no folders, no controls, not hidden.

    Examples
    --------
    >>> safe_name("../../etc/passwd"), safe_name("C:\\logs\\a b.csv"), safe_name(".hidden.part")
    ('passwd', 'a b.csv', 'hidden.part.log')
    """
    last = PurePosixPath(name.replace("\\", "/")).name
    kept = "".join(letter if re.match(r"[\w .,+()=@-]", letter) else "_" for letter in last)
    kept = kept.strip(" .")[-LONGEST_NAME:].strip(" .") or "log"
    return f"{kept}.log" if kept.endswith(STILL_ARRIVING) else kept


def log_of(request: Request) -> LogEntry:
    """Return the log that an address names, from the store as it is now."""
    sha256 = str(request.path_params["sha256"])
    site = site_of(request)
    entry = site.glance().log(sha256)
    if entry is None:
        try:
            with site.workspace().open_for_reading() as (store, _):
                entry = store.log(sha256)
        except StoreError:
            entry = None
    if entry is None:
        raise HTTPException(404, "There is no such log.")
    return entry


def log(request: Request) -> Response:
    """Show one log: what became of it, what was left out and why."""
    site, entry = site_of(request), log_of(request)
    workspace = site.workspace()
    losses: tuple[Any, ...] = ()
    windows = None
    try:
        store, published = open_snapshot(workspace.store_path, workspace.settings.store_memory_mb)
        with store:
            losses = store.losses_of_log(entry.sha256)
            known = store.history(entry.vehicle, published.date(), with_windows=False).drives
            drives = known.filter(pl.col("log") == entry.name)["drive"].to_list()
            windows = store.windows_of(drives).height if drives else None
    except StoreError:
        losses = ()
    saved = request.query_params.get("saved", "")
    told = {
        "entry": entry,
        "message": said(workspace, entry, LONGEST_MESSAGE),
        "losses": sort_losses(losses),
        "windows": windows,
        "saved": saved if (workspace.pipelines / f"{safe_name(saved)}.toml").is_file() else "",
    }
    return site.page(request, "log.html", told)
