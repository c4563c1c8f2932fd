"""One service per workspace: a lock that the system lets go of, however the process ends."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

from healthtrack.errors import HealthtrackError, StoreLockedError
from healthtrack.service.state import FOLDER

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@contextmanager
def only_instance(root: Path) -> Iterator[None]:
    """Hold the workspace's service lock while the block runs.

    Raises
    ------
    StoreLockedError
        Another service runs on this workspace.
    HealthtrackError
        The lock's file cannot be written.
    """
    try:
        import fcntl  # noqa: PLC0415 - not on every system
    except ImportError:  # pragma: no cover - the store's own lock must do
        yield
        return
    path = root / FOLDER / "lock"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise HealthtrackError(
            f"{path} cannot be written: {error.strerror}. The service needs to write in its "
            "workspace; correct the folder's owner or rights."
        ) from None
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise StoreLockedError(
                f"a service runs on {root} already; `healthtrack status` shows it. Stop that one "
                "first."
            ) from None
        yield
    finally:
        os.close(handle)


def is_running(root: Path) -> bool:
    """Whether a service runs on a workspace."""
    if not (root / FOLDER / "lock").exists():
        return False
    try:
        with only_instance(root):
            return False
    except StoreLockedError:
        return True
    except HealthtrackError:
        return False
