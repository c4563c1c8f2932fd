"""Who lends to whom: vehicles with the very same words as their kind, and nobody else."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace

import pytest

from healthtrack import chain
from healthtrack.config import VehicleSettings, WorkspaceSettings
from healthtrack.jobs.kin import MOST_SISTERS, Kin

DAY = date(2025, 1, 1)


@pytest.fixture
def asked(monkeypatch):
    """Return the vehicles whose histories were read, in order; each lends its own name."""
    names: list[str] = []
    monkeypatch.setattr(chain, "lent", lambda history, *_: (history,))
    monkeypatch.setattr(
        "healthtrack.jobs.kin.recalled",
        lambda store, vehicle, _, as_of: (store.history(vehicle, as_of), {}),
    )
    return names


def kin(asked: list[str], **kinds: str) -> Kin:
    vehicles = {name: VehicleSettings(kind=kind) for name, kind in kinds.items()}
    workspace = SimpleNamespace(settings=WorkspaceSettings(vehicles=vehicles))

    def history(vehicle: str, as_of: date) -> str:
        assert as_of == DAY
        asked.append(vehicle)
        return vehicle

    return Kin(workspace, SimpleNamespace(history=history), DAY)


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
