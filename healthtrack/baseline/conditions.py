"""The weather of observations, in steps from its references.

The answer to temperature is told from one drive to the next and never within one: within a drive a
sensor's steps of 1 K and its slow warming are all that moves, and an indicator that holds that same
temperature itself then moves the opposite way (the demo's charge temperature: −5 K per 10 K where
the truth is −1).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import polars as pl

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from healthtrack.indicators.declaration import Response

    FloatArray = NDArray[np.float64]

PER_DRIVE = ("ambient_temperature",)
"""Conditions that are one for a drive: its mean."""


def with_drive_means(observations: pl.DataFrame) -> pl.DataFrame:
    """Replace what is one for a drive by its mean over the drive's known values."""
    known = [name for name in PER_DRIVE if name in observations.columns]
    return observations.with_columns(
        pl.when(pl.col(name).is_not_null()).then(pl.col(name).mean().over("drive")).alias(name)
        for name in known
    )


def condition_matrix(responses: tuple[Response, ...], frame: pl.DataFrame) -> FloatArray:
    """Return the conditions in steps from their references, 0 where unknown.

    Returns
    -------
    (n, len(responses)) float64
    """
    matrix = np.zeros((frame.height, len(responses)))
    for place, response in enumerate(responses):
        if response.condition in frame.columns:
            values = frame[response.condition].to_numpy().astype(np.float64)
            steps = (values - response.reference) / response.step
            matrix[:, place] = np.nan_to_num(steps, nan=0.0)
    return matrix
