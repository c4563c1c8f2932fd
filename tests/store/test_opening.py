"""A store that cannot be opened says why, and who has it; a killed writer harms none."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from healthtrack.errors import StoreError, StoreLockedError
from healthtrack.store import Store

HOLD = """
import sys, pathlib, time
from healthtrack.store import Store
with Store.open(pathlib.Path(sys.argv[1])):
    print("open", flush=True)
    sys.stdin.readline()
"""


def _start(code, *arguments):
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


def test_a_store_that_another_process_holds_names_that_process(tmp_path):
    path = tmp_path / "s.duckdb"
    holder = _start(HOLD, path)
    try:
        assert holder.stdout.readline() == "open\n"
        with pytest.raises(StoreLockedError, match=rf"process {holder.pid} .*Wait until") as caught:
            Store.open(path)
        assert str(path) in str(caught.value)
    finally:
        holder.communicate("done\n")
    with Store.open(path) as store:
        assert store.logs() == ()


def test_a_store_is_free_again_after_its_holder_was_killed(tmp_path):
    path = tmp_path / "s.duckdb"
    holder = _start(HOLD, path)
    assert holder.stdout.readline() == "open\n"
    os.kill(holder.pid, signal.SIGKILL)
    holder.communicate()
    with Store.open(path) as store:
        assert store.logs() == ()


def test_a_file_that_is_no_store_is_refused_and_left_as_it_is(tmp_path):
    path = tmp_path / "s.duckdb"
    path.write_text("time,rpm\n" * 500)
    with pytest.raises(StoreError, match=r"not a store .*Nothing was changed"):
        Store.open(path)
    assert path.read_text() == "time,rpm\n" * 500


def test_a_folder_that_does_not_exist_is_said(tmp_path):
    with pytest.raises(StoreError, match="Check that its folder exists"):
        Store.open(tmp_path / "nowhere" / "s.duckdb")


def _fill(store, rows):
    store._connection.execute(
        "INSERT INTO sample BY NAME SELECT 'otter/1' AS drive, TIMESTAMPTZ '2024-01-01' + "
        "INTERVAL (i) SECOND AS t, random() AS airflow, random() AS engine_speed, "
        f"random() AS manifold_pressure, random() AS pedal FROM range({rows}) AS numbers(i)"
    )


def test_a_statement_larger_than_the_memory_spills_beside_the_store_and_leaves_nothing(tmp_path):
    rows = 1_000_000  # sorted, they take more than the memory
    with Store.open(tmp_path / "s.duckdb", memory_limit_mb=100) as store:
        _fill(store, rows)
        half_read = store._connection.cursor()
        half_read.execute("SELECT * FROM sample ORDER BY airflow")
        half_read.fetchone()
        spilled = store._connection.execute("FROM duckdb_temporary_files()").fetchall()
        half_read.close()
        assert sum(size for _, size in spilled) > 10e6
        assert {Path(name).parent for name, _ in spilled} == {tmp_path / "s.duckdb.tmp"}
        found = store._connection.execute(
            "SELECT count(*), bool_and(rises) FROM (SELECT columns(*), "
            "lag(airflow, 1, 0.0) OVER (ORDER BY airflow) <= airflow AS rises FROM sample)"
        ).fetchall()
        assert found == [(rows, True)]
    assert [path.name for path in tmp_path.iterdir()] == ["s.duckdb"]


@pytest.mark.parametrize(("megabytes", "threads"), [(100, 1), (125, 1), (250, 2), (100_000, 3)])
def test_the_store_works_with_a_thread_for_each_125_mb(tmp_path, monkeypatch, megabytes, threads):
    monkeypatch.setattr("os.cpu_count", lambda: 3)
    with Store.open(tmp_path / "s.duckdb", memory_limit_mb=megabytes) as store:
        found = store._connection.execute("SELECT current_setting('threads')").fetchall()
    assert found == [(threads,)]


def test_the_memory_limit_is_the_one_asked_for(tmp_path):
    with Store.open(tmp_path / "s.duckdb", memory_limit_mb=200) as store:
        limit = store._connection.execute("SELECT current_setting('memory_limit')").fetchall()[0][0]
    assert limit.startswith("190.7")  # 200 MB are 190.7 MiB
