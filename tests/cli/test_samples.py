"""``healthtrack samples``: over into files and back, with the same pulls and reports meanwhile."""

from __future__ import annotations

from datetime import date

import pytest

from healthtrack.jobs.workspace import Workspace

DAY = date(2025, 4, 1)


@pytest.fixture
def logged(call, workspace, write_log):
    write_log(workspace / "inbox" / "otter" / "a.csv")
    assert call("ingest").code == 0
    return workspace


def _samples(folder):
    with Workspace.load(folder).open_store() as store:
        drive = store.history("otter", DAY).drives["drive"][0]
        return store.samples(drive)


def _set(folder, line):
    text = (folder / "healthtrack.toml").read_text()
    (folder / "healthtrack.toml").write_text(f"{line}\n{text}")


def test_one_setting_and_one_command_move_a_workspace_over_and_back(call, logged):
    before = _samples(logged)
    text = (logged / "healthtrack.toml").read_text()
    _set(logged, 'samples = "samples"')
    assert call("samples", "move", "--json").document == {"drives": 1, "samples": "samples"}
    assert len(list((logged / "samples").rglob("*.parquet"))) == 1
    assert _samples(logged).equals(before)
    (logged / "healthtrack.toml").write_text(text)
    assert "samples of 1 drive moved" in call("samples", "move").out
    assert not list((logged / "samples").rglob("*.parquet"))
    assert _samples(logged).equals(before)


def test_a_new_log_goes_where_the_setting_says_and_compact_merges(call, logged, write_log):
    _set(logged, 'samples = "elsewhere/raw"\nstore = "db/h.duckdb"')
    (logged / "db").mkdir()
    (logged / "healthtrack.duckdb").rename(logged / "db" / "h.duckdb")
    assert call("samples", "move").code == 0
    from datetime import UTC, datetime

    write_log(logged / "inbox" / "otter" / "b.csv", datetime(2025, 3, 29, 7, tzinfo=UTC))
    assert call("ingest").code == 0
    assert len(list((logged / "elsewhere" / "raw").rglob("*.parquet"))) == 2
    assert call("samples", "compact", "--json").document == {"merged": 2, "into": 1, "orphans": 0}


def test_prune_asks_how_old_and_lets_go(call, logged):
    asked = call("samples", "prune")
    assert asked.code == 2
    assert "--days" in asked.err
    assert call("samples", "prune", "--days", "1", "--json").document == {"drives": 1, "days": 1}
    assert _samples(logged).is_empty()


@pytest.mark.parametrize("value", ["gs://bucket/x", "s3://bucket", "http://x/y"])
def test_a_place_that_cannot_hold_samples_is_refused(call, logged, value):
    _set(logged, f'samples = "{value}"')
    refused = call("samples", "move")
    assert refused.code == 1
    assert "samples" in refused.err
