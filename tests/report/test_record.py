"""The appendix' surfaces, calibration and log files, and the waterfall of rows."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from io import BytesIO

import numpy as np
import polars as pl
import pytest
from pypdf import PdfReader
from scipy.stats import binomtest

from healthtrack.baseline import Baseline, RegionModel
from healthtrack.baseline.surface import Axis, design
from healthtrack.config import ReportSettings
from healthtrack.drift import Working
from healthtrack.records import Loss
from healthtrack.report import Beside, write_vehicle_report
from healthtrack.report.beside import LogShown
from healthtrack.report.record import coverage_of, given, rows_lost
from healthtrack.report.surfaces import surface_of

AXES = (Axis("engine_speed", 1_000.0, 3_000.0), Axis("demand", 10.0, 90.0))


def region(axes=AXES, sd=0.2):
    """A surface that is 3 everywhere: B-splines add up to one."""
    size = int(np.prod([axis.size for axis in axes]))
    covariance = tuple(tuple(row) for row in sd**2 * np.eye(size))
    return RegionModel("part_load", axes, (3.0,) * size, covariance, 0.9, 0.4, 0.3, 300, 20)


def working(errors=(), axes=AXES):
    rng = np.random.default_rng(5)
    names = [axis.predictor for axis in axes]
    points = {axis.predictor: rng.uniform(axis.low, axis.high, 200) for axis in axes}
    first = datetime(2024, 1, 1, tzinfo=UTC)
    n = len(errors)
    foretold = pl.DataFrame(
        {
            "drive": [f"otter/{i}" for i in range(n)],
            "started": [first + timedelta(days=i) for i in range(n)],
            "value": [1.0 + 2.0 * error for error in errors],
            "mean": [1.0] * n,
            "sd": [2.0] * n,
        },
        schema_overrides={"value": pl.Float64, "mean": pl.Float64, "sd": pl.Float64},
    )
    learned = Baseline(
        "airflow", date(2023, 1, 3), date(2023, 10, 27), ("otter/0",), (region(axes),), ()
    )
    frame = pl.DataFrame({"region": ["part_load"] * 200, **points}).select("region", *names)
    return Working("airflow", learned, frame, foretold, 2.0, float(np.log(50.0)))


def test_coverage_counts_the_drives_in_their_bands_with_the_exact_binomial_interval():
    errors = [0.0] * 90 + [1.95] * 5 + [2.0] * 5
    known = coverage_of(working(errors))
    assert (known.inside, known.of) == (95, 100)
    exact = binomtest(95, 100).proportion_ci(0.95, method="exact")
    assert (known.low, known.high) == pytest.approx((exact.low, exact.high))
    assert known.spread == pytest.approx(np.sqrt((5 * 1.95**2 + 5 * 4.0) / 100))


def test_drives_of_the_healthy_period_are_not_counted():
    made = working([0.0] * 3)
    blank = made.foretold.with_columns(mean=pl.lit(None, pl.Float64))
    assert coverage_of(Working(made.indicator, made.learned, made.points, blank, 0.0, 1.0)) is None


def test_a_surface_of_equal_coefficients_is_flat_and_less_known_beyond_the_data():
    surface = surface_of(region())
    np.testing.assert_allclose(surface.value, 3.0, atol=1e-9)
    across = surface.places[0]
    inside = (across >= 1_000.0) & (across <= 3_000.0)
    middle = surface.half[surface.half.shape[0] // 2]
    assert middle[~inside].max() > 1.3 * middle[inside].max()
    x = design(AXES, [np.array([2_000.0]), np.array([50.0])])
    at = 1.96 * 0.2 * np.sqrt((x**2).sum())
    assert surface.half[20, 20] == pytest.approx(at)  # the grid's middle is the axes' middle


def test_the_second_predictor_of_a_surface_runs_up_its_rows():
    model = region()
    rising = np.tile(np.arange(AXES[1].size, dtype=float), AXES[0].size)
    model = RegionModel(model.region, AXES, tuple(rising), model.covariance, 0.9, 0.4, 0.3, 300, 20)
    value = surface_of(model).value
    assert (np.diff(value, axis=0) > 0).all()
    np.testing.assert_allclose(np.diff(value, axis=1), 0.0, atol=1e-9)


def log(name="one.csv", rows=1_000, quarantined="", losses=(), told=""):
    return LogShown(name, date(2025, 3, 1), "0123456789ab", rows, quarantined, losses, told)


def test_rows_that_were_lost_are_neither_readings_nor_running_time():
    losses = (
        Loss("ragged_row", 3),
        Loss("truncated", 1),
        Loss("cold", 50),
        Loss("pull_short", 2),
        Loss("out_of_range", 7, "airflow"),
    )
    assert rows_lost(log(losses=losses)) == 4


@pytest.fixture(scope="module")
def appendix(tmp_path_factory, findings, settings):
    """The text of an alarm's report with everything beside it."""
    path = tmp_path_factory.mktemp("appendix") / "otter.pdf"
    one = (Axis("ambient_pressure", 95.0, 101.0),)
    beside = Beside(
        (
            log(losses=(Loss("ragged_row", 3), Loss("out_of_range", 7, "airflow"))),
            log("two.csv", 2_345),
            log("bad.csv", None, "unknown_format"),
        ),
        (working([0.0] * 95 + [3.0] * 5), working([0.1] * 4, one)),
        (("alerts.false_alerts_per_vehicle_year", "0.2"),),
    )
    write_vehicle_report(
        findings["alarm"](),
        settings("alarm"),
        path,
        settings=ReportSettings(appendix=True),
        beside=beside,
    )
    pages = PdfReader(BytesIO(path.read_bytes())).pages
    return path, "\n".join(page.extract_text() for page in pages).replace("\u00a0", " ")


def test_the_appendix_tells_what_was_learned_promised_and_kept(appendix):
    _, text = appendix
    for told in (
        "What was learned",
        "300 windows, 20 drives",
        "88.7 to 98.4 %",  # Clopper & Pearson of 95 of 100 (published tables print 88.72, 98.36)
        "alerts.false_alerts_per_vehicle_year",
        "0.040",  # two years at one in fifty
        "not read: unknown format",
        "one.csv",
        "0123456789ab",
    ):
        assert told in text


def test_the_waterfall_follows_rows_from_the_files_to_what_was_kept(appendix):
    _, text = appendix
    start = text.index("Rows of the logs")
    part = text[start : text.index("Running time", start)]
    assert "3 345" in part  # 1 000 and 2 345; what could not be read has none
    assert "−3" in part
    assert "3 342" in part


def test_a_report_without_data_names_the_latest_logs_that_could_not_be_read_and_why(
    findings, settings, tmp_path
):
    told = "the time in line 7\nis no time: give its format under [time]. " + "More of it. " * 60
    logs = (
        log("oldest.csv", None, "empty"),
        log("empty.csv", None, "not_text"),
        log("bad time.csv", None, "unreadable_time", told=told),
        log("newest $1.csv", None, "no_rows", told="w/newest $1.csv has no row of data."),
    )
    path = tmp_path / "heron.pdf"
    write_vehicle_report(findings["no_data"](), settings("no_data"), path, beside=Beside(logs))
    first, second = (page.extract_text() for page in PdfReader(path).pages)
    first = first.replace("\u00a0", " ")
    assert "oldest.csv" not in first
    assert "the latest 3 of 4" in first
    places = [
        first.index(words)
        for words in (
            # the sentence goes on from the name above it
            *("newest $1.csv", "has no row of data."),
            *("bad time.csv", "The time in line 7 is no time: give its format under [time]."),
            *("empty.csv", "Not text."),
        )
    ]
    assert places == sorted(places)
    assert first.count("newest $1.csv") == 1
    assert first.count("More of it.") < 40  # three lines, then an ellipsis
    assert "How this verdict came about" in second


def test_a_page_of_the_appendix_stays_under_300_kb(appendix):
    path, _ = appendix
    assert path.stat().st_size < 300_000 * len(PdfReader(BytesIO(path.read_bytes())).pages)


def test_alerts_given_are_those_that_the_trend_marks(findings):
    assert given(findings["sound"]().indicators[0]) == 0
    assert given(findings["alarm"]().indicators[0]) == 2  # an alert, then an alarm
