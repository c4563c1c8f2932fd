"""Every page answers, with scripts or without, and nothing from a log gets out of its quotes."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from icalendar import Calendar

from healthtrack.report.style import MARKS
from healthtrack.web.guard import HEADERS
from tests.web.conftest import HOSTILE

PAGES = (
    *("/", "/vehicle/otter", "/vehicle/stoat", "/vehicle/otter/pulls", "/logs", "/map", "/tune"),
)


class Tags(HTMLParser):
    """What a browser would take for tags."""

    def __init__(self, text):
        super().__init__()
        self.found = []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.found.append((tag, dict(attributes)))


def all_pages(visit):
    seen = visit.site.glance()
    logs = [f"/logs/{entry.sha256}" for entry in seen.logs]
    drives = [f"/vehicle/otter/drive/{one}" for one in drives_of(visit)]
    return [*PAGES, *logs, *drives, f"{logs[0]}/recipe", f"{logs[-1]}/recipe"]


def drives_of(visit):
    with visit.site.workspace().open_for_reading() as (store, _):
        return store.history("otter", visit.clock().date()).drives["drive"].to_list()


@pytest.mark.parametrize("path", PAGES)
def test_a_page_answers_with_its_title_and_all_headers(visit, path):
    answer = visit.get(path)
    assert answer.status_code == 200
    assert "<h1" in answer.text
    assert {name: answer.headers[name] for name in HEADERS} == HEADERS


def test_what_a_log_or_a_name_says_never_becomes_a_tag(visit):
    checked = 0
    for path in all_pages(visit):
        text = visit.get(path).text
        for tag, attributes in Tags(text).found:
            assert not [name for name in attributes if name.startswith("on")], (path, tag)
            assert "style" not in attributes, (path, tag)
            if tag == "script":
                assert attributes["src"].startswith("/static/")
            assert tag != "img" or attributes["src"].startswith("/vehicle/")
        checked += "&lt;script&gt;alert(1)" in text
    assert checked >= 6  # it was shown, as text, on most of these


def test_no_page_names_an_address_outside_this_machine(visit):
    for path in all_pages(visit):
        text = visit.get(path).text.replace("HYPERLINK(&#34;http://x&#34;)", "")
        found = re.findall(r"(?:src|href|action)=\"(?:https?:)?//[^\"]*", text)
        assert not found, path


def test_every_script_and_style_of_a_page_is_there(visit):
    wanted = set()
    for path in all_pages(visit):
        wanted |= set(re.findall(r'(?:src|href)="(/static/[^"]+)"', visit.get(path).text))
    assert len(wanted) >= 5
    assert {visit.get(path).status_code for path in wanted} == {200}


def test_the_board_shows_the_alert_and_since_when_it_stands(visit):
    text = visit.get("/").text
    assert "raised 20 Feb 2026" in text  # not the day on which this service first said so
    assert "I know of airflow" in text


def test_an_acknowledgement_reaches_the_service_and_comes_back(visit):
    visit.post("/vehicle/otter/acknowledge", {"by": "Anna <b>"})
    assert "the service takes it over within seconds" in visit.get("/").text
    visit.publish()
    text = visit.get("/").text
    assert "noted by Anna &lt;b&gt;" in text
    assert "I know of" not in text


def test_work_that_was_done_is_entered_by_the_service(visit):
    sent = {"on": "2026-03-01", "kind": "airflow_sensor_replaced", "odometer_km": "214 350"}
    assert visit.post("/vehicle/otter/work", sent | {"note": HOSTILE}).status_code == 303
    assert "the service enters it within seconds" in visit.get("/vehicle/otter").text
    visit.publish()
    (event,) = [e for e in visit.site.glance().maintenance if e.kind != "other"]
    assert (event.odometer_km, event.note) == (214_350.0, HOSTILE)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("on", "tomorrow"),
        ("on", "2026-03-03"),
        ("kind", "../../x"),
        ("odometer_km", "-5"),
        ("odometer_km", "nan"),
        ("odometer_km", "=1+1"),
    ],
)
def test_work_that_cannot_be_is_refused_with_words(visit, field, value):
    sent = {"on": "2026-03-01", "kind": "other", "odometer_km": ""} | {field: value}
    answer = visit.post("/vehicle/otter/work", sent)
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert not list((visit.root / "service" / "requests").glob("*"))


def test_pages_are_in_the_units_and_marks_of_the_reports(visit):
    with (visit.root / "healthtrack.toml").open("a") as settings:
        settings.write('[report]\ndistance = "mi"\npressure = "psi"\ndecimal_mark = "comma"\n')
    text = visit.get("/vehicle/otter").text
    assert "133\N{NO-BREAK SPACE}160\N{NO-BREAK SPACE}mi" in text  # 214 300 km
    assert "−4,1" in text
    assert "Odometer, mi" in text
    (drive,) = drives_of(visit)
    text = visit.get(f"/vehicle/otter/drive/{drive}").text
    assert "manifold pressure, psi" in text
    assert "21,7" in text  # 150 kPa
    sent = {"on": "2026-03-01", "kind": "other", "odometer_km": "133 160", "note": "in miles"}
    visit.post("/vehicle/otter/work", sent)
    visit.publish()
    (event,) = [e for e in visit.site.glance().maintenance if e.note == "in miles"]
    assert event.odometer_km == pytest.approx(214_300, abs=1)


def test_what_is_read_of_a_snapshot_is_read_once_and_again_from_the_next_one(visit, monkeypatch):
    from healthtrack.web import pulls

    opened = []
    inner = pulls.open_snapshot

    def counted(*given):
        opened.append(given)
        return inner(*given)

    monkeypatch.setattr(pulls, "open_snapshot", counted)
    for _ in range(3):
        assert visit.get("/vehicle/otter/pulls").status_code == 200
    assert len(opened) == 1
    visit.publish()
    visit.get("/vehicle/otter/pulls")
    assert len(opened) == 2


def test_the_calendar_is_read_at_its_secret_address_only(visit):
    address = f"/calendar/{visit.site.calendar}.ics"
    answer = visit.get(address)
    assert answer.headers["content-type"].startswith("text/calendar")
    found = Calendar.from_ical(answer.content)
    assert [str(one["SUMMARY"]) for one in found.walk("VEVENT")]
    assert visit.get("/calendar/guessed.ics").status_code == 404


def test_a_full_verdict_takes_the_place_of_the_kept_one_and_is_not_given_twice(visit):
    assert visit.site.desk.work() == 2
    assert visit.site.desk.work() == 0
    assert visit.site.desk.finding("otter").drives == 1
    assert MARKS["learning"].word in visit.get("/vehicle/otter").text
    visit.clock.now = visit.clock.now.replace(day=3)
    assert visit.site.desk.work() == 2


def test_what_others_of_its_kind_did_is_told_beside_the_alert_it_was_asked_for(visit, monkeypatch):
    told = "others of its kind (5 heard): "
    assert told in visit.get("/vehicle/otter").text
    site = visit.site
    kept = site.shown("otter", site.glance()).finding
    (item,) = kept.indicators
    for raised, heard in ((item.raised_on, True), (item.raised_on.replace(day=1), False)):
        again = replace(item, together=None, raised_on=raised)
        monkeypatch.setattr(
            site.desk, "finding", lambda _, it=again: replace(kept, indicators=(it,))
        )
        page = visit.get("/vehicle/otter")
        assert page.status_code == 200
        assert (told in page.text) == heard


def test_a_workspace_without_anything_still_has_its_pages(tmp_path):
    from tests.web.conftest import Visit

    (tmp_path / "healthtrack.toml").write_text("")
    visit = Visit(tmp_path)
    for path in ("/", "/logs", "/map", "/tune"):
        assert visit.get(path).status_code == 200


def test_the_licences_of_the_vendored_scripts_lie_beside_them():
    from healthtrack.web.site import HERE

    vendor = HERE / "vendor"
    assert "Zero-Clause BSD" in (vendor / "htmx-LICENSE.txt").read_text()
    assert "MIT License" in (vendor / "uPlot-LICENSE.txt").read_text()
    versions = (vendor / "README.md").read_text()
    htmx = re.search(r'version:"([^"]+)"', (vendor / "htmx.min.js").read_text())[1]
    uplot = re.search(r"v(1\.6\.\d+)", (vendor / "uPlot.iife.min.js").read_text())[1]
    assert f"htmx {htmx}" in versions
    assert f"uPlot {uplot}" in versions


@pytest.mark.slow
def test_a_verdict_under_way_does_not_hold_up_the_end(visit):
    """The service promises an end within `stop_seconds`; a worker that goes on would break that."""
    import multiprocessing
    import time

    before = set(multiprocessing.active_children())  # another test's cluster may still be there

    def started():
        return set(multiprocessing.active_children()) - before

    visit.site.desk.start()
    while not started():
        time.sleep(0.05)
    visit.site.desk.stop()
    visit.site.desk._thread.join(timeout=30)
    assert not visit.site.desk._thread.is_alive()
    assert not started()
