"""Settings as they might be: the workspace's own with a few of them changed."""

from __future__ import annotations

import difflib
import hashlib
import itertools
import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pydantic import ValidationError

from healthtrack import indicators
from healthtrack.config import AlertSettings, BaselineSettings, WorkspaceSettings
from healthtrack.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from healthtrack.config import VehicleSettings
    from healthtrack.config_service import SettingsModel

TABLES: dict[str, type[SettingsModel]] = {"alerts": AlertSettings, "baseline": BaselineSettings}
"""Tables of healthtrack.toml whose settings change what is said."""
LIMIT = "limit."
"""Before an indicator's name: the limit of all vehicles, in the indicator's unit."""


@dataclass(frozen=True, slots=True)
class Variant:
    """One set of settings: its name, and what differs from the workspace's own."""

    name: str
    changes: tuple[tuple[str, float], ...] = ()

    def as_dict(self) -> dict[str, float]:
        """Return what differs."""
        return dict(self.changes)


OWN = Variant("as set")
"""The workspace's own settings."""


def tunable() -> dict[str, str]:
    """Return every setting that can be varied, with its table."""
    names = {name: table for table, model in TABLES.items() for name in model.model_fields}
    return names | {f"{LIMIT}{name}": "vehicles" for name in indicators.ALL}


def parse_vary(words: str) -> tuple[str, tuple[float, ...]]:
    """Read ``NAME=VALUE,VALUE``.

    Raises
    ------
    UsageError
        There is no such setting, or a value is no number.
    """
    name, mark, values = words.partition("=")
    known = tunable()
    if not mark or name not in known:
        near = difflib.get_close_matches(name, known, n=1, cutoff=0.4)
        hint = f" Did you mean {near[0]}?" if near else ""
        raise UsageError(
            f"{words!r} varies no setting.{hint} Write NAME=VALUE,VALUE with one of "
            f"{', '.join(known)}."
        )
    try:
        return name, tuple(float(value) for value in values.split(","))
    except ValueError:
        raise UsageError(f"{words!r}: the values must be numbers, separated by commas.") from None


def variants(vary: Sequence[tuple[str, tuple[float, ...]]], *, grid: bool) -> tuple[Variant, ...]:
    """Return the settings as set, then each value alone or, as a grid, all combinations."""
    found = [OWN]
    if grid:
        names = [name for name, _ in vary]
        found += [
            variant(dict(zip(names, values, strict=True)))
            for values in itertools.product(*(values for _, values in vary))
        ]
    else:
        found += [variant({name: value}) for name, values in vary for value in values]
    return tuple({one.name: one for one in found}.values())


def variant(changes: Mapping[str, float]) -> Variant:
    """Return changes under the name that says what they are."""
    if not changes:
        return OWN
    items = tuple(sorted(changes.items()))
    return Variant(" ".join(f"{name}={value:g}" for name, value in items), items)


def changed(settings: WorkspaceSettings, one: Variant) -> WorkspaceSettings:
    """Return the workspace's settings with a variant's changes.

    Raises
    ------
    UsageError
        They do not go together, or a value is out of bounds.
    """
    known = tunable()
    update: dict[str, Any] = {}
    limits: dict[str, float] = {}
    for name, value in one.changes:
        if name.startswith(LIMIT):
            limits[name.removeprefix(LIMIT)] = value
        else:
            whole = (
                int(value) if TABLES[known[name]].model_fields[name].annotation is int else value
            )
            update.setdefault(known[name], {})[name] = whole
    try:
        tables = {
            table: TABLES[table].model_validate(getattr(settings, table).model_dump() | values)
            for table, values in update.items()
        }
    except ValidationError as error:
        faults = "; ".join(
            f"{'.'.join(str(part) for part in item['loc'])} {item['msg']}"
            for item in error.errors()
        )
        raise UsageError(f"{one.name}: {faults}.") from None
    vehicles = {
        name: vehicle.model_copy(update={"limits": vehicle.limits | limits}) if limits else vehicle
        for name, vehicle in settings.vehicles.items()
    }
    return settings.model_copy(update={**tables, "vehicles": vehicles})


def what_matters(
    settings: WorkspaceSettings, vehicles: Mapping[str, VehicleSettings]
) -> dict[str, Any]:
    """Return the settings that decide what is said, as plain numbers and words."""
    told: dict[str, Any] = {
        table: getattr(settings, table).model_dump(mode="json") for table in TABLES
    }
    told["vehicles"] = {name: one.model_dump(mode="json") for name, one in vehicles.items()}
    return told


def digest(document: object) -> str:
    """Return a short digest of a plain document."""
    text = json.dumps(document, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:16]
