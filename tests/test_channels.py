from __future__ import annotations

import pytest

from healthtrack import units
from healthtrack.channels import CHANNELS


def test_every_channel_has_a_range_a_meaning_and_a_known_unit():
    for name, channel in CHANNELS.items():
        assert channel.name == name
        assert channel.low < channel.high
        assert channel.meaning
        assert channel.longest_gap > 0
        assert units.find(channel.unit) is not None


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # what cannot be: absolute zero, vacuum, a map sensor's 655.35 g/s overflow is still inside
        ("intake_temperature", -273.15),
        ("manifold_pressure", 0.0),
        ("ambient_pressure", 0.0),
        ("engine_speed", 16_383.75),  # SAE J1979 parameter 0C, both bytes 255
        ("coolant_temperature", 215.0),  # parameter 05, byte 255: no reading
        ("manifold_pressure", 1013.25),  # hPa taken for kPa
    ],
)
def test_a_value_that_cannot_be_true_is_outside_its_range(name, value):
    channel = CHANNELS[name]
    assert not channel.low <= value <= channel.high


@pytest.mark.parametrize(
    ("name", "value"),
    [
        # ISO 2533: 540.2 hPa at 5000 m, 1013.25 hPa at sea level
        ("ambient_pressure", 54.02),
        ("ambient_pressure", 101.325),
        # found in the open logs
        ("manifold_pressure", 242.0),
        ("airflow", 129.0),
        ("engine_speed", 3800.0),
    ],
)
def test_a_value_that_was_measured_is_inside_its_range(name, value):
    channel = CHANNELS[name]
    assert channel.low <= value <= channel.high
