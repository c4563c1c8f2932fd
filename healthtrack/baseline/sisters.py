"""What vehicles of one kind say of another of that kind: partial pooling of their baselines.

Each sister's surface is its kind's surface, plus a level of its own, plus a smooth departure of its
own; how large such departures are is estimated from the sisters and shrunk towards what is believed
(Gelman et al., *Bayesian Data Analysis*, 3rd ed., ch. 5 and 15). A vehicle with little history then
starts from the kind's surface with the doubt about it and the size of a departure as its error; its
level stays free, since that is what two engines and two sensors differ in most.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import block_diag

from healthtrack.baseline.scale import FLAT_SD, unit_of
from healthtrack.baseline.surface import design, greville, penalty, widest

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from healthtrack.baseline.model import Baseline, RegionModel, ResponseModel
    from healthtrack.baseline.surface import Axis
    from healthtrack.indicators.declaration import Indicator, Response

    FloatArray = NDArray[np.float64]

DEPARTURES = (0.25, 0.5, 1.0, 2.0, 4.0)
"""Candidate standard deviations of a sister's departure from her kind. [limit/8]"""
DEPARTURE_BELIEF = (1.0, 0.7)
"""Believed of it before any sister: its median [limit/8] and the sd of its logarithm. Engines of
one type differ by production and age by some 1 % after their level is taken out (common practice,
no source), and by more where their use differs."""
REACH = 0.4
"""Over which part of an axis a departure is much the same: it bends once or twice over speed or
load, as an engine's surfaces do."""
REGION_LEVEL = 1.0
"""Departure of one region's level from the vehicle's common one (sd). [limit/8]"""
KIND_ROUGHNESS = 4.0
"""Second difference of the kind's surface (sd): weak, the sisters tell it. [limit/8]"""
ANSWER_DEPARTURES = (0.1, 0.2, 0.4, 0.8)
"""Candidate departures of a sister's answer to the weather, in the physical prior's sd."""
NUGGET = 0.02
"""Share of a departure's variance that is nobody's neighbour: keeps matrices well-posed."""
DRIVES_A_SISTER = 4.0
"""Worth of a sister's scatter, in drives of one's own, up to :data:`MOST_DRIVES`."""
MOST_DRIVES = 16.0


@dataclass(frozen=True, slots=True)
class RegionPrior:
    """What sisters say of one region: a Gaussian over the coefficients, and the scatter.

    ``mean`` (m,) and ``covariance`` (m, m) in the indicator's unit, without the vehicle's own
    level; ``drive_sd``, ``window_sd`` in the unit; ``weight`` is what ``drive_sd`` is worth in
    drives.
    """

    region: str
    axes: tuple[Axis, ...]
    mean: FloatArray
    covariance: FloatArray
    drive_sd: float
    window_sd: float
    weight: float


@dataclass(frozen=True, slots=True)
class Prior:
    """What ``sisters`` vehicles of one kind say of another one: regions, answers to the weather."""

    indicator: str
    sisters: int
    regions: tuple[RegionPrior, ...]
    responses: tuple[Response, ...]

    def region(self, name: str) -> RegionPrior | None:
        """Return what is said of a region, None where no sister has it."""
        return next((item for item in self.regions if item.region == name), None)


def pool(indicator: Indicator, baselines: Sequence[Baseline]) -> Prior | None:
    """Pool the baselines of a vehicle's sisters into what is believed of it.

    Parameters
    ----------
    indicator : Indicator
        Its declaration.
    baselines : sequence of Baseline
        Of the sisters, each learned from its own drives alone: what was borrowed once must not
        count twice. Those of other indicators, and those that borrowed, are left out.

    Returns
    -------
    Prior or None
        None where no sister has anything to say.
    """
    own = [item for item in baselines if item.indicator == indicator.name and not item.sisters]
    if not own:
        return None
    own.sort(key=lambda item: (item.start, item.end, item.drives))
    names = sorted({model.region for item in own for model in item.regions})
    regions = [
        _pooled_region(indicator, [m for item in own for m in item.regions if m.region == name])
        for name in names
    ]
    answers = tuple(
        _pooled_answer(response, [r for item in own for r in item.responses])
        for response in indicator.responses
    )
    return Prior(indicator.name, len(own), tuple(regions), answers)


def prior_region(
    prior: Prior, indicator: Indicator, name: str, axes: Sequence[Axis]
) -> RegionPrior:
    """Return what sisters say of a region on other axes; next to nothing where none has it."""
    known = prior.region(name)
    unit = unit_of(indicator)
    if known is None:
        rough = penalty(axes) / KIND_ROUGHNESS**2
        size = rough.shape[0]
        covariance = np.asarray(np.linalg.inv(rough + np.eye(size) / FLAT_SD**2), np.float64)
        return RegionPrior(name, tuple(axes), np.zeros(size), unit**2 * covariance, unit, unit, 1.0)
    if known.axes == tuple(axes):
        return known
    change = _change_of_axes(known.axes, axes)
    return replace(
        known,
        axes=tuple(axes),
        mean=change @ known.mean,
        covariance=change @ known.covariance @ change.T,
    )


def joint_covariance(
    regions: Sequence[RegionPrior], indicator: Indicator, doubt: float
) -> FloatArray:
    """Return the prior covariance of all regions' coefficients, with the vehicle's free level.

    Parameters
    ----------
    regions : sequence of RegionPrior
        In the order of the coefficients.
    indicator : Indicator
        Gives the unit.
    doubt : float
        Factor on the sd of what sisters say of the shapes.

    Returns
    -------
    (m, m) float64
        [the indicator's unit, squared]. A basis adds up to one, so a level is the same addition to
        every coefficient.
    """
    unit = unit_of(indicator)
    blocks = [
        doubt**2 * region.covariance + (REGION_LEVEL * unit) ** 2 + NUGGET * unit**2 * np.eye(size)
        for region in regions
        for size in [region.mean.size]
    ]
    return np.asarray(block_diag(*blocks)) + (FLAT_SD * unit) ** 2


def _change_of_axes(before: Sequence[Axis], after: Sequence[Axis]) -> FloatArray:
    """Return the matrix that turns coefficients on some axes into those on others.

    A spline is told by its values at as many points as it has coefficients.
    """
    points = greville(after)
    return np.asarray(np.linalg.solve(design(after, points), design(before, points)))


def _pooled_region(indicator: Indicator, models: Sequence[RegionModel]) -> RegionPrior:
    unit = unit_of(indicator)
    axes = widest([model.axes for model in models])
    means, covariances = [], []
    for model in models:
        change = _change_of_axes(model.axes, axes)
        means.append(change @ np.array(model.coefficients) / unit)
        covariances.append(change @ np.array(model.covariance) @ change.T / unit**2)
    kind = penalty(axes) / KIND_ROUGHNESS**2
    kind += np.eye(kind.shape[0]) / FLAT_SD**2
    shape = _departure_shape(axes)
    fits = [_kind_surface(means, covariances, size**2 * shape, kind) for size in DEPARTURES]
    weights = _weights([fit[2] for fit in fits])
    mean = sum(w * fit[0] for w, fit in zip(weights, fits, strict=True))
    covariance = sum(
        w * (fit[1] + size**2 * shape + np.outer(fit[0] - mean, fit[0] - mean))
        for w, fit, size in zip(weights, fits, DEPARTURES, strict=True)
    )
    return RegionPrior(
        region=models[0].region,
        axes=axes,
        mean=np.asarray(mean) * unit,
        covariance=np.asarray(covariance) * unit**2,
        drive_sd=float(np.sqrt(np.mean([model.drive_sd**2 for model in models]))),
        window_sd=float(np.sqrt(np.mean([model.window_sd**2 for model in models]))),
        weight=min(DRIVES_A_SISTER * len(models), MOST_DRIVES),
    )


def _departure_shape(axes: Sequence[Axis]) -> FloatArray:
    """Return the correlation of a departure between coefficients: smooth over each axis."""
    shape: FloatArray = np.ones((1, 1), np.float64)
    for axis in axes:
        at = np.arange(axis.size) / (axis.size - 1)
        near = np.exp(-0.5 * ((at[:, None] - at[None, :]) / REACH) ** 2)
        shape = np.asarray(np.kron(shape, near), np.float64)
    return (1.0 - NUGGET) * shape + NUGGET * np.eye(shape.shape[0])


def _kind_surface(
    means: Sequence[FloatArray],
    covariances: Sequence[FloatArray],
    departure: FloatArray,
    kind: FloatArray,
) -> tuple[FloatArray, FloatArray, float]:
    """Return the kind's surface, its covariance, and the log density of the sisters' surfaces."""
    precision, moment, fit = kind.copy(), np.zeros(kind.shape[0]), 0.0
    for mean, covariance in zip(means, covariances, strict=True):
        spread = covariance + departure + FLAT_SD**2  # a level of her own
        inverse = np.linalg.inv(spread)
        precision += inverse
        moment += inverse @ mean
        fit -= 0.5 * float(mean @ inverse @ mean + np.linalg.slogdet(spread)[1])
    surface = np.asarray(np.linalg.solve(precision, moment), np.float64)
    fit += 0.5 * float(moment @ surface - np.linalg.slogdet(precision)[1])
    return surface, np.asarray(np.linalg.inv(precision), np.float64), fit


def _weights(log_densities: Sequence[float]) -> FloatArray:
    """Return the posterior of the departures' size; with one sister it is what was believed."""
    median, spread = DEPARTURE_BELIEF
    believed = -0.5 * (np.log(np.array(DEPARTURES) / median) / spread) ** 2
    total = np.array(log_densities) + believed
    weight = np.exp(total - total.max())
    return np.asarray(weight / weight.sum())


def _pooled_answer(response: Response, models: Sequence[ResponseModel]) -> Response:
    """Return what is believed of an answer to the weather after the sisters' own.

    A sister's own evidence is what she knows beyond the physics that she started from.
    """
    told = [
        (1.0 / item.sd**2 - 1.0 / item.prior_sd**2, item)
        for item in models
        if item.condition == response.condition
    ]
    told = [(worth, item) for worth, item in told if worth * response.sd**2 > 1e-6]
    if not told:
        return response
    own = np.array([(i.mean / i.sd**2 - i.prior_mean / i.prior_sd**2) / w for w, i in told])
    error2 = np.array([1.0 / worth for worth, _ in told])
    fits = []
    for share in ANSWER_DEPARTURES:
        spread = error2 + (share * response.sd) ** 2
        precision = response.sd**-2 + (1.0 / spread).sum()
        mean = (response.mean / response.sd**2 + (own / spread).sum()) / precision
        joint = np.diag(spread) + response.sd**2
        off = own - response.mean
        density = -0.5 * (off @ np.linalg.solve(joint, off) + np.linalg.slogdet(joint)[1])
        fits.append((mean, 1.0 / precision + (share * response.sd) ** 2, density))
    density = np.array([fit[2] for fit in fits])
    weight = np.exp(density - density.max())
    weight /= weight.sum()
    mean = float(weight @ [fit[0] for fit in fits])
    variance = float(weight @ [fit[1] + (fit[0] - mean) ** 2 for fit in fits])
    return replace(response, mean=mean, sd=float(np.sqrt(variance)))
