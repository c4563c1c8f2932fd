"""`healthtrack ingest --draft` prints a pipeline, and a stored log comes with its waterfall."""

from __future__ import annotations

from healthtrack import ingest


def strange(path):
    rows = [f"{i / 2:.1f}|{1500 + i}|{60 + i % 7}|{120 + i % 9}" for i in range(60)]
    path.write_text("\n".join(["Zeit|Drehzahl [1/min]|v [km/h]|Ladedruck [kPa]", *rows, ""]))
    return path


def test_a_draft_needs_no_workspace_and_stores_nothing(call, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    log = strange(tmp_path / "otter_2024-03-01.txt")
    called = call("ingest", "--draft", log)
    assert called.code == 0
    pipeline = ingest.parse_pipeline(called.out, "draft")
    assert set(pipeline.channels) == {"engine_speed", "vehicle_speed", "manifold_pressure"}
    assert sorted(tmp_path.iterdir()) == [log]


def test_a_saved_draft_reads_the_log(call, workspace):
    folder = workspace / "inbox" / "otter"
    folder.mkdir(parents=True, exist_ok=True)
    log = strange(folder / "otter_2024-03-01.txt")
    refused = call("ingest")
    assert "(no_pipeline_fits)" in refused.out
    assert "--draft" in refused.out
    waiting = workspace / "quarantine" / "otter" / log.name
    called = call("ingest", "--draft", waiting)
    (workspace / "pipelines" / "mine.toml").write_text(called.out, encoding="utf-8")
    again = call("ingest")
    assert "stored" in again.out
    assert "60 rows, 60 kept" in again.out


def test_a_draft_can_go_straight_into_a_pipelines_file_which_the_shell_makes_empty_first(
    call, workspace
):
    log = strange(workspace / "otter_2024-03-01.txt")
    mine = workspace / "pipelines" / "mine.toml"
    mine.touch()
    assert "mine.toml is empty. Delete it, or" in call("ingest").err
    # it is so where `healthtrack ingest --draft LOG > pipelines/mine.toml` begins
    called = call("ingest", "--draft", log)
    assert called.code == 0
    mine.write_text(called.out, encoding="utf-8")
    again = call("ingest", "--draft", log)  # known now, and named as such
    assert again.code == 0
    mine.write_text("half a pipe", encoding="utf-8")
    assert call("ingest", "--draft", log).out == called.out
    for path in (workspace / "pipelines").iterdir():
        path.unlink()
    assert "[channels.engine_speed]" in call("ingest", "--draft", log).out


def test_as_json_the_draft_is_one_document(call, tmp_path):
    document = call("--json", "ingest", "--draft", strange(tmp_path / "2024-03-01.txt")).document
    assert "[channels.engine_speed]" in document["pipeline"]


def test_a_draft_takes_one_log(call, tmp_path):
    called = call("ingest", "--draft")
    assert called.code == 2
    assert "--draft takes one log file" in called.err


def test_what_is_no_log_gets_no_draft(call, tmp_path):
    (tmp_path / "poem.txt").write_text("roses are red\nviolets are blue\n")
    called = call("ingest", "--draft", tmp_path / "poem.txt")
    assert called.code == 1
    assert "no table was found" in called.err


def test_a_stored_log_comes_with_its_waterfall(call, workspace, write_log):
    path = write_log(workspace / "inbox" / "otter" / "a.csv")
    path.write_text(path.read_text(encoding="utf-8").rstrip("\n"), encoding="utf-8")
    called = call("ingest")
    assert "kept; rows left out: last line cut off 1" in called.out
    path.write_bytes(path.read_bytes() + b"\n")


def test_the_waterfall_is_in_the_document_too(call, workspace, write_log):
    write_log(workspace / "inbox" / "otter" / "a.csv")
    (entry,) = call("--json", "ingest").document["files"]
    fall = entry["waterfall"]
    assert fall["rows"] == fall["kept"] + sum(loss["count"] for loss in fall["rows_lost"])
