"""Settings are written where a person would write them, and nothing else in the file moves."""

from __future__ import annotations

import tomllib

import pytest

from healthtrack.bench.applying import set_value
from healthtrack.errors import UsageError

NOTE = "# from back-test b (0), 2026-01-01: chosen; was 0.1"


def _lines(text):
    return [line for line in text.splitlines() if not line.startswith("# from back-test")]


@pytest.mark.parametrize(
    "text",
    [
        "[alerts]\nrate = 0.1\n\n[baseline]\nrate = 7\n",
        "[alerts]\n# rate = 0.1\n[baseline]\nrate = 7\n",
        "[alerts]   # mine\n\n[baseline]\nrate = 7\n",
        "[baseline]\nrate = 7\n",
        "[baseline]\nrate = 7\n[alerts]\nrate = 0.1  # as agreed in May\n",
    ],
)
def test_a_value_is_set_in_its_table_however_the_file_is_written(text):
    told = set_value(text, "alerts", "rate", "0.5", NOTE)
    assert tomllib.loads(told) == {"alerts": {"rate": 0.5}, "baseline": {"rate": 7}}
    # every line of the person's own is still there but for the value itself
    kept = [line for line in _lines(text) if not line.startswith("rate = 0.1")]
    assert [line for line in _lines(told) if line in kept] == kept
    assert NOTE in told


def test_a_comment_behind_the_value_stays_and_a_later_origin_replaces_the_earlier():
    once = set_value("[alerts]\nrate = 0.1  # as agreed\n", "alerts", "rate", "0.5", NOTE)
    twice = set_value(once, "alerts", "rate", "0.2", NOTE.replace("b (0)", "c (1)"))
    assert "rate = 0.2  # as agreed" in twice
    assert "back-test b" not in twice
    assert twice.count("# from back-test") == 1


def test_a_table_on_one_line_is_left_to_its_owner():
    text = "[vehicles.otter]\nlimits = { airflow = -6.0 }\n"
    with pytest.raises(UsageError, match="on one line"):
        set_value(text, "vehicles.otter.limits", "airflow", "-5.0", NOTE)
