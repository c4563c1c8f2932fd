"""Logs of one drive at the same time become one drive, whichever comes first."""

from __future__ import annotations

from datetime import UTC, date, datetime
from itertools import permutations

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from healthtrack.store import restore_backup, write_backup

LATE = date(2030, 1, 1)


@pytest.fixture
def rows(workspace, write_log):
    """The header and the rows of one log of eight minutes, as lists of cells."""
    path = write_log(workspace.root / "source.csv", minutes=8)
    lines = path.read_text().splitlines()
    return [line.split(",") for line in lines]


@pytest.fixture
def put(workspace):
    """Write some rows, and some columns of them, into the vehicle's inbox."""

    def run(name, rows, first=0, last=None, columns=None):
        kept = range(len(rows[0])) if columns is None else columns
        chosen = [rows[0], *rows[1:][first:last]]
        text = "".join(",".join(row[at] for at in kept) + "\n" for row in chosen)
        path = workspace.inbox / "otter" / name
        path.write_text(text)
        return path

    return run


def stored(workspace):
    with workspace.open_store() as store:
        history = store.history("otter", LATE)
        samples = [store.samples(drive) for drive in history.drives["drive"]]
    return history, pl.concat(samples, how="diagonal")


def test_pieces_that_overlap_are_one_drive_and_equal_the_whole(workspace, run_ingest, put, rows):
    whole = put("whole.csv", rows)
    run_ingest()
    expected, samples = stored(workspace)
    whole.unlink()
    workspace.store_path.unlink()

    for number, start in enumerate(range(0, len(rows), 100)):
        put(f"{number}.csv", rows, start, start + 130)
    outcomes = run_ingest()

    assert {outcome.state for outcome in outcomes} == {"stored"}
    found, pieces = stored(workspace)
    assert found.drives.height == 1
    assert_frame_equal(found.drives.drop("log"), expected.drives.drop("log"))
    assert_frame_equal(pieces, samples)
    assert_frame_equal(found.windows, expected.windows)
    assert [outcome.state for outcome in run_ingest()] == ["known"] * len(outcomes)


@pytest.mark.parametrize("order", list(permutations(range(3))))
def test_two_loggers_with_other_channels_are_joined_in_any_order(
    workspace, run_ingest, put, rows, order
):
    """One has the even columns for the first part, one the odd, one all of them for the end."""
    width = len(rows[0])
    needed = [0, *(at for at in range(1, width) if "speed" in rows[0][at])]
    pressure = next(at for at in range(width) if "manifold" in rows[0][at])
    air = next(at for at in range(width) if "airflow" in rows[0][at])
    pieces = [
        ("a.csv", 0, 600, [*needed, pressure]),
        ("b.csv", 200, 700, [*needed, pressure, air]),
        ("c.csv", 500, 960, [*needed, pressure]),
    ]
    for number in order:
        put(*(pieces[number][0], rows, *pieces[number][1:]))
        assert {outcome.state for outcome in run_ingest()} <= {"stored", "known"}
    history, samples = stored(workspace)
    assert history.drives.height == 1
    assert history.drives["log"].to_list() == ["inbox/otter/a.csv"]
    assert samples.height == 960
    assert samples["t"].is_sorted()
    assert samples["airflow"].count() == 500
    assert samples["engine_speed"].count() == 960
    assert history.logs_stored == 3


def test_logs_that_contradict_each_other_are_refused_with_the_neighbours_shown(
    workspace, run_ingest, put, rows
):
    put("a.csv", rows)
    run_ingest()
    before, _ = stored(workspace)
    speed = next(at for at in range(1, len(rows[0])) if "engine" in rows[0][at])
    other = [list(row) for row in rows]
    was = float(other[301][speed])
    other[301][speed] = f"{was * 1.02:.3f}"
    put("b.csv", other)
    outcome = run_ingest()[-1]
    assert (outcome.state, outcome.reason) == ("quarantined", "overlap")
    assert "engine speed" in outcome.message
    assert f"{was:g}" in outcome.message
    assert f"{was * 1.02:.5g}"[:5] in outcome.message
    assert "inbox/otter/a.csv" in outcome.message
    after, _ = stored(workspace)
    assert_frame_equal(after.drives, before.drives)
    assert_frame_equal(after.windows, before.windows)


def test_a_log_that_fills_a_gap_joins_the_drives_on_either_side(workspace, run_ingest, put, rows):
    put("a.csv", rows, 0, 300)
    put("b.csv", rows, 600, 900)
    run_ingest()
    assert stored(workspace)[0].drives.height == 2
    put("c.csv", rows, 200, 700)
    run_ingest()
    history, samples = stored(workspace)
    assert history.drives.height == 1
    assert samples.height == 900


def test_losses_of_all_logs_of_a_joined_drive_are_counted(workspace, run_ingest, put, rows):
    spoiled = [list(row) for row in rows]
    spoiled[5][1] = "junk"
    put("a.csv", spoiled, 0, 500)
    put("b.csv", rows, 300, 900)
    run_ingest()
    history, _ = stored(workspace)
    assert [loss.count for loss in history.losses if loss.reason == "not_a_number"] == [1]


def test_a_backup_holds_a_joined_drive_as_it_is_now(workspace, run_ingest, put, rows, tmp_path):
    put("a.csv", rows, 0, 500)
    run_ingest()
    with workspace.open_store() as store:
        write_backup(store, tmp_path / "backups", datetime(2026, 1, 1, tzinfo=UTC))
    put("b.csv", rows, 300, 900)
    run_ingest()
    with workspace.open_store() as store:
        newer = write_backup(store, tmp_path / "backups", datetime(2026, 1, 2, tzinfo=UTC))
    _, expected = stored(workspace)
    workspace.store_path.unlink()
    restore_backup(newer, workspace.store_path, 256)
    assert_frame_equal(stored(workspace)[1], expected)
