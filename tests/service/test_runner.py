"""Rounds of the service: each due thing once, whatever goes wrong."""

import shutil
from datetime import UTC, date, datetime, timedelta

import duckdb
import pytest

from healthtrack.errors import ReportError
from healthtrack.service.requests import Acknowledgement, ask
from healthtrack.service.state import metrics, published
from healthtrack.store import Episodes, Ledger, Outbox, open_snapshot
from tests.service_stand_ins import START

OWNER, BOSS = "owner@garage.example", "boss@garage.example"


def _runs(garage, job):
    with garage.store() as store:
        return [(run.due, run.state) for run in Ledger(store).runs(job)]


def test_a_week_has_seven_assessments_and_one_report_on_each_vehicle(garage):
    garage.run(7 * 24)
    assert len([state for _, state in _runs(garage, "assess") if state == "done"]) == 7
    assert len(garage.subjects(OWNER)) == 2
    assert all("normal, as of 8 March 2026" in subject for subject in garage.subjects(OWNER))
    assert garage.subjects(BOSS) == []


def test_nothing_is_reported_twice_when_the_service_starts_again_and_again(garage):
    for _ in range(8 * 2):
        garage.clock.forward(hours=12)
        garage.start()
    assert len(garage.subjects(OWNER)) == 2
    assert len(_runs(garage, "assess")) == 8


def test_a_fortnight_without_power_is_caught_up_once(garage):
    garage.run(24)
    garage.clock.forward(days=14)
    garage.start()
    garage.run(3)
    assert len(garage.subjects(OWNER)) == 2
    done = [due for due, state in _runs(garage, "assess") if state == "done"]
    assert done == [
        datetime(2026, 3, 3, 4, 30, tzinfo=UTC),
        datetime(2026, 3, 17, 4, 30, tzinfo=UTC),
    ]


def test_an_alert_goes_out_at_once_and_once(garage, write_log):
    garage.chain.raised["otter"] = (date(2026, 3, 2), "alert")
    write_log(garage.root / "inbox" / "otter" / "a.csv", datetime(2026, 3, 2, 9, tzinfo=UTC))
    garage.run(0.1, step_minutes=1)
    (subject,) = garage.subjects(OWNER)
    assert subject == "Alert: otter, airflow"
    garage.run(2 * 24)
    assert garage.subjects(OWNER) == [subject]
    garage.chain.raised["otter"] = (date(2026, 3, 2), "alarm")
    garage.run(24)
    assert garage.subjects(OWNER) == [subject, "Alarm: otter, airflow"]


def test_an_alert_says_what_changed_and_carries_the_report(garage, write_log):
    import email
    from email import policy

    garage.run(24)
    garage.chain.raised["otter"] = (date(2026, 3, 3), "alert")
    write_log(garage.root / "inbox" / "otter" / "a.csv", datetime(2026, 3, 3, 9, tzinfo=UTC))
    garage.run(1)
    message = email.message_from_bytes(garage.pigeon.kept[-1][1], policy=policy.SMTP)
    words = " ".join(message.get_body(("plain",)).get_content().split())
    assert "Verdict: normal → alert." in words
    assert "level −0.3" in words
    assert "−4.1" in words
    assert "no certificate of roadworthiness" in words
    (report,) = message.iter_attachments()
    assert b"otter 2026-03-03 alert" in report.get_content()


def test_alerts_wait_out_the_quiet_hours(garage, write_log):
    garage.run(12)  # midnight
    garage.chain.raised["otter"] = (date(2026, 3, 3), "alarm")
    write_log(garage.root / "inbox" / "otter" / "a.csv", datetime(2026, 3, 3, 0, tzinfo=UTC))
    garage.run(6.5)
    assert garage.subjects(OWNER) == []
    garage.run(1)
    assert garage.subjects(OWNER) == ["Alarm: otter, airflow"]


@pytest.mark.parametrize("acknowledged", [False, True])
def test_an_alarm_that_nobody_acknowledges_goes_further_once(garage, write_log, acknowledged):
    garage.chain.raised["otter"] = (date(2026, 3, 2), "alarm")
    write_log(garage.root / "inbox" / "otter" / "a.csv", datetime(2026, 3, 2, 9, tzinfo=UTC))
    garage.run(24)
    if acknowledged:
        ask(garage.root, Acknowledgement("otter", None, "Ann", garage.clock()))
    garage.run(2 * 24)
    expected = [] if acknowledged else ["Alarm without an answer: otter"]
    assert garage.subjects(BOSS) == expected
    with garage.store() as store:
        (episode,) = Episodes(store).open()
    assert episode.acknowledged_by == ("Ann" if acknowledged else "")
    assert not list((garage.root / "service" / "requests").glob("*"))


def test_a_digest_tells_of_all_vehicles_together(garage):
    garage.chain.raised["stoat"] = (date(2026, 3, 20), "alert")
    garage.clock.forward(days=29)
    garage.run(3 * 24)
    (subject,) = garage.subjects(BOSS)
    assert subject == "Fleet as of 31 March 2026: 1 vehicle needs attention"
    assert (garage.root / "reports" / "fleet_2026-03-31_condition-report.pdf").exists()


def test_a_job_that_fails_three_times_is_reported_once_and_stops_no_other(garage):
    garage.chain.broken, garage.chain.error = {"otter"}, ReportError("the disk is full")
    garage.run(7 * 24)
    assert len([subject for subject in garage.subjects(BOSS) if "assess failed 3" in subject]) == 1
    assert ("stoat", date(2026, 3, 5)) in garage.chain.assessed
    assert [subject for subject in garage.subjects(OWNER) if "stoat" in subject]
    assert len([state for _, state in _runs(garage, "housekeeping") if state == "done"]) == 7
    status = garage.runner.status()
    assert not status.is_well
    assert any("the disk is full" in job.message for job in status.jobs)
    garage.chain.broken = set()
    garage.run(12)
    assert garage.runner.status().is_well
    assert [subject for subject in garage.subjects(OWNER) if "otter" in subject]


def test_a_fault_of_our_own_in_a_job_is_a_failure_like_any_other(garage):
    garage.chain.broken, garage.chain.error = {"otter", "stoat"}, ZeroDivisionError("oh")
    garage.run(24)
    assert {state for _, state in _runs(garage, "assess")} == {"failed"}
    assert "housekeeping" in dict.fromkeys(job.job for job in garage.runner.status().jobs)
    assert {state for _, state in _runs(garage, "housekeeping")} == {"done"}


def test_a_letter_that_is_refused_for_a_while_is_tried_at_growing_intervals(garage):
    garage.clock.forward(days=6, hours=17)
    garage.pigeon.answers = [("temporary", "answer")] * 6
    attempts = []
    for _ in range(20 * 12):
        before = len(garage.pigeon.answers)
        garage.clock.forward(minutes=5)
        garage.runner.tick()
        attempts += [garage.clock.now] * (before - len(garage.pigeon.answers))
    assert len(garage.subjects(OWNER)) == 2
    assert garage.pigeon.answers == []
    with garage.store() as store:
        assert Outbox(store).counts() == {"sent": 2}


@pytest.mark.slow
def test_a_letter_whose_time_is_over_is_given_up_and_shown(garage):
    garage.clock.forward(days=6, hours=17)
    garage.pigeon.answers = [("temporary", "connect")] * 10_000
    garage.run(6 * 24, step_minutes=360)
    with garage.store() as store:
        counts = Outbox(store).counts()
        assert counts == {"given_up": 3}  # two reports, and the word that mail fails
    assert len(garage.runner.status().undelivered) == 3
    tries = 10_000 - len(garage.pigeon.answers)
    assert tries < 60


def test_a_password_that_is_missing_is_trouble_until_it_is_there(garage):
    from healthtrack.errors import MailError

    def no_courier(_workspace):
        raise MailError("the mail password is missing")

    garage.runner._courier = no_courier
    garage.clock.forward(days=7)
    garage.run(6)
    assert "password is missing" in garage.runner.status().trouble[0]
    garage.runner._courier = lambda _: garage.pigeon
    garage.run(1)
    assert garage.runner.status().is_well
    assert len(garage.subjects(OWNER)) == 2


def test_edited_settings_are_taken_over_and_bad_ones_are_not(garage):
    settings = garage.root / "healthtrack.toml"
    text = settings.read_text()
    settings.write_text(text + "[vehicles.badger]\n")
    garage.run(24)
    assert "badger" in {vehicle for vehicle, _ in garage.chain.assessed}
    settings.write_text(text.replace("weekly", "weakly"))
    garage.run(24)
    assert "weakly" in garage.runner.status().trouble[0]
    assert [plan.job for plan in garage.runner.plans if plan.recipient] == [
        "report/owner",
        "digest/boss",
    ]
    settings.write_text(text)
    garage.run(1)
    assert garage.runner.status().is_well


def test_another_process_that_holds_the_store_is_waited_for(garage):
    import subprocess
    import sys

    code = (
        "import duckdb, sys; held = duckdb.connect(sys.argv[1]); print('held', flush=True); "
        "sys.stdin.read()"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(garage.root / "healthtrack.duckdb")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with other:
        assert other.stdout.readline() == "held\n"
        garage.run(24)
        assert f"process {other.pid}" in garage.runner.status().trouble[0]
        assert garage.chain.assessed == []
        other.stdin.close()
        other.wait()
    garage.run(1)
    assert garage.runner.status().is_well
    assert len(_runs(garage, "assess")) == 1


def test_a_report_folder_that_vanished_is_made_again(garage):
    garage.run(7 * 24, step_minutes=360)
    shutil.rmtree(garage.root / "reports")
    garage.run(7 * 24, step_minutes=360)
    assert len(garage.subjects(OWNER)) == 4


def test_a_clock_that_jumps_ahead_for_years_and_back_delays_nothing(garage):
    garage.run(24)
    garage.clock.forward(days=3000)
    garage.run(2)
    garage.clock.forward(days=-3000)
    before = len(garage.subjects(OWNER))
    garage.run(8 * 24)
    assert len(garage.subjects(OWNER)) == before + 2
    done = {due for due, state in _runs(garage, "assess") if state == "done"}
    assert {datetime(2026, 3, day, 4, 30, tzinfo=UTC) for day in range(3, 11)} <= done


def test_told_to_stop_a_job_is_broken_off_between_two_vehicles_and_done_again(garage):
    def stop_after_the_first(*args):
        garage.stop = True
        return finding(*args)

    finding = garage.chain.assess
    garage.chain.assess = stop_after_the_first
    garage.run(24)
    assert [state for _, state in _runs(garage, "assess")] == ["interrupted"]
    garage.stop, garage.chain.assess = False, finding
    garage.start()
    assert [state for _, state in _runs(garage, "assess")] == ["interrupted", "done"]


def test_housekeeping_writes_a_backup_every_night_and_deletes_the_surplus(garage):
    garage.run(12 * 24, step_minutes=360)
    names = sorted(path.name for path in (garage.root / "backups").iterdir())
    assert names == ["2026-03-03", *(f"2026-03-{day:02}" for day in range(8, 15))]


def test_readers_see_a_snapshot_that_says_how_old_it_is(garage, write_log):
    write_log(garage.root / "inbox" / "otter" / "a.csv", datetime(2026, 3, 2, 9, tzinfo=UTC))
    garage.run(1)
    copy, moment = open_snapshot(garage.root / "healthtrack.duckdb", 200)
    with copy:
        assert len(copy.logs()) == 1
        assert moment <= garage.clock()
        assert garage.clock() - moment <= timedelta(hours=1)
    assert garage.runner.status().inbox_waiting == 0  # all were taken: nothing waits any more


def test_a_flood_of_logs_is_taken_in_by_and_by_and_other_jobs_get_their_turn(make, write_log):
    from tests.service.conftest import SETTINGS

    garage = make(SETTINGS.replace("settle_seconds = 0", "settle_seconds = 0\nscan_files = 3"))
    for number in range(10):
        started = datetime(2026, 3, 1, 9, tzinfo=UTC) + timedelta(hours=number)
        write_log(garage.root / "inbox" / "otter" / f"{number}.csv", started)
    garage.clock.forward(days=1)
    stored = []
    for _ in range(5):
        garage.runner.tick()
        stored.append(garage.runner.status().logs.get("stored", 0))
        garage.clock.forward(seconds=10)
    assert stored == [3, 6, 9, 10, 10]
    with garage.store() as store:
        runs = [run.job for run in Ledger(store).runs() if run.job in {"scan", "assess"}]
    assert runs.index("assess") < len(runs) - 1
    assert runs.count("scan") == 4


def test_a_job_that_falls_due_while_many_logs_are_taken_in_does_not_wait_for_them(
    garage, monkeypatch
):
    """Each log takes ten minutes here; the assessment at 04:30 comes before the fifth of them."""
    from healthtrack.service import intake

    for number in range(8):
        log = garage.root / "inbox" / "otter" / f"{number}.csv"
        log.parent.mkdir(parents=True, exist_ok=True)
        log.write_text(f"strange;{number}\n")
    garage.clock.now = garage.clock.now.replace(hour=3, minute=55) + timedelta(days=1)
    inner = intake.Intake.dealt_with

    def slow(self, path):
        inner(self, path)
        garage.clock.forward(minutes=10)

    monkeypatch.setattr(intake.Intake, "dealt_with", slow)
    for _ in range(4):
        garage.runner.tick()
        garage.clock.forward(seconds=10)
    with garage.store() as store:
        runs = [run for run in Ledger(store).runs() if run.job in {"scan", "assess"}]
        assert len(store.logs()) == 8
    (assessed,) = [run for run in runs if run.job == "assess" and run.due.hour == 4]
    assert assessed.started - assessed.due < timedelta(minutes=11)
    assert runs.index(assessed) < len(runs) - 1  # the rest of the logs came after it


def test_a_file_is_read_once_it_was_left_alone(make, write_log):
    from tests.service.conftest import SETTINGS

    garage = make(SETTINGS.replace("settle_seconds = 0", "settle_seconds = 3600"))
    log = write_log(garage.root / "inbox" / "otter" / "a.csv", START)
    text = log.read_text()
    half = len(text) // 2
    garage.clock.now = datetime.fromtimestamp(log.stat().st_mtime, tz=UTC)
    log.write_text(text[:half])
    garage.clock.forward(seconds=31)
    garage.runner.tick()
    log.write_text(text)
    garage.clock.forward(seconds=31)
    garage.runner.tick()
    assert garage.runner.status().logs == {}
    garage.clock.forward(seconds=31)
    garage.runner.tick()
    assert garage.runner.status().logs == {"stored": 1}


def test_what_nothing_can_be_done_with_is_shown_and_not_read_again_and_again(garage, write_log):
    write_log(garage.root / "inbox" / "a.csv")
    write_log(garage.root / "inbox" / "unknown" / "b.csv")
    (garage.root / "inbox" / "otter").mkdir()
    (garage.root / "inbox" / "otter" / "c.csv").write_bytes(bytes(range(256)) * 9)
    garage.run(2, step_minutes=5)
    status = garage.runner.status()
    assert status.logs == {"quarantined": 1}
    assert (garage.root / "quarantine" / "otter" / "c.csv").exists()
    assert len(_runs(garage, "scan")) <= 2
    settings = garage.root / "healthtrack.toml"
    settings.write_text(settings.read_text() + "[vehicles.unknown]\n")
    garage.run(1, step_minutes=5)
    assert garage.runner.status().logs == {"quarantined": 1, "stored": 1}


def test_the_status_file_and_the_metrics_say_the_same(garage):
    garage.run(24, step_minutes=90)
    document = published(garage.root)
    status = garage.runner.status()
    assert document["is_well"]
    assert document["letters"] == status.letters
    text = metrics(status)
    assert 'healthtrack_job_failures_in_a_row{job="assess"} 0\n' in text
    finished = datetime(2026, 3, 3, 4, 30, tzinfo=UTC).timestamp()
    assert f'healthtrack_job_last_success_timestamp_seconds{{job="assess"}} {finished:.17g}' in text
    for line in text.splitlines():
        assert line.startswith(("# HELP healthtrack_", "# TYPE healthtrack_", "healthtrack_"))


def test_a_store_that_cannot_be_read_is_trouble_and_the_service_goes_on(garage):
    path = garage.root / "healthtrack.duckdb"
    whole = path.read_bytes()
    path.write_bytes(b"not a database" * 1000)
    garage.run(24)
    assert "not a store" in garage.runner.status().trouble[0]
    path.write_bytes(whole)
    garage.run(7)
    assert garage.runner.status().is_well
    assert isinstance(duckdb.__version__, str)
    assert [state for _, state in _runs(garage, "assess")] == ["done"]
