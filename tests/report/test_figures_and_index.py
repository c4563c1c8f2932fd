"""Pictures for a mail, and the index of all reports."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import date

from pypdf import PdfWriter

from healthtrack.report import draw_figures, write_index, write_vehicle_report
from healthtrack.report.index import find_reports


def test_every_indicator_with_a_trend_has_a_picture_and_the_table_comes_first(findings):
    pictures = draw_figures(findings["missing_trend"]())
    assert list(pictures) == ["indicators", "airflow"]
    assert all(content.startswith(b"\x89PNG") for content in pictures.values())


def test_pictures_as_lines_hold_no_date_and_need_no_typeface(findings):
    finding = findings["single_drive"]()
    pictures = draw_figures(finding, "svg")
    assert pictures == draw_figures(finding, "svg")
    for content in pictures.values():
        root = ET.fromstring(content)
        assert root.tag.endswith("svg")
        assert b"<dc:date>" not in content
        assert not any(element.tag.endswith("}text") for element in root.iter())


def test_what_has_nothing_to_draw_has_no_picture(findings):
    assert draw_figures(findings["no_data"]()) == {}


def test_the_index_lists_every_report_the_worst_vehicle_first(findings, settings, tmp_path):
    quiet = replace(findings["no_data"](), reason="nothing <b>has</b> come")
    for vehicle, state, day in (
        ("heron", "no_data", date(2026, 3, 31)),
        ("zebu", "alarm", date(2025, 12, 31)),
        ("zebu", "alarm", date(2026, 3, 31)),
    ):
        finding = replace(quiet, vehicle=vehicle, state=state, as_of=day)
        path = tmp_path / vehicle / f"{vehicle}_{day}_condition-report.pdf"
        write_vehicle_report(finding, replace_name(settings("no_data"), vehicle), path)
    PdfWriter().write(tmp_path / "of-someone-else.pdf")
    (tmp_path / "broken.pdf").write_bytes(b"%PDF-1.4 half of")
    entries = find_reports(tmp_path)
    assert [(entry.vehicle, entry.as_of.year) for entry in entries] == [
        ("heron", 2026),
        ("zebu", 2026),
        ("zebu", 2025),
    ]
    page = write_index(tmp_path).read_text(encoding="utf-8")
    assert re.findall(r"<h2>(.*?)</h2>", page) == ["Zebu", "Heron"]
    links = re.findall(r'href="(.*?)"', page)
    assert links[0] == "zebu/zebu_2026-03-31_condition-report.pdf"
    assert all((tmp_path / link).is_file() for link in links)
    assert "<b>has</b>" not in page
    assert "&lt;b&gt;has&lt;/b&gt;" in page


def replace_name(vehicle, name):
    return vehicle.model_copy(update={"name": name.capitalize()})
