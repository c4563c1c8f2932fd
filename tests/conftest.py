"""Fixtures that every part of the test-suite shares."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

# statsmodels resets the warning filters when it is first imported: do it before any test does
import statsmodels.api  # noqa: F401

REPOSITORY = Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def repository() -> Path:
    """Return the folder that holds pyproject.toml."""
    return REPOSITORY


@pytest.fixture(scope="session")
def open_logs() -> Path:
    """Return the folder of the 38 open logs, or skip the test where it is absent.

    Marc Weber, Automotive OBD-II Dataset, Karlsruhe Institute of Technology,
    DOI 10.5445/IR/1000085073, CC BY 4.0.
    """
    named = os.environ.get("HEALTHTRACK_OPEN_LOGS")
    folder = Path(named) if named else REPOSITORY.parent / "shared" / "open-logs"
    if not any(folder.glob("2017-*.csv")):
        pytest.skip(f"the open logs are not at {folder}; set HEALTHTRACK_OPEN_LOGS to their folder")
    return folder
