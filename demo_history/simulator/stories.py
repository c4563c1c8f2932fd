"""What happens to a fleet over the years: when it drives, what wanders, what fails."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from demo_history.simulator.weather import wander

if TYPE_CHECKING:
    from demo_history.simulator.engine import Array, Faults

WANDERS = ("none", "white", "ar", "seasonal", "walk", "heavy")
"""Kinds of wander of a sound vehicle between drives: nothing; white noise; correlated noise
(Ornstein-Uhlenbeck); a yearly wave and some noise; a walk that is drawn back within a year;
Student's t with three degrees of freedom."""

SCALES = {
    "breathing_wander": 1.0,
    "turbocharger_wander": 1.2,
    "airflow_wander": 0.6,
    "recirculation_wander": 2.5,
}
"""Wander of each place for a wander of one in breathing. With the default size apparent breathing
then scatters between drives by 0.6 %, with recirculation by 0.8 %: as on the open logs of a real
car (Marc Weber, Karlsruhe Institute of Technology, DOI 10.5445/IR/1000085073, CC BY 4.0), where
0.4 to 0.8 % were measured within one summer."""


@dataclass(frozen=True)
class Trouble:
    """One fault of a fleet: the same size and course for every vehicle of it.

    Parameters
    ----------
    field : str
        Field of ``Faults``, in its unit.
    size : float
        Final size.
    start : float
        When it begins, as a share of the story's length.
    kind : str
        ``step``; ``ramp`` over ``length`` of the story.
    length : float
        Duration of a ramp as a share of the story's length; with ``km`` a distance instead.
    km : float or None
        Distance over which a ramp reaches ``size``. [km]
    """

    field: str
    size: float
    start: float = 0.5
    kind: str = "step"
    length: float = 0.3
    km: float | None = None


@dataclass(frozen=True)
class Story:
    """What a simulated fleet lives through.

    ``wander`` is one of :data:`WANDERS`, ``wander_size`` its standard deviation in breathing
    (relative), ``memory`` its correlation time in days. ``first_day`` counts from 1 January 2022.
    ``gaps`` are stretches of ``gap_days`` without logs. ``bad_share`` of the drives have an airflow
    reading that is off by 4 to 15 % for that drive alone.
    """

    years: float = 3.0
    first_day: float = 10.0
    wander: str = "ar"
    wander_size: float = 0.005
    memory: float = 20.0
    gaps: int = 0
    gap_days: float = 75.0
    bad_share: float = 0.0
    driver_changes: int = 0
    region_changes: int = 0
    drives_per_week: float | None = None
    troubles: tuple[Trouble, ...] = ()


def drive_days(rng: np.random.Generator, story: Story, per_week: float) -> Array:
    """Days of the drives, with the fraction of the day, in order."""
    rate = (story.drives_per_week or per_week) / 7.0
    total = story.years * 365.25
    count = int(total * rate * 1.4 + 20)
    steps = np.maximum(rng.gamma(2.5, 1.0 / (2.5 * rate), count), 0.25)
    days = np.floor(np.cumsum(steps) * 4.0) / 4.0
    days = days[days < total]
    for _ in range(story.gaps):
        begin = rng.uniform(0.15, 0.9) * total
        days = days[(days < begin) | (days > begin + story.gap_days)]
    days = np.unique(np.floor(days))  # one a day at most
    hours = np.clip(rng.normal(13.0, 3.5, len(days)), 5.0, 21.0)
    return np.asarray(story.first_day + days + hours / 24.0)


def wander_of(rng: np.random.Generator, story: Story, days: Array) -> dict[str, Array]:
    """Wander of every place of a sound vehicle at its drives."""
    return {
        name: scale * story.wander_size * _unit_wander(rng, story, days)
        for name, scale in SCALES.items()
    }


def _unit_wander(rng: np.random.Generator, story: Story, days: Array) -> Array:
    n = len(days)
    if story.wander == "none":
        return np.zeros(n)
    if story.wander == "white":
        return rng.standard_normal(n)
    if story.wander == "ar":
        slow = wander(rng, days, story.memory, 1.0)
        return np.asarray(np.sqrt(0.85) * slow + np.sqrt(0.15) * rng.standard_normal(n))
    if story.wander == "seasonal":
        phase = rng.uniform(0.0, 2.0 * np.pi)
        wave = np.sqrt(2.0) * np.cos(2.0 * np.pi * days / 365.25 + phase)
        return np.asarray(0.8 * wave + 0.6 * rng.standard_normal(n))
    if story.wander == "walk":
        return wander(rng, days, 365.0, 1.0)
    if story.wander == "heavy":
        return np.asarray(rng.standard_t(3.0, n) / np.sqrt(3.0))
    raise ValueError(f"wander {story.wander!r} is none of {', '.join(WANDERS)}")


def fault_sizes(faults: Faults, story: Story, days: Array, odometer: Array) -> Faults:
    """Add the story's troubles to the faults of one vehicle's drives."""
    total = story.years * 365.25
    for trouble in story.troubles:
        begin = story.first_day + trouble.start * total
        if trouble.kind == "step":
            grown = (days >= begin).astype(float)
        elif trouble.km is not None:
            start_km = float(np.interp(begin, days, odometer))
            grown = np.clip((odometer - start_km) / trouble.km, 0.0, 1.0)
        else:
            grown = np.clip((days - begin) / (trouble.length * total), 0.0, 1.0)
        faults = replace(
            faults, **{trouble.field: getattr(faults, trouble.field) + trouble.size * grown}
        )
    return faults
