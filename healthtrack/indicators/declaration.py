"""How an indicator is declared: once, and everything else works from it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Protocol

if TYPE_CHECKING:
    import polars as pl

    from healthtrack.config import VehicleSettings

Concern = Literal["low", "high", "both"]
Scale = Literal["log_percent", "native"]
Source = Literal["windows", "standstills", "pulls"]


class Check(Protocol):
    """Tell from a vehicle's windows and settings whether a need is met."""

    def __call__(self, windows: pl.DataFrame, vehicle: VehicleSettings) -> bool:
        """Return whether it is."""
        ...


@dataclass(frozen=True, slots=True)
class Need:
    """A channel, or any one of several, without which the indicator cannot be observed.

    Where a channel's name is not enough (where a sensor sits), ``check`` tells instead.
    """

    any_of: tuple[str, ...]
    words: str
    check: Check | None = None


@dataclass(frozen=True, slots=True)
class Response:
    """What is believed, before any log, of how the healthy value answers to a condition.

    The healthy value moves by ``mean`` ± ``sd`` (in the unit of ``y``) when the condition moves by
    ``step`` from ``reference``. The vehicle's own seasons narrow it.
    """

    condition: str
    reference: float
    step: float
    mean: float
    sd: float
    reason: str


class Observe(Protocol):
    """Turn the source's frame into ``drive``, ``t``, ``y``, ``region``, predictors, conditions."""

    def __call__(self, frame: pl.DataFrame, vehicle: VehicleSettings, /) -> pl.DataFrame:
        """Return one row per usable window, standstill or pull."""
        ...


@dataclass(frozen=True, slots=True)
class Indicator:
    """One figure per drive for one symptom.

    Parameters
    ----------
    name, label, unit : str
        Name in tables and JSON, words for a person, unit of the figure.
    scale : "log_percent" or "native"
        ``y`` is 100·ln(measured/physics) and the figure 100·(ratio − 1) percent, or ``y`` has the
        figure's own unit.
    needs : tuple of Need
        What the vehicle must log.
    predictors : tuple of str
        Columns over which the healthy value is a smooth surface.
    responses : tuple of Response
        Prior answer to the weather.
    concern : "low", "high" or "both"
        Direction that is worth an alert.
    limit : float
        Figure at which it is harmful (alarm), in the direction of concern. [unit]
    limit_reason : str
        Why that limit.
    observe : Observe
        Pure function from the source's frame to observations.
    meaning : str
        One plain sentence for the report.
    regions : tuple of str
        Every region that ``observe`` may name.
    notice : float
        Size under which a change, however sure, is not worth a word: wear by design, a sensor's
        tolerance. [unit]
    notice_reason : str
        Why that size.
    source : "windows", "standstills" or "pulls"
        Which frame of :class:`healthtrack.records.VehicleHistory` ``observe`` is given.
    """

    name: str
    label: str
    unit: str
    scale: Scale
    needs: tuple[Need, ...]
    predictors: tuple[str, ...]
    responses: tuple[Response, ...]
    concern: Concern
    limit: float
    limit_reason: str
    observe: Observe
    meaning: str
    regions: tuple[str, ...] = field(default=())
    source: Source = "windows"
    notice: float = 0.0
    notice_reason: str = ""
