"""What the service's tests put in the place of hours, servers and verdicts."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from healthtrack.jobs.findings import finding_as_dict
from healthtrack.jobs.starting import copy_pipelines
from healthtrack.mail import Answer
from healthtrack.records import IndicatorFinding, VehicleFinding
from healthtrack.store import StoredFinding

if TYPE_CHECKING:
    from pathlib import Path

START = datetime(2026, 3, 2, 12, tzinfo=UTC)  # a Monday


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self, now=START):
        self.now = now

    def __call__(self):
        return self.now

    def forward(self, **amount):
        self.now += timedelta(**amount)


class StandIn:
    """Verdicts as told: ``raised[vehicle]`` is (first day, state)."""

    def __init__(self):
        self.raised = {}
        self.broken = set()
        self.assessed = []
        self.drawn = 0

    def assess(self, workspace, store, vehicle, as_of, now):
        if vehicle in self.broken:
            raise self.error
        self.assessed.append((vehicle, as_of))
        day, state = self.raised.get(vehicle, (None, "normal"))
        if day is None or as_of < day:
            day, state = None, "normal"
        level = -4.1 if day else -0.3
        item = IndicatorFinding(
            *("airflow", "%", state, "airflow is as told"),
            level=level,
            low=level - 1,
            high=level + 1,
            raised_on=day,
            limit=-6.0,
        )
        finding = VehicleFinding(
            vehicle, as_of, state, "airflow is as told", 214_300.0, 100, None, (item,)
        )
        document = json.dumps(finding_as_dict(finding))
        store.keep_finding(StoredFinding(vehicle, as_of, now, state, document))
        return finding

    def draw(self, workspace, store, finding):
        self.drawn += 1
        path = workspace.report_path(finding.vehicle, finding.as_of)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(f"%PDF-1.4 {finding.vehicle} {finding.as_of} {finding.state}".encode())
        return path

    def draw_fleet(self, workspace, store, findings, as_of):
        path = workspace.fleet_report_path(as_of)
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(f"%PDF-1.4 fleet {as_of} {len(findings)}".encode())
        return path


class Pigeon:
    """A courier that keeps what it is given, or answers as told."""

    def __init__(self):
        self.kept = []
        self.answers = []

    def deliver(self, raw, sender, addresses):
        if self.answers:
            outcome, stage = self.answers.pop(0)
            return dict.fromkeys(addresses, Answer(outcome, stage, f"told to be {outcome}"))
        self.kept += [(address, raw) for address in addresses]
        return dict.fromkeys(addresses, Answer("accepted", "answer", "250 kept"))


def make_garage(root: Path, text: str) -> Path:
    """Make a workspace with these settings."""
    root.mkdir(exist_ok=True)
    copy_pipelines(root / "pipelines")
    (root / "healthtrack.toml").write_text(text, encoding="utf-8")
    (root / "inbox").mkdir()
    return root
