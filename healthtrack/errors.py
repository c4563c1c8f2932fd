"""Everything that healthtrack raises on purpose.

::

    HealthtrackError            something a person must mend; the message says what, where and how
    ├── UsageError              the command was called with words that do not go together
    ├── SettingsError           healthtrack.toml, a pipeline or a maintenance list cannot be used
    ├── LogError                a log cannot be read; it carries the reason code of its quarantine
    ├── MapError                a compressor map cannot be used
    ├── StoreError              the store cannot be opened, migrated or written
    │   ├── StoreLockedError    another process holds the store
    │   └── StoreLogError       the store's write-ahead log is damaged
    ├── ClusterError            the cluster cannot be used, or was lost
    ├── ReportError             a report cannot be drawn or written
    └── MailError               a message cannot be made, or the mail password not be read

Too little data is never an exception: it is a result (see :mod:`healthtrack.records`).
"""

from __future__ import annotations


class HealthtrackError(Exception):
    """Something a person must mend; the message says what, where and how."""


class UsageError(HealthtrackError):
    """The command was called with words that do not go together."""


class SettingsError(HealthtrackError):
    """healthtrack.toml, a pipeline or a maintenance list cannot be used."""


class LogError(HealthtrackError):
    """A log cannot be read; ``reason`` is the code under which it goes into quarantine.

    Parameters
    ----------
    reason : str
        Short stable code, for example ``"empty"`` or ``"wrong_unit"``.
    message : str
        A sentence for a person: what was found, where, what was expected, what to do.
    """

    def __init__(self, reason: str, message: str) -> None:
        super().__init__(message)
        self.reason = reason
        self.message = message

    def __reduce__(self) -> tuple[type[LogError], tuple[str, str]]:
        """Travel between processes whole (worker pools pickle what they raise)."""
        return (type(self), (self.reason, self.message))


class MapError(HealthtrackError):
    """A compressor map cannot be used."""


class StoreError(HealthtrackError):
    """The store cannot be opened, migrated or written."""


class StoreLockedError(StoreError):
    """Another process holds the store."""


class StoreLogError(StoreError):
    """The store's write-ahead log is damaged."""


class ClusterError(HealthtrackError):
    """The cluster cannot be used, or was lost."""


class ReportError(HealthtrackError):
    """A report cannot be drawn or written."""


class MailError(HealthtrackError):
    """A message cannot be made, or the mail password not be read."""
