"""Logs are stored together, and what comes of it is what comes of storing them one by one."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from types import SimpleNamespace

import polars as pl
import pytest

from healthtrack.errors import StoreError
from healthtrack.jobs import ingesting, lots, reading
from healthtrack.jobs.logs import find_logs
from healthtrack.store import Store

LATE = date(2030, 1, 1)
DAY = datetime(2025, 3, 28, 7, 0, tzinfo=UTC)
NOW = datetime(2026, 1, 1, tzinfo=UTC)


@pytest.fixture
def together(monkeypatch):
    """Sizes of the lots that were stored, in order."""
    sizes: list[int] = []
    honest = Store.add_logs

    def counted(store, logs):
        sizes.append(len(logs))
        return honest(store, logs)

    monkeypatch.setattr(Store, "add_logs", counted)
    monkeypatch.setattr(lots, "LONGEST_WAIT", 1e9)
    return sizes


def _write_days(workspace, write_log, days):
    for day in range(days):
        write_log(workspace.inbox / "otter" / f"{day}.csv", DAY + timedelta(days=day), 1.0)


def test_logs_are_stored_together(workspace, run_ingest, write_log, together):
    _write_days(workspace, write_log, 6)
    assert [outcome.state for outcome in run_ingest()] == ["stored"] * 6
    assert together == [6]


def test_a_lot_holds_so_many_logs_and_so_many_bytes(
    workspace, run_ingest, write_log, together, monkeypatch
):
    _write_days(workspace, write_log, 6)
    monkeypatch.setattr(lots, "MOST_LOGS", 4)
    run_ingest()
    assert together == [4, 2]
    together.clear()
    monkeypatch.setattr(lots, "MOST_BYTES", 1)
    smaller = workspace.settings.model_copy(update={"store": "smaller.duckdb"})
    run_ingest(settings=smaller)
    assert together == [1] * 6


def test_no_log_waits_for_long():
    clock = iter([0.0, 0.0, 0.3, 0.6, 1.0, 1.0])
    stored: list[int] = []
    store = SimpleNamespace(add_logs=lambda logs: stored.append(len(logs)) or len(logs))
    waiting = lots.Lots(None, store, NOW, seconds=lambda: next(clock))
    waiting._is_whole = lambda _: True
    waiting._new = lambda *one: one
    waiting._told = lambda *one: one
    read = SimpleNamespace(read=SimpleNamespace(samples=pl.DataFrame()))
    for name in "abcd":
        waiting.add([(name, read)])
    assert stored == [3]
    assert [one[0] for one in waiting.done()] == ["a", "b", "c"]
    assert waiting.done() == []


def test_what_is_stored_does_not_depend_on_the_lots(
    workspace, run_ingest, write_log, together, monkeypatch, tmp_path
):
    otter = workspace.inbox / "otter"
    _write_days(workspace, write_log, 5)
    whole = (otter / "1.csv").read_bytes()
    (otter / "0-cut.csv").write_bytes(whole[: len(whole) // 2])  # comes before the whole one
    (otter / "3-again.csv").write_bytes((otter / "3.csv").read_bytes().replace(b"\n", b"\r\n"))
    (otter / "2-bad.csv").write_bytes(bytes(range(256)) * 20)
    write_log(workspace.inbox / "badger" / "b.csv", DAY)  # unknown to the settings
    files = [path for path in sorted(otter.rglob("*.csv")) if "bad" not in path.name]

    def stored(name):
        settings = workspace.settings.model_copy(update={"store": name})
        outcomes = run_ingest(*files, settings=settings)
        with Store.open(workspace.root / name) as store:
            history = store.history("otter", LATE)
            samples = store.samples_of_drives(history.drives["drive"])
            return outcomes, history, samples, store.logs()

    outcomes, history, samples, logs = stored("lots.duckdb")
    assert max(together) > 1
    monkeypatch.setattr(lots, "MOST_LOGS", 1)
    single, expected, expected_samples, expected_logs = stored("single.duckdb")
    assert outcomes == single
    assert {outcome.state for outcome in outcomes} == {"stored"}
    assert logs == expected_logs
    assert samples.equals(expected_samples)
    for part in ("drives", "windows", "standstills", "pulls"):
        assert getattr(history, part).equals(getattr(expected, part)), part
    assert history.losses == expected.losses


def test_a_bad_log_among_good_ones_costs_only_itself(workspace, run_ingest, write_log, together):
    _write_days(workspace, write_log, 4)
    (workspace.inbox / "otter" / "1-bad.csv").write_bytes(bytes(range(256)) * 20)
    states = {outcome.file: outcome.state for outcome in run_ingest()}
    assert states.pop("inbox/otter/1-bad.csv") == "quarantined"
    assert list(states.values()) == ["stored"] * 4
    assert together == [4]


def test_a_log_that_the_store_cannot_take_stops_none_before_it(
    workspace, write_log, together, monkeypatch
):
    _write_days(workspace, write_log, 4)
    honest = reading.read_one

    def strange(task):
        result = honest(task)
        if task.path.name == "2.csv":
            result.read.samples.insert_column(2, pl.lit(1.0).alias("unheard_of"))
        return result

    monkeypatch.setattr(ingesting, "read_one", strange)
    told: list[ingesting.FileOutcome] = []
    with workspace.open_store() as store:
        logs = find_logs(workspace, [])
        with pytest.raises(StoreError, match="unheard_of"):
            told.extend(
                ingesting.ingest_logs(
                    workspace, store, logs, ingesting.load_pipelines(workspace), NOW
                )
            )
        first = ["inbox/otter/0.csv", "inbox/otter/1.csv"]
        assert [entry.name for entry in store.logs()] == first
    assert [outcome.file for outcome in told] == first
