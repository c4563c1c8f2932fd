"""Trust nothing: each check finds what was planted, and nothing in a sound log."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.errors import LogError
from healthtrack.ingest import checks, relations, swapped


@pytest.fixture
def drive():
    """A sound drive of ten minutes at two rows a second, with noise where sensors have it."""
    rng = np.random.default_rng(20240301)
    n = 1200
    at = np.arange(n) * 0.5
    speed = 1700 + 600 * np.sin(at / 11) + rng.normal(0, 8, n)
    pressure = np.round(150 + 45 * np.sin(at / 11 + 0.2) + rng.normal(0, 0.7, n))
    temperature = np.round(28 + 4 * np.sin(at / 300))
    density = pressure * 1000 / (287.05 * (temperature + 273.15))
    breathing = 0.86 + 0.05 * np.sin(speed / 300) + rng.normal(0, 0.02, n)
    return {
        "seconds": at,
        "engine_speed": speed,
        "vehicle_speed": 70 + 25 * np.sin(at / 11) + rng.normal(0, 0.3, n),
        "airflow": breathing * 2.0 * speed / 120 * density,
        "manifold_pressure": pressure,
        "ambient_pressure": np.full(n, 97.0),
        "intake_temperature": temperature,
        "coolant_temperature": np.round(88 + np.sin(at / 60)),
        "odometer": np.round(214_300 + at / 60, 1),
    }


UNITS = {
    "engine_speed": "rpm", "vehicle_speed": "km/h", "airflow": "g/s", "manifold_pressure": "kPa",
    "ambient_pressure": "kPa", "intake_temperature": "°C", "coolant_temperature": "°C",
    "odometer": "km",
}  # fmt: skip


@pytest.fixture
def read_drive(read):
    def run(drive, units=UNITS, vehicle=None):
        vehicle = vehicle or VehicleSettings(displacement_l=2.0)
        names = list(units)
        lines = [",".join(["time", *(f"{name} [{unit}]" for name, unit in units.items())])]
        for row, second in enumerate(drive["seconds"]):
            stamp = np.datetime64("2024-03-01T06:00:00", "ms") + int(second * 1000)
            cells = [f"{drive[name][row]:.3f}" for name in names]
            lines.append(",".join([f"{stamp}Z", *cells]))
        return read("\n".join(lines) + "\n", vehicle=vehicle)

    return run


def losses(log):
    return {(loss.reason, loss.channel): loss.count for loss in log.losses}


def refused(read_drive, drive, **more):
    with pytest.raises(LogError) as caught:
        read_drive(drive, **more)
    return caught.value.reason, caught.value.message


def test_nothing_is_found_in_a_sound_drive(read_drive, drive):
    log = read_drive(drive)
    assert log.losses == ()
    assert log.notes == ()
    assert log.samples.height == 1200


def test_a_pressure_at_the_end_of_one_byte_is_saturated(read_drive, drive):
    drive["manifold_pressure"][100:109] = 255.0
    log = read_drive(drive)
    assert losses(log) == {("saturated", "manifold_pressure"): 9}
    drive["manifold_pressure"][:] = np.minimum(drive["manifold_pressure"], 254.0)
    drive["manifold_pressure"][100] = 255.0  # a single one may be true
    assert losses(read_drive(drive)) == {}


def test_a_temperature_of_minus_forty_is_no_reading_unless_it_is_that_cold(read_drive, drive):
    drive["intake_temperature"][[5, 6, 700]] = -40.0
    log = read_drive(drive)
    assert losses(log) == {("sentinel", "intake_temperature"): 3}
    arctic = np.linspace(-40, -35, 200)
    arctic[:3] = -40.0
    assert (
        checks.ends_of_scale("ambient_temperature", {"ambient_temperature": arctic}, arctic)[1]
        is None
    )


@pytest.mark.parametrize(
    ("name", "jump"),
    [
        ("engine_speed", 3500.0),
        ("vehicle_speed", 60.0),
        ("coolant_temperature", 30.0),
        ("intake_temperature", -35.0),
        ("ambient_pressure", -9.0),
    ],
)
def test_a_single_reading_far_off_its_neighbours_is_a_spike(read_drive, drive, name, jump):
    drive[name][[200, 640]] += jump
    log = read_drive(drive)
    assert losses(log) == {("spike", name): 2}
    assert log.samples[name].null_count() == 2
    assert log.samples[name][200] is None


def test_a_step_is_no_spike():
    seconds = np.arange(40) * 0.5
    values = np.where(seconds < 10, 20.0, 60.0)
    assert not checks.spikes(values, seconds, 12.0).any()


def test_a_spike_across_a_gap_is_not_judged():
    seconds = np.arange(40) * 5.0
    values = np.full(40, 20.0)
    values[20] = 60.0
    assert not checks.spikes(values, seconds, 12.0).any()


@pytest.mark.parametrize(
    ("name", "rows"), [("airflow", 100), ("manifold_pressure", 300), ("engine_speed", 80)]
)
def test_a_channel_that_rests_while_its_cause_moves_is_stuck(read_drive, drive, name, rows):
    drive[name][400 : 400 + rows] = drive[name][400]
    log = read_drive(drive)
    assert losses(log) == {("stuck", name): rows}


def test_an_engine_that_stands_is_not_stuck(read_drive, drive):
    drive["engine_speed"][400:600] = 0.0
    drive["airflow"][400:600] = 0.0
    drive["vehicle_speed"][400:600] = 0.0
    drive["manifold_pressure"][400:600] = 97.0
    assert losses(read_drive(drive)) == {}


def test_an_odometer_that_goes_backwards_is_refused_reading_by_reading(read_drive, drive):
    drive["odometer"][600] = 214_290.0
    drive["odometer"][800] = 299_999.0
    log = read_drive(drive)
    assert losses(log) == {("spike", "odometer"): 2}
    drive["odometer"][600:610] = 214_290.0  # no spike: it stays there for a while
    log = read_drive(drive)
    assert losses(log) == {("spike", "odometer"): 1, ("odometer_backwards", "odometer"): 10}
    assert log.notes == ("the odometer goes back at 06:05:00 UTC: 214305, 214290, 214290 km",)
    assert log.drives["odometer_km"].item() == pytest.approx(drive["odometer"][-1])


def test_the_possible_part_of_a_burst_goes_with_it(read_drive, drive):
    burst = np.concatenate([np.linspace(30, 150, 20), np.linspace(150, 30, 20)])
    drive["intake_temperature"][600:640] = burst
    log = read_drive(drive)
    found = losses(log)
    impossible = int((burst > 90).sum())
    assert found[("out_of_range", "intake_temperature")] == impossible
    # all that is over 28 + 15 °C and still possible
    assert found[("burst", "intake_temperature")] == int(((burst > 43) & (burst <= 90)).sum())


def test_a_gauge_pressure_that_claims_to_be_absolute_is_refused(read_drive, drive):
    drive["engine_speed"][:20] = 0.0
    drive["airflow"][:20] = 0.0
    drive["manifold_pressure"][:20] = 97.0
    drive["manifold_pressure"] = drive["manifold_pressure"] - 97.0
    reason, message = refused(read_drive, drive)
    assert reason == "gauge_or_absolute"
    assert "reads 0.0 kPa with the engine not turning" in message
    assert "gauge = true" in message


def test_an_absolute_pressure_that_claims_to_be_gauge_is_refused(read_drive, drive):
    drive["engine_speed"][:20] = 0.0
    drive["airflow"][:20] = 0.0
    drive["manifold_pressure"][:20] = 97.0
    reason, message = refused(read_drive, drive, units=UNITS | {"manifold_pressure": "kPa gauge"})
    assert reason == "gauge_or_absolute"
    assert "twice the ambient" in message


def test_an_offset_of_the_pressure_sensor_is_not_refused(read_drive, drive):
    """A sensor that reads 6 kPa high at standstill is a fault to be found, not a bad log."""
    drive["engine_speed"][:20] = 0.0
    drive["airflow"][:20] = 0.0
    drive["manifold_pressure"][:20] = 97.0
    drive["manifold_pressure"] = drive["manifold_pressure"] + 6.0
    assert losses(read_drive(drive)) == {}


def test_swapped_pressures_are_refused(read_drive, drive):
    drive["ambient_pressure"], drive["manifold_pressure"] = (
        np.clip(drive["manifold_pressure"] * 0.6, 55, 109),
        drive["ambient_pressure"],
    )
    reason, message = refused(read_drive, drive, vehicle=VehicleSettings())
    assert reason == "swapped_columns"
    assert "[channels.ambient_pressure]" in message


def test_swapped_temperatures_are_refused(read_drive, drive):
    drive["intake_temperature"], drive["coolant_temperature"] = (
        drive["coolant_temperature"],
        drive["intake_temperature"],
    )
    reason, _ = refused(read_drive, drive)
    assert reason == "swapped_columns"


def swap(drive, first, second, factor=1.0):
    """Let two columns carry each other's header; numbers of the second are ``factor`` larger."""
    drive[first], drive[second] = drive[second] * factor, drive[first] / factor


@pytest.mark.parametrize(
    ("first", "second", "factor"),
    [
        ("vehicle_speed", "intake_temperature", 1.0),
        ("engine_speed", "manifold_pressure", 10.0),  # hPa
        ("vehicle_speed", "airflow", 3.6),  # kg/h
    ],
)
@pytest.mark.parametrize("displacement", [2.0, None])
def test_two_channels_that_carry_each_others_header_are_refused(
    read_drive, drive, first, second, factor, displacement
):
    swap(drive, first, second, factor)
    vehicle = VehicleSettings(displacement_l=displacement)
    reason, message = refused(read_drive, drive, vehicle=vehicle)
    assert reason in {"swapped_columns", "unrelated", "wrong_unit"}
    assert f"[channels.{first}]" in message or f"[channels.{second}]" in message


def test_a_car_that_cruises_may_have_an_intake_that_warms_up(read_drive, drive):
    drive["vehicle_speed"] = 90 + np.sin(drive["seconds"])
    drive["intake_temperature"] = np.round(20 + 30 * drive["seconds"] / 600)
    assert losses(read_drive(drive)) == {}


def test_in_gear_only_the_engine_turns_the_wheels(drive):
    """The fixture's road speed follows sin(t/11), its pressure lags behind by 0.2 rad."""
    start = np.datetime64("2024-03-01T06:00:00", "us")
    moments = start + (drive.pop("seconds") * 1e6).astype("timedelta64[us]")
    frame = pl.DataFrame({"t": moments, **drive})
    engine, pressure = swapped.wander(frame, "vehicle_speed", ("engine_speed", "manifold_pressure"))
    assert engine < 0.01 < 0.02 < pressure


def test_an_airflow_that_follows_nothing_is_refused(read_drive, drive):
    rng = np.random.default_rng(7)
    drive["airflow"] = rng.permutation(drive["airflow"])
    reason, message = refused(read_drive, drive)
    assert reason == "unrelated"
    assert "rank correlation" in message


@pytest.mark.parametrize("factor", [10.0, 0.01])
def test_an_airflow_that_jumps_by_a_power_of_ten_is_refused_with_its_line(
    read_drive, drive, factor
):
    drive["airflow"][800:] *= factor
    reason, message = refused(read_drive, drive)
    assert reason == "unit_jump"
    line = int(message.split("line ")[1].split(" ")[0])
    assert line == pytest.approx(802, abs=10)  # one header line, counted from one


def test_a_pressure_that_jumps_by_a_power_of_ten_is_refused_with_its_line(read_drive, drive):
    drive["manifold_pressure"][900:] *= 10
    reason, message = refused(read_drive, drive)
    assert reason == "unit_jump"
    assert "line 902" in message
    assert "hPa" in message


@pytest.mark.parametrize("with_temperature", [True, False])
def test_an_airflow_that_the_logger_computed_is_no_evidence(read_drive, drive, with_temperature):
    temperature = drive["intake_temperature"] if with_temperature else 20.0
    density = drive["manifold_pressure"] * 1000 / (287.05 * (temperature + 273.15))
    breathing = 0.80 + 0.05 * np.sin(drive["engine_speed"] / 400)
    drive["airflow"] = breathing * 2.0 * drive["engine_speed"] / 120 * density
    log = read_drive(drive)
    assert losses(log) == {("computed", "airflow"): 1200}
    assert log.samples["airflow"].count() == 0
    assert "the logger computed it" in log.notes[0]


@pytest.mark.parametrize(
    ("rise", "place"), [(12.0, "behind_cooler"), (0.0, "ahead_of_compressor"), (4.0, "unknown")]
)
def test_the_place_of_the_intake_sensor_is_told_from_the_data(rise, place):
    rng = np.random.default_rng(3)
    n = 1500
    boost = np.repeat(rng.choice([0.0, 0.5, 1.0], n // 50), 50)
    frame = pl.DataFrame(
        {
            "t": pl.datetime_range(
                pl.datetime(2024, 3, 1), pl.datetime(2024, 3, 1, 0, 24, 59), "1s", eager=True
            ),
            "vehicle_speed": np.full(n, 90.0),
            "manifold_pressure": 110 + 80 * boost,
            "ambient_temperature": np.full(n, 12.0),
            "intake_temperature": 12 + 7 + rise * boost + rng.normal(0, 0.5, n),
        }
    )
    assert relations.sensor_place(frame) == place


@pytest.mark.parametrize("value", [0.0, 12.3])
def test_a_dead_airflow_sensor_does_not_cost_the_log(read_drive, drive, value):
    """It is a fault that the owner must see; the other channels are sound."""
    drive["airflow"][:] = value
    log = read_drive(drive)
    assert losses(log) == {("stuck", "airflow"): 1200}
    assert log.samples["manifold_pressure"].count() == 1200


@pytest.mark.parametrize("gain", [0.7, 0.85, 1.3])
def test_an_airflow_sensor_that_drifts_is_not_refused(read_drive, drive, gain):
    drive["airflow"] *= gain
    assert losses(read_drive(drive)) == {}
