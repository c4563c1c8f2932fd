"""`healthtrack ingest` says of every file what became of it, and ends with what to do."""

from __future__ import annotations

import pytest


def test_each_file_has_its_line_and_the_exit_code_asks_for_a_person(call, workspace, write_log):
    write_log(workspace / "inbox" / "otter" / "a.csv")
    first = call("ingest")
    assert first.code == 0
    assert first.out.startswith("stored         inbox/otter/a.csv: 1 drive, ")
    again = call("ingest")
    assert again.code == 0
    assert "already known  inbox/otter/a.csv" in again.out
    (workspace / "inbox" / "otter" / "b.csv").write_bytes(b"")
    third = call("ingest")
    assert third.code == 1
    assert "quarantined    inbox/otter/b.csv (empty): " in third.out
    assert third.out.splitlines()[-2] == "1 already known, 1 quarantined."
    assert "`healthtrack ingest` again" in third.out.splitlines()[-1]


def test_as_json_it_is_one_document(call, workspace, write_log):
    write_log(workspace / "inbox" / "otter" / "a.csv")
    (workspace / "inbox" / "otter" / "b.csv").write_bytes(b"")
    called = call("--json", "ingest")
    assert called.code == 1
    document = called.document
    assert (document["stored"], document["known"]) == (1, 0)
    assert (document["quarantined"], document["left"]) == (1, 0)
    # a vehicle's first logs are held until they have been compared, so they may be told later
    assert sorted((f["file"], f["state"], f["reason"] or "") for f in document["files"]) == [
        ("inbox/otter/a.csv", "stored", ""),
        ("inbox/otter/b.csv", "quarantined", "empty"),
    ]


def test_an_empty_inbox_is_no_fault(call, workspace):
    called = call("ingest")
    assert called.code == 0
    assert "inbox/VEHICLE/" in called.out


def test_logs_from_elsewhere_need_their_vehicle(call, workspace, write_log, tmp_path):
    log = write_log(tmp_path / "card" / "a.csv")
    without = call("ingest", log)
    assert without.code == 1
    assert "--vehicle" in without.out
    given = call("ingest", log.parent, "--vehicle", "otter")
    assert given.code == 0
    assert log.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["ingest", "--vehicle", "stoat"], "[vehicles.stoat]"),
        (["ingest", "nowhere.csv"], "nowhere.csv does not exist"),
        (["ingest", "--nonsense"], "--nonsense"),
        (["assess", "stoat"], "[vehicles.stoat]"),
        (["assess", "--as-of", "31.3.2026"], "2026-03-31"),
        (["maintenance", "add", "otter", "airfilter", "--on", "2025-01-01"], "air_filter_replaced"),
        (["nothing"], "nothing"),
    ],
)
def test_wrong_usage_ends_with_two_and_says_what_is_meant(call, workspace, words, said):
    called = call(*words)
    assert called.code == 2
    assert said in called.err
    assert called.out == ""


def test_without_pipelines_nothing_is_read_and_the_message_says_where_to_get_one(
    call, workspace, write_log
):
    for path in (workspace / "pipelines").iterdir():
        path.unlink()
    log = write_log(workspace / "inbox" / "otter" / "a.csv")
    called = call("ingest")
    assert called.code == 1
    assert "healthtrack init" in called.err
    assert log.exists()
