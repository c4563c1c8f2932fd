"""A log whose truth is known, and the ways in which loggers write it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from healthtrack import ingest
from healthtrack.config import VehicleSettings

START = datetime(2024, 3, 1, 6, 12, 30, tzinfo=UTC)
CHANNELS = {
    "engine_speed": "rpm",
    "vehicle_speed": "km/h",
    "airflow": "g/s",
    "manifold_pressure": "kPa",
    "intake_temperature": "°C",
    "odometer": "km",
}


@dataclass
class Truth:
    """Values per channel in the store's units, and seconds from START."""

    seconds: np.ndarray
    values: dict[str, np.ndarray] = field(default_factory=dict)

    @property
    def moments(self) -> list[datetime]:
        return [START + timedelta(seconds=float(s)) for s in self.seconds]


def make_truth(rows: int = 120, step: float = 0.5) -> Truth:
    """A made-up drive of a 2.0-litre engine that breathes 0.90 of its displacement."""
    at = np.arange(rows) * step
    speed = 1600 + 600 * np.sin(at / 9)
    pressure = 140 + 40 * np.sin(at / 9)
    temperature = np.full(rows, 30.0)
    density = pressure * 1000 / (287.05 * (temperature + 273.15))
    values = {
        "engine_speed": speed,
        "vehicle_speed": 60 + 20 * np.sin(at / 9),
        "airflow": 0.90 * 2.0 * speed / 120 * density,
        "manifold_pressure": pressure,
        "intake_temperature": temperature,
        "odometer": 214_300 + at / 60,
    }
    return Truth(at, values)


@pytest.fixture
def truth() -> Truth:
    return make_truth()


@pytest.fixture
def vehicle() -> VehicleSettings:
    return VehicleSettings(displacement_l=2.0, cylinders=4)


@pytest.fixture
def comma_text():
    """Write a truth as the comma_iso example expects it."""

    def write(truth: Truth, names=tuple(CHANNELS)) -> str:
        lines = [",".join(["time", *(f"{name} [{CHANNELS[name]}]" for name in names)])]
        for row, moment in enumerate(truth.moments):
            stamp = moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
            lines.append(",".join([stamp, *(f"{truth.values[name][row]:.4f}" for name in names)]))
        return "\n".join(lines) + "\n"

    return write


@pytest.fixture(scope="session")
def shipped():
    """The example pipelines, as a list."""
    return list(ingest.load_pipelines(ingest.template_folder()).values())


@pytest.fixture
def read(tmp_path, shipped, vehicle):
    """Write bytes or text to a file and read it as a log of the vehicle `otter`."""

    def run(content, name="log.csv", pipelines=None, vehicle=vehicle):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return ingest.read_log(path, pipelines or shipped, "otter", vehicle)

    return run
