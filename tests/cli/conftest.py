"""The command line, called as a person calls it, in this process."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from healthtrack.cli import main


class Called:
    """What a command printed, and its exit code."""

    def __init__(self, result):
        self.code = result.exit_code
        self.out = result.stdout
        self.err = result.stderr
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception

    @property
    def document(self):
        return json.loads(self.out)


@pytest.fixture
def call():
    """Call healthtrack with these words."""

    def calling(*words):
        return Called(CliRunner().invoke(main, [str(word) for word in words]))

    return calling


@pytest.fixture
def workspace(call, tmp_path, monkeypatch):
    """A fresh workspace, and the current folder in it."""
    assert call("init", tmp_path / "w").code == 0
    monkeypatch.chdir(tmp_path / "w")
    return tmp_path / "w"
