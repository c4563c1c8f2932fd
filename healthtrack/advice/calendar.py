"""A plan as iCalendar (RFC 5545), so that any calendar can take it, and take it again.

Written by hand: eight properties, and two rules for text. A line's identifier depends on vehicle
and matter only, so a later export updates what an earlier one brought instead of adding to it.
"""

from __future__ import annotations

import uuid
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from healthtrack.advice.plan import PlanItem

NAMESPACE = uuid.UUID("5f0e3c52-6f0c-5b0c-9d5a-0d7f6b1f7a11")
"""Any fixed one will do; changing it would duplicate every entry that was ever exported."""
LINE = 75
"""Octets of a line, without its end, after which it is folded (RFC 5545, 3.1)."""
EPOCH = datetime(2000, 1, 1, tzinfo=UTC)


def calendar(items: Sequence[PlanItem], written: datetime) -> str:
    """Return the plan as one iCalendar object of all-day entries.

    Parameters
    ----------
    items : sequence of PlanItem
        One entry each.
    written : datetime
        When it is written, with a zone: entries carry it, and a later one supersedes an earlier.

    Returns
    -------
    str
        With CRLF line ends; write it as UTF-8 without translating them.
    """
    stamp = written.astimezone(UTC)
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//healthtrack//maintenance plan//EN",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
    ]
    for item in items:
        lines += _entry(item, stamp)
    lines.append("END:VCALENDAR")
    return "".join(f"{fold(line)}\r\n" for line in lines)


def identifier(item: PlanItem) -> str:
    """Return the entry's identifier: the same for the same matter of the same vehicle."""
    return f"{uuid.uuid5(NAMESPACE, item.key)}@healthtrack"


def escape(text: str) -> str:
    """Escape TEXT as RFC 5545, 3.3.11 wants it; control characters are dropped."""
    for plain, escaped in (("\\", "\\\\"), (";", "\\;"), (",", "\\,"), ("\r\n", "\n")):
        text = text.replace(plain, escaped)
    text = text.replace("\r", "\n").replace("\n", "\\n")
    return "".join(letter for letter in text if letter >= " " and letter != "\x7f")


def fold(line: str) -> str:
    """Fold a line after at most 75 octets, never inside a character (RFC 5545, 3.1)."""
    parts: list[str] = []
    part, size = "", 0
    for letter in line:
        octets = len(letter.encode())
        if size + octets > LINE:
            parts.append(part)
            part, size = "", 1  # the blank that marks a continuation counts
        part += letter
        size += octets
    return "\r\n ".join([*parts, part])


def _entry(item: PlanItem, stamp: datetime) -> list[str]:
    # a sequence number must grow with every change: minutes do, and need no memory
    sequence = (stamp - EPOCH) // timedelta(minutes=1)
    return [
        "BEGIN:VEVENT",
        f"UID:{identifier(item)}",
        f"DTSTAMP:{stamp:%Y%m%dT%H%M%SZ}",
        f"SEQUENCE:{max(sequence, 0)}",
        f"DTSTART;VALUE=DATE:{item.due:%Y%m%d}",
        f"DTEND;VALUE=DATE:{item.due + timedelta(days=1):%Y%m%d}",
        f"SUMMARY:{escape(f'{item.vehicle}: {item.what}')}",
        f"DESCRIPTION:{escape(item.why)}",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    ]
