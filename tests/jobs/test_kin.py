"""Who lends to whom: vehicles with the very same words as their kind, and nobody else."""

from __future__ import annotations

from concurrent.futures import Executor, Future
from datetime import date
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from healthtrack import chain
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.errors import StoreError
from healthtrack.jobs.kin import MOST_SISTERS, Kin
from healthtrack.jobs.recalling import Recalled
from healthtrack.records import VehicleFinding, VehicleHistory

DAY = date(2025, 1, 1)


def bare(name: str, logs: int = 0) -> VehicleHistory:
    return VehicleHistory(name, pl.DataFrame(), pl.DataFrame(), logs_stored=logs)


@pytest.fixture
def asked(monkeypatch):
    """Return the vehicles whose histories were read, in order; each lends its own name."""
    names: list[str] = []

    def looked_up(vehicles):
        names.extend(vehicles)
        return ((name, Recalled(bare(name))) for name in vehicles)

    monkeypatch.setattr(chain, "lent", lambda history, *_: (history.vehicle,))
    lookup = SimpleNamespace(recalled=looked_up, whole=looked_up)
    monkeypatch.setattr("healthtrack.jobs.kin.Lookup", lambda *_: lookup)
    return names


def kin(asked: list[str], executor: Executor | None = None, **kinds: str) -> Kin:
    vehicles = {name: VehicleSettings(kind=kind) for name, kind in kinds.items()}
    workspace = SimpleNamespace(settings=WorkspaceSettings(vehicles=vehicles))

    return Kin(workspace, None, DAY, executor)


def test_vehicles_of_one_kind_lend_to_each_other_and_are_read_once(asked):
    fleet = kin(asked, a="van", b="van", c="truck", d="van")
    assert fleet.of("a") == ("b", "d")
    assert fleet.of("b") == ("a", "d")
    assert fleet.of("c") == ()
    assert sorted(asked) == ["a", "b", "d"]


def test_vehicles_without_a_kind_stand_alone_and_nothing_is_read(asked):
    fleet = kin(asked, a="", b="")
    assert fleet.of("a") == ()
    assert asked == []


def test_of_a_large_fleet_only_the_first_lend(asked):
    fleet = kin(asked, **{f"v{place:03d}": "van" for place in range(50)})
    assert len(fleet.of("v049")) == MOST_SISTERS
    assert fleet.of("v000") == tuple(f"v{place:03d}" for place in range(1, MOST_SISTERS + 1))


def test_a_sister_that_fails_lends_nothing_and_the_log_names_it(asked, monkeypatch, caplog):
    def lent(history, *_):
        if history.vehicle == "b":
            raise ZeroDivisionError("a fault of ours")
        return (history.vehicle,)

    monkeypatch.setattr(chain, "lent", lent)
    fleet = kin(asked, a="van", b="van", c="van")
    assert fleet.of("a") == ("c",)
    assert fleet.of("c") == ("a",)
    (told,) = caplog.records
    assert told.vehicle == "b"
    assert "a fault of ours" in told.getMessage()
    assert sorted(asked) == ["a", "b", "c"]


def test_what_is_lent_is_learned_where_the_verdicts_are_given(asked):
    class Elsewhere(Executor):
        def __init__(self):
            self.done = []

        def submit(self, function, /, *tasks):
            self.done += [task.history.vehicle for task in tasks]
            future = Future()
            future.set_result(function(*tasks))
            return future

    executor = Elsewhere()
    fleet = kin(asked, a="van", b="van", c="van", executor=executor)
    assert fleet.of("a") == ("b", "c")
    assert executor.done == ["b", "c"]


def test_damaged_parts_of_a_sister_are_learned_from_its_whole_history(asked, monkeypatch):
    lookup = SimpleNamespace(
        recalled=lambda names: [
            (name, Recalled(bare(name, 1), {"head": b"rubbish"})) for name in names
        ],
        whole=lambda names: [(name, Recalled(bare(name, 99))) for name in names],
    )
    monkeypatch.setattr("healthtrack.jobs.kin.Lookup", lambda *_: lookup)
    monkeypatch.setattr(chain, "lent", lambda history, *_: (history.vehicle, history.logs_stored))
    assert kin(asked, a="van", b="van").of("a") == ("b", 99)


def test_what_is_lent_comes_back_from_the_disk_as_it_was(asked, monkeypatch):
    monkeypatch.setattr("healthtrack.jobs.kin.IN_MEMORY", 10)
    fleet = kin(asked, **{name * 9: "van" for name in "abcd"})
    for _ in range(2):
        assert fleet.of("a" * 9) == ("b" * 9, "c" * 9, "d" * 9)
        assert fleet.of("c" * 9) == ("a" * 9, "b" * 9, "d" * 9)


@pytest.fixture
def heard(asked, monkeypatch):
    """Return who was held beside whom; vehicle ``b`` can not be followed."""
    beside: list[tuple[tuple[str, ...], tuple[str, ...]]] = []

    def neighbours(history, request, kept):
        assert request.sisters == tuple(name for name in "abcd" if name != history.vehicle)
        if history.vehicle == "b":
            raise ZeroDivisionError("a fault of ours")
        return (history.vehicle,)

    def noted(finding, mine, others):
        beside.append((mine, others))
        return finding

    monkeypatch.setattr(chain, "neighbours", neighbours)
    monkeypatch.setattr(chain, "beside_others", noted)
    return beside


def finding(vehicle: str, state: str) -> VehicleFinding:
    return VehicleFinding(vehicle, DAY, state, "", None, 0, None)


def test_of_a_vehicle_at_alert_all_of_its_kind_are_followed_once(asked, heard, caplog):
    fleet = kin(asked, a="van", b="van", c="van", d="van")
    for vehicle in ("a", "c"):
        assert fleet.beside(finding(vehicle, "alert")) == finding(vehicle, "alert")
    assert heard == [(("a",), ("c", "d")), (("c",), ("a", "d"))]
    (told,) = caplog.records
    assert told.vehicle == "b"
    assert "is not heard" in told.getMessage()
    # each is looked up for what it lends, and for its drives
    assert sorted(asked) == sorted("abcd" * 2)


def test_an_alert_stands_whatever_fails_of_what_others_did(asked, heard, monkeypatch, caplog):
    monkeypatch.setattr(chain, "beside_others", failing(np.linalg.LinAlgError("a fault of ours")))
    alert = finding("a", "alert")
    assert kin(asked, a="van", b="van", c="van", d="van").beside(alert) is alert
    assert "others are not heard" in caplog.records[-1].getMessage()
    monkeypatch.setattr(chain, "beside_others", failing(StoreError("no disk")))
    with pytest.raises(StoreError):
        kin(asked, a="van", b="van", c="van", d="van").beside(alert)


def failing(error: Exception):
    def fails(*_):
        raise error

    return fails


def test_of_a_sound_vehicle_and_of_one_without_a_kind_nobody_is_asked(asked, heard):
    fleet = kin(asked, a="van", b="van", c="")
    for quiet in (finding("a", "normal"), finding("a", "learning"), finding("c", "alarm")):
        assert fleet.beside(quiet) is quiet
    assert heard == []
    assert asked == []
