"""A workspace as `healthtrack init` makes it, with its store."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from healthtrack.jobs.ingesting import forget_deleted, ingest_logs, load_pipelines
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.starting import make_workspace
from healthtrack.jobs.workspace import Workspace

NOW = datetime(2026, 1, 1, tzinfo=UTC)


@pytest.fixture
def workspace(tmp_path):
    make_workspace(tmp_path / "w")
    return Workspace.load(tmp_path / "w")


@pytest.fixture
def run_ingest(workspace):
    """Ingest as the command does, and return what became of each file."""

    def run(*paths, vehicle=None, settings=None, pipeline=None):
        used = workspace if settings is None else Workspace(workspace.root, settings)
        with used.open_store() as store:
            logs = find_logs(used, paths, vehicle)
            outcomes = list(ingest_logs(used, store, logs, load_pipelines(used, pipeline), NOW))
            if not paths:
                forget_deleted(used, store)
            return outcomes

    return run
