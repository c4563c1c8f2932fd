"""Drawing the vehicles' compressor maps, for the eye to lay beside those they were read from."""

from __future__ import annotations

from typing import TYPE_CHECKING

from healthtrack.airpath.map_file import read_map
from healthtrack.errors import MapError, SettingsError
from healthtrack.jobs.checking import Remark
from healthtrack.jobs.workspace import Workspace
from healthtrack.report.pull_page import write_map_page

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def draw_maps(root: Path) -> Iterator[Remark]:
    """Draw every compressor map that can be read into ``reports/maps`` and say where.

    Maps and settings that cannot be read are passed over: the check names them.

    Raises
    ------
    ReportError
        Where a page cannot be written.
    """
    try:
        workspace = Workspace.load(root)
    except SettingsError:
        return
    for vehicle, settings in workspace.settings.vehicles.items():
        if not settings.compressor_map:
            continue
        try:
            chart = read_map(workspace.root / settings.compressor_map)
        except MapError:
            continue
        page = workspace.root / workspace.settings.reports / "maps" / f"{vehicle}.pdf"
        write_map_page(chart, page)
        words = (
            f"its compressor map is drawn in {workspace.shown(page)}: lay it beside the original"
        )
        yield Remark("ok", vehicle, words)
