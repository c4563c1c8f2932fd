"""Fixtures that every part of the test-suite shares."""

from __future__ import annotations

import math
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

# small matrices gain nothing from several threads, and two processes' threads wait on each other:
# before numpy is loaded, and for the worker processes of the tests
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# statsmodels resets the warning filters when it is first imported: do it before any test does
import statsmodels.api  # noqa: F401

if TYPE_CHECKING:
    from collections.abc import Callable

REPOSITORY = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def repository() -> Path:
    """Return the folder that holds pyproject.toml."""
    return REPOSITORY


@pytest.fixture(scope="session")
def open_logs() -> Path:
    """Return the folder of the 38 open logs, or skip the test where it is absent.

    Marc Weber, Automotive OBD-II Dataset, Karlsruhe Institute of Technology,
    DOI 10.5445/IR/1000085073, CC BY 4.0.
    """
    named = os.environ.get("HEALTHTRACK_OPEN_LOGS")
    folder = Path(named) if named else REPOSITORY.parent / "shared" / "open-logs"
    if not any(folder.glob("2017-*.csv")):
        pytest.skip(f"the open logs are not at {folder}; set HEALTHTRACK_OPEN_LOGS to their folder")
    return folder


def _write_log(
    path: Path,
    started: datetime = datetime(2025, 3, 28, 7, 0, tzinfo=UTC),
    minutes: float = 2.0,
    airflow_factor: float = 1.0,
) -> Path:
    """Write a log of a warm 2.5-litre engine at an easy cruise, one row every half second.

    Airflow is displacement x speed / 2 x density x 0.9 (volumetric efficiency), so that its unit
    can be checked; speed wavers by a little more than a sensor's last digit.
    """
    density = 150e3 / (287.05 * 313.15)
    header = (
        "time,engine speed [rpm],vehicle speed [km/h],airflow [g/s],manifold pressure [kPa],"
        "ambient pressure [kPa],ambient temperature [°C],intake temperature [°C],"
        "coolant temperature [°C],pedal [%],odometer [km]"
    )
    lines = [header]
    for row in range(int(minutes * 120)):
        moment = started + timedelta(seconds=row / 2)
        speed = 2000.0 + 3.0 * math.sin(row) + 1.5 * math.cos(0.37 * row)
        airflow = airflow_factor * 1000 * 0.0025 * speed / 120 * density * 0.9
        pressure = 150.0 + 0.2 * math.sin(0.7 * row)
        stamp = f"{moment:%Y-%m-%dT%H:%M:%S}.{moment.microsecond // 1000:03d}Z"
        lines.append(
            f"{stamp},{speed:.1f},{70 + 0.1 * math.sin(row):.2f},{airflow:.3f},{pressure:.2f},"
            f"95.0,12.0,40.0,88.0,{31 + 0.2 * math.sin(row):.2f},{214300 + row * 0.01:.2f}"
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def write_log() -> Callable[..., Path]:
    """Return the function that writes a small sound log in the layout of comma_iso.toml."""
    return _write_log
