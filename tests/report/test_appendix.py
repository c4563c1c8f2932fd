"""The analyst's appendix, and the settings of reports."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from io import BytesIO

import numpy as np
import polars as pl
import pytest
from pypdf import PdfReader

from healthtrack.config import ReportSettings
from healthtrack.records import IndicatorFinding, Trend
from healthtrack.report import write_vehicle_report
from healthtrack.report.appendix import autocorrelation, digest, leftover, tenths

ALL_SETTINGS = ReportSettings(paper="Letter", decimal_mark="comma", appendix=True)


def frame_of(values, level=0.0, se=1.0):
    n = len(values)
    started = [datetime(2025, 1, 1, tzinfo=UTC) + timedelta(days=i) for i in range(n)]
    return pl.DataFrame(
        {
            "started": started,
            "value": [level + v for v in values],
            "smoothed": [level] * n,
            "se": [se] * n,
        },
        schema_overrides={"started": pl.Datetime("us", "UTC"), "value": pl.Float64},
    )


def test_values_that_alternate_are_correlated_minus_one_then_plus_one():
    values = np.tile([1.0, -1.0], 50)
    # Σ v(i) v(i+k) / Σ v² = ±(n − k)/n
    assert autocorrelation(values, 3) == pytest.approx([-0.99, 0.98, -0.97])


def test_a_constant_and_an_empty_series_have_no_correlation():
    assert not autocorrelation(np.ones(20), 4).any()
    assert not autocorrelation(np.empty(0), 4).any()


def test_correlated_drives_are_worth_fewer_independent_ones():
    blocks = leftover(frame_of(np.repeat([1.0, -1.0] * 10, 5).tolist()))
    first = float(blocks.correlation[0])
    assert 0.5 < first < 0.8
    assert blocks.effective == pytest.approx(100 * (1 - first) / (1 + first))
    assert leftover(frame_of([1.0, -1.0] * 50)).effective == pytest.approx(100.0)


def test_coverage_counts_drives_within_their_own_errors_of_the_level():
    values = [0.0, 1.9, -1.9, 2.1, -5.0, 1.0, 0.5, -0.5]
    assert leftover(frame_of(values, level=-3.0)).covered == pytest.approx(6 / 8)


def test_the_middle_of_every_tenth_follows_a_season():
    at = np.linspace(0.0, 365.0, 200)
    places, middles = tenths(at, np.sin(at / 365.0 * 2 * np.pi))
    assert places.size == 10
    assert middles == pytest.approx(np.sin(places / 365.0 * 2 * np.pi), abs=0.02)


def test_a_digest_changes_with_the_trend_and_with_nothing_else():
    one, two = frame_of([0.0, 1.0]), frame_of([0.0, 1.0001])
    finding = IndicatorFinding("airflow", "%", "normal", "", trend=Trend(one))
    same = IndicatorFinding("airflow", "%", "alert", "other words", trend=Trend(one.clone()))
    other = IndicatorFinding("airflow", "%", "normal", "", trend=Trend(two))
    assert digest(finding) == digest(same)
    assert digest(finding) != digest(other)


def test_paper_decimal_mark_and_appendix_are_as_set(findings, settings, tmp_path):
    path = tmp_path / "otter.pdf"
    write_vehicle_report(findings["alarm"](), settings("alarm"), path, settings=ALL_SETTINGS)
    reader = PdfReader(BytesIO(path.read_bytes()))
    width, height = (float(side) for side in reader.pages[0].mediabox[2:])
    assert (width, height) == pytest.approx((612.0, 792.0), abs=0.5)
    first = reader.pages[0].extract_text()
    assert "−7,4" in first
    assert not re.search(r"\d\.\d", first)
    assert reader.outline[-1].title == "Analyst's appendix"
    last = "\n".join(page.extract_text() for page in reader.pages[-2:])
    assert "240 drives" in last.replace("\u00a0", " ")
    assert re.search(r"Python\s+\d+\.\d+\.\d+", last)
