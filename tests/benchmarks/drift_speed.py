"""Print how fast the drift block is beside statsmodels, as ratios within one run.

Run as ``python -m tests.benchmarks.drift_speed [SERIES]`` with OPENBLAS_NUM_THREADS=1.
"""

# ruff: noqa: T201 - a script that prints a table
from __future__ import annotations

import sys
import time
import warnings
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import statsmodels.api as sm

from healthtrack.drift import Carried, Segment, follow, follow_many, log_likelihood, resume
from healthtrack.drift.grid import Grid, standard_grid
from healthtrack.drift.likelihood import log_likelihood_of
from healthtrack.drift.padded import Padded, padded
from healthtrack.drift.state import first_counts, first_level, model_of
from tests.calibration.histories import KINDS, life

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from healthtrack.drift.level import Level, Model

    FloatArray = NDArray[np.float64]

DRIVES = 500
ROUNDS = 11


def one_model() -> Grid:
    """Return local linear trend plus AR(1) wander plus noise, all known."""
    return Grid(
        np.array([0.7]), np.array([9.0]), np.zeros(1), np.array([0.05]), np.array([0.02]),
        np.zeros(1), outlying=np.inf, prior_drives=np.inf, candidates=0,
    )  # fmt: skip


def series(rng: np.random.Generator, *, even: bool) -> Segment:
    """Return noise and wander at even or at odd times; the offset carries the diffuse start."""
    value = rng.normal(size=DRIVES).cumsum() * 0.02 + rng.normal(size=DRIVES)
    waits = np.ones(DRIVES) if even else rng.gamma(1.2, 1 / 1.2, DRIVES)
    along = np.cumsum(waits)
    carried = Carried(np.zeros((1, 1)), np.full((1, 1, 1), 100.0), np.zeros(1), np.ones(1))
    return Segment(
        value, np.ones(DRIVES), along, along, np.ones((DRIVES, 1)), np.zeros(DRIVES, bool),
        carried, 1.0, 1.0, 0,
    )  # fmt: skip


def theirs(segment: Segment, *, apart: bool) -> sm.tsa.statespace.MLEModel:
    """Return the same model as statsmodels' own state space; constant matrices where it may be.

    ``apart`` keeps level and offset as two states, as the product has them; one is quicker.
    """
    size = 4 if apart else 3
    model = sm.tsa.statespace.MLEModel(segment.value, k_states=size, k_posdef=size)
    model["design"] = np.array([[1.0, 0.0, 1.0, 1.0][:size]])
    model["selection"] = np.eye(size)
    step = np.diff(segment.days, append=segment.days[-1] + 1.0)
    if np.ptp(step) < 1e-9:
        step = step[:1]
    keep = np.exp(-step / 9.0)
    move, noise = np.tile(np.eye(size)[:, :, None], step.size), np.zeros((size, size, step.size))
    move[0, 1], move[2, 2] = step, keep
    noise[0, 0] = 0.05**2 * step**3 / 3 + 0.02**2 * step
    noise[0, 1] = noise[1, 0] = 0.05**2 * step**2 / 2
    noise[1, 1], noise[2, 2] = 0.05**2 * step, (1 - keep**2) * 0.49
    whole = np.s_[:, :, 0] if step.size == 1 else np.s_[:]
    model["transition"], model["state_cov"] = move[whole], noise[whole]
    model["obs_cov"] = np.eye(1)
    first = [0.0, 0.0, 0.49, 100.0] if apart else [100.0, 0.0, 0.49]
    model.ssm.initialize_known(np.zeros(size), np.diag(first))
    return model


def built(segments: list[Segment], *, apart: bool) -> list[sm.tsa.statespace.MLEModel]:
    """Return statsmodels' models of these series."""
    return [theirs(segment, apart=apart) for segment in segments]


def loop(models: list[sm.tsa.statespace.MLEModel]) -> FloatArray:
    """Return statsmodels' own likelihood of each model."""
    return np.array([model.ssm.loglike() for model in models])


def timed(task: Callable[[], Any]) -> float:
    """Return the processor time of a task."""
    started = time.process_time()
    task()
    return time.process_time() - started


def spread(ratios: FloatArray) -> str:
    """Return the rounds' median, smallest and largest."""
    return f"{np.median(ratios):.1f} ({ratios.min():.1f}-{ratios.max():.1f})"


def likelihood(count: int, *, even: bool) -> None:
    """Compare the likelihood of many series, without and with laying out and building models.

    Both sides run in turn, ROUNDS times: the processor's pace changes within seconds, so that a
    ratio is of one round. Their loop is over models that have run before, which is quicker.
    """
    rng, grid = np.random.default_rng(1), one_model()
    segments = [series(rng, even=even) for _ in range(count)]
    laid, part = laid_out(segments, grid), slice(None, None, max(count // 100, 1))
    sample, ours = segments[part], log_likelihood(segments, grid)[part]
    tasks: dict[Any, Callable[[], Any]] = {
        "laying out": partial(laid_out, segments, grid),
        "filter": partial(log_likelihood_of, *laid),
        "both": partial(log_likelihood, segments, grid),
    }
    rounds = rounds_of(tasks, sample)
    least = ", ".join(f"{name} {1e3 * rounds[name].min():.0f} ms" for name in tasks)
    print(f"likelihood, {count} series x {DRIVES} {'even' if even else 'odd'} drives: {least}")
    for apart in (True, False):
        off = np.abs(ours - loop(built(sample, apart=apart))).max()
        building, looping = (
            rounds[name, apart] * (count / len(sample)) for name in ("building", "loop")
        )
        print(f"  statsmodels' loop, {4 if apart else 3} states: building {building.min():.2f} s, "
              f"likelihood {looping.min():.2f} s; ratio {spread(looping / rounds['filter'])} once "
              f"laid out and built, {spread((building + looping) / rounds['both'])} with both; "
              f"largest difference {off:.1e}")  # fmt: skip


def rounds_of(ours: dict[Any, Callable[[], Any]], sample: list[Segment]) -> dict[Any, FloatArray]:
    """Return the times of our tasks, and of building and running their models of a sample."""
    tasks = dict(ours)
    for apart in (True, False):
        models = built(sample, apart=apart)
        loop(models)
        tasks["building", apart] = partial(built, sample, apart=apart)
        tasks["loop", apart] = partial(loop, models)
    rounds = [[timed(task) for task in tasks.values()] for _ in range(ROUNDS)]
    return dict(zip(tasks, np.array(rounds).T, strict=True))


def laid_out(segments: list[Segment], grid: Grid) -> tuple[Padded, Model, Level]:
    """Return what the filter needs: figures side by side, the model, what is known before."""
    counts = first_counts(len(segments))
    return padded(segments, *counts), model_of(segments, grid), first_level(segments, grid)


def estimate() -> None:
    """Compare the whole estimate at 300 points, with and without the change bank."""
    rng = np.random.default_rng(2)
    lives = [life(replace(KINDS[1], years=2.3), rng) for _ in range(96)]
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


def main(count: int) -> None:
    """Print the table."""
    follow(life(KINDS[0], np.random.default_rng(0)).segment, 5.0)
    likelihood(count, even=False)
    likelihood(count, even=True)
    estimate()
    nightly()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000)
