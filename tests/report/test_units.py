"""The reader's units: every number of the report is the one of ``assess --json``, converted."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date
from io import BytesIO

import pytest
from pypdf import PdfReader

from healthtrack.config import ReportSettings, WorkspaceSettings
from healthtrack.jobs.findings import finding_as_dict
from healthtrack.records import (
    CauseFinding,
    Evidence,
    Forecast,
    RegionEvidence,
    RepairChange,
    RepairFinding,
)
from healthtrack.report import draw_figures, style, words, write_fleet_report, write_vehicle_report
from healthtrack.report.marks import Marks
from healthtrack.report.numbers import MINUS, THIN
from healthtrack.report.shown import SI, ShownUnits, in_units
from healthtrack.report.words import label

MILE_KM = 1.609344  # exact, NIST SP 811
PSI_KPA = 6.894757  # NIST SP 811
INCH_MERCURY_KPA = 3.386389  # NIST SP 811

AMERICAN = ReportSettings(
    distance="mi",
    pressure="psi",
    temperature="°F",
    airflow="lb/min",
    power="hp",
    paper="Letter",
    thousands_mark="comma",
)
MERCURY = ReportSettings(
    pressure="inHg", airflow="kg/h", decimal_mark="comma", thousands_mark="point"
)
SYSTEMS = {
    "American": (
        AMERICAN,
        {"km": ("mi", 1 / MILE_KM), "kPa": ("psi", 1 / PSI_KPA), "K": ("°F", 1.8)},
    ),
    "mercury": (MERCURY, {"kPa": ("inHg", 1 / INCH_MERCURY_KPA)}),
}


@pytest.fixture(params=SYSTEMS)
def system(request):
    """Settings of the report, and unit and factor by the store's unit."""
    return SYSTEMS[request.param]


def marks(settings):
    return Marks.of(settings)


def read_numbers(text, settings):
    """Every number in a text, as it is written and as what it is."""
    decimal, thousands = (
        re.escape(mark) for mark in (marks(settings).decimal, marks(settings).thousands)
    )
    pattern = rf"[{MINUS}+±]?\d+(?:{thousands}\d{{3}}(?!\d))*(?:{decimal}\d+)?"
    found = []
    for written in re.findall(pattern, text):
        plain = written.replace(marks(settings).thousands, "").replace(marks(settings).decimal, ".")
        value = float(plain.replace(MINUS, "-").lstrip("+±"))
        found.append((written, abs(value) if written[0] == "±" else value, plain))
    return found


def is_written(value, written, *, rounded=3):
    """Whether a number that was read is ``value`` to the digits that are written.

    Whole numbers may be rounded before the decimal mark, to thousands at most.
    """
    _, told, plain = written
    after = plain.partition(".")[2]
    zeros = len(plain) - len(plain.rstrip("0")) if not after else 0
    step = 10.0 ** (-len(after) if after else min(zeros, rounded))
    return abs(told - value) <= 0.5 * step + 1e-9


def pages_of(path):
    return [page.extract_text() for page in PdfReader(BytesIO(path.read_bytes())).pages]


def with_repair(finding):
    """The finding with a repair whose effect is known in two units."""
    changes = (
        RepairChange("airflow", "all", 6.9, 6.1, 7.7),
        RepairChange("standing_pressure", "all", -1.84, -2.31, -1.37),
    )
    done = RepairFinding(
        "air_filter_replaced", changes, (), 0.93, -0.2, event="e2", on=finding.maintenance[1].on
    )
    return replace(finding, repairs=(done,))


def with_pressures(finding):
    """The finding with a cause, a forecast, a region and a repair that count kPa."""
    offset = CauseFinding("manifold_pressure_offset", 0.31, -1.84, -2.31, -1.37, "kPa")
    far = Forecast(223_400.0, 219_800.0, 231_700.0, date(2026, 8, 2), limit=2.0, answer="expected")
    indicators = tuple(
        replace(item, level=1.62, low=1.11, high=2.13, forecast=far)
        if item.indicator == "standing_pressure"
        else item
        for item in finding.indicators
    )
    region = RegionEvidence("standing_pressure", "standing", -1.73, 0.26, 80, None)
    finding = with_repair(finding)
    cleared = RepairChange("intake_restriction", "all", -1.53, -2.14, -0.92)
    (done,) = finding.repairs
    return replace(
        finding,
        repairs=(replace(done, changes=(*done.changes, cleared)),),
        indicators=indicators,
        causes=(*finding.causes, offset),
        evidence=Evidence((*finding.evidence.regions, region)),
    )


def after(text, words, length=140):
    """What stands in a text behind the first place of some words."""
    start = text.index(words) + len(words)
    return text[start : start + length]


def first_numbers(text, wanted, shown):
    """Check that the first numbers of a text are those that are wanted, in order."""
    told = read_numbers(text, shown)
    for written, value in zip(told, wanted, strict=False):
        assert is_written(value, written), (text, value)
    assert len(told) >= len(wanted)


def test_causes_forecasts_regions_repairs_and_panels_have_the_numbers_of_assess_json_converted(
    system, findings, settings, tmp_path
):
    shown, factors = system
    unit, scale = factors["kPa"]
    far = factors.get("km", ("km", 1.0))[1]
    finding, path = with_pressures(findings["eight_indicators"]()), tmp_path / "report.pdf"
    write_vehicle_report(finding, settings("x"), path, settings=shown)
    text = "\n".join(pages_of(path)).replace("\n", " ")
    document = finding_as_dict(finding)

    cause = next(one for one in document["causes"] if one["unit"] == "kPa")
    row = after(text, words.cause(cause["cause"]))
    sizes = [cause[name] * scale for name in ("size", "size_low", "size_high")]
    first_numbers(row, [100 * cause["probability"], *sizes], shown)
    assert f"{THIN}{unit}" in row

    item = next(one for one in document["indicators"] if one["unit"] == "kPa" and one["level"] > 1)
    places = [item["forecast"][name] * far for name in ("limit_km", "limit_km_low")]
    sentence = after(text, "Standing pressure, limit ")
    sentence = sentence.replace("(95 % between ", "(")
    first_numbers(sentence, [item["limit"] * scale, *places], shown)

    panel = text[text.index(f"Standing pressure, {unit}") : text.index("Spool time, s")]
    wanted = [item["level"], item["limit"], -item["limit"]]
    told = read_numbers(panel, shown)
    for value in wanted:
        assert any(is_written(value * scale, number) and number[1] for number in told), value

    region = next(one for one in finding.evidence.regions if one.region == "standing")
    half = 1.96 * region.sd
    levels = (region.level, region.level - half, region.level + half)
    evidence = text[text.index("What each region") :]
    first_numbers(after(evidence, "standing "), [value * scale for value in levels], shown)

    change = document["repairs"][0]["changes"][-1]
    repaired = after(text, "Before and after work", 2_000)
    told = read_numbers(repaired, shown)
    for name in ("change", "low", "high"):
        assert any(is_written(change[name] * scale, number) for number in told), name


@pytest.mark.parametrize("name", ["eight_indicators", "sound"])
def test_every_number_of_the_table_is_that_of_assess_json_converted(
    name, system, findings, settings, tmp_path
):
    shown, factors = system
    finding, path = findings[name](), tmp_path / "report.pdf"
    write_vehicle_report(finding, settings(name), path, settings=shown)
    text = "\n".join(pages_of(path))
    rows = {row["indicator"]: row for row in finding_as_dict(finding)["indicators"]}
    start = text.index("trend per")
    far = factors.get("km", ("km", 1.0))[1]
    for item in finding.indicators:
        _, scale = factors.get(item.unit, (item.unit, 1.0))
        start = text.index(f"\n{label(item.indicator)} ", start) + 1
        json = rows[item.indicator]
        slopes = [json[key] for key in ("slope_per_10000_km", "slope_low", "slope_high")]
        slopes = [value and value * scale / far for value in slopes]
        meant = [json[key] * scale for key in ("level", "low", "high", "limit")] + slopes
        end = text.index(f"\n{style.MARKS[item.state].word} ", start)
        told = read_numbers(text[start:end], shown)
        for written, value in zip(told, meant, strict=True):
            expected = abs(value) if written[0][0] == "±" else value
            assert is_written(expected, written), (item.indicator, written, value)


def test_distances_of_alerts_forecasts_and_events_are_converted(
    system, findings, settings, tmp_path
):
    shown, factors = system
    unit, far = factors.get("km", ("km", 1.0))
    finding, path = findings["alarm"](), tmp_path / "report.pdf"
    write_vehicle_report(finding, settings("alarm"), path, settings=shown)
    text = " ".join("\n".join(pages_of(path)).replace("\n", " ").split(" "))
    document = finding_as_dict(finding)
    wanted = [document["odometer_km"]]
    for row in document["indicators"]:
        wanted += [row[key] for key in ("since_km", "since_km_low", "since_km_high")]
        wanted += [(row["forecast"] or {}).get(key) for key in ("limit_km", "limit_km_low")]
    wanted += [event.odometer_km for event in finding.maintenance]
    told = read_numbers(text, shown)
    for km in wanted:
        if km is not None:
            assert any(is_written(km * far, number) and number[1] > 999 for number in told), km
    others = {"km", "mi"} - {unit}
    assert not re.search(rf"\d{THIN}(?:{'|'.join(others)})\b", text)
    assert f"odometer, {unit}" in text


def test_the_verdict_sentence_is_converted(system, findings, settings, tmp_path):
    shown, factors = system
    reason = (
        "Boost is 3.2 kPa below healthy (1.1 to 5.3), beyond its limit, and charge temperature is "
        "12.0 K above healthy (9.1 to 15.0), gradually since about 181 000 km; most likely a leak "
        "(91 %)"
    )
    meant = [
        *((value, "kPa") for value in (3.2, 1.1, 5.3)),
        *((value, "K") for value in (12.0, 9.1, 15.0)),
        *((181_000, "km"), (91, "%")),
    ]
    finding, path = replace(findings["alarm"](), reason=reason), tmp_path / "report.pdf"
    write_vehicle_report(finding, settings("alarm"), path, settings=shown)
    first = " ".join(pages_of(path)[0].split("\n"))
    sentence = first[first.index("Boost is") : first.index("%).") + 1]
    told = read_numbers(sentence, shown)
    assert len(told) == len(meant)
    for written, (value, unit) in zip(told, meant, strict=True):
        assert is_written(value * factors.get(unit, (unit, 1.0))[1], written), sentence
    for unit in ("kPa", "K", "km"):
        assert f"{THIN}{factors.get(unit, (unit, 1.0))[0]}" in sentence
    subject = PdfReader(BytesIO(path.read_bytes())).metadata.subject
    assert [told[1] for told in read_numbers(subject, shown)] == [n[1] for n in told]


def test_no_unit_that_was_not_chosen_is_left_in_the_report(findings, settings, tmp_path):
    path = tmp_path / "report.pdf"
    finding = with_repair(findings["eight_indicators"]())
    write_vehicle_report(finding, settings("x"), path, settings=AMERICAN)
    text = "\n".join(pages_of(path))
    assert not re.search(rf"\d[{THIN} ](?:km|kPa|K|°C|g/s|kW)\b", text)
    assert f"{THIN}psi" in text
    assert f"{THIN}mi" in text


def test_a_sentence_keeps_what_is_no_quantity_and_gets_no_finer():
    shown = ShownUnits(distance="mi", pressure="psi", temperature="°F")
    assert shown.sentence("4 % below healthy (3 to 5) in 2026") == (
        "4 % below healthy (3 to 5) in 2026"
    )
    assert shown.sentence("from 60 to 100 km/h") == "from 37.3 to 62.1 mph"
    assert shown.sentence("at 25 °C") == "at 77 °F"
    assert shown.sentence("odd by ±1.5 kPa") == "odd by ±0.22 psi"
    assert shown.sentence(f"{MINUS}2.0 kPa") == f"{MINUS}0.29 psi"


def test_the_stores_own_units_change_nothing(findings):
    finding = findings["alarm"]()
    assert in_units(finding, SI) is finding


def test_a_users_own_words_are_left_alone(findings, settings, tmp_path):
    finding = findings["alarm"]()
    events = (replace(finding.maintenance[0], note="at 2.5 bar, 100 km after"),)
    path = tmp_path / "report.pdf"
    vehicle = settings("alarm").model_copy(update={"name": "Otter 2.5"})
    write_vehicle_report(replace(finding, maintenance=events), vehicle, path, settings=MERCURY)
    text = "\n".join(pages_of(path))
    assert "Otter 2.5" in text
    assert "at 2.5 bar, 100 km after" in text


def test_one_mark_cannot_stand_for_both():
    with pytest.raises(ValueError, match="could not be told apart"):
        ReportSettings(decimal_mark="comma", thousands_mark="comma")


def test_the_fleet_report_and_single_pictures_are_in_the_readers_units(fleet, findings, tmp_path):
    path = tmp_path / "fleet.pdf"
    write_fleet_report(fleet(4), WorkspaceSettings(report=AMERICAN), path)
    assert PdfReader(path).pages
    finding = findings["eight_indicators"]()
    only = draw_figures(finding, "svg", AMERICAN, only=("standing_pressure",))
    assert set(only) == {"standing_pressure"}
    assert only != draw_figures(finding, "svg", only=("standing_pressure",))
