"""The owner's report: what it says, where it stands on the page, and how it is written."""

from __future__ import annotations

import os
import re
from dataclasses import replace
from datetime import timedelta
from functools import cache
from io import BytesIO
from itertools import combinations

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.patches import Polygon
from pypdf import PdfReader

from healthtrack.config import ReportSettings
from healthtrack.errors import ReportError
from healthtrack.jobs.findings import finding_as_dict
from healthtrack.records import Forecast
from healthtrack.report import document, style, write_vehicle_report
from healthtrack.report.facts import slope
from healthtrack.report.numbers import MINUS, THIN, typeset
from healthtrack.report.todo import by_when, silence
from healthtrack.report.trends import drawable
from healthtrack.report.vehicle import compose
from healthtrack.report.words import label

NUMBER = rf"[{MINUS}+±]?\d+(?:{THIN}\d{{3}})*(?:\.\d+)?"


def read(path):
    return PdfReader(BytesIO(path.read_bytes()))


@cache
def text_of(path):
    return "\n".join(page.extract_text() for page in read(path).pages)


def squeeze(text):
    return re.sub(r"[\s\u00a0\u202f]+", " ", text)


def value_of(words):
    return float(words.replace(THIN, "").replace(MINUS, "-").lstrip("+±"))


def half_a_digit(words):
    """How far the true number may be from the one that is written."""
    after = words.partition(".")[2]
    if after:
        return 0.5 * 10.0 ** -len(after) + 1e-9
    zeros = len(words) - len(words.replace(THIN, "").rstrip("0").ljust(1))
    return 0.5 * 10.0 ** min(max(zeros, 0), 3) + 1e-9


def agrees(words, value):
    return abs(value_of(words) - value) <= half_a_digit(words)


def test_every_case_gives_a_report_with_its_verdict_on_page_one(written):
    finding, _, path = written
    first = squeeze(read(path).pages[0].extract_text())
    assert style.MARKS[finding.state].word.capitalize() in first
    # the word of the state stands above it already
    assert squeeze(typeset(finding.reason.removeprefix("Learning: "))) in first


def test_every_row_of_the_table_holds_the_numbers_of_assess_json_in_order(written):
    finding, _, path = written
    document = {row["indicator"]: row for row in finding_as_dict(finding)["indicators"]}
    text = text_of(path)
    start = text.find("trend per")
    for item in finding.indicators:
        if item.level is None:
            continue
        start = text.index(f"\n{label(item.indicator)} ", start) + 1
        row = text[start : text.index(style.MARKS[item.state].word, start)]
        trend = slope(item)
        told = re.findall(NUMBER, row.replace(trend.per, ""))
        json = document[item.indicator]
        slopes = [json[name] for name in ("slope_per_10000_km", "slope_low", "slope_high")]
        if slopes[0] is None:  # along the date, where there is no odometer
            slopes = [trend.value, trend.low, trend.high]
        meant = [*(json[name] for name in ("level", "low", "high", "limit")), *slopes]
        assert len(told) == len(meant), row
        for words, value in zip(told, meant, strict=True):
            assert agrees(words, abs(value) if words.startswith("±") else value), (words, value)
        assert f"{THIN}{item.unit}" in row


def test_by_when_is_said_as_the_states_and_the_forecasts_have_it(findings):
    alarm = findings["alarm"]()
    airflow, boost, breathing, charge = alarm.indicators
    assert "airflow is past the limit already" in by_when(alarm)
    alert = replace(alarm, state="alert", indicators=(boost, breathing, charge))
    assert by_when(alert) == "Do it before 21 June 2026: breathing may reach its limit then."
    soon = replace(breathing.forecast, limit_on_low=alert.as_of)

    def told(forecast):
        return by_when(replace(alert, indicators=(replace(breathing, forecast=forecast),)))

    assert told(soon) == "Do it now: breathing may reach its limit any day."
    far = Forecast(answer="not_within_horizon", horizon_km=30_000.0)
    assert told(far).startswith(
        f"No limit is foreseen within 30{THIN}000{THIN}km: the next service"
    )
    assert told(Forecast(answer="too_uncertain")).endswith("do it at the next opportunity.")
    assert told(None).endswith("do it at the next opportunity.")
    assert not by_when(findings["sound"]())
    both = replace(alarm, indicators=(airflow, replace(breathing, state="alarm")))
    assert "airflow and breathing are past" in by_when(both)


def test_a_vehicle_that_went_silent_is_said_to_have(findings, settings):
    sound = findings["sound"]()
    assert not silence(sound)
    assert not silence(findings["no_data"]())  # it never was heard of
    gone = replace(sound, last_drive=sound.last_drive - timedelta(days=90))
    assert silence(gone).startswith("No drive has come since 29 December 2025")
    with document.look():
        first = compose(gone, settings("sound")).pages[0]
    assert any("see whether the logger" in text.get_text() for text in first.figure.texts)


def test_causes_forecast_advice_and_gaps_are_all_told(written):
    finding, _, path = written
    text = squeeze(text_of(path))
    for cause in finding.causes:
        if cause.probability >= 0.01:
            assert f"{100 * cause.probability:.0f} %" in text
    for advice in finding.advice:
        assert squeeze(advice).split(";")[0][:60] in text
    for item in finding.not_observable:
        assert f"needs {item.needs}" in text
    for event in finding.maintenance:
        assert (event.note or "Maintenance")[:20] in text
    for loss in finding.losses:
        assert f"{loss.count:,}".replace(",", " ") in text


def test_no_text_leaves_the_page_or_lies_over_other_text(case):
    name, finding, vehicle = case
    with document.look():
        flow = compose(finding, vehicle)
        flow.footers()
        for number, page in enumerate(flow.pages, start=1):
            renderer = FigureCanvasAgg(page.figure).get_renderer()
            width, height = page.figure.bbox.width, page.figure.bbox.height
            boxes = [
                (text.get_text(), text.get_window_extent(renderer))
                for text in page.figure.texts
                if text.get_text().strip()
            ]
            for words, box in boxes:
                inside = box.x0 >= 0 and box.y0 >= 0 and box.x1 <= width and box.y1 <= height
                assert inside, f"{name}, page {number}: {words!r} leaves the page"
            for (one, a), (other, b) in combinations(boxes, 2):
                across = min(a.x1, b.x1) - max(a.x0, b.x0)
                down = min(a.y1, b.y1) - max(a.y0, b.y0)
                # boxes include the air above and below the letters: a quarter may be shared
                over = across > 1.0 and down > 0.3 * min(a.height, b.height)
                assert not over, f"{name}, page {number}: {one!r} lies over {other!r}"


def test_no_panel_leaves_the_page(case):
    _, finding, vehicle = case
    panels = 0
    with document.look():
        for page in compose(finding, vehicle).pages:
            for field in page.fields:
                panels += 1
                place, paper = field.place, page.paper
                assert paper.left <= place.x0 < place.x1 <= paper.right_edge
                assert paper.top <= place.y0 < place.y1 <= paper.floor
                assert all(size > 10.0 for size in (place.width, place.height))
    assert panels == sum(drawable(item) for item in finding.indicators)


def test_the_same_finding_gives_the_same_bytes(findings, settings, tmp_path):
    for name in ("one.pdf", "two.pdf"):
        write_vehicle_report(findings["single_drive"](), settings("x"), tmp_path / name)
    assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()


def test_title_language_outline_and_fonts_are_set(findings, settings, tmp_path):
    path = tmp_path / "otter.pdf"
    write_vehicle_report(findings["alarm"](), settings("alarm"), path)
    reader = read(path)
    root = reader.trailer["/Root"]
    assert path.read_bytes().startswith(b"%PDF-1.4")
    assert root["/Lang"] == "en-GB"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    assert reader.metadata.title == "Otter: condition of the air path as of 31 March 2026"
    assert "/CreationDate" not in reader.metadata
    assert [item.title for item in reader.outline] == [
        "Verdict",
        "Causes",
        "Forecast",
        "Trends",
        "Evidence",
        "Data quality",
        "Maintenance",
        "Method and words",
    ]
    fonts = [
        font.get_object() for page in reader.pages for font in page["/Resources"]["/Font"].values()
    ]
    assert fonts
    for font in fonts:
        (inner,) = font["/DescendantFonts"]
        assert inner.get_object()["/Subtype"] == "/CIDFontType2"  # TrueType: Type 42
        assert "/FontFile2" in inner.get_object()["/FontDescriptor"].get_object()
        assert "/ToUnicode" in font


def test_a_page_stays_under_300_kb(written):
    _, _, path = written
    assert path.stat().st_size < 300_000 * len(read(path).pages)


def test_an_older_report_survives_a_failure_and_nothing_half_is_left(
    findings, settings, tmp_path, monkeypatch
):
    path = tmp_path / "otter.pdf"
    path.write_bytes(b"the older report")

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(ReportError, match="No space left on device"):
        write_vehicle_report(findings["no_data"](), settings("no_data"), path)
    assert path.read_bytes() == b"the older report"
    assert [file.name for file in tmp_path.iterdir()] == ["otter.pdf"]


def test_a_folder_that_is_a_file_is_a_report_error(findings, settings, tmp_path):
    (tmp_path / "reports").write_text("not a folder")
    with pytest.raises(ReportError, match="could not be written"):
        write_vehicle_report(findings["no_data"](), settings("no_data"), tmp_path / "reports/x.pdf")


def test_a_name_is_only_text(findings, settings, tmp_path):
    path = tmp_path / "otter.pdf"
    write_vehicle_report(findings["long_name"](), settings("long_name"), path)
    assert "($7 & <co>) Überführungsfahrzeug" in squeeze(read(path).pages[0].extract_text())


def test_an_owners_report_has_two_to_four_pages(written):
    _, _, path = written
    assert 2 <= len(read(path).pages) <= 4


@pytest.mark.parametrize("name", ["forty_events", "eight_indicators"])
def test_the_shorter_letter_paper_takes_no_fifth_page(name, findings, settings):
    with document.look():
        flow = compose(findings[name](), settings(name), ReportSettings(paper="Letter"))
    assert len(flow.pages) <= 4


def test_the_fan_of_a_forecast_lies_where_its_quantiles_do(findings, settings):
    """Both bands are drawn with the corners that the forecast gives, on the panel's own axes."""
    finding = findings["alarm"]()
    (fan,) = (item.forecast.fan for item in finding.indicators if item.forecast)
    with document.look():
        pages = compose(finding, settings("alarm")).pages
        corners = [
            {(float(x), float(y)) for x, y in shape.get_xy()}
            for page in pages
            for shape in page.figure.artists
            if isinstance(shape, Polygon)
        ]
    for low, high in (("low", "high"), ("quarter", "three_quarters")):
        edges = {(p.km, getattr(p, low)) for p in fan} | {(p.km, getattr(p, high)) for p in fan}
        assert any(edges <= shape for shape in corners)
