from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from healthtrack import ingest
from healthtrack.errors import LogError
from healthtrack.ingest.losses import REASONS


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 2**32 - 1))
def test_rows_in_are_rows_kept_and_rows_lost_with_a_reason(read, truth, comma_text, seed):
    """Whatever is done to the lines, each of them is accounted for."""
    rng = np.random.default_rng(seed)
    head, *lines = comma_text(truth).splitlines()
    for at in rng.integers(0, len(lines), 12):
        lines[at] = [
            head,
            lines[at] + ",7",
            lines[at].replace("2024", "20X4"),
            lines[at].replace("06:1", "05:1"),
            re.sub(r",[^,]*", ",", lines[at]),
            lines[at][:30],
        ][rng.integers(0, 6)]
    text = "\n".join([head, *lines]) + ("\n" if rng.random() < 0.5 else "")
    try:
        log = read(text)
    except LogError:
        return
    fall = ingest.waterfall(log)
    assert fall.rows == len(lines) == fall.kept + sum(loss.count for loss in fall.rows_lost)
    assert all(loss.count > 0 for loss in log.losses)


def test_every_reason_that_ingest_gives_has_words(repository):
    """Read from the source: the first argument of every Loss(...)."""
    given = set()
    for path in Path(repository, "healthtrack", "ingest").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        given |= set(re.findall(r'Loss\(\s*"(\w+)"', text))
        given |= set(re.findall(r'(?:return|=) \(?"(\w+)", ', text)) & set(REASONS)
    assert given <= set(REASONS)
    assert len(given) > 10


@pytest.mark.parametrize("reason", sorted(REASONS))
def test_words_for_a_reason_are_words(reason):
    assert re.fullmatch(r"[a-z ,]+", REASONS[reason])
