"""Which files are logs, whose they are, and where they go when they cannot be read."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from healthtrack.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from healthtrack.jobs.workspace import Workspace

Origin = Literal["inbox", "quarantine", "elsewhere"]

STILL_ARRIVING = (".part", ".partial", ".tmp", ".crdownload", "~")
"""Endings that copying programs use until a file is whole; such files are passed over."""


@dataclass(frozen=True, slots=True)
class LogFile:
    """A file to be read.

    Parameters
    ----------
    path : Path
        Where it is.
    vehicle : str or None
        Whose it is; None where nothing tells.
    origin : "inbox", "quarantine" or "elsewhere"
        A file in the inbox that cannot be read is moved to quarantine; one from elsewhere is
        copied, since it belongs to someone else.
    place : str
        Where it lies, or would lie, below the inbox and the quarantine: ``VEHICLE/…/NAME``.
    shown : str
        How messages name it.
    """

    path: Path
    vehicle: str | None
    origin: Origin
    place: str
    shown: str


def find_logs(
    workspace: Workspace, paths: Sequence[Path], vehicle: str | None = None
) -> list[LogFile]:
    """Return the logs in the given files and folders, in order of name.

    Without paths: the inbox, and the quarantine, since what it holds may be readable by now.

    Raises
    ------
    UsageError
        A path does not exist.
    """
    if not paths:
        paths = [folder for folder in (workspace.inbox, workspace.quarantine) if folder.is_dir()]
    found: dict[Path, LogFile] = {}
    for path in paths:
        if not path.exists():
            raise UsageError(f"{path} does not exist. Give log files, or folders that hold them.")
        for file in _files(path):
            found.setdefault(file.resolve(), _log_file(workspace, file, vehicle))
    return list(found.values())


def _files(path: Path) -> Iterator[Path]:
    if path.is_file():
        yield path
        return
    for file in sorted(path.rglob("*")):
        below = file.relative_to(path).parts
        hidden = any(part.startswith(".") for part in below)
        if file.is_file() and not hidden and not file.name.endswith(STILL_ARRIVING):
            yield file


def _log_file(workspace: Workspace, file: Path, vehicle: str | None) -> LogFile:
    shown = workspace.shown(file)
    folders: tuple[tuple[Origin, Path], ...] = (
        ("inbox", workspace.inbox),
        ("quarantine", workspace.quarantine),
    )
    for origin, folder in folders:
        below = _below(file, folder)
        if below is not None:
            owner = vehicle or (below[0] if len(below) > 1 else None)
            place = "/".join((owner or "", *(below[1:] or below)))
            return LogFile(file, owner, origin, place, shown)
    return LogFile(file, vehicle, "elsewhere", f"{vehicle or ''}/{file.name}", shown)


def _below(file: Path, folder: Path) -> tuple[str, ...] | None:
    try:
        return file.absolute().relative_to(folder.absolute()).parts
    except ValueError:
        return None


def content_hash(path: Path, first: int | None = None) -> str:
    """Return the SHA-256 of a file's bytes, or of its ``first`` bytes, as hexadecimal digits."""
    with path.open("rb") as stream:
        if first is None:
            return hashlib.file_digest(stream, "sha256").hexdigest()
        digest = hashlib.sha256()
        while first > 0 and (piece := stream.read(min(first, 1 << 20))):
            digest.update(piece)
            first -= len(piece)
        return digest.hexdigest()


def put_into_quarantine(workspace: Workspace, log: LogFile, sha256: str) -> Path:
    """Move the log from the inbox (or copy it from elsewhere) into quarantine, and say where to.

    The bytes are not changed. Another file of that name there is kept; this one then carries the
    first digits of its hash in its name.
    """
    if log.origin == "quarantine":
        return log.path
    target = _free_place(workspace.quarantine / log.place, sha256)
    target.parent.mkdir(parents=True, exist_ok=True)
    if log.origin == "inbox":
        try:
            shutil.move(log.path, target)
        except OSError:  # a read-only inbox: the log stays there, a copy waits in quarantine
            shutil.copy2(log.path, target)
    elif not target.exists():
        shutil.copy2(log.path, target)
    return target


def release_from_quarantine(workspace: Workspace, log: LogFile, sha256: str) -> None:
    """Move a log that is stored now back to its place in the inbox; nothing is deleted."""
    if log.origin != "quarantine":
        return
    target = _free_place(workspace.inbox / log.place, sha256)
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.move(log.path, target)


def _free_place(target: Path, sha256: str) -> Path:
    if not target.exists() or content_hash(target) == sha256:
        return target
    return target.with_name(f"{target.stem}-{sha256[:8]}{target.suffix}")
