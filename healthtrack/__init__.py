"""Long-term condition monitoring of the air path of turbocharged vehicle engines."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from healthtrack.bench.notebook import Open

__version__ = "0.1.0"


def open(folder: str | Path) -> Open:
    """Open a workspace for looking at it from Python; see :class:`healthtrack.bench.notebook.Open`.

    Raises
    ------
    SettingsError
        The folder is no workspace, or its settings cannot be used.
    """
    from healthtrack.bench.notebook import open_workspace  # noqa: PLC0415 - costs a second

    return open_workspace(folder)
