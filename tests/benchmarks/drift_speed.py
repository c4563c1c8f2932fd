"""Print how fast the drift block is beside statsmodels, as ratios within one run.

Run as ``python -m tests.benchmarks.drift_speed [SERIES]`` with OPENBLAS_NUM_THREADS=1.
"""

# ruff: noqa: T201 - a script that prints a table
from __future__ import annotations

import sys
import time
import warnings
from dataclasses import replace

import numpy as np
import statsmodels.api as sm

from healthtrack.drift import Carried, Segment, follow, follow_many, resume
from healthtrack.drift import run as runner
from healthtrack.drift.grid import Grid, standard_grid
from tests.calibration.histories import KINDS, life

DRIVES = 500


def one_model() -> Grid:
    """Return local linear trend plus AR(1) wander plus noise, all known."""
    return Grid(
        np.array([0.7]), np.array([9.0]), np.zeros(1), np.array([0.05]), np.array([0.02]),
        np.zeros(1), outlying=np.inf, prior_drives=np.inf, candidates=0,
    )  # fmt: skip


def regular(values: np.ndarray) -> Segment:
    """Return values as one drive a day; the offset carries the diffuse start."""
    count = values.size
    carried = Carried(np.zeros((1, 1)), np.full((1, 1, 1), 100.0), np.zeros(1), np.ones(1))
    return Segment(
        values, np.ones(count), np.arange(count) * 1.0, np.arange(count) * 1.0, np.ones((count, 1)),
        np.zeros(count, bool), carried, 1.0, 1.0, 0,
    )  # fmt: skip


def theirs(values: np.ndarray) -> sm.tsa.statespace.MLEModel:
    """Return the same model as statsmodels' own state space."""
    model = sm.tsa.statespace.MLEModel(values, k_states=4, k_posdef=4)
    keep = np.exp(-1.0 / 9.0)
    model["design"] = np.array([[1.0, 0.0, 1.0, 1.0]])
    move = np.eye(4)
    move[0, 1], move[2, 2] = 1.0, keep
    model["transition"], model["selection"] = move, np.eye(4)
    noise = np.zeros((4, 4))
    noise[:2, :2] = 0.05**2 * np.array([[1 / 3, 1 / 2], [1 / 2, 1.0]])
    noise[0, 0] += 0.02**2
    noise[2, 2] = (1 - keep**2) * 0.49
    model["state_cov"], model["obs_cov"] = noise, np.eye(1)
    start = np.diag([0.0, 0.0, 0.49, 100.0])
    model.ssm.initialize_known(np.zeros(4), start)
    return model


def likelihood(series: int) -> None:
    """Compare the likelihood of many series."""
    rng = np.random.default_rng(1)
    values = rng.normal(size=(series, DRIVES)).cumsum(axis=1) * 0.02 + rng.normal(
        size=(series, DRIVES)
    )
    segments = [regular(row) for row in values]
    runner.SIDE_BY_SIDE, before = 1000, runner.SIDE_BY_SIDE
    started = time.process_time()
    ours = follow_many(segments, [99.0] * series, one_model())
    took = time.process_time() - started
    runner.SIDE_BY_SIDE = before
    sample = range(0, series, max(series // 100, 1))
    models = [theirs(values[i]) for i in sample]
    models[0].ssm.loglike()
    started = time.process_time()
    reference = [model.ssm.loglike() for model in models]
    loop = (time.process_time() - started) / len(models) * series
    off = max(
        abs(ours[i].log_density.sum() - one) for i, one in zip(sample, reference, strict=True)
    )
    print(f"likelihood, {series} series x {DRIVES} drives: {took:.2f} s; statsmodels' loop "
          f"{loop:.2f} s; ratio {loop / took:.1f}; largest difference {off:.1e}")  # fmt: skip


def estimate() -> None:
    """Compare the whole estimate at 300 points, with and without the change bank."""
    rng = np.random.default_rng(2)
    lives = [life(replace(KINDS[1], years=2.3), rng) for _ in range(48)]
    segments = [one.segment for one in lives]
    drives = float(np.mean([segment.value.size for segment in segments]))
    fits = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for segment in segments[:12]:
            started = time.process_time()
            model = sm.tsa.UnobservedComponents(segment.value, "lltrend", autoregressive=1)
            fit = model.fit(disp=0)
            fits.append((time.process_time() - started, fit.mle_retvals["converged"]))
    theirs_ = float(np.mean([seconds for seconds, _ in fits]))
    failed = sum(not converged for _, converged in fits)
    grid = standard_grid()
    for label, chosen in (("level", replace(grid, candidates=0)), ("level and changes", grid)):
        started = time.process_time()
        follow_many(segments, [5.0] * len(segments), chosen)
        ours = (time.process_time() - started) / len(segments)
        print(f"estimate of {label}, {drives:.0f} drives: {1e3 * ours:.1f} ms a series; "
              f"statsmodels' fit {1e3 * theirs_:.0f} ms ({failed} of {len(fits)} not converged); "
              f"ratio {theirs_ / ours:.0f}")  # fmt: skip


def nightly() -> None:
    """Show that a night costs as much as its new drives."""
    rng = np.random.default_rng(3)
    segment = life(replace(KINDS[1], years=6.0), rng).segment
    names = ("value", "se", "days", "distance", "shared", "pinned")
    for history in (200, 400, 700):
        parts = [
            replace(segment, **{name: getattr(segment, name)[rows] for name in names})
            for rows in (slice(0, history), slice(history, history + 3))
        ]
        started = time.process_time()
        state, _ = resume(None, parts[0], 5.0)
        whole = time.process_time() - started
        started = time.process_time()
        for _ in range(10):
            resume(state, parts[1], 5.0)
        night = (time.process_time() - started) / 10
        print(f"history of {history} drives: {1e3 * whole:.0f} ms from the start, "
              f"{1e3 * night:.1f} ms for three new drives")  # fmt: skip


def main(series: int) -> None:
    """Print the table."""
    follow(life(KINDS[0], np.random.default_rng(0)).segment, 5.0)
    likelihood(series)
    estimate()
    nightly()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
