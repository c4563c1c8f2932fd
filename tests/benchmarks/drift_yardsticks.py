"""Print how early faults are found at one rate of false alerts: this detector and the yardsticks.

All see the same figures per drive, and all are compared at one measured number of false alerts: as
many as are promised in the sound time of the run, which is that of the sound histories and of the
others before their fault. Each yardstick's threshold is set on that very time so that it gives as
many. So is the product's in the second row; in the first its threshold comes from the promise and
is not touched. The sound histories are of one kind that is known beforehand (``steady``: a week's
wander and heavy tails), or of all kinds that the promise is given for (``mixed``): nobody tells an
owner's monitor which kind his vehicle is. Run as
``python -m tests.benchmarks.drift_yardsticks [HISTORIES] [SEED] [steady|mixed]``.
"""

# ruff: noqa: T201 - a script that prints a table
from __future__ import annotations

import sys
import warnings
from dataclasses import replace

import numpy as np
import ruptures
import statsmodels.api as sm
from river.drift import ADWIN
from sklearn.ensemble import IsolationForest

from healthtrack.bench.yardsticks import cusum, ewma, page_hinkley
from healthtrack.drift import follow_many
from tests.calibration.histories import KINDS, KM_PER_YEAR, LEARNED, Kind, Life, life

BAR_YEARS = 80.0
SOUND = Kind(
    "sound", wander=0.5, keep=0.8, response=0.3, tails=5.0, bad=0.01, per_week=5.0, years=3.2
)
YEAR = 365.25
FAULTS = {
    "ramp 6 % in 14 000 km": replace(SOUND, ramp=-6.0),
    "step 4 %": replace(SOUND, step=-4.0),
    "slow 2 % in 20 000 km": replace(SOUND, ramp=-2.0 * KM_PER_YEAR / 20_000.0),
}
"""A ramp takes one year of 14 000 km; the slow one is seen over its first 14 000 km."""


def standardised(one: Life) -> np.ndarray:
    """Return figures in standard deviations of the healthy period."""
    value = one.segment.value
    healthy = value[:LEARNED]
    return (value - healthy.mean()) / healthy.std(ddof=1)


def _stepped(values: np.ndarray, every: int) -> list[int]:
    return list(range(LEARNED + every, values.size, every))


def change_points(values: np.ndarray) -> np.ndarray:
    """Gain of one change point (ruptures, l2), looked for anew every ten drives."""
    path = np.zeros(values.size)
    for end in _stepped(values, 10):
        signal = values[:end, None]
        cost = ruptures.costs.CostL2().fit(signal)
        at = ruptures.Binseg(model="l2", jump=5, min_size=5).fit(signal).predict(n_bkps=1)[0]
        path[end:] = cost.error(0, end) - cost.error(0, at) - cost.error(at, end)
    return path


def forest(values: np.ndarray) -> np.ndarray:
    """Score an isolation forest learned on the healthy period: figure and mean of twenty."""
    mean = np.convolve(values, np.ones(20) / 20)[: values.size]
    features = np.column_stack([values, mean])
    model = IsolationForest(n_estimators=60, random_state=0).fit(features[20:LEARNED])
    return ewma(-model.score_samples(features), 0.1, target=0.45)


def local_trend(values: np.ndarray) -> np.ndarray:
    """Filtered level over its error; its variances by maximum likelihood on the whole history."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        model = sm.tsa.UnobservedComponents(values, "lltrend")
        fitted = model.fit(disp=0, maxiter=30)
    result = fitted.filter_results
    level = result.filtered_state[0]
    return np.abs(level) / np.sqrt(np.maximum(result.filtered_state_cov[0, 0], 1e-6))


CONFIDENCES = tuple(
    10.0**-size
    for size in (0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4, 5, 6, 7, 8, 9, 10, 12, 14, 17, 20, 25, 30, 40, 50)
)
"""Of ADWIN, from loose to as strict as wander of months asks for."""


def adaptive_window(values: np.ndarray) -> np.ndarray:
    """Score ADWIN: how strict the strictest of some confidences is that has alerted so far."""
    path = np.zeros(values.size)
    for place, delta in enumerate(CONFIDENCES, start=1):
        window = ADWIN(delta=delta, clock=1, grace_period=LEARNED)
        for drive, value in enumerate(values):
            window.update(float(value))
            if window.drift_detected and drive > LEARNED:
                path[drive:] = place
                break
    return path


YARDSTICKS = {
    "EWMA 0.03": lambda v: np.abs(ewma(v, 0.03)),
    "EWMA 0.1": lambda v: np.abs(ewma(v, 0.1)),
    "CUSUM 0.25": lambda v: np.maximum(*cusum(v, 0.25)),
    "CUSUM 0.5": lambda v: np.maximum(*cusum(v, 0.5)),
    "Page-Hinkley 0.25": lambda v: page_hinkley(v, 0.25),
    "ADWIN (river)": adaptive_window,
    "change points (ruptures)": change_points,
    "isolation forest": forest,
    "local linear trend": local_trend,
}


def sound_lives(count: int, kinds: str, rng: np.random.Generator) -> list[Life]:
    """Return sound histories: ``count`` of the steady kind, or a quarter as many of each."""
    if kinds == "steady":
        return [life(SOUND, rng) for _ in range(count)]
    alike = {"per_week": SOUND.per_week, "years": SOUND.years}
    of_all = [replace(kind, **alike) for kind in KINDS if not kind.step and not kind.ramp]
    return [life(kind, rng) for kind in of_all for _ in range(max(count // 4, 1))]


def main(count: int, seed: int, kinds: str) -> None:
    """Simulate, find and print."""
    rng = np.random.default_rng(seed)
    sound = sound_lives(count, kinds, rng)
    faulty = {name: [life(kind, rng) for _ in range(count)] for name, kind in FAULTS.items()}
    every = [*sound, *(one for lives in faulty.values() for one in lives)]
    years = sum(_sound_years(one) for one in every)
    allowed = max(round(years / BAR_YEARS), 1)
    print(f"{count} histories, {years:.0f} sound vehicle-years, {kinds}, seed {seed}; the promise "
          f"is {allowed} false alerts in them, and so many each detector is given")  # fmt: skip
    for label, found in (
        ("healthtrack as it is", raises(every, BAR_YEARS)),
        ("healthtrack, bar set alike", alike(every, allowed)),
    ):
        _rows(label, faulty, every, found)
    for label, score in YARDSTICKS.items():
        paths = [score(standardised(one)) for one in every]
        highest = np.sort(
            [
                path[LEARNED:end].max()
                for path, end in zip(paths, map(_sound_end, every), strict=True)
            ]
        )
        threshold = highest[-allowed - 1]
        _rows(label, faulty, every, [_first_over(path, threshold) for path in paths])
    for name, lives in faulty.items():
        _line("every 15 000 km", name, lives, [_inspected(one) for one in lives])
        _line("never", name, lives, [-1] * count)


def _sound_end(one: Life) -> int:
    """Return the place of the first drive that is not sound."""
    return one.fault_at if one.level[-1] else one.segment.value.size


def _sound_years(one: Life) -> float:
    days = one.segment.days
    return float(days[_sound_end(one) - 1] - days[LEARNED]) / YEAR


def _first_over(path: np.ndarray, threshold: float) -> int:
    over = np.flatnonzero(path[LEARNED:] > threshold)
    return int(over[0]) + LEARNED if over.size else -1


def raises(lives: list[Life], bar_years: float) -> list[int]:
    """Return the drive at which the product first raises an alert on each life; −1 for none."""
    courses = follow_many([one.segment for one in lives], [np.log(bar_years)] * len(lives))
    return [course.episodes.raised[0] if course.episodes.raised else -1 for course in courses]


def false_alerts(lives: list[Life], found: list[int]) -> int:
    """Count the lives on which there is an alert in sound time."""
    return sum(0 <= at < _sound_end(one) for one, at in zip(lives, found, strict=True))


def alike(lives: list[Life], allowed: int) -> list[int]:
    """Return the raises under about the lowest bar that gives no more false alerts than allowed."""
    best, fine = raises(lives, BAR_YEARS), BAR_YEARS
    coarse = fine
    for _ in range(30):
        coarse *= 0.7
        found = raises(lives, coarse)
        if false_alerts(lives, found) > allowed:
            break
        best, fine = found, coarse
    for _ in range(3):
        bar = float(np.sqrt(coarse * fine))
        found = raises(lives, bar)
        if false_alerts(lives, found) > allowed:
            coarse = bar
        else:
            best, fine = found, bar
    print(f"bar of {fine:.0f} years")
    return best


def _rows(label: str, faulty: dict[str, list[Life]], every: list[Life], found: list[int]) -> None:
    """Print a detector's row for each fault; its false alerts stand in the first."""
    print(f"{label}: {false_alerts(every, found)} false alerts")
    first = len(every) - sum(map(len, faulty.values()))
    for name, lives in faulty.items():
        _line(label, name, lives, found[first : first + len(lives)])
        first += len(lives)


def _inspected(one: Life) -> int:
    """Return the first inspection at which 2 % are lost; it sees a loss of that size for sure."""
    km = one.segment.distance * 1e4
    due = np.flatnonzero(np.diff(np.floor(km / 15_000.0), prepend=0.0) > 0)
    late = [int(drive) for drive in due if one.level[drive] <= -2.0]
    return late[0] if late else -1


def _line(label: str, fault: str, lives: list[Life], found: list[int]) -> None:
    early = sum(0 <= at < one.fault_at for one, at in zip(lives, found, strict=True))
    rest = [(one, at) for one, at in zip(lives, found, strict=True) if not 0 <= at < one.fault_at]
    hit = [(-one.level[at], at - one.fault_at) for one, at in rest if at >= 0]
    reached = np.array([size for size, _ in hit])
    delay = np.array([drives for _, drives in hit])
    missed = len(rest) - len(hit)
    middle = (
        f"{np.median(reached):5.2f} {np.quantile(reached, 0.9):5.2f}   {np.median(delay):5.0f} "
        f"{np.quantile(delay, 0.9):5.0f}"
        if hit
        else "    -     -       -     -"
    )
    print(f"{label:28s}{fault:24s}{middle}   missed {missed:3d}   before {early:3d}", flush=True)


if __name__ == "__main__":
    given = sys.argv[1:]
    asked = given + ["100", "11", "steady"][len(given) :]
    main(int(asked[0]), int(asked[1]), asked[2])
