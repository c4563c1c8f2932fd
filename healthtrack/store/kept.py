"""What verdicts leave behind for the next ones: named parts of bytes per vehicle.

The store knows nothing of what is in them. All of it can be made again from the drives, so a
snapshot and a backup go without.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from healthtrack.store.store import Store


class KeptParts:
    """The parts of every vehicle."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._connection = store._connection

    def read(self, vehicle: str) -> dict[str, bytes]:
        """Return a vehicle's parts by name; none at all where one of them is damaged."""
        return self.read_several([vehicle])[vehicle]

    def read_several(self, vehicles: Sequence[str]) -> dict[str, dict[str, bytes]]:
        """Return the parts of vehicles, as :meth:`read` those of one."""
        rows = self._connection.execute(
            "SELECT vehicle, name, digest, content FROM kept WHERE vehicle IN "
            "(SELECT unnest(?::VARCHAR[]))",
            [list(vehicles)],
        ).fetchall()
        damaged = {vehicle for vehicle, _, digest, content in rows if _digest(content) != digest}
        found: dict[str, dict[str, bytes]] = {vehicle: {} for vehicle in vehicles}
        for vehicle, name, _, content in rows:
            if vehicle not in damaged:
                found[vehicle][name] = content
        return found

    def write(self, vehicle: str, parts: Mapping[str, bytes]) -> None:
        """Keep these parts, all or none, in the place of the vehicle's earlier ones.

        Those that are as they were are not written again. A snapshot keeps none.
        """
        if self._store.read_only:
            return
        before = dict(
            self._connection.execute(
                "SELECT name, digest FROM kept WHERE vehicle = ?", [vehicle]
            ).fetchall()
        )
        now = {name: _digest(content) for name, content in parts.items()}
        with transaction(self._connection):
            for name in before.keys() - now.keys():
                self._connection.execute(
                    "DELETE FROM kept WHERE vehicle = ? AND name = ?", [vehicle, name]
                )
            changed = [name for name, digest in now.items() if before.get(name) != digest]
            if changed:  # one statement: each takes as long as all of them
                rows = [(vehicle, name, now[name], parts[name]) for name in changed]
                places = ", ".join(["(?, ?, ?, ?)"] * len(rows))
                self._connection.execute(
                    f"INSERT OR REPLACE INTO kept VALUES {places}",  # noqa: S608 - only marks
                    [value for row in rows for value in row],
                )


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
