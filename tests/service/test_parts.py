"""The service's smaller parts: its log, its page, its files, its endpoint, its memory of files."""

import io
import json
import logging
import re
import shutil
import socket
import subprocess
import sys
import urllib.request
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from healthtrack import clock
from healthtrack.advice.checks import load
from healthtrack.config import ReportSettings, VehicleSettings
from healthtrack.jobs.findings import finding_as_dict
from healthtrack.jobs.workspace import Workspace
from healthtrack.records import (
    CauseFinding,
    IndicatorFinding,
    NotObservable,
    Trend,
    VehicleFinding,
)
from healthtrack.report import words
from healthtrack.report.reader import PLAIN_READER, Reader
from healthtrack.service import intake as intake_module
from healthtrack.service import letters
from healthtrack.service.health import health_endpoint
from healthtrack.service.installing import container_file, systemd_unit
from healthtrack.service.intake import Intake
from healthtrack.service.journal import JsonLines, open_journal, read_journal
from healthtrack.service.page import Block, Page
from healthtrack.service.requests import Acknowledgement, ask, read, waiting
from healthtrack.service.state import JobStatus, Status, metrics
from healthtrack.store import Episode, LogEntry

NOW = datetime(2026, 11, 25, 6, tzinfo=UTC)


# ------------------------------------------------------------------------------ log


def _record(**extra):
    record = logging.LogRecord("healthtrack", logging.INFO, "", 0, "job %s", ("done",), None)
    vars(record).update(extra)
    return record


def test_a_line_of_the_log_is_one_json_object_whatever_is_in_it():
    line = JsonLines().format(_record(file='a"\n\u2028b', moment=NOW))
    assert "\n" not in line
    document = json.loads(line)
    assert document["event"] == "job done"
    assert document["level"] == "info"
    assert document["file"] == 'a"\n\u2028b'
    assert document["moment"] == str(NOW)


def test_a_log_that_grows_is_put_away_and_only_so_many_are_kept(tmp_path):
    handler = open_journal(tmp_path / "log" / "service.log", 0.001, 2)
    for number in range(100):
        handler.emit(_record(number=number))
    handler.close()
    names = sorted(path.name for path in (tmp_path / "log").iterdir())
    assert names == ["service.log", "service.log.1", "service.log.2"]
    assert all(path.stat().st_size <= 1000 for path in (tmp_path / "log").iterdir())
    last = list(read_journal(tmp_path / "log" / "service.log"))[-1]
    assert last["number"] == 99


# ------------------------------------------------------------------------------ letters


def _finding(state="alert", level=-4.1, drives=100, causes=()):
    item = IndicatorFinding(
        "airflow", "%", state, "why", level, level - 0.9, level + 0.9, raised_on=date(2026, 11, 20)
    )
    as_of = date(2026, 11, 25)
    reason = "airflow is low"
    return VehicleFinding("otter", as_of, state, reason, 1.0, drives, None, (item,), causes)


def test_what_changed_is_said_in_sentences():
    before = finding_as_dict(_finding("normal", -1.0, 90))
    cause = CauseFinding("airflow_sensor_reads_low", 0.91)
    assert letters.changes(before, _finding(causes=(cause,))) == (
        "Verdict: normal → alert.",
        "Airflow: normal → alert (level −1.0\u00a0% → −4.1\u00a0%).",
        f"Most likely cause now: {words.cause(cause.cause).lower()} (91\u00a0%).",
        "10 more drives since then.",
    )
    assert letters.changes(None, _finding()) == ("This is the first verdict.",)
    same = finding_as_dict(_finding("normal"))
    assert letters.changes(same, _finding("normal")) == ("No verdict has changed.",)


def _pressure(level=-1.84, state="alarm"):
    return replace(
        _finding(state),
        reason="manifold pressure reads -1.84 kPa low (-2.31 to -1.37) since about 181 000 km",
        indicators=(
            IndicatorFinding(
                *("standing_pressure", "kPa", state, "why", level, level - 0.47, level + 0.47),
                limit=2.0,
                raised_on=date(2026, 11, 20),
            ),
        ),
        advice=("Compare the sensors at 100.5 kPa.",),
    )


def _episode(**changes):
    fields = {
        "episode": "otter/standing_pressure/2026-11-20",
        "vehicle": "otter",
        "indicator": "standing_pressure",
        "unit": "kPa",
        "raised_on": date(2026, 11, 20),
        "opened": NOW - timedelta(days=5),
        "state": "alarm",
        "worst": "alarm",
        "first_level": -1.2,
        "level": -1.84,
        "seen_on": date(2026, 11, 25),
        "told": NOW,
    }
    return Episode(**{**fields, **changes})


OTTER = VehicleSettings(displacement_l=2.5, name="Otter 2.5")


def _letters(reader):
    """One letter of each kind about a pressure, by kind."""
    finding, before, episode = _pressure(), finding_as_dict(_pressure(-1.2, "alert")), _episode()
    return {
        "report": letters.report_page(finding, OTTER, before, (episode,), reader),
        "alert": letters.alert_page(finding, OTTER, before, (episode,), reader),
        "digest": letters.digest_page(
            (finding,), {"otter": OTTER.name}, {"otter": before}, finding.as_of, reader
        ),
        "escalation": letters.escalation_page((episode,), OTTER.name, 4.5, reader),
    }


@pytest.mark.parametrize("kind", ["report", "alert", "digest", "escalation"])
def test_a_letter_is_in_the_readers_units_and_number_marks(kind):
    settings = ReportSettings(
        pressure="psi", distance="mi", decimal_mark="comma", thousands_mark="point"
    )
    page = _letters(Reader.of(settings))[kind]
    for text in (page.as_text(), page.as_html()):
        words_of = " ".join(text.rpartition("</style>")[2].replace("\u00a0", " ").split())
        assert not re.search(r"\d (?:kPa|km)\b", words_of)
        assert not re.search(r"\d\.\d(?!\d\d)", words_of.replace("Otter 2.5", ""))
        assert "Otter 2.5" in words_of
    wanted = {  # 1 psi is 6.894757 kPa, 1 mile 1.609344 km (NIST SP 811)
        "report": ("−0,27 psi", "−0,34 to −0,20", "112.000 mi", "−0,17 psi → −0,27 psi"),
        "alert": ("now −0,27 psi (95 % band −0,34 to −0,20; limit ±0,29 psi)", "at 14,58 psi"),
        "digest": ("−0,27 psi", "112.000 mi", "level −0,17 psi → −0,27 psi"),
        "escalation": ("level −0,17 psi then and −0,26 psi now", "for 4,5 hours"),
    }
    for told in wanted[kind]:
        assert told in words_of, words_of


def test_a_letter_to_a_reader_of_the_stores_units_says_what_the_report_says():
    text = _letters(PLAIN_READER)["report"].as_text().replace("\u00a0", " ")
    assert "(−2.31 to −1.37)" in text
    assert "−1.8 kPa" in text
    assert "181 000 km" in text
    assert "−1.2 kPa → −1.8 kPa" in text


def test_a_letter_tells_by_when_and_with_what_care_before_the_numbered_checks():
    caution = next(iter(load().cautions.values()))
    advice = (caution, "If x is weak (91 %):", "1. Look at 2.5 kPa.", "2. Listen.", "Then mend it.")
    found = replace(_pressure(), advice=advice, not_observable=(NotObservable("boost", "x"),))
    reader = Reader.of(ReportSettings(pressure="psi"))
    page = letters.report_page(found, OTTER, None, (), reader)
    text, html = page.as_text().replace("\u00a0", " "), page.as_html()
    wanted = (
        *("* Do it before long journeys", caution[:40], "If x is weak (91 %)\n"),
        *("1. Look at 0.36 psi.", "2. Listen.", "Then mend it.", "* Boost: needs x."),
    )
    places = [text.index(words_) for words_ in wanted]
    assert places == sorted(places)
    assert "<h2>If x is weak (91\u00a0%)</h2>\n<ol><li>Look at" in html


def test_a_page_shows_the_pictures_that_travel_with_it_and_no_others():
    shown = (("airflow", 'Airflow "over" the years'), ("boost", "Boost"))
    page = Page("Otter", (Block(sentences=("x",), pictures=shown),))
    assert "<img" not in page.as_html()
    text = page.as_html(["airflow"])
    assert text.count("<img") == 1
    assert 'src="cid:airflow" alt="Airflow &quot;over&quot; the years"' in text
    assert "cid" not in page.as_text()


def test_a_letter_shows_the_trends_of_concern_the_worst_first():
    def item(name, state, *, drawn=True):
        trend = Trend(pl.DataFrame()) if drawn else None
        return IndicatorFinding(name, "%", state, "", trend=trend)

    found = replace(
        _finding(),
        indicators=(
            item("airflow", "alert"),
            item("boost", "normal"),
            item("breathing", "alarm"),
            item("pull_power", "alert", drawn=False),
        ),
    )
    assert letters.moved(found) == ("breathing", "airflow")
    assert letters.moved(replace(_finding("normal"), indicators=())) == ()


def test_nothing_in_a_name_becomes_markup():
    page = Page("<script>&", (Block("<b>", ("<i>x</i>",), (("<td>",), ("&amp;",)), listed=True),))
    text = page.as_html()
    assert "<script>" not in text
    assert "<i>" not in text
    assert "&lt;script&gt;&amp;" in text
    assert "&amp;amp;" in text
    assert "<script>&" in page.as_text()


def test_a_page_as_text_is_no_wider_than_a_letter():
    page = Page("t", (Block("h", ("word " * 60,)), Block("l", ("item " * 60,), listed=True)))
    assert max(map(len, page.as_text().splitlines())) <= 78


# ------------------------------------------------------------------------------ endpoint


def _status(**changes):
    return Status("1", 1, NOW, NOW, **changes)


@pytest.mark.parametrize(("trouble", "code"), [((), 200), (("mail: oh",), 503)])
def test_health_says_whether_a_person_is_wanted(trouble, code):
    status = _status(trouble=trouble)
    with health_endpoint(0, lambda: status) as port, socket.socket() as line:
        line.connect(("127.0.0.1", port))
        line.sendall(b"GET /health HTTP/1.0\r\n\r\n")
        answer = b""
        while piece := line.recv(4096):
            answer += piece
    assert f" {code} ".encode() in answer.splitlines()[0]
    assert json.loads(answer.split(b"\r\n\r\n")[1]) == {
        "is_well": not trouble,
        "trouble": list(trouble),
    }


def test_metrics_are_in_the_text_format_that_prometheus_reads():
    job = JobStatus('report/"x"\\\n', NOW, NOW, NOW, 2)
    text = metrics(_status(jobs=(job,), letters={"sent": 3}, alerts={"alarm": 1}, drives=7))
    # Prometheus text format 0.0.4: backslash, quote and line end are escaped in a label's value
    assert 'healthtrack_job_failures_in_a_row{job="report/\\"x\\"\\\\\\n"} 2\n' in text
    assert 'healthtrack_letters{state="sent"} 3\n' in text
    assert "healthtrack_drives 7\n" in text
    names = [line.split()[2] for line in text.splitlines() if line.startswith("# TYPE")]
    assert len(names) == len(set(names))
    assert text.endswith("\n")


def test_status_over_http_is_the_document_of_the_file():
    status = _status(drives=7)
    with health_endpoint(0, lambda: status) as port:
        url = f"http://127.0.0.1:{port}/status"
        with urllib.request.urlopen(url, timeout=5) as answer:
            assert json.load(answer) == status.as_dict()


# ------------------------------------------------------------------------------ requests


def test_a_request_waits_as_a_whole_file_and_rubbish_is_none(tmp_path):
    asked = Acknowledgement("otter", None, "Ann", NOW)
    ask(tmp_path, asked)
    (path,) = waiting(tmp_path)
    assert read(path) == asked
    for rubbish in (b"", b"{}", b"\xff", b'{"kind": "acknowledge", "vehicle": 1}', b"[]"):
        path.write_bytes(rubbish)
        assert read(path) is None


# ------------------------------------------------------------------------------ inbox


@pytest.fixture
def workspace(tmp_path):
    from tests.service_stand_ins import make_garage

    make_garage(tmp_path / "garage", "[vehicles.otter]\n")
    return Workspace.load(tmp_path / "garage")


def test_a_look_finds_what_is_new_or_changed_and_passes_over_the_rest(workspace):
    intake = Intake(0)
    otter = workspace.inbox / "otter"
    otter.mkdir()
    for name in ("b.csv", "a.csv", ".hidden", "c.csv.part", "d.csv~"):
        (otter / name).write_text("x")
    names = [path.name for path in intake.look(workspace, NOW, 9).ready]
    assert names == ["a.csv", "b.csv"]
    assert [path.name for path in intake.look(workspace, NOW, 1).ready] == ["a.csv"]
    intake.dealt_with(otter / "a.csv")
    assert [path.name for path in intake.look(workspace, NOW, 9).ready] == ["b.csv"]
    (otter / "a.csv").write_text("longer")
    assert len(intake.look(workspace, NOW, 9).ready) == 2


def test_a_flood_is_handed_out_in_pieces_and_walked_through_once(workspace, monkeypatch):
    for number in range(10):
        (workspace.inbox / f"{number}.csv").write_text("x")
    walks = []
    files = intake_module._files

    def counted(folder):
        walks.append(folder)
        return files(folder)

    monkeypatch.setattr(intake_module, "_files", counted)
    intake, now, taken = Intake(0), NOW, []
    for left in (10, 7, 4):
        found = intake.look(workspace, now, 3)
        assert found.waiting == left
        for path in found.ready:
            intake.dealt_with(path)
            taken.append(path.name)
        now += timedelta(seconds=1)
    assert len(walks) == 2  # inbox and quarantine, once
    (workspace.inbox / "0.csv").write_text("longer")  # fewer left than asked for: all is seen
    assert [path.name for path in intake.look(workspace, now, 3).ready] == ["0.csv", "9.csv"]
    assert taken == [f"{number}.csv" for number in range(9)]


def test_what_the_store_knows_is_passed_over_even_in_the_middle_of_a_flood(workspace):
    for number in range(10):
        (workspace.inbox / f"{number}.csv").write_text("x")
    intake = Intake(0)
    assert intake.look(workspace, NOW, 3).waiting == 10
    entries = [
        LogEntry(name, f"inbox/{name}.csv", "otter", clock.now(), size=1) for name in "01234"
    ]
    intake.start_from(workspace, entries)
    found = intake.look(workspace, NOW, 3)
    assert [path.name for path in found.ready] == ["5.csv", "6.csv", "7.csv"]
    assert found.waiting == 5


def test_what_was_handed_out_and_not_done_is_handed_out_again(workspace):
    for number in range(10):
        (workspace.inbox / f"{number}.csv").write_text("x")
    intake = Intake(0)
    first = intake.look(workspace, NOW, 3).ready
    intake.dealt_with(first[1])
    names = [path.name for path in intake.look(workspace, NOW, 3).ready]
    assert names == ["0.csv", "2.csv", "3.csv"]


def test_during_a_flood_new_files_are_seen_within_half_a_minute(workspace):
    for number in range(10):
        (workspace.inbox / f"{number}.csv").write_text("x")
    intake = Intake(0)
    intake.look(workspace, NOW, 3)
    (workspace.inbox / "-.csv").write_text("x")
    assert intake.look(workspace, NOW, 3).ready[0].name == "0.csv"
    later = NOW + timedelta(seconds=30)
    assert intake.look(workspace, later, 3).ready[0].name == "-.csv"
    assert intake.look(workspace, NOW, 3).waiting == 11  # a clock that went back


def test_a_pipeline_that_was_edited_makes_everything_worth_another_look(workspace):
    intake = Intake(0)
    (workspace.inbox / "a.csv").write_text("x")
    intake.look(workspace, NOW, 9)
    intake.dealt_with(workspace.inbox / "a.csv")
    assert intake.look(workspace, NOW, 9).waiting == 0
    (workspace.pipelines / "mine.toml").write_text("x = 1")
    assert intake.look(workspace, NOW, 9).waiting == 1


def test_an_inbox_that_is_not_there_is_empty(workspace):
    shutil.rmtree(workspace.inbox)
    assert Intake(0).look(workspace, NOW, 9).ready == ()


# ------------------------------------------------------------------------------ installing


def test_the_unit_is_one_that_systemd_accepts_and_runs_unprivileged(workspace, tmp_path):
    unit = systemd_unit(workspace.root, "daemon")
    assert "User=daemon\n" in unit
    assert "TimeoutStopSec=30\n" in unit  # stop_seconds 20, and ten to spare
    if shutil.which("systemd-analyze") is None:
        pytest.skip("systemd-analyze is not here")
    path = tmp_path / "healthtrack.service"
    path.write_text(unit)
    run = subprocess.run(
        ["systemd-analyze", "verify", str(path)], capture_output=True, text=True, check=False
    )
    ours = [line for line in run.stderr.splitlines() if "healthtrack.service" in line]
    assert ours == []
    assert run.returncode == 0, run.stderr


def test_the_container_file_makes_its_user_before_it_runs_as_it_and_calls_commands_that_exist():
    from healthtrack.cli import main
    from tests.benchmarks.container_steps import instructions

    steps = instructions(container_file("watch"))
    said = {name: rest for name, rest in steps if name != "RUN"}
    names = [name for name, _ in steps]
    assert names[0] == "FROM"
    assert said["FROM"] == f"python:{sys.version_info.major}.{sys.version_info.minor}-slim"
    assert "--uid 10001 " in dict(steps[1:2])["RUN"]
    assert said["USER"] == "10001"
    assert all(names.index(made) < names.index("USER") for made in ("RUN", "COPY"))
    assert "RUN" not in names[names.index("USER") :]  # nothing is installed by the one who runs it
    called = [*json.loads(said["ENTRYPOINT"]), *json.loads(said["CMD"])]
    asked = json.loads(said["HEALTHCHECK"].split("CMD", 1)[1])
    for program, command in (called, asked):
        assert program == "healthtrack"
        assert command in main.commands
    assert said["STOPSIGNAL"] == "SIGTERM"
    assert said["WORKDIR"] == said["VOLUME"] == "/workspace"


def test_a_stream_can_take_the_log_too():
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    handler.setFormatter(JsonLines())
    handler.emit(_record(ago=timedelta(hours=1)))
    assert json.loads(stream.getvalue())["ago"] == "1:00:00"
