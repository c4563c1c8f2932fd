"""Ingest twice is ingest once; what cannot be read waits aside with its reason; the rest go on."""

from __future__ import annotations

import hashlib
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta

import pytest

from healthtrack.errors import SettingsError, UsageError
from healthtrack.jobs import ingesting, pool, reading
from healthtrack.jobs.logs import find_logs

LATE = date(2030, 1, 1)
DAY = datetime(2025, 3, 28, 7, 0, tzinfo=UTC)


def _states(outcomes):
    return {outcome.file: (outcome.state, outcome.reason) for outcome in outcomes}


def _contents(folder):
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_logs_in_the_inbox_are_stored_for_the_vehicle_of_their_folder(
    workspace, run_ingest, write_log
):
    write_log(workspace.inbox / "otter" / "2025" / "a.csv")
    (outcome,) = run_ingest()
    assert (outcome.state, outcome.vehicle, outcome.drives) == ("stored", "otter", 1)
    assert outcome.windows > 0
    with workspace.open_store() as store:
        history = store.history("otter", LATE)
        assert history.drives["log"].to_list() == ["inbox/otter/2025/a.csv"]
        assert store.logs()[0].pipeline == "comma_iso"


def test_ingest_twice_is_ingest_once(workspace, run_ingest, write_log):
    for day in range(3):
        write_log(workspace.inbox / "otter" / f"{day}.csv", DAY + timedelta(days=day))
    first = run_ingest()
    with workspace.open_store() as store:
        before = store.history("otter", LATE)
    second = run_ingest()
    assert [outcome.state for outcome in first] == ["stored"] * 3
    assert [outcome.state for outcome in second] == ["known"] * 3
    with workspace.open_store() as store:
        after = store.history("otter", LATE)
        assert len(store.logs()) == 3
    assert after.windows.equals(before.windows)
    assert after.losses == before.losses


def test_a_copy_under_another_name_is_known(workspace, run_ingest, write_log):
    log = write_log(workspace.inbox / "otter" / "a.csv")
    (workspace.inbox / "otter" / "copy.csv").write_bytes(log.read_bytes())
    assert _states(run_ingest()) == {
        "inbox/otter/a.csv": ("stored", None),
        "inbox/otter/copy.csv": ("known", None),
    }
    (workspace.inbox / "otter" / "later.csv").write_bytes(log.read_bytes())
    assert [outcome.state for outcome in run_ingest()] == ["known"] * 3


def test_each_kind_of_bad_log_gets_its_own_reason_and_everything_else_is_stored(
    workspace, run_ingest, write_log
):
    otter = workspace.inbox / "otter"
    good = write_log(otter / "good.csv")
    text = write_log(otter / "other.csv", DAY + timedelta(days=1)).read_text()
    (otter / "truncated.csv").write_bytes(text.encode()[:60])
    (otter / "empty.csv").write_bytes(b"")
    (otter / "binary.csv").write_bytes(bytes(range(256)) * 20)
    wrong = text.replace("2025-03-29", "2025-03-30").replace(
        "manifold pressure [kPa]", "manifold pressure [psi]"
    )
    (otter / "unit.csv").write_text(wrong)
    (otter / "letter.csv").write_text("Dear customer,\nplease find the log attached.\n" * 20)
    before = _contents(otter)

    outcomes = run_ingest()

    reasons = {
        o.file.removeprefix("inbox/otter/"): o.reason for o in outcomes if o.state != "stored"
    }
    assert reasons == {
        "truncated.csv": "truncated",
        "empty.csv": "empty",
        "binary.csv": "binary",
        "unit.csv": "wrong_unit",
        "letter.csv": "no_pipeline_fits",
    }
    assert all(o.message and o.file in o.message for o in outcomes if o.state == "quarantined")
    stored = {outcome.file for outcome in outcomes if outcome.state == "stored"}
    assert stored == {"inbox/otter/good.csv", "inbox/otter/other.csv"}
    # nothing is lost or changed: what left the inbox lies in quarantine, byte for byte
    after = _contents(otter) | _contents(workspace.quarantine / "otter")
    assert after == before
    assert good.exists()


def test_a_quarantined_log_is_stored_and_goes_back_once_the_pipeline_is_mended(
    workspace, run_ingest, write_log
):
    log = write_log(workspace.inbox / "otter" / "week1" / "a.csv")
    text = log.read_text().replace("airflow [g/s]", "luft")
    log.write_text(text)
    pipeline = workspace.pipelines / "comma_iso.toml"
    mended = pipeline.read_text()
    pipeline.write_text(mended.replace('identify = ["time"', 'identify = ["zeit"'))
    (outcome,) = run_ingest()
    assert outcome.state == "quarantined"
    assert (workspace.quarantine / "otter" / "week1" / "a.csv").read_text() == text

    pipeline.write_text(
        mended.replace('column = ["airflow", "mass airflow"]', 'column = "luft"\nunit = "g/s"')
    )
    (outcome,) = run_ingest()

    assert outcome.state == "stored"
    assert log.read_text() == text
    assert not list(workspace.quarantine.rglob("*.csv"))
    assert [o.state for o in run_ingest()] == ["known"]
    with workspace.open_store() as store:
        assert [entry.name for entry in store.logs()] == ["inbox/otter/week1/a.csv"]
        assert "airflow" in store.samples(store.history("otter", LATE).drives["drive"][0]).columns


def test_a_log_from_elsewhere_is_copied_into_quarantine_and_stays_where_it_is(
    workspace, run_ingest, tmp_path
):
    foreign = tmp_path / "card" / "x.csv"
    foreign.parent.mkdir()
    foreign.write_bytes(b"")
    (outcome,) = run_ingest(foreign, vehicle="otter")
    assert outcome.state == "quarantined"
    assert foreign.exists()
    assert (workspace.quarantine / "otter" / "x.csv").exists()


def test_two_bad_logs_of_one_name_are_both_kept(workspace, run_ingest, tmp_path):
    for number in (1, 2):
        log = tmp_path / str(number) / "x.csv"
        log.parent.mkdir()
        log.write_bytes(bytes(range(256)) * (20 + number))
        run_ingest(log, vehicle="otter")
    kept = _contents(workspace.quarantine / "otter")
    digest = hashlib.sha256(bytes(range(256)) * 22).hexdigest()[:8]
    assert set(kept) == {"x.csv", f"x-{digest}.csv"}
    assert {len(content) for content in kept.values()} == {256 * 21, 256 * 22}


def test_a_bad_log_that_is_deleted_from_quarantine_is_forgotten(workspace, run_ingest):
    bad = workspace.inbox / "otter" / "x.csv"
    bad.write_bytes(b"")
    run_ingest()
    with workspace.open_store() as store:
        assert len(store.logs()) == 1
    (workspace.quarantine / "otter" / "x.csv").unlink()
    assert run_ingest() == []
    with workspace.open_store() as store:
        assert store.logs() == ()


def test_the_same_drive_in_another_file_is_not_counted_twice(workspace, run_ingest, write_log):
    log = write_log(workspace.inbox / "otter" / "a.csv")
    run_ingest()
    with workspace.open_store() as store:
        before = store.history("otter", LATE)
    (workspace.inbox / "otter" / "b.csv").write_text(log.read_text().replace("\n", "\r\n"))
    outcomes = run_ingest()
    assert _states(outcomes)["inbox/otter/b.csv"] == ("stored", None)
    assert "same drive as inbox/otter/a.csv" in outcomes[1].notes[-1]
    with workspace.open_store() as store:
        after = store.history("otter", LATE)
    assert after.drives.drop("log").equals(before.drives.drop("log"))
    assert after.windows.equals(before.windows)


def test_of_a_log_that_is_cut_short_the_whole_rows_count_until_the_whole_log_comes(
    workspace, run_ingest, write_log, tmp_path
):
    log = write_log(workspace.inbox / "otter" / "a.csv", minutes=4)
    whole = log.read_bytes()
    log.write_bytes(whole[: len(whole) // 2])
    (outcome,) = run_ingest()
    assert outcome.state == "stored"
    with workspace.open_store() as store:
        cut = store.history("otter", LATE)

    log.write_bytes(whole)
    (outcome,) = run_ingest()

    assert outcome.state == "stored"
    assert any("cut short" in note for note in outcome.notes)
    with workspace.open_store() as store:
        history = store.history("otter", LATE)
    assert history.drives.height == cut.drives.height == 1
    length = history.drives["ended"][0] - history.drives["started"][0]
    assert length == timedelta(minutes=4, seconds=-0.5)
    assert [o.state for o in run_ingest()] == ["known"]


def test_a_shorter_copy_never_takes_the_place_of_the_whole_log(workspace, run_ingest, write_log):
    log = write_log(workspace.inbox / "otter" / "a.csv", minutes=4)
    run_ingest()
    with workspace.open_store() as store:
        before = store.history("otter", LATE)
    short = workspace.inbox / "otter" / "b.csv"
    short.write_bytes(log.read_bytes()[:8000])
    assert _states(run_ingest())["inbox/otter/b.csv"] == ("stored", None)
    with workspace.open_store() as store:
        after = store.history("otter", LATE)
    assert after.drives.drop("log").equals(before.drives.drop("log"))
    assert after.windows.equals(before.windows)


def test_a_log_whose_vehicle_nothing_tells_is_left_with_what_to_do(
    workspace, run_ingest, write_log
):
    log = write_log(workspace.inbox / "a.csv")
    (outcome,) = run_ingest()
    assert (outcome.state, outcome.reason) == ("left", "no_vehicle")
    assert "inbox/VEHICLE/" in outcome.message
    assert log.exists()
    assert [o.state for o in run_ingest(log, vehicle="otter")] == ["stored"]


def test_a_folder_that_names_no_known_vehicle_is_left_with_what_to_do(
    workspace, run_ingest, write_log
):
    write_log(workspace.inbox / "oter" / "a.csv")
    (outcome,) = run_ingest()
    assert (outcome.state, outcome.reason) == ("left", "unknown_vehicle")
    assert "[vehicles.oter]" in outcome.message


def test_a_file_that_is_still_being_copied_is_left_alone(workspace, write_log):
    otter = workspace.inbox / "otter"
    write_log(otter / "a.csv.part")
    write_log(otter / ".hidden.csv")
    write_log(otter / ".sync" / "b.csv")
    assert find_logs(workspace, []) == []


def test_logs_are_found_in_order_of_name_and_each_once(workspace, write_log, tmp_path):
    otter = workspace.inbox / "otter"
    for name in ("b/2.csv", "b.csv", "a.csv", "b-2/x.csv"):
        write_log(otter / name)
    outside = write_log(tmp_path / "card" / "far.csv")
    (otter / "again.csv").symlink_to(otter / "a.csv")
    (otter / "link.csv").symlink_to(outside)
    (otter / "gone.csv").symlink_to(tmp_path / "nowhere")
    found = find_logs(workspace, [])
    assert [log.place for log in found] == [
        f"otter/{name}" for name in ("a.csv", "b/2.csv", "b-2/x.csv", "b.csv", "link.csv")
    ]
    assert [log.shown for log in found][:2] == ["inbox/otter/a.csv", "inbox/otter/b/2.csv"]
    assert found[-1].shown == str(otter / "link.csv")
    assert len(find_logs(workspace, [otter, otter / "a.csv"])) == len(found)


def test_a_file_that_changes_while_it_is_read_is_left_for_the_next_time(
    workspace, run_ingest, write_log, monkeypatch
):
    log = write_log(workspace.inbox / "otter" / "a.csv")
    honest = reading.read_one

    def meanwhile(task):
        result = honest(task)
        log.write_text(log.read_text() + "\n")
        return result

    monkeypatch.setattr(ingesting, "read_one", meanwhile)
    (outcome,) = run_ingest()
    assert (outcome.state, outcome.reason) == ("left", "still_arriving")
    monkeypatch.undo()
    assert [o.state for o in run_ingest()] == ["stored"]


def test_a_fault_of_our_own_puts_aside_one_log_not_the_run(
    workspace, run_ingest, write_log, monkeypatch
):
    from healthtrack import chain

    write_log(workspace.inbox / "otter" / "a.csv")
    write_log(workspace.inbox / "otter" / "b.csv", DAY + timedelta(days=1))
    honest = chain.process_log

    def faulty(path, *others):
        if path.name == "a.csv":
            raise ZeroDivisionError("division by zero")
        return honest(path, *others)

    monkeypatch.setattr(chain, "process_log", faulty)
    outcomes = run_ingest()
    assert _states(outcomes) == {
        "inbox/otter/a.csv": ("quarantined", "internal"),
        "inbox/otter/b.csv": ("stored", None),
    }
    assert "ZeroDivisionError" in outcomes[0].message


def test_a_pipeline_that_does_not_exist_is_named_with_those_that_do(workspace, run_ingest):
    with pytest.raises(SettingsError, match=r"'comma_isso'.*comma_iso, "):
        run_ingest(pipeline="comma_isso")


def test_a_path_that_does_not_exist_is_wrong_usage(workspace, run_ingest, tmp_path):
    with pytest.raises(UsageError, match="does not exist"):
        run_ingest(tmp_path / "nowhere.csv", vehicle="otter")


def test_worker_processes_store_the_same_as_none(workspace, run_ingest, write_log, tmp_path):
    for day in range(reading.FEWEST_FILES_FOR_A_POOL):
        write_log(workspace.inbox / "otter" / f"{day}.csv", DAY + timedelta(days=day), 1.0)
    (workspace.inbox / "otter" / "empty.csv").write_bytes(b"")
    here = workspace.settings.model_copy(update={"workers": 1, "store": "here.duckdb"})
    there = workspace.settings.model_copy(update={"workers": 2, "store": "there.duckdb"})

    in_workers = run_ingest(settings=there)
    in_this_process = run_ingest(settings=here)

    assert [o.state for o in in_workers] == [o.state for o in in_this_process]
    with workspace.__class__(workspace.root, here).open_store() as store:
        expected = store.history("otter", LATE)
    with workspace.__class__(workspace.root, there).open_store() as store:
        found = store.history("otter", LATE)
    assert found.windows.equals(expected.windows)
    assert found.drives.equals(expected.drives)


class _Dies(Executor):
    """An executor whose second task kills its worker."""

    def __init__(self):
        self.tasks = 0

    def submit(self, function, /, *arguments, **named):
        self.tasks += 1
        future = Future()
        if self.tasks == 2:
            future.set_exception(BrokenProcessPool("a process was terminated abruptly"))
        else:
            future.set_result(function(*arguments, **named))
        return future


def test_a_worker_that_dies_costs_nothing_that_was_stored(
    workspace, run_ingest, write_log, monkeypatch
):
    for day in range(reading.FEWEST_FILES_FOR_A_POOL):
        write_log(workspace.inbox / "otter" / f"{day}.csv", DAY + timedelta(days=day), 1.0)

    @contextmanager
    def dying(_workers):
        yield _Dies()

    monkeypatch.setattr(pool, "local_processes", dying)
    settings = workspace.settings.model_copy(update={"workers": 2})
    outcomes = run_ingest(settings=settings)
    assert [o.state for o in outcomes] == ["stored"] + ["left"] * 7
    assert {o.reason for o in outcomes[1:]} == {"worker_died"}
    monkeypatch.undo()
    assert [o.state for o in run_ingest()] == ["known"] + ["stored"] * 7


def test_reading_ahead_is_bounded():
    under_way = []

    class Counting(Executor):
        def submit(self, function, /, *arguments, **named):
            future = Future()
            under_way.append(future)
            future.set_result("done")
            return future

    taken = 0
    for _ in pool.run_all(str, iter(range(20)), Counting(), ahead=4):
        assert len(under_way) - taken <= 4
        taken += 1
    assert taken == 20


def test_reading_ahead_is_bounded_by_what_is_read_too():
    class Counting(Executor):
        def __init__(self):
            self.submitted = []

        def submit(self, function, task):
            self.submitted.append(task)
            future = Future()
            future.set_result(function(task))
            return future

    executor, most = Counting(), 0.0
    sizes = [1.0] * 6 + [30.0] * 5 + [100.0] + [1.0] * 6
    given = pool.run_each(str, iter(sizes), executor, 8, cost=float, most_cost=40.0)
    for number, (size, result) in enumerate(given):
        under_way = executor.submitted[number:]  # this one included
        most = max(most, sum(under_way[:-1]))  # the last made it too much
        assert result == str(size)
    assert executor.submitted == sizes
    assert 30.0 < most < 40.0


def test_the_worker_pool_is_spawned_with_one_thread_each_and_leaves_no_trace(monkeypatch):
    import os

    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    with pool.local_processes(1) as processes:
        assert isinstance(processes, ProcessPoolExecutor)
        assert processes.submit(os.getenv, "OPENBLAS_NUM_THREADS").result() == "1"
        assert processes.submit(os.getpid).result() != os.getpid()
    assert "OPENBLAS_NUM_THREADS" not in os.environ
