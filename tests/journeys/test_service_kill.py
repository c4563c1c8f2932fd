"""Killed at steps and at random, the service comes to the same end; see the full campaign."""

import json
import subprocess
import sys

import pytest


@pytest.mark.slow
@pytest.mark.journey
def test_killed_again_and_again_the_end_is_that_of_an_undisturbed_life(repository):
    script = repository / "tests" / "benchmarks" / "kill_campaign.py"
    run = subprocess.run(
        [sys.executable, str(script), "--kills", "12", "--per-life", "12", "--days", "3", "--json"],
        check=False,
        capture_output=True,
        text=True,
        cwd=repository,
    )
    assert run.returncode == 0, run.stderr[-3000:]
    result = json.loads(run.stdout)
    assert result["kills"] >= 12
    assert result["differences"] == []
    assert result["letters_per_life"] == 3
    assert result["kept_parts"] > 0
    # a letter may come again after its answer was lost, never without saying so
    assert result["repeats"] <= result["repeats_that_say_so"]
