"""The fleet report: order, counts, plans, changes and silence."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from io import BytesIO
from itertools import combinations

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from pypdf import PdfReader

from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.records import STATES, Forecast, Together
from healthtrack.report import document, style, write_fleet_report
from healthtrack.report.facts import is_silent
from healthtrack.report.fleet import (
    LINE,
    _grouped,
    _line,
    attention,
    compose_fleet,
    share_used,
)
from healthtrack.report.flow import Flow

WORKSPACE = WorkspaceSettings(vehicles={"vehicle-002": VehicleSettings(name="Badger")})


def text_of(path):
    pages = PdfReader(BytesIO(path.read_bytes())).pages
    return re.sub(r"[\s\u00a0]+", " ", "\n".join(page.extract_text() for page in pages))


def test_worse_states_come_first_then_the_likelier_sooner_and_nearer_limit(findings):
    sound, alarm = findings["sound"](), findings["alarm"]()
    far = replace(sound, vehicle="far")
    near = replace(
        sound,
        vehicle="near",
        indicators=(replace(sound.indicators[0], level=-4.0, low=-5.0, high=-3.0),),
    )
    soon = replace(
        sound,
        vehicle="soon",
        indicators=(replace(sound.indicators[0], forecast=Forecast(limit_on=date(2026, 9, 1))),),
    )
    learning, no_data = findings["learning"](), findings["no_data"]()
    likely = replace(
        sound,
        vehicle="likely",
        indicators=(
            replace(
                sound.indicators[0],
                forecast=Forecast(limit_on=date(2027, 1, 1), answer="expected", before_service=0.3),
            ),
        ),
    )
    ordered = sorted((no_data, far, learning, near, soon, likely, alarm), key=attention)
    assert ordered == [alarm, likely, soon, near, far, learning, no_data]


def test_the_share_of_a_limit_counts_the_far_end_of_the_band(findings):
    item = replace(findings["sound"]().indicators[3], level=3.0, low=1.0, high=6.0, limit=12.0)
    assert share_used(item) == pytest.approx(0.5)
    assert share_used(replace(item, level=-9.0, low=-12.0, high=-6.0)) == 0.0


def test_every_vehicle_has_its_line_and_every_state_its_count(fleet, tmp_path):
    path = tmp_path / "reports" / "fleet.pdf"
    write_fleet_report(fleet(30), WORKSPACE, path)
    text = text_of(path)
    assert "Fleet of 30 vehicles" in text
    assert "Badger" in text
    assert "vehicle-002" not in text
    for n in (0, 1, *range(3, 30)):
        assert f"vehicle-{n:03}" in text
    for state, words in (("alarm", "4 alarm"), ("normal", "22 normal"), ("learning", "2 learning")):
        assert state in STATES
        assert words in text


def test_what_has_changed_since_the_last_report_is_told(fleet, findings, tmp_path):
    now = fleet(3)
    before = (
        replace(findings["learning"](), vehicle="vehicle-000"),
        replace(findings["alarm"](), vehicle="vehicle-002"),
        replace(findings["sound"](), vehicle="vehicle-777"),
    )
    path = tmp_path / "fleet.pdf"
    write_fleet_report(now, WORKSPACE, path, before=before)
    text = text_of(path)
    assert "Was learning, is normal: vehicle-000." in text
    assert "New, normal: vehicle-001." in text
    assert "No longer in the fleet: vehicle-777." in text
    assert "Badger" not in text[: text.index("Gone silent")].split("Changed since")[1]


def test_a_vehicle_is_silent_after_five_of_its_own_pauses_but_not_before_three_weeks(findings):
    first = datetime(2025, 1, 1, tzinfo=UTC)
    # 21 drives over 200 days: one every 10 days; 5 pauses are 50 days
    steady = replace(
        findings["sound"](), drives=21, first_drive=first, last_drive=first + timedelta(days=200)
    )
    end = steady.last_drive.date()
    assert not is_silent(steady, end + timedelta(days=50))
    assert is_silent(steady, end + timedelta(days=51))
    daily = replace(steady, drives=201)
    assert not is_silent(daily, end + timedelta(days=21))
    assert is_silent(daily, end + timedelta(days=22))


@pytest.mark.parametrize(("size", "most_pages"), [(30, 2), (60, 2), (300, 6)])
def test_no_text_lies_over_other_text_or_leaves_the_page(fleet, size, most_pages):
    with document.look():
        flow = compose_fleet(fleet(size), WORKSPACE, fleet(size - 2))
        flow.footers()
        assert len(flow.pages) <= most_pages
        for page in flow.pages:
            renderer = FigureCanvasAgg(page.figure).get_renderer()
            boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in page.figure.texts]
            for words, box in boxes:
                assert box.x0 >= 0, words
                assert box.x1 <= page.figure.bbox.width, words
                assert box.y0 >= 0, words
            for (one, a), (other, b) in combinations(boxes, 2):
                across = min(a.x1, b.x1) - max(a.x0, b.x0)
                down = min(a.y1, b.y1) - max(a.y0, b.y0)
                over = across > 1.0 and down > 0.3 * min(a.height, b.height)
                assert not over, f"{one!r} lies over {other!r}"


def test_three_hundred_vehicles_are_each_named_once_in_the_table(fleet, tmp_path):
    path = tmp_path / "fleet.pdf"
    write_fleet_report(fleet(300), WorkspaceSettings(), path)
    text = text_of(path)
    text = text[text.index("what needs attention first") :]
    for n in range(300):
        assert text.count(f"vehicle-{n:03}") == 1, n


def test_vehicles_of_which_the_same_is_said_share_a_line(fleet, tmp_path):
    path = tmp_path / "fleet.pdf"
    write_fleet_report(fleet(20), WorkspaceSettings(), path)
    text = text_of(path)
    plan = text[text.index("To plan") : text.index("Gone silent")]
    assert plan.count("Compare the airflow sensor") == 1
    alarms = ", ".join(f"vehicle-{n:03}" for n in (2, 9, 12, 19))
    assert f"{alarms} (all past a limit)." in " ".join(plan.split())


def test_vehicles_that_moved_alike_are_told_of_together(findings, tmp_path):
    def alike(name: str):
        told = Together(3, -7.0, -6.8, -7.6, -6.0, -0.2, -1.2, 0.8, "alike")
        finding = findings["alarm"]()
        moved = tuple(
            replace(item, together=told) if item.state in {"alert", "alarm"} else item
            for item in finding.indicators
        )
        return replace(finding, vehicle=name, indicators=moved)

    path = tmp_path / "fleet.pdf"
    write_fleet_report([alike(name) for name in "abcd"], WorkspaceSettings(), path)
    plan = " ".join(text_of(path).split())
    assert "Others of their kind moved alike: look first at what they share: a, b, c, d" in plan


def test_what_is_added_to_names_is_written_once_where_it_is_the_same():
    told = (("Do it", "a", "by June"), ("Do it", "b", ""), ("Do it", "c", "by June"))
    assert [group.words for group in _grouped(told)] == ["Do it: a, c (all by June); b."]
    alone = _grouped([("Do it", "a", "by June"), ("Wait", "b", "")])
    assert [group.words for group in alone] == ["Do it: a (by June).", "Wait: b."]


def test_a_few_vehicles_take_no_page_of_their_own():
    """Lines are a little lower where that saves a page, and never otherwise."""
    flow = Flow(style.A4, "")
    first = 2 * int(flow.room // LINE)
    assert _line(flow, first) == LINE
    assert _line(flow, first + 1) < LINE
    assert _line(flow, first + 2 * int(0.1 * first)) == LINE  # too many to be saved


def test_an_empty_fleet_and_the_same_bytes(tmp_path):
    for name in ("one.pdf", "two.pdf"):
        write_fleet_report((), WorkspaceSettings(), tmp_path / name)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()
    assert "Fleet of 0 vehicles" in text_of(tmp_path / "one.pdf")
