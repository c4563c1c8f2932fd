"""What sensors say of each other at standstill reaches the finding and the report."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from pypdf import PdfReader

from healthtrack.chain import assess
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.operating import empty_windows
from healthtrack.records import VehicleHistory
from healthtrack.report import write_vehicle_report

START = datetime(2024, 3, 1, 7, 0, tzinfo=UTC)
VEHICLE = VehicleSettings(displacement_l=2.0)


@pytest.fixture
def history():
    """Return twelve mornings on which the intake sensor reads 6 K over the cold coolant."""
    days = [START + timedelta(days=day) for day in range(12)]
    names = [f"otter/{day:%Y-%m-%dT%H:%M:%S}" for day in days]
    drives = pl.DataFrame(
        {
            "drive": names,
            "vehicle": ["otter"] * 12,
            "log": ["x"] * 12,
            "started": days,
            "ended": [day + timedelta(hours=1) for day in days],
            "odometer_km": [1000.0 + n for n in range(12)],
            "distance_km": [30.0] * 12,
        },
        schema_overrides={
            "started": pl.Datetime("us", "UTC"),
            "ended": pl.Datetime("us", "UTC"),
        },
    )
    standstills = pl.concat(
        [
            empty_windows(),
            pl.DataFrame(
                {
                    "drive": names,
                    "t": days,
                    "region": ["key_on"] * 12,
                    "coolant_temperature": [5.0 + n for n in range(12)],
                    "intake_temperature": [11.0 + n for n in range(12)],
                }
            ).cast({"t": pl.Datetime("us", "UTC")}),
        ],
        how="diagonal",
    )
    return VehicleHistory("otter", drives, empty_windows(), standstills=standstills)


def test_a_sensor_that_differs_after_cold_soaks_is_told_as_of_the_day_it_was_known(history):
    told = assess(history, VEHICLE, WorkspaceSettings(), date(2024, 3, 31)).sensors
    # the first morning has no soak before it
    (sentence,) = told
    assert sentence.startswith("After 11 cold soaks the intake temperature sensor differs from")
    assert "+6.0 K" in sentence
    assert assess(history, VEHICLE, WorkspaceSettings(), date(2024, 3, 4)).sensors == ()


@pytest.mark.slow
def test_the_report_tells_it_too(history, tmp_path):
    finding = assess(history, VEHICLE, WorkspaceSettings(), date(2024, 3, 31))
    path = tmp_path / "report.pdf"
    write_vehicle_report(finding, VEHICLE, path)
    text = " ".join(" ".join(page.extract_text() for page in PdfReader(path).pages).split())
    assert "Sensors compared while nothing moved" in text
    assert "the intake temperature sensor differs" in text
