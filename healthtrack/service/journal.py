"""The service's own log: one JSON object per line, put away when it grows too large."""

from __future__ import annotations

import json
import logging
from datetime import UTC, datetime
from logging.handlers import RotatingFileHandler
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LOGGER = "healthtrack"
_OWN = frozenset(vars(logging.LogRecord("", 0, "", 0, "", None, None))) | {"message", "asctime"}


class JsonLines(logging.Formatter):
    """Each record as one line of JSON: time, level, event, and whatever was given as ``extra``."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the line; a control character cannot break out of it."""
        moment = datetime.fromtimestamp(record.created, tz=UTC)
        document: dict[str, Any] = {
            "time": moment.isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "event": record.getMessage(),
        }
        given = vars(record).items()
        document |= {name: value for name, value in given if name not in _OWN}
        if record.exc_info and record.exc_info[1] is not None:
            document["error"] = repr(record.exc_info[1])
            document["traceback"] = self.formatException(record.exc_info)
        return json.dumps(document, ensure_ascii=False, default=str)


def open_journal(path: Path, size_mb: float, keep: int) -> logging.Handler:
    """Return a handler that writes to a file and keeps so many earlier ones beside it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handler = RotatingFileHandler(
        path, maxBytes=int(size_mb * 1e6), backupCount=keep, encoding="utf-8", delay=True
    )
    handler.setFormatter(JsonLines())
    return handler


def read_journal(path: Path) -> Iterator[dict[str, Any]]:
    """Return the records of a log file; a last line that was cut off is left out."""
    with path.open(encoding="utf-8") as stream:
        for line in stream:
            try:
                yield json.loads(line)
            except ValueError:
                continue
