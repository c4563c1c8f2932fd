"""The only reader of the time. Everything else takes the time as an argument."""

from __future__ import annotations

from datetime import UTC, datetime


def now() -> datetime:
    """Return the present moment with time zone UTC."""
    return datetime.now(tz=UTC)  # noqa: TID251 - this is the one place
