"""Restrictions: the air filter's depression, and any other turbulent pressure loss."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]

REFERENCE_FLOW = 0.1
"""Flow at which restrictions are stated. [kg/s]"""

REFERENCE_DENSITY = 1.2
"""Air density at which restrictions are stated. [kg/m³]"""

LEAST_FLOW = 0.02
"""Flow under which a restriction is not computed: the loss is within the sensors' step. [kg/s]"""


class RestrictionLaw(NamedTuple):
    """Depression = ``at_reference`` · (W/0.1 kg/s)^``exponent`` · (1.2 kg/m³/ρ)^(exponent − 1)."""

    at_reference: float
    exponent: float
    at_reference_se: float
    exponent_se: float


def restriction(sag: ArrayLike, flow: ArrayLike, density: ArrayLike) -> FloatArray:
    """Depression at the reference flow, as a turbulent restriction would give it.

    Parameters
    ----------
    sag : (n,) float64
        Pressure ahead of the restriction less the pressure behind it. [Pa]
    flow : (n,) float64
        Air mass flow; where it is under :data:`LEAST_FLOW` the answer is NaN. [kg/s]
    density : (n,) float64
        Of the air ahead of the restriction. [kg/m³]

    Returns
    -------
    (n,) float64
        Scaled to 0.1 kg/s and 1.20 kg/m³. [Pa]

    Notes
    -----
    Δp ∝ W²/ρ for turbulent flow (Heywood, *Internal Combustion Engine Fundamentals*, 1988,
    sec. 6.2.2). A clean paper element is partly laminar: see :func:`fit_restriction`.
    """
    flow = np.asarray(flow, dtype=np.float64)
    dense = np.asarray(density, dtype=np.float64) / REFERENCE_DENSITY
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.asarray(sag, dtype=np.float64) * dense * (REFERENCE_FLOW / flow) ** 2
    return np.where(flow >= LEAST_FLOW, scaled, np.nan)


def fit_restriction(sag: ArrayLike, flow: ArrayLike, density: ArrayLike) -> RestrictionLaw | None:
    """Fit the exponent of a restriction, between 1 (laminar) and 2 (turbulent).

    Parameters
    ----------
    sag, flow, density : (n,) float64
        As for :func:`restriction`; points without flow or depression are left out.

    Returns
    -------
    RestrictionLaw or None
        None with fewer than eight points or where the flow spans less than a factor of 1.5.
        Standard errors suppose independent points. [Pa], dimensionless

    Notes
    -----
    Least squares of ln(Δp/ρ) on ln(W/ρ), that is Δp = k·ρ·(W/ρ)^n, exact for turbulent flow
    (n = 2). For a wholly laminar element Δp ∝ W/ρ, where this form gives Δp ∝ W: a difference of
    the few percent by which the density moves.
    """
    sag = np.asarray(sag, dtype=np.float64)
    flow = np.asarray(flow, dtype=np.float64)
    dense = np.asarray(density, dtype=np.float64) / REFERENCE_DENSITY
    good = np.isfinite(sag + flow + dense) & (sag > 0.0) & (flow >= LEAST_FLOW)
    if good.sum() < 8 or flow[good].max() < 1.5 * flow[good].min():
        return None
    x = np.log(flow[good] / dense[good] / REFERENCE_FLOW)
    y = np.log(sag[good] / dense[good])
    centre = x.mean()
    spread = ((x - centre) ** 2).sum()
    free = ((x - centre) * (y - y.mean())).sum() / spread
    exponent = float(np.clip(free, 1.0, 2.0))
    level = float((y - exponent * x).mean())
    scatter = float((y - level - exponent * x).std(ddof=2))
    at_reference = float(np.exp(level))
    level_se = scatter * np.sqrt(1.0 / x.size + centre**2 / spread)
    return RestrictionLaw(
        at_reference, exponent, float(at_reference * level_se), float(scatter / np.sqrt(spread))
    )
