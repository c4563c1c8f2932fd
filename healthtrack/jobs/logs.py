"""Which files are logs, whose they are, and where they go when they cannot be read."""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from healthtrack.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from healthtrack.jobs.workspace import Workspace

Origin = Literal["inbox", "quarantine", "elsewhere"]

STILL_ARRIVING = (".part", ".partial", ".tmp", ".crdownload", "~")
"""Endings that copying programs use until a file is whole; such files are passed over."""


_PIECE = 1 << 20


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
    found: dict[str, LogFile] = {}
    folders: dict[Path, _Folder] = {}
    for path in paths:
        if not path.exists():
            raise UsageError(f"{path} does not exist. Give log files, or folders that hold them.")
        for folder, name in _files(path):
            if folder not in folders:
                folders[folder] = _Folder.of(workspace, folder)
            place, log = folders[folder].file(workspace, name, vehicle)
            found.setdefault(place, log)
    return list(found.values())


def _files(top: Path) -> Iterator[tuple[Path, str]]:
    """Yield folder and name of each file, in order of name; hidden ones are passed over."""
    if top.is_file():
        yield top.parent, top.name
        return
    found: list[tuple[tuple[str, ...], str]] = []
    for walked, inner, names in os.walk(top):
        inner[:] = [name for name in inner if not name.startswith(".")]
        parts = Path(walked).relative_to(top).parts
        found += [
            (parts, name)
            for name in names
            if not name.startswith(".")
            and not name.endswith(STILL_ARRIVING)
            and os.path.isfile(f"{walked}/{name}")  # noqa: PTH113 - many times faster
        ]
    for parts, name in sorted(found, key=lambda one: (*one[0], one[1])):
        yield top.joinpath(*parts), name


@dataclass(frozen=True, slots=True)
class _Folder:
    """What is told of a folder once, and is alike for all files in it.

    ``below`` are the folders between the inbox, or the quarantine, and this one.
    """

    path: Path
    resolved: str
    shown: str
    origin: Origin
    below: tuple[str, ...]

    @classmethod
    def of(cls, workspace: Workspace, folder: Path) -> _Folder:
        shown = workspace.shown(folder)
        origin: Origin = "elsewhere"
        below: tuple[str, ...] = ()
        places: tuple[tuple[Origin, Path], ...] = (
            ("inbox", workspace.inbox),
            ("quarantine", workspace.quarantine),
        )
        for name, place in places:
            found = _below(folder, place)
            if found is not None:
                origin, below = name, found
                break
        return cls(folder, str(folder.resolve()), shown, origin, below)

    def file(self, workspace: Workspace, name: str, vehicle: str | None) -> tuple[str, LogFile]:
        """Return where a file really is, and the log."""
        path = self.path / name
        resolved = f"{self.resolved}/{name}"
        shown = name if self.shown == "." else f"{self.shown}/{name}"
        if path.is_symlink():
            resolved, shown = str(path.resolve()), workspace.shown(path)
        if self.origin == "elsewhere":
            return resolved, LogFile(path, vehicle, self.origin, f"{vehicle or ''}/{name}", shown)
        owner = vehicle or (self.below[0] if self.below else None)
        place = "/".join((owner or "", *self.below[1:], name))
        return resolved, LogFile(path, owner, self.origin, place, shown)


def _below(file: Path, folder: Path) -> tuple[str, ...] | None:
    try:
        return file.absolute().relative_to(folder.absolute()).parts
    except ValueError:
        return None


def content_hash(path: Path, first: int | None = None) -> str:
    """Return the SHA-256 of a file's bytes, or of its ``first`` bytes, as hexadecimal digits."""
    digest = hashlib.sha256()
    left = sys.maxsize if first is None else first
    with path.open("rb", buffering=0) as stream:
        while left > 0 and (piece := stream.read(min(left, _PIECE))):
            digest.update(piece)
            left -= len(piece)
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
