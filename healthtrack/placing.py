"""Files that are there whole or not at all, whatever ends the process meanwhile."""

from __future__ import annotations

import glob
import os
import tempfile
from pathlib import Path

_SUFFIX = ".part"


def place(path: Path, content: bytes, mode: int = 0o644) -> None:
    """Write a file beside its place, bring it to the disk, and rename it.

    What was there before stays until then. What a process that was killed in the middle of the
    same has left is removed. Several processes may place the same file; the last one's stays.

    Parameters
    ----------
    path : Path
        In a folder that exists.
    content : bytes
        All of it.
    mode : int
        Who may read it.

    Raises
    ------
    OSError
        It cannot be written; what was there before is as it was.
    """
    stem = f".{path.name[:60]}."
    _remove_left(path.parent, stem)
    handle, name = tempfile.mkstemp(_SUFFIX, f"{stem}{os.getpid()}.", path.parent)
    temporary = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        temporary.chmod(mode)
        os.replace(temporary, path)  # noqa: PTH105 - the atomic one, by its own name
    finally:
        temporary.unlink(missing_ok=True)


def _remove_left(folder: Path, stem: str) -> None:
    for left in folder.glob(f"{glob.escape(stem)}*{_SUFFIX}"):
        process = left.name.removeprefix(stem).partition(".")[0]
        if process.isdigit() and not _lives(int(process)):
            left.unlink(missing_ok=True)


def _lives(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):  # another user's
        return True
    return True
