"""The only home of matplotlib: figures, pages, PDF."""

from __future__ import annotations

from healthtrack.report.beside import NOTHING_BESIDE, Beside
from healthtrack.report.figures import draw_figures, draw_pull_pages
from healthtrack.report.fleet import write_fleet_report
from healthtrack.report.index import write_index
from healthtrack.report.vehicle import write_vehicle_report

__all__ = [
    "NOTHING_BESIDE",
    "Beside",
    "draw_figures",
    "draw_pull_pages",
    "write_fleet_report",
    "write_index",
    "write_vehicle_report",
]
