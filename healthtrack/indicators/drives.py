"""The drives from which what never changes about a vehicle is told."""

from __future__ import annotations

import polars as pl

LEARNING_DRIVES = 20
"""Drives from which what never changes about a vehicle is told (which channel is its demand, where
recirculation closes): the first ones, so that a later fault can not move it and a replay of an
earlier day sees the same. No more than the automatic healthy period has, so that it does not move
once verdicts are given."""


def first_drives(windows: pl.DataFrame, count: int = LEARNING_DRIVES) -> pl.DataFrame:
    """Return the windows of the first ``count`` drives, in order of time."""
    starts = windows.group_by("drive").agg(pl.col("t").min()).sort("t", "drive").head(count)
    return windows.join(starts.select("drive"), on="drive", how="semi")
