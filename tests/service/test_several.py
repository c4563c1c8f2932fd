"""Several vehicles are assessed side by side; each is watched as soon as its verdict is there."""

from __future__ import annotations

from datetime import date

import pytest

from healthtrack.service.work import Several
from tests.service.conftest import SETTINGS, Garage
from tests.service_stand_ins import StandIn

THREE = SETTINGS + "[vehicles.badger]\n"


class SideBySide(StandIn):
    """A stand-in that gives verdicts together, in its own order, and leaves out what fails."""

    def __init__(self):
        super().__init__()
        self.together = []

    def assess_several(self, bench, vehicles, as_of, failed):
        self.together.append(tuple(vehicles))
        for vehicle in reversed(vehicles):
            if vehicle in self.broken:
                failed(vehicle, "a worker died")
                continue
            yield self.assess(bench.workspace, bench.store, vehicle, as_of, bench.now)


@pytest.fixture
def garage(tmp_path, monkeypatch):
    monkeypatch.setattr("tests.service.conftest.StandIn", SideBySide)
    return Garage(tmp_path / "garage", THREE)


def _runs(garage):
    with garage.store() as store:
        return store._connection.execute(
            "SELECT state, message FROM service_run WHERE job = 'assess' ORDER BY started"
        ).fetchall()


def test_the_nightly_verdicts_are_asked_for_together_and_alerts_go_out_all_the_same(garage):
    assert isinstance(garage.chain, Several)
    garage.chain.raised = {"stoat": (date(2026, 2, 1), "alert")}
    garage.run(24)
    assert ("otter", "stoat", "badger") in garage.chain.together
    assert [state for state, _ in _runs(garage)] == ["done"]
    assert any("Stoat" in one or "stoat" in one for one in garage.subjects("owner@garage.example"))


def test_a_vehicle_that_fails_there_is_named_and_the_others_are_watched(garage):
    garage.chain.broken = {"stoat"}
    garage.run(24)
    state, message = _runs(garage)[0]
    assert state == "failed"
    assert "stoat: a worker died" in message
    assert {vehicle for vehicle, _ in garage.chain.assessed} == {"otter", "badger"}


def test_told_to_stop_the_rest_is_left_for_the_next_start(garage):
    given = garage.chain.assess

    def stop_after_the_first(*asked):
        garage.stop = True
        return given(*asked)

    garage.chain.assess = stop_after_the_first
    garage.run(24)
    assert [state for state, _ in _runs(garage)] == ["interrupted"]
