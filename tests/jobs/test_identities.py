"""A log in the wrong vehicle's folder waits in quarantine, with the vehicle it would fit."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from healthtrack.config import VehicleSettings
from healthtrack.errors import LogError
from healthtrack.jobs.identities import Identities
from healthtrack.store import Store
from healthtrack.store.columns import insert, insert_rows


def windows(top, count, seed, a_drive=10):
    rng = np.random.default_rng(seed)
    engine = rng.uniform(1100, 3000, count)
    road = engine / 1000 * top * rng.choice([0.45, 0.7, 1.0], count)
    drive = [f"{seed}-{k // a_drive}" for k in range(count)]
    return pl.DataFrame({"drive": drive, "engine_speed": engine, "vehicle_speed": road})


@dataclass
class Known:
    """Stands in for the store: what it would give for recent_windows."""

    frames: dict[str, pl.DataFrame]
    asked: int = 0

    def recent_windows(self, vehicle, most):
        self.asked += 1
        return self.frames.get(vehicle, pl.DataFrame()).head(most)


@pytest.fixture
def known():
    return Known({"otter": windows(40.0, 400, 1), "stoat": windows(47.0, 400, 2)})


VEHICLES = {"otter": VehicleSettings(), "stoat": VehicleSettings(), "hare": VehicleSettings()}


def test_a_log_in_the_right_folder_passes_and_the_store_is_asked_once(known):
    identities = Identities(known, VEHICLES)
    for seed in range(30):
        identities.check("otter", windows(40.0, 30, seed), "a.csv")
    assert known.asked == 1


def test_a_log_in_the_wrong_folder_is_refused_with_the_right_one(known):
    with pytest.raises(LogError, match="It would fit stoat") as caught:
        Identities(known, VEHICLES).check("otter", windows(47.0, 30, 9), "inbox/otter/a.csv")
    assert caught.value.reason == "wrong_vehicle"
    assert "inbox/otter/a.csv" in caught.value.message
    assert "gearing_check = false" in caught.value.message


def test_a_vehicle_that_is_hardly_known_takes_what_comes_and_is_looked_up_again(known):
    identities = Identities(known, VEHICLES)
    for seed in range(21):
        identities.check("hare", windows(33.0, 30, seed), "a.csv")
    assert known.asked == 2


def test_eight_drives_in_town_do_not_refuse_the_first_on_the_motorway():
    town = windows(40.0, 400, 1, a_drive=50)
    Identities(Known({"otter": town}), VEHICLES).check("otter", windows(60.0, 30, 3), "a.csv")
    enough = windows(40.0, 400, 1, a_drive=20)
    with pytest.raises(LogError):
        Identities(Known({"otter": enough}), VEHICLES).check("otter", windows(60.0, 30, 3), "a")


def test_the_check_can_be_switched_off(known):
    vehicles = {**VEHICLES, "otter": VehicleSettings(gearing_check=False)}
    Identities(known, vehicles).check("otter", windows(47.0, 30, 9), "a.csv")
    assert known.asked == 0


def test_of_the_first_logs_of_a_vehicle_the_stranger_waits_with_the_vehicle_it_would_fit(known):
    first = [(f"{seed}.csv", windows(41.0, 60, seed)) for seed in range(5)]
    first.insert(2, ("x.csv", windows(47.0, 60, 9)))
    identities = Identities(known, VEHICLES)
    assert identities.knows("otter")
    assert not identities.knows("hare")
    wrong = identities.strangers("hare", first)
    assert set(wrong) == {2}
    assert wrong[2].reason == "wrong_vehicle"
    assert "It would fit stoat" in wrong[2].message
    assert "gearing_check = false" in wrong[2].message


def test_a_vehicle_whose_check_is_switched_off_needs_no_knowing(known):
    vehicles = {**VEHICLES, "hare": VehicleSettings(gearing_check=False)}
    assert Identities(known, vehicles).knows("hare")


def test_a_vehicle_is_not_looked_up_before_it_can_have_enough_drives(known):
    identities = Identities(known, VEHICLES, {"otter": 3})
    first = [("a.csv", windows(40.0, 80, 5)), ("b.csv", windows(40.0, 80, 6))]  # 8 drives each
    assert not identities.knows("otter")
    identities.strangers("otter", first[:1])
    assert not identities.knows("otter")
    assert known.asked == 0
    identities.strangers("otter", [*first, ("c.csv", windows(40.0, 10, 7))])
    assert identities.knows("otter")
    assert known.asked == 1


def test_a_vehicle_with_enough_drives_is_looked_up_at_once(known):
    assert Identities(known, VEHICLES, {"otter": 20}).knows("otter")


def test_a_vehicle_of_long_drives_is_known_by_its_last_twenty_too(tmp_path):
    with Store.open(tmp_path / "s.duckdb") as store:
        for number in range(25):  # 300 windows each: the latest 2 000 are of seven of them
            found = windows(60.0, 300, 4).with_columns(
                drive=pl.lit(f"otter/{number:02}"),
                t=pl.lit(datetime(2025, 1, 1 + number, tzinfo=UTC))
                + pl.duration(seconds=6 * pl.int_range(300)),
                seconds=6.0,
                region=pl.lit("part_load"),
            )
            insert(store._connection, "window", found)
            start, end = found["t"][0], found["t"][-1]
            insert_rows(
                store._connection,
                "drive",
                [(f"otter/{number:02}", "otter", f"{number:064}", start, end, None, None)],
            )
        latest = store.recent_windows("otter", 2_000)
        assert latest["drive"].n_unique() == 20
        assert latest.height == 2_000
        assert latest.equals(store.recent_windows("otter", 2_000))
        identities = Identities(store, VEHICLES)
        identities.check("otter", windows(60.0, 30, 3), "own.csv")
        with pytest.raises(LogError) as refused:
            identities.check("otter", windows(47.0, 30, 9), "strange.csv")
    assert refused.value.reason == "wrong_vehicle"
