"""The only home of matplotlib: figures, pages, PDF."""

from __future__ import annotations

from healthtrack.report.fleet import write_fleet_report
from healthtrack.report.vehicle import write_vehicle_report

__all__ = ["write_fleet_report", "write_vehicle_report"]
