"""What was learned of a vehicle's healthy state, as plain numbers."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any

from healthtrack.baseline.surface import Axis

VERSION = 2
"""Version of the stored form; a baseline of another version is learned anew."""


@dataclass(frozen=True, slots=True)
class RegionModel:
    """The healthy surface of one region with the scatter around it.

    Parameters
    ----------
    region : str
        As the indicator names it.
    axes : tuple of Axis
        One per predictor.
    coefficients : tuple of float
        Of the tensor-product basis. [unit of y]
    covariance : tuple of tuple of float
        Of the coefficients. [unit of y, squared]
    window_sd, drive_sd : float
        Scatter of a window around its drive, of a drive around the surface. [unit of y]
    correlation : float
        Between neighbouring windows of one drive, 0…0.9.
    windows, drives : int
        On which it rests.
    """

    region: str
    axes: tuple[Axis, ...]
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    window_sd: float
    drive_sd: float
    correlation: float
    windows: int
    drives: int


@dataclass(frozen=True, slots=True)
class ResponseModel:
    """How the healthy value answers to one condition, per step from its reference.

    ``prior_mean`` and ``prior_sd`` are what was believed before any log; ``mean`` and ``sd`` what
    the baseline period made of it. [unit of y per step]
    """

    condition: str
    reference: float
    step: float
    prior_mean: float
    prior_sd: float
    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class Baseline:
    """The healthy expectation of one indicator of one vehicle.

    ``sisters`` vehicles of the same kind lent it what its own drives did not tell.
    """

    indicator: str
    start: date
    end: date
    drives: tuple[str, ...]
    regions: tuple[RegionModel, ...]
    responses: tuple[ResponseModel, ...]
    version: int = VERSION
    sisters: int = 0
    seen: dict[str, tuple[float, float]] = field(default_factory=dict)

    def region(self, name: str) -> RegionModel | None:
        """Return the region's model, or None where the baseline never saw it."""
        return next((item for item in self.regions if item.region == name), None)

    def digest(self) -> str:
        """Return a short digest of everything in it: equal digests, equal expectations."""
        return hashlib.sha256(to_json(self).encode()).hexdigest()[:16]


def to_json(baseline: Baseline) -> str:
    """Return the stored form: JSON with sorted keys, numbers exact."""
    return json.dumps(asdict(baseline), sort_keys=True, default=str, separators=(",", ":"))


def from_json(text: str) -> Baseline | None:
    """Read the stored form; None where it is of another version."""
    raw: dict[str, Any] = json.loads(text)
    if raw.get("version") != VERSION:
        return None
    regions = tuple(
        RegionModel(
            **{
                **item,
                "axes": tuple(Axis(**axis) for axis in item["axes"]),
                "coefficients": tuple(item["coefficients"]),
                "covariance": tuple(tuple(row) for row in item["covariance"]),
            }
        )
        for item in raw["regions"]
    )
    return Baseline(
        indicator=raw["indicator"],
        start=date.fromisoformat(raw["start"]),
        end=date.fromisoformat(raw["end"]),
        drives=tuple(raw["drives"]),
        regions=regions,
        responses=tuple(ResponseModel(**item) for item in raw["responses"]),
        version=raw["version"],
        sisters=raw["sisters"],
        seen={key: (low, high) for key, (low, high) in raw["seen"].items()},
    )
