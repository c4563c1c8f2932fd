"""`assess --json` has exactly the promised shape; reports land where they sort themselves."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from healthtrack.cli.verdicts import LONGEST_TRIP, finding_lines, on_trip, trip_lines
from healthtrack.forecast import HORIZON_KM, DriftState, Limits, forecast
from healthtrack.jobs.findings import findings_as_dict
from healthtrack.jobs.workspace import Workspace
from healthtrack.records import (
    BaselineSummary,
    CauseFinding,
    Forecast,
    IndicatorFinding,
    NotObservable,
    RepairChange,
    RepairFinding,
    Together,
    VehicleFinding,
)

# The document that scripts depend on, word for word as it was promised.
PROMISED = json.loads("""
{"as_of": "2026-03-31", "vehicles": [{
  "vehicle": "otter", "state": "alert", "reason": "one sentence", "odometer_km": 214300,
  "drives": 312,
  "baseline": {"from": "2023-01-02", "to": "2023-06-30", "drives": 61, "restarted_by": null,
    "sisters": 0},
  "indicators": [{"indicator": "airflow", "unit": "%", "state": "alert", "level": -4.1,
      "low": -5.0, "high": -3.2, "slope_per_10000_km": -1.9, "slope_low": -2.6, "slope_high": -1.2,
      "kind": "drift", "since_km": 203000, "since_km_low": 199500, "since_km_high": 206000,
      "raised_on": "2026-02-11", "raised_at_km": 211900, "limit": -6.0,
      "forecast": {"limit_km": 224100, "limit_km_low": 219800, "limit_km_high": 233000,
                   "limit_on": "2026-08-02", "before_service": 0.31, "before_trip": null},
      "together": {"vehicles": 5, "kind": "partly", "moved": -4.0, "shared": -1.5,
                   "shared_low": -2.1, "shared_high": -0.9, "own": -2.5, "own_low": -3.4,
                   "own_high": -1.6}}],
  "causes": [{"cause": "airflow_sensor_reads_low", "probability": 0.91, "size": -4.3,
              "size_low": -5.2, "size_high": -3.5, "unit": "%"}],
  "not_observable": [{"indicator": "intake_restriction",
                      "needs": "ambient pressure in the air box"}],
  "advice": ["look"],
  "repairs": [{"event": "w1", "on": "2025-05-02", "kind": "charge_air_leak_repaired",
    "gone": 0.97,
    "changes": [{"indicator": "airflow", "region": "all", "change": 3.1, "low": 2.0, "high": 4.2}],
    "causes_before": [{"cause": "charge_air_leak", "probability": 0.9, "size": 5.0,
                       "size_low": 3.0, "size_high": 7.0, "unit": "%"}]}]}]}
""")

INDICATOR = IndicatorFinding(
    "airflow", "%", "alert", "words for the report only",
    level=-4.1, low=-5.0, high=-3.2,
    slope_per_10000_km=-1.9, slope_low=-2.6, slope_high=-1.2,
    slope_per_year=-3.0, slope_per_year_low=-4.0, slope_per_year_high=-2.0,
    kind="drift", since_km=203000, since_km_low=199500, since_km_high=206000,
    since_on=date(2025, 9, 1), raised_on=date(2026, 2, 11), raised_at_km=211900,
    limit=-6.0, threshold=2.2,
    forecast=Forecast(224100, 219800, 233000, date(2026, 8, 2), before_service=0.31),
    together=Together(5, -4.0, -1.5, -2.1, -0.9, -2.5, -3.4, -1.6, "partly"),
)  # fmt: skip

FINDING = VehicleFinding(
    "otter", date(2026, 3, 31), "alert", "one sentence", 214300, 312,
    BaselineSummary(date(2023, 1, 2), date(2023, 6, 30), 61),
    indicators=(INDICATOR,),
    causes=(CauseFinding("airflow_sensor_reads_low", 0.91, -4.3, -5.2, -3.5, "%"),),
    not_observable=(NotObservable("intake_restriction", "ambient pressure in the air box"),),
    advice=("look",),
    repairs=(
        RepairFinding(
            "charge_air_leak_repaired",
            (RepairChange("airflow", "all", 3.1, 2.0, 4.2),),
            (CauseFinding("charge_air_leak", 0.9, 5.0, 3.0, 7.0, "%"),),
            0.97, -0.1, "w1", date(2025, 5, 2),
        ),
    ),
)  # fmt: skip


def _shape(value):
    if isinstance(value, dict):
        return {key: _shape(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return [_shape(inner) for inner in value]
    return None


def test_the_document_is_the_promised_one():
    assert findings_as_dict(FINDING.as_of, [FINDING]) == PROMISED


def test_what_is_not_known_is_null_under_the_same_keys():
    bare = replace(
        FINDING,
        odometer_km=None,
        baseline=None,
        indicators=(IndicatorFinding("airflow", "%", "learning", "have 9 drives, need 20"),),
        causes=(CauseFinding("unknown", 0.5),),
    )
    document = findings_as_dict(bare.as_of, [bare])
    assert _shape(document) == _shape(PROMISED)
    vehicle = document["vehicles"][0]
    assert set(vehicle["baseline"].values()) == {None}
    assert set(vehicle["indicators"][0]["forecast"].values()) == {None}
    assert set(vehicle["indicators"][0]["together"].values()) == {None}


@given(st.floats() | st.none())
def test_the_document_is_strict_json_whatever_the_numbers(value):
    finding = replace(FINDING, indicators=(replace(INDICATOR, level=value, since_km=value),))
    text = json.dumps(findings_as_dict(finding.as_of, [finding]), allow_nan=False)
    level = json.loads(text)["vehicles"][0]["indicators"][0]["level"]
    if value is None or not math.isfinite(value):
        assert level is None
    else:
        assert level == pytest.approx(value, abs=5.1e-5)


@pytest.fixture
def short_history(workspace, write_log, call):
    day = datetime(2025, 3, 1, 7, 0, tzinfo=UTC)
    for number in range(3):
        write_log(workspace / "inbox" / "otter" / f"{number}.csv", day + timedelta(days=number))
    assert call("ingest").code == 0
    return workspace


def test_assess_as_json_has_the_promised_keys_and_nothing_else(call, short_history):
    called = call("assess", "--json", "--as-of", "2025-03-31")
    assert called.code == 0
    document = called.document
    assert document["as_of"] == "2025-03-31"
    assert set(document) == set(PROMISED)
    (vehicle,) = document["vehicles"]
    promised = PROMISED["vehicles"][0]
    assert set(vehicle) == set(promised)
    assert set(vehicle["baseline"]) == set(promised["baseline"])
    assert vehicle["indicators"]
    for indicator in vehicle["indicators"]:
        assert _shape(indicator) == _shape(promised["indicators"][0])
    assert vehicle["state"] == "learning"
    assert "3" in vehicle["reason"]


def test_as_of_an_earlier_day_later_drives_do_not_exist(call, short_history):
    document = call("assess", "--json", "--as-of", "2025-03-02").document
    assert document["vehicles"][0]["drives"] == 2
    document = call("assess", "--json", "--as-of", "2025-02-01").document
    assert document["vehicles"][0]["drives"] == 0
    assert document["vehicles"][0]["state"] == "no_data"


def test_a_verdict_is_kept_with_the_day_it_is_for(call, short_history):
    call("assess", "--as-of", "2025-03-31")
    call("assess", "--as-of", "2025-03-31")
    with Workspace.load(short_history).open_store() as store:
        (finding,) = store.findings("otter")
    assert (finding.as_of, finding.state) == (date(2025, 3, 31), "learning")
    shown = call("assess", "--json", "--as-of", "2025-03-31").document["vehicles"][0]
    assert json.loads(finding.document) == shown


def test_assess_in_words_names_vehicle_state_and_reason(call, short_history):
    out = call("assess", "otter", "--as-of", "2025-03-31").out
    assert out.startswith("otter        learning")


def test_a_report_lands_under_its_vehicle_and_day_and_is_the_same_again(call, short_history):
    called = call("report", "--as-of", "2025-03-31", "--json")
    assert called.code == 0
    path = short_history / "reports" / "otter" / "otter_2025-03-31_condition-report.pdf"
    (report,) = called.document["reports"]
    assert (report["vehicle"], report["state"]) == ("otter", "learning")
    assert (short_history / report["path"]).samefile(path)
    first = path.read_bytes()
    assert first.startswith(b"%PDF-")
    assert call("report", "otter", "--as-of", "2025-03-31").code == 0
    assert path.read_bytes() == first


def test_the_fleet_gets_one_report_and_every_report_is_in_the_index(call, short_history):
    called = call("report", "--fleet", "--as-of", "2025-03-31", "--json")
    assert called.code == 0
    path = short_history / "reports" / "fleet_2025-03-31_condition-report.pdf"
    assert path.read_bytes().startswith(b"%PDF-")
    assert not (short_history / "reports" / "otter").exists()
    call("report", "--as-of", "2025-03-31")
    index = (short_history / "reports" / "index.html").read_text(encoding="utf-8")
    assert "fleet_2025-03-31_condition-report.pdf" in index
    assert "otter_2025-03-31_condition-report.pdf" in index


REPAIR = RepairFinding(
    "airflow_sensor_replaced",
    (
        RepairChange("airflow", "all", 6.4, 4.4, 8.5),
        RepairChange("airflow", "idle", 5.9, 2.0, 9.9),
        RepairChange("boost", "all", 0.1, -0.9, 1.0),
    ),
    (CauseFinding("airflow_sensor_reads_low", 0.98), CauseFinding("none", 0.01)),
    gone=0.98,
    score=-0.1,
    event="w1",
    on=date(2026, 2, 20),
)


@pytest.mark.parametrize(
    ("gone", "causes", "words"),
    [
        (0.98, REPAIR.causes, "airflow sensor replaced: the complaint is gone (98 %)"),
        (0.04, REPAIR.causes, "the complaint is still there (gone: 4 %)"),
        (0.6, REPAIR.causes, "not sure yet (60 %)"),
        (0.98, (CauseFinding("none", 0.97),), "nothing was found wrong before it"),
    ],
)
def test_assess_in_words_says_whether_work_on_the_vehicle_helped(gone, causes, words):
    repair = replace(REPAIR, gone=gone, causes=causes)
    (line,) = (
        line for line in finding_lines(replace(FINDING, repairs=(repair,))) if "work:" in line
    )
    assert "2026-02-20" in line
    assert words in line


def test_only_what_work_changed_beyond_doubt_is_listed_with_its_band():
    lines = finding_lines(replace(FINDING, repairs=(REPAIR,)))
    after = lines[next(place for place, line in enumerate(lines) if "work:" in line) + 1 :]
    assert [line.strip() for line in after] == ["airflow +6.4 % (+4.4 to +8.5)"]


def declining(name, level):
    state = DriftState(level, -2.0, 0.04, 0.04)
    foreseen = forecast(state, Limits(-8.0, "low"), None, FINDING.as_of, 214_300.0)
    return replace(INDICATOR, indicator=name, forecast=foreseen)


def test_a_trip_names_the_limits_that_may_be_reached_on_it_the_likeliest_first():
    items = (declining("boost", -0.5), declining("breathing", -7.0), declining("airflow", -7.5))
    finding = on_trip(replace(FINDING, indicators=items), 5_000.0)
    lines = trip_lines(finding, 5_000.0)
    assert [line.split()[1] for line in lines] == ["airflow", "breathing"]
    # 0.5 % and 1 % left at 2 % per 10 000 km: 2 500 km, and just the 5 000
    chances = [int(line.split()[-2]) for line in lines]
    assert chances[0] > 95
    assert chances[1] == pytest.approx(50, abs=6)
    assert all("within 5 000 km" in line for line in lines)
    document = findings_as_dict(finding.as_of, [finding])["vehicles"][0]["indicators"]
    assert [round(100 * item["forecast"]["before_trip"]) for item in document[:0:-1]] == chances


def test_a_trip_on_which_no_limit_is_near_says_so():
    finding = on_trip(replace(FINDING, indicators=(declining("boost", -0.5),)), 500.0)
    assert trip_lines(finding, 500.0) == [
        "  trip: no limit is likely to be reached within 500 km (each less than 1 %)"
    ]


def test_a_trip_farther_than_forecasts_look_is_refused(call, short_history):
    assert LONGEST_TRIP == HORIZON_KM
    assert call("assess", "--trip-km", "2000", "--as-of", "2025-03-31").code == 0
    refused = call("assess", "--trip-km", "30001")
    assert refused.code == 2
    assert "30000" in refused.err
