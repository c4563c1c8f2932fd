"""What verdicts leave behind for the next ones: named parts of bytes per vehicle.

The store knows nothing of what is in them. All of it can be made again from the drives, so a
snapshot and a backup go without.

They lie in a folder beside the store, one file per vehicle, and the store holds each file's digest:
a row that is deleted makes its file void in the same transaction, and a file that a crash or a copy
has parted from its row is read as none at all. In the store itself they would cost ever more: what
duckdb's checkpoint writes anew, and holds in memory meanwhile, is a whole row group, 122 880 rows
however long each is.
"""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING
from urllib.parse import quote

from healthtrack.errors import StoreError
from healthtrack.store.transaction import transaction

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from healthtrack.store.store import Store

_SUFFIX = ".parts"


class KeptParts:
    """The parts of every vehicle."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._connection = store._connection
        self._folder = store.path.with_name(f"{store.path.stem}.kept")

    def read(self, vehicle: str) -> dict[str, bytes]:
        """Return a vehicle's parts by name; none at all where the file is not as it was written."""
        return self.read_several([vehicle])[vehicle]

    def read_several(self, vehicles: Sequence[str]) -> dict[str, dict[str, bytes]]:
        """Return the parts of vehicles, as :meth:`read` those of one."""
        rows = self._connection.execute(
            "SELECT vehicle, digest FROM kept WHERE vehicle IN (SELECT unnest(?::VARCHAR[]))",
            [list(vehicles)],
        ).fetchall()
        digests = dict(rows)
        return {
            name: self._read(name, digests[name]) if name in digests else {} for name in vehicles
        }

    def write(self, vehicle: str, parts: Mapping[str, bytes]) -> None:
        """Keep these parts, all or none, in the place of the vehicle's earlier ones.

        A snapshot keeps none.

        Raises
        ------
        StoreError
            The file cannot be written; what was kept before is then gone, or as it was.
        """
        if self._store.read_only:
            return
        content = _joined(parts)
        self._put(self._file(vehicle), content)
        with transaction(self._connection):
            self._connection.execute(
                "INSERT OR REPLACE INTO kept VALUES (?, ?)", [vehicle, _digest(content)]
            )

    def tidy(self) -> int:
        """Delete the files of vehicles of which nothing is kept any more; return how many."""
        rows = self._connection.execute("SELECT vehicle FROM kept").fetchall()
        known = {self._file(vehicle).name for (vehicle,) in rows}
        void = [path for path in self._folder.glob("*") if path.name not in known]
        for path in void:
            path.unlink(missing_ok=True)
        return len(void)

    def _read(self, vehicle: str, digest: str) -> dict[str, bytes]:
        try:
            content = self._file(vehicle).read_bytes()
        except OSError:
            return {}
        return _parted(content) if _digest(content) == digest else {}

    def _put(self, path: Path, content: bytes) -> None:
        # not brought to the disk as by `placing.place`: a file that is torn is told by its digest
        part = path.with_name(f".{path.name}.part")
        try:
            self._folder.mkdir(exist_ok=True)
            part.write_bytes(content)
            part.replace(path)
        except OSError as error:
            raise StoreError(
                f"{path} cannot be written: {error.strerror}. Look to the disk's space and rights; "
                f"{self._folder.name} may be deleted at any time, the next verdicts then take "
                "longer."
            ) from None

    def _file(self, vehicle: str) -> Path:
        return self._folder / f"{quote(vehicle, safe='')}{_SUFFIX}"


def _joined(parts: Mapping[str, bytes]) -> bytes:
    """Return parts as one: a line that names each with its length, then their bytes."""
    names = sorted(parts)
    lengths = json.dumps([[name, len(parts[name])] for name in names], separators=(",", ":"))
    return b"".join([lengths.encode(), b"\n", *(parts[name] for name in names)])


def _parted(content: bytes) -> dict[str, bytes]:
    line, _, rest = content.partition(b"\n")
    parts, start = {}, 0
    for name, length in json.loads(line):
        parts[name] = rest[start : start + length]
        start += length
    return parts


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()
