"""The only home of duckdb: schema, migrations, queries."""

from healthtrack.store.backup import backups, restore_backup, surplus_backups, write_backup
from healthtrack.store.entries import LogEntry, NewLog, StoredFinding
from healthtrack.store.episodes import Episode, Episodes
from healthtrack.store.kept import KeptParts
from healthtrack.store.ledger import JobRecord, Ledger, Run
from healthtrack.store.opening import put_log_aside
from healthtrack.store.outbox import Delivery, Outbox, OutboxLetter, Settled
from healthtrack.store.samples import DriveSamples, SampleFolder, SamplesOfDrive
from healthtrack.store.samples_moving import (
    compact_samples,
    let_old_samples_go,
    misplaced_drives,
    move_samples,
    remove_orphans,
)
from healthtrack.store.snapshot import open_snapshot, publish_snapshot, snapshot_path
from healthtrack.store.store import Store

__all__ = [
    "Delivery",
    "DriveSamples",
    "Episode",
    "Episodes",
    "JobRecord",
    "KeptParts",
    "Ledger",
    "LogEntry",
    "NewLog",
    "Outbox",
    "OutboxLetter",
    "Run",
    "SampleFolder",
    "SamplesOfDrive",
    "Settled",
    "Store",
    "StoredFinding",
    "backups",
    "compact_samples",
    "let_old_samples_go",
    "misplaced_drives",
    "move_samples",
    "open_snapshot",
    "publish_snapshot",
    "put_log_aside",
    "remove_orphans",
    "restore_backup",
    "snapshot_path",
    "surplus_backups",
    "write_backup",
]
