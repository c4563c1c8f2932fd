"""What stands beside a finding: from the store, for the pages that want it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import date

    from healthtrack.drift import Working
    from healthtrack.records import Loss


@dataclass(frozen=True, slots=True)
class LogShown:
    """One log file: its name, its day, its rows, and what became of it.

    Parameters
    ----------
    name : str
        The file's.
    received : date
        When it came.
    digest : str
        Beginning of the SHA-256 of its bytes.
    rows : int or None
        Rows of data in it; None where it could not be read.
    quarantined : str
        Why it could not be read, as a reason's code; empty where it is stored.
    losses : tuple of Loss
        What was left out of it.
    told : str
        Why it could not be read, in the sentences with which it was refused.
    """

    name: str
    received: date
    digest: str
    rows: int | None
    quarantined: str = ""
    losses: tuple[Loss, ...] = ()
    told: str = ""


@dataclass(frozen=True)
class Beside:
    """What a report can tell that is not in the finding; each may be empty.

    Parameters
    ----------
    logs : tuple of LogShown
        The vehicle's, in the order in which they came.
    workings : tuple of Working
        What each indicator's verdict rests on, for the appendix.
    parameters : tuple of (str, str)
        Settings that the verdict depends on, for the appendix.
    """

    logs: tuple[LogShown, ...] = ()
    workings: tuple[Working, ...] = ()
    parameters: tuple[tuple[str, str], ...] = ()


NOTHING_BESIDE = Beside()
