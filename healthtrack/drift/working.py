"""What an analyst asks for behind an indicator's verdict."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

    from healthtrack.baseline import Baseline


@dataclass(frozen=True)
class Working:
    """What one indicator's verdict rests on.

    Parameters
    ----------
    indicator : str
        Its name.
    learned : Baseline
        The healthy surfaces.
    points : DataFrame
        ``region`` and the predictors of every observation of the healthy period.
    foretold : DataFrame
        One row per drive, in order of time: ``drive``, ``started``, ``value``, and ``mean`` and
        ``sd`` of what the drives before it had foretold; null where the vehicle was taken to be
        healthy.
    years : float
        From the first drive that could raise an alert to the last.
    log_bar : float
        ln of the evidence that raises an alert; its promised rate is the exponential of the
        negative. [years]
    """

    indicator: str
    learned: Baseline
    points: pl.DataFrame
    foretold: pl.DataFrame
    years: float
    log_bar: float
