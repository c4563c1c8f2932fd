"""The charge cooler: effectiveness and pressure loss."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    FloatArray = NDArray[np.float64]


def effectiveness(inlet: ArrayLike, outlet: ArrayLike, coolant: ArrayLike) -> FloatArray:
    """Share of the possible cooling that the cooler gave.

    Parameters
    ----------
    inlet, outlet : (n,) float64
        Charge air ahead of and behind the cooler. [K or °C]
    coolant : (n,) float64
        What cools it, where it enters: ambient air or water; where the inlet is not warmer the
        answer is NaN. [same]

    Returns
    -------
    (n,) float64
        (T_in − T_out)/(T_in − T_coolant).
    """
    inlet = np.asarray(inlet, dtype=np.float64)
    possible = inlet - np.asarray(coolant, dtype=np.float64)
    cooled = inlet - np.asarray(outlet, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(possible > 0.0, cooled / possible, np.nan)


def counterflow_effectiveness(transfer_units: ArrayLike, capacity_ratio: ArrayLike) -> FloatArray:
    """Effectiveness of a counterflow exchanger.

    Parameters
    ----------
    transfer_units : (n,) float64
        NTU: conductance over the smaller heat capacity flow.
    capacity_ratio : (n,) float64
        Smaller over larger heat capacity flow, 0 up to but not including 1.

    Returns
    -------
    (n,) float64
        (1 − e^(−N(1−C)))/(1 − C·e^(−N(1−C))) (Kays and London, *Compact Heat Exchangers*, 1984).
    """
    ratio = np.asarray(capacity_ratio, dtype=np.float64)
    decay = np.exp(-np.asarray(transfer_units, dtype=np.float64) * (1.0 - ratio))
    return np.asarray((1.0 - decay) / (1.0 - ratio * decay))


def crossflow_effectiveness(transfer_units: ArrayLike, capacity_ratio: ArrayLike) -> FloatArray:
    """Effectiveness of a crossflow exchanger, both streams unmixed: the usual charge cooler.

    Returns
    -------
    (n,) float64
        1 − exp[(N^0.22/C)·(exp(−C·N^0.78) − 1)] (Incropera and DeWitt, *Fundamentals of Heat and
        Mass Transfer*, table of effectiveness relations); for C → 0 it is 1 − e^(−N).
    """
    units = np.asarray(transfer_units, dtype=np.float64)
    ratio = np.asarray(capacity_ratio, dtype=np.float64)
    return np.asarray(1.0 - np.exp(units**0.22 / ratio * np.expm1(-ratio * units**0.78)))


def charge_temperature(inlet: ArrayLike, coolant: ArrayLike, effective: ArrayLike) -> FloatArray:
    """Temperature behind a cooler of given effectiveness: T_in − ε·(T_in − T_coolant)."""
    inlet = np.asarray(inlet, dtype=np.float64)
    possible = inlet - np.asarray(coolant, dtype=np.float64)
    return np.asarray(inlet - np.asarray(effective, dtype=np.float64) * possible)
