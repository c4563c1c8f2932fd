"""Bringing logs, recipes and maps, and applying what was tuned, as a script-less browser does."""

from __future__ import annotations

import io
import json
import re
from datetime import timedelta

import pytest

from healthtrack.airpath.map_file import read_map
from healthtrack.bench import results
from healthtrack.bench.settings import OWN, Variant
from healthtrack.ingest.pipeline import parse_pipeline
from healthtrack.jobs import ingesting
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.workspace import Workspace
from tests.web.charts import draw_chart
from tests.web.conftest import NOW

HEAD = "Zeit;Drehzahl (U/min);Ladedruck (mbar);Luftmasse (kg/h);Geschwindigkeit (km/h);Xyz 7\n"
STRANGE = HEAD + "".join(
    f"2026-02-01 10:{n // 60:02d}:{n % 60:02d};{2000 + n % 7};{1500 + n % 5};{180 + n % 3};"
    f"{70 + n % 2};{30 + n % 4}\n"
    for n in range(600)
)


def ingest(visit):
    """Do what the service does with the inbox."""
    workspace = Workspace.load(visit.root)
    with workspace.open_store() as store:
        logs = find_logs(workspace, [])
        list(
            ingesting.ingest_logs(workspace, store, logs, ingesting.load_pipelines(workspace), NOW)
        )
    visit.publish()


def bring(visit, name, content):
    return visit.post(
        "/logs",
        {"vehicle": "otter"},
        where="/logs",
        files={"files": (name, io.BytesIO(content.encode()))},
    )


def test_a_log_goes_from_the_form_to_the_inbox_and_its_progress_is_told(visit, write_log, tmp_path):
    content = write_log(tmp_path / "x.csv", NOW - timedelta(days=3)).read_text()
    answer = bring(visit, "second.csv", content)
    assert answer.status_code == 303
    where = answer.headers["location"].partition("#")[0]
    assert visit.poked == [1]
    text = visit.get(where).text
    assert "0 of 1 dealt with" in text
    assert 'hx-trigger="load delay:2s"' in text
    ingest(visit)
    text = visit.get(where).text
    assert "1 of 1 dealt with" in text
    assert "hx-trigger" not in text  # nothing is asked for again


def test_a_strange_log_is_put_aside_and_its_recipe_drafted_corrected_and_saved(visit):
    bring(visit, "strange.csv", STRANGE)
    ingest(visit)
    (entry,) = [log for log in visit.site.glance().logs if log.name.endswith("strange.csv")]
    assert entry.state == "quarantined"
    where = f"/logs/{entry.sha256}/recipe"
    broken = visit.root / "pipelines" / "half.toml"
    broken.touch()
    page = visit.get(where)  # a recipe that cannot be used keeps no other from being drafted
    broken.unlink()
    assert "Three lines as they would be read" in page.text
    text = page.text.split("<textarea")[1].split(">", 1)[1].split("</textarea>")[0]
    import html

    sent = {
        "text": html.unescape(text),
        "zone": "Europe/Berlin",
        "channel.vehicle_speed": "leave_out",
        "unused.0": "pedal",
        "unused_unit.0": "%",
        "name": "strange",
        "do": "save",
    }
    answer = visit.post(where, sent)
    assert answer.status_code == 303, answer.text
    saved = (visit.root / "pipelines" / "strange.toml").read_text()
    pipeline = parse_pipeline(saved, "saved")
    assert pipeline.time.zone == "Europe/Berlin"
    assert "vehicle_speed" not in pipeline.channels
    assert pipeline.channels["pedal"].column == "Xyz 7"
    assert "the time zone" not in saved
    assert {"engine_speed", "manifold_pressure", "airflow"} <= set(pipeline.channels)
    ingest(visit)
    assert visit.site.glance().log(entry.sha256).reason != entry.reason or (
        visit.site.glance().log(entry.sha256).state == "stored"
    )


@pytest.mark.parametrize(
    "change",
    [
        {"name": "../../healthtrack"},
        {"name": "comma_iso"},
        {"text": "x = ["},
        {"zone": 'UTC"\nidentify = []#'},
        {"channel.airflow": "no_channel"},
        {"channel.airflow": "engine_speed"},
        {"unit.airflow": '"]\n[file]'},
        {"unused.0": "no_channel", "unused_unit.0": "%"},
        {"unused.0": "airflow", "unused_unit.0": "g/s"},
        {"unused.0": "pedal"},
        {"unused.0": "pedal", "unused_unit.0": '%"\n[file]'},
    ],
)
def test_a_recipe_that_cannot_be_is_refused_with_words(visit, change):
    bring(visit, "strange.csv", STRANGE)
    ingest(visit)
    (entry,) = [log for log in visit.site.glance().logs if log.name.endswith("strange.csv")]
    import html

    where = f"/logs/{entry.sha256}/recipe"
    text = visit.get(where).text.split("<textarea")[1].split(">", 1)[1].split("</textarea>")[0]
    before = sorted(path.name for path in (visit.root / "pipelines").iterdir())
    sent = {"text": html.unescape(text), "name": "mine", "do": "save"} | change
    answer = visit.post(where, sent)
    assert answer.status_code == 422
    assert 'role="alert"' in answer.text
    assert sorted(path.name for path in (visit.root / "pipelines").iterdir()) == before


# ---------------------------------------------------------------- maps


@pytest.fixture(scope="module")
def chart(tmp_path_factory):
    return draw_chart(tmp_path_factory.mktemp("chart") / "chart.png")


def sent_map(chart, **more):
    return {
        "axes": chart.axis_pixels,
        "values": [[0, 0], [0.2, 0], [0, 1], [0, 3]],
        "lines": [
            {"kind": kind, "value": value, "pixels": pixels} for kind, value, pixels in chart.lines
        ],
        "reference_temperature_k": 298.15,
        "reference_pressure_kpa": 100.0,
        **more,
    }


def post_map(visit, path, body):
    return visit.client.post(
        path, content=json.dumps(body), headers={"x-token": visit.token("/map")}
    )


def test_traced_lines_are_drawn_over_the_picture_and_their_error_is_said(visit, chart):
    told = post_map(visit, "/map/trace", sent_map(chart)).json()
    assert told["faults"] == []
    assert "one standard deviation" in told["words"]
    lines = [curve for curve in told["curves"] if curve["kind"] == "speed_line"]
    given = [pixels for kind, _, pixels in chart.lines if kind == "speed_line"]
    for curve, pixels in zip(lines, given, strict=True):
        for (x, y), (u, v) in zip(curve["pixels"], pixels, strict=True):
            assert abs(x - u) < 0.3
            assert abs(y - v) < 0.3


def test_a_saved_map_is_one_that_every_command_reads(visit, chart):
    told = post_map(visit, "/map", sent_map(chart, file="mine", name='"x"\n[evil]')).json()
    assert told["saved"] == "maps/mine.toml"
    read = read_map(visit.root / "maps" / "mine.toml")
    assert len(read.speed_lines) == 4
    assert read.name == '"x"\n[evil]'
    assert post_map(visit, "/map", sent_map(chart, file="mine")).status_code == 422


def test_a_saved_map_is_used_by_the_vehicle_that_is_chosen_and_the_rest_stays(visit, chart):
    before = (visit.root / "healthtrack.toml").read_text()
    sent = sent_map(chart, file="mine", vehicle="stoat")
    assert "uses it now" in post_map(visit, "/map", sent).json()["words"]
    assert Workspace.load(visit.root).settings.vehicles["stoat"].compressor_map == "maps/mine.toml"
    after = (visit.root / "healthtrack.toml").read_text().splitlines()
    added = [line for line in after if "compressor_map" in line or "# chosen on" in line]
    assert [line for line in after if line not in added] == before.splitlines()
    assert len(added) == 2
    nobody = sent_map(chart, file="other", vehicle="no such")
    assert post_map(visit, "/map", nobody).status_code == 422
    assert not (visit.root / "maps" / "other.toml").exists()


@pytest.mark.parametrize("name", ["../mine", "", "a/b", "Mine", "x" * 41])
def test_a_map_cannot_choose_its_folder(visit, chart, name):
    assert post_map(visit, "/map", sent_map(chart, file=name)).status_code == 422
    assert not (visit.root / "maps").exists()


@pytest.mark.parametrize(
    "change",
    [
        {"reference_temperature_k": 0},
        {"lines": []},
        {"axes": [[0, 0]] * 4},
        {"lines": [{"kind": "surge", "pixels": [[1, 2]] * 401}]},
        {"flow_unit": "furlongs"},
        {"values": [[1e300, 0]] * 4},
    ],
)
def test_what_is_no_map_is_refused_with_words(visit, chart, change):
    answer = post_map(visit, "/map", sent_map(chart, file="mine") | change)
    assert answer.status_code == 422
    assert not list(visit.root.glob("maps/*"))


def test_what_is_no_json_is_refused(visit):
    token = visit.token("/map")
    for body in (b"{", b"[" * 100_000, b"\xff", b'{"axes": NaN}'):
        answer = visit.client.post("/map/trace", content=body, headers={"x-token": token})
        assert answer.status_code == 422


# ---------------------------------------------------------------- tuning


def test_a_stored_back_test_is_shown_and_its_choice_applied_with_where_it_came_from(visit):
    workspace = Workspace.load(visit.root)
    variant = Variant("looser", (("false_alerts_per_vehicle_year", 0.4),))
    plan = results.Plan(workspace.settings, ("otter",), NOW.date(), (OWN, variant), diagnose=False)
    with workspace.open_store() as store:
        history = store.history("otter", NOW.date())
        list(results.run(visit.root, "spring", plan, iter([(history, ())]), NOW))
    page = visit.get("/tune?variant=looser")
    assert re.search(r'<input type="range" id="at" min="0" max="1" value="[01]"', page.text)
    assert "Apply: false_alerts_per_vehicle_year = 0.4" in page.text
    sent = {"backtest": "spring", "variant": "looser", "why": "fewer\n[evil]\nx = 1"}
    assert visit.post("/tune", sent, where="/tune?variant=looser").status_code == 303
    text = (visit.root / "healthtrack.toml").read_text()
    assert "# from back-test spring" in text
    assert Workspace.load(visit.root).settings.alerts.false_alerts_per_vehicle_year == 0.4
    wrong = sent | {"variant": "no such"}
    assert visit.post("/tune", wrong, where="/tune?variant=looser").status_code == 422
