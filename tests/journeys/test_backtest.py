"""The analyst's day: run a sweep, look at it, choose, put the settings in place, compare."""

from __future__ import annotations

import json
import shutil

import polars as pl
import pytest
from click.testing import CliRunner
from pypdf import PdfReader

import healthtrack
from healthtrack import config, indicators
from healthtrack.cli import main
from tests.bench.fleet import make_fleet

pytestmark = [pytest.mark.slow, pytest.mark.journey]
FAULT = "airflow_sensor_reads_low:-8:60"
RATES = "false_alerts_per_vehicle_year=0.02,1"


def _call(root, *words, code=0):
    result = CliRunner().invoke(main, ["--workspace", str(root), *map(str, words)])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == code, result.stdout + result.stderr
    return result.stdout if code == 0 else result.stderr


def _json(root, *words):
    return json.loads(_call(root, "--json", *words))


@pytest.fixture(scope="module", autouse=True)
def two_indicators():
    """Look at two indicators: the others are followed in the same way, and take as long again."""
    with pytest.MonkeyPatch.context() as patch:
        few = {name: indicators.ALL[name] for name in ("airflow", "breathing")}
        patch.setattr(indicators, "ALL", few)
        yield


@pytest.fixture(scope="module")
def root(tmp_path_factory, two_indicators):
    folder = tmp_path_factory.mktemp("bench") / "garage"
    make_fleet(folder, seed=3, count=2, extra="[alerts]\n# keep us calm\n")
    arguments = ("--no-causes", "--fault", FAULT, "--vary", RATES, "--as-of", "2026-01-01")
    _json(folder, "backtest", "run", "sweep", *arguments)
    return folder


def test_what_was_run_is_listed_and_shown_as_text_json_parquet_and_pdf(root):
    (entry,) = _json(root, "backtest", "list")["backtests"]
    assert (entry["name"], entry["variants"], entry["finished"]) == ("sweep", 3, True)
    told = _json(root, "backtest", "show", "sweep", "--pdf")
    own = told["variants"][0]["figures"]
    assert own["recall"]["of"] == 2  # one fault in each vehicle
    assert own["recall"]["count"] == 2  # 8 % is twenty times a drive's error over a mean of many
    assert "false alerts in" in _call(root, "backtest", "show", "sweep")
    words = "".join(page.extract_text() for page in PdfReader(told["report"]).pages)
    assert "Back-test sweep" in words
    assert "Operating curve" in words
    assert words.count("not looked at") == 3  # causes and forecasts
    assert told["inspection"]["faults"] == 2
    assert words.count("inspection every 15000 km") >= 2  # in the table and on the curve
    assert "never looking" in words
    alerts = pl.read_parquet(root / "backtests" / "sweep" / "alerts.parquet")
    assert {"vehicle", "case", "variant", "raised_on", "false"} <= set(alerts.columns)


def test_the_same_question_is_not_asked_twice_and_another_one_needs_another_name(root):
    same = ("--no-causes", "--fault", FAULT, "--vary", RATES, "--as-of", "2026-01-01")
    before = (root / "backtests" / "sweep" / "plan.json").stat().st_mtime_ns
    _json(root, "backtest", "run", "sweep", *same)
    assert (root / "backtests" / "sweep" / "plan.json").stat().st_mtime_ns == before
    message = _call(root, "backtest", "run", "sweep", "--as-of", "2026-01-01", code=2)
    assert "asks something else" in message


def test_a_looser_promise_never_tells_later(root):
    rows = {row["variant"]: row for row in _json(root, "backtest", "show", "sweep")["table"]}
    strict, loose = (rows[f"false_alerts_per_vehicle_year={rate}"] for rate in ("0.02", "1"))
    assert loose["delay_days"] <= strict["delay_days"]
    assert any(row["front"] for row in rows.values())


def test_chosen_settings_are_put_in_place_with_their_origin_and_the_rest_stays(root, tmp_path):
    root = shutil.copytree(root, tmp_path / "garage")  # the settings are other ones afterwards
    choice = _json(root, "backtest", "tune", "sweep", "--false-alert", 10, "--delay-day", 100,
                   "--miss", 10_000)  # fmt: skip
    loose = "false_alerts_per_vehicle_year=1"
    assert choice["chosen"]["cost"] == min(one["cost"] for one in choice["all"])
    assert choice["chosen"]["variant"] in {"as set", loose}  # days are dear: not the strict one
    assert set(choice["tuned_on"]).isdisjoint(choice["held_out"])
    assert choice["gap"] is not None
    _json(root, "backtest", "apply", "sweep", "--settings", loose)
    text = (root / "healthtrack.toml").read_text()
    assert config.load(root).alerts.false_alerts_per_vehicle_year == 1
    assert "# from back-test sweep (" in text
    assert "# keep us calm" in text
    assert "# the analyst's own words stay" in text
    again = _json(root, "backtest", "apply", "sweep", "--settings", loose)
    assert again["changed"] == {}


def test_settings_are_compared_on_the_same_history(root):
    same = _json(root, "backtest", "compare", "sweep", "as set", "as set")["differences"]
    assert all(one["difference"] == 0.0 for one in same if one["difference"] is not None)
    told = _call(root, "backtest", "compare", "sweep", "as set", RATES.replace("0.02,1", "1"))
    assert "too few vehicles for an interval" in told


def test_other_detectors_stand_beside_it_and_the_absent_are_named(root, monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    told = _json(root, "backtest", "detectors", "sweep")
    rows = {row["detector"]: row for row in told["detectors"]}
    assert {"healthtrack", "EWMA 0.1", "never"} <= set(rows)
    assert set(told["skipped"]) == {"ADWIN", "change points"}
    assert rows["never"]["found"] == 0
    asked = ("--no-causes", "--fault", FAULT, "--vary", RATES, "--as-of", "2026-01-01")
    at_once = _json(root, "backtest", "run", "sweep", *asked, "--detectors")  # run already
    assert at_once["detectors"] == told["detectors"]
    assert "inspection every 15000 km" in _call(
        root, "backtest", "run", "sweep", *asked, "--detectors"
    )


def test_a_notebook_sees_the_same(root):
    garage = healthtrack.open(root)
    told = garage.backtest("sweep")
    assert told.table().height == 3
    vehicle = garage.vehicles[0]
    replayed = garage.replay(vehicle)
    kept = told.frame("verdicts").filter(
        (pl.col("vehicle") == vehicle)
        & (pl.col("variant") == "as set")
        & (pl.col("case") == "as it was")
    )
    assert kept.select("said_on", "state").equals(replayed.verdicts)
    assert garage.assess(vehicle).state == replayed.verdicts["state"][-1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--fault", "hose:3"), "is no fault"),
        (("--fault", "charge_air_leak:-3"), "positive"),
        (("--vary", "false_alerts=1"), "Did you mean"),
        (("--vary", "false_alerts_per_vehicle_year=99"), "less than or equal to 12"),
        (("--truth", "nowhere.csv"), "cannot be read"),
    ],
)
def test_what_cannot_be_asked_is_said_before_anything_is_replayed(root, words, said):
    code = 1 if words[0] == "--truth" else 2
    assert said in _call(root, "backtest", "run", "other", *words, code=code)
