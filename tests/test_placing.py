"""A file is there whole or not at all, and a process that was killed leaves nothing for ever."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from healthtrack.placing import place

KILLED = """
import os, signal, sys
from pathlib import Path
from healthtrack.placing import place
os.replace = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
place(Path(sys.argv[1]), b"half done")
"""


def test_a_file_takes_the_place_of_the_one_before_and_leaves_nothing_beside_it(tmp_path):
    path = tmp_path / "report [1].pdf"
    for content in (b"first", b"second"):
        place(path, content)
        assert path.read_bytes() == content
    place(tmp_path / "letter.eml", b"for one", mode=0o600)
    assert (tmp_path / "letter.eml").stat().st_mode & 0o777 == 0o600
    assert sorted(one.name for one in tmp_path.iterdir()) == ["letter.eml", "report [1].pdf"]


def test_what_a_killed_process_left_is_removed_by_the_next_and_a_living_ones_is_not(tmp_path):
    path = tmp_path / "report [1].pdf"
    place(path, b"before")
    done = subprocess.run([sys.executable, "-c", KILLED, str(path)], check=False)
    assert done.returncode < 0
    assert path.read_bytes() == b"before"
    assert len(list(tmp_path.iterdir())) == 2
    living = tmp_path / f".{path.name}.{os.getppid()}.abc.part"
    other = tmp_path / ".report [1].pdf.notes"
    for one in (living, other):
        one.write_bytes(b"somebody's")
    place(path, b"after")
    assert set(tmp_path.iterdir()) == {path, living, other}
    assert path.read_bytes() == b"after"


def test_where_it_cannot_be_written_what_was_there_stays(tmp_path, monkeypatch):
    path = tmp_path / "report.pdf"
    place(path, b"before")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space"):
        place(path, b"after")
    assert path.read_bytes() == b"before"
    assert list(tmp_path.iterdir()) == [path]
