"""A store that cannot be opened says why, and who has it; a killed writer harms none."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

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


def test_the_memory_limit_is_the_one_asked_for(tmp_path):
    with Store.open(tmp_path / "s.duckdb", memory_limit_mb=200) as store:
        limit = store._connection.execute("SELECT current_setting('memory_limit')").fetchall()[0][0]
    assert limit.startswith("190.7")  # 200 MB are 190.7 MiB
