"""A small run of the fault campaign; ``fault_campaign.py`` prints the large one."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def campaign():
    path = Path(__file__).with_name("fault_campaign.py")
    spec = importlib.util.spec_from_file_location("fault_campaign", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules["fault_campaign"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def table(campaign):
    return campaign.run(8 * 21 * 3, seed=7)


@pytest.mark.slow
def test_no_damaged_log_brings_the_reader_down(table):
    crashes = [example for one in table.values() for example in one.examples if one.crash]
    assert sum(one.crash for one in table.values()) == 0, crashes


@pytest.mark.slow
def test_a_sound_log_is_read_whole(table):
    sound = table["sound"]
    assert sound.whole > 50
    assert (sound.part, sound.refused, sound.silent) == (0, 0, 0)


@pytest.mark.slow
@pytest.mark.parametrize(
    "damage",
    [
        "cut off", "lines lost", "lines doubled", "lines swapped", "cells lost", "cells of junk",
        "columns shuffled", "columns mislabelled", "column missing", "unit changed", "unit jumps",
        "encodings mixed", "line ends mixed", "delimiter changed", "appended", "stuck sensor",
        "clock fell back",
    ],
)  # fmt: skip
def test_what_can_be_told_is_never_read_wrong_in_silence(table, damage):
    """Flipped bytes and merged lines can make one plausible digit of another: those are counted."""
    one = table[damage]
    assert one.silent == 0, one.examples
    assert one.whole + one.part + one.refused > 0


@pytest.mark.slow
def test_damage_that_no_reader_can_tell_stays_rare(table):
    silent = sum(table[name].silent for name in ("byte flipped", "hole", "zeros"))
    files = sum(
        one.whole + one.part + one.refused + one.silent
        for name, one in table.items()
        if name in {"byte flipped", "hole", "zeros"}
    )
    assert silent <= 0.15 * files
