"""The fleet report of a workspace, and the index of its reports."""

from __future__ import annotations

from datetime import UTC, date, datetime
from io import BytesIO

from pypdf import PdfReader

from healthtrack.jobs.fleet import last_verdict, write_fleet_report, write_index
from healthtrack.records import VehicleFinding
from healthtrack.store import StoredFinding

DAY = date(2026, 3, 31)


def kept(store, day, state):
    assessed = datetime(2026, 4, 1, tzinfo=UTC)
    store.keep_finding(StoredFinding("otter", day, assessed, state, "{}"))


def test_the_last_verdict_is_of_an_earlier_day(workspace):
    with workspace.open_store() as store:
        assert last_verdict(store, "otter", DAY) is None
        kept(store, date(2026, 1, 31), "learning")
        kept(store, date(2026, 2, 28), "alert")
        kept(store, DAY, "alarm")
        found = last_verdict(store, "otter", DAY)
    assert (found.state, found.as_of) == ("alert", date(2026, 2, 28))


def test_a_fleet_report_says_what_changed_and_the_index_finds_every_report(workspace):
    finding = VehicleFinding("otter", DAY, "normal", "as healthy", 214_140.0, 240, None)
    with workspace.open_store() as store:
        kept(store, date(2026, 2, 28), "alert")
        path = write_fleet_report(workspace, store, [finding], DAY)
    assert path == workspace.root / "reports/fleet/fleet_2026-03-31_condition-report.pdf"
    text = PdfReader(BytesIO(path.read_bytes())).pages[0].extract_text()
    assert "was alert, is normal" in text
    page = write_index(workspace).read_text(encoding="utf-8")
    assert "fleet/fleet_2026-03-31_condition-report.pdf" in page
