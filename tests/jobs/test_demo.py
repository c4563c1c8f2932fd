"""The truth is read row by row, and a verdict agrees only where state and cause do."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from healthtrack.errors import SettingsError
from healthtrack.jobs.demo import compare, read_truth
from healthtrack.records import CauseFinding, VehicleFinding

TABLE = """\
vehicle,state_at_end,cause,until,words
otter,normal,airflow_sensor_reads_low,2024-06-24,replaced
otter,normal,none,,sound since
badger,alert|alarm,charge_air_leak,,a hose slipped
"""
FINDING = VehicleFinding("badger", date(2025, 9, 1), "alert", "", None, 100, None)


@pytest.fixture
def truth(tmp_path):
    path = tmp_path / "truth.csv"
    path.write_text(TABLE)
    return read_truth(path)


def test_a_fault_that_was_repaired_is_no_cause_any_more(truth):
    assert truth["otter"].causes == ()
    assert truth["otter"].words == "replaced; sound since"
    assert truth["badger"].causes == ("charge_air_leak",)
    assert truth["badger"].states == ("alert", "alarm")


@pytest.mark.parametrize(
    ("state", "causes", "agrees"),
    [
        ("alert", (), True),
        ("alarm", (CauseFinding("charge_air_leak", 0.8), CauseFinding("none", 0.1)), True),
        (
            "alert",
            (CauseFinding("turbocharger_weak", 0.7), CauseFinding("charge_air_leak", 0.2)),
            False,
        ),
        ("normal", (), False),
        ("learning", (), False),
    ],
)
def test_a_verdict_agrees_only_where_state_and_likeliest_cause_do(truth, state, causes, agrees):
    (comparison,) = compare([replace(FINDING, state=state, causes=causes)], truth)
    assert comparison.agrees is agrees


@pytest.mark.parametrize("text", ["", "vehicle,cause\na,b\n"])
def test_a_table_without_its_columns_is_refused(tmp_path, text):
    path = tmp_path / "truth.csv"
    path.write_text(text)
    with pytest.raises(SettingsError, match="state_at_end"):
        read_truth(path)
