"""Print what different models of the healthy value make of drives that they have not seen.

Ours (a Bayesian linear model on splines with physics as its prior) against a Gaussian process,
boosted trees with bands conformal by drive, and ridge on splines with the same bands
(scikit-learn). Learned from the open logs (first half, and all but a quarter in turn) and from
vehicles of the demo's simulator (one season); scored on the mean of each held-out drive and region,
as that is what the drift is given. Run as ``python -m tests.benchmarks.baseline_models [VEHICLES]
[SEED]`` (the open logs: see DEVELOPERS.md).
"""

# ruff: noqa: T201 - a script that prints a table
from __future__ import annotations

import os
import sys
import time
import warnings
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import polars as pl
from scipy.stats import norm
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel
from sklearn.linear_model import RidgeCV
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import PolynomialFeatures, SplineTransformer, StandardScaler

from demo_history.simulator.fleet import random_fleet
from demo_history.simulator.frames import simulate_fleet
from demo_history.simulator.stories import Story
from healthtrack import baseline
from healthtrack.baseline.conditions import with_drive_means
from healthtrack.chain import process_log
from healthtrack.config import VehicleSettings
from healthtrack.indicators import ALL, observable
from healthtrack.ingest import load_pipelines

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

REPOSITORY = Path(__file__).parents[2]
NAMES = ("airflow", "boost", "breathing")
FOLDS = 4
GP_ROWS = 200
DAYS = (date(2020, 1, 1), date(2020, 12, 31))


@dataclass
class Task:
    """Observations to learn from and drives to be told."""

    data: str
    indicator: object
    learn: pl.DataFrame
    test: pl.DataFrame


@dataclass
class Told:
    """What a model says of held-out drives, per drive and region: error made, error claimed."""

    error: np.ndarray
    claimed: np.ndarray
    inside: np.ndarray


def ours(task: Task, wide: float = 1.0) -> Told:
    """Learn with healthtrack; ``wide`` multiplies the physical prior's doubt."""
    indicator = replace(
        task.indicator,
        responses=tuple(replace(r, sd=wide * r.sd) for r in task.indicator.responses),
    )
    learned = baseline.learn(indicator, task.learn, DAYS)
    told = baseline.figures(indicator, learned, task.test).regions
    weather = sum((r.sd * told[f"c_{r.condition}"]) ** 2 for r in learned.responses)
    claimed = np.sqrt(told["se"] ** 2 + weather).to_numpy()
    value = told["value"].to_numpy()
    return Told(value, claimed, np.abs(value) <= 1.96 * claimed)


def inputs(task: Task, frame: pl.DataFrame) -> np.ndarray:
    """Return predictors and conditions as the other models are given them."""
    conditions = [r.condition for r in task.indicator.responses]
    known = frame.select(*task.indicator.predictors, *conditions).fill_null(strategy="mean")
    return known.fill_null(0.0).to_numpy()


class GaussianProcess:
    """Fit on at most :data:`GP_ROWS` windows: the cost goes with their cube.

    The kernel is fitted to a region's first set of windows and kept for its folds.
    """

    def __init__(self) -> None:
        self.kernel = None

    def __call__(self, x: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> Callable:
        scaler = StandardScaler().fit(x)
        rows = rng.choice(len(y), min(GP_ROWS, len(y)), replace=False)
        kernel = ConstantKernel(10.0) * RBF(np.ones(x.shape[1])) + WhiteKernel(0.1)
        how = {"kernel": kernel} if self.kernel is None else {"kernel": self.kernel}
        if self.kernel is not None:
            how["optimizer"] = None
        model = GaussianProcessRegressor(normalize_y=True, random_state=1, **how)
        model.fit(scaler.transform(x[rows]), y[rows])
        self.kernel = model.kernel_

        def predict(new: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            mean, sd = model.predict(scaler.transform(new), return_std=True)
            noise = np.sqrt(model.kernel_.k2.noise_level) * model._y_train_std
            return mean, np.sqrt(np.maximum(sd**2 - noise**2, 0.0))

        return predict


def boosted_trees(x: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> Callable:
    """Fit the median by boosting."""
    model = HistGradientBoostingRegressor(
        loss="absolute_error", max_leaf_nodes=15, min_samples_leaf=10, max_iter=80, random_state=1
    ).fit(x, y)
    return lambda new: (model.predict(new), np.zeros(len(new)))


def ridge_on_splines(x: np.ndarray, y: np.ndarray, rng: np.random.Generator) -> Callable:
    """Fit splines of each input and their products, with the penalty cross-validated."""
    model = make_pipeline(
        StandardScaler(),
        SplineTransformer(n_knots=4, degree=3, extrapolation="linear"),
        PolynomialFeatures(2, interaction_only=True),
        RidgeCV(np.logspace(-2, 3, 6)),
    ).fit(x, y)
    return lambda new: (model.predict(new), np.zeros(len(new)))


def by_drive(task: Task, make: Callable) -> Told:
    """Fit per region, with bands from the drives left out in turn (conformal)."""
    rng = np.random.default_rng(1)
    parts = []
    for region in sorted(set(task.learn["region"]) & set(task.test["region"])):
        learn, test = (
            with_drive_means(f.drop_nulls(["y", *task.indicator.predictors])).filter(
                pl.col("region") == region
            )
            for f in (task.learn, task.test)
        )
        enough = learn.height >= 20 and learn["drive"].n_unique() >= FOLDS
        if enough and test.height:
            parts.append(_region(task, make(), (learn, test), rng))
    return Told(*(np.concatenate(items) for items in zip(*parts, strict=True)))


def _region(task, fit, frames, rng) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    learn, test = frames
    whole = fit(inputs(task, learn), learn["y"].to_numpy(), rng)
    left = []
    drives = learn["drive"].unique().sort().to_list()
    for fold in range(FOLDS):
        out = pl.col("drive").is_in(drives[fold::FOLDS])
        inner, held = learn.filter(~out), learn.filter(out)
        left.append(_means(task, fit(inputs(task, inner), inner["y"].to_numpy(), rng), held)[0])
    left = np.concatenate(left)
    scatter = 1.4826 * np.median(np.abs(left - np.median(left)))
    rank = min(int(np.ceil(0.95 * (left.size + 1))) - 1, left.size - 1)
    reach = np.sort(np.abs(left))[rank]
    error, model_sd = _means(task, whole, test)
    claimed = np.hypot(max(scatter, reach / 1.96 if model_sd.max() == 0 else scatter), model_sd)
    return error, claimed, np.abs(error) <= 1.96 * claimed


def _means(task, predict, frame) -> tuple[np.ndarray, np.ndarray]:
    mean, sd = predict(inputs(task, frame))
    told = frame.select("drive", off=pl.col("y") - pl.Series(mean), sd=pl.Series(sd))
    told = told.group_by("drive").agg(pl.col("off").median(), pl.col("sd").mean()).sort("drive")
    return told["off"].to_numpy(), told["sd"].to_numpy()


MODELS: dict[str, Callable[[Task], Told]] = {
    "ours": ours,
    "ours, no physics": lambda task: ours(task, wide=10.0),
    "Gaussian process": lambda task: by_drive(task, GaussianProcess),
    "boosted trees": lambda task: by_drive(task, lambda: boosted_trees),
    "ridge on splines": lambda task: by_drive(task, lambda: ridge_on_splines),
}


def open_log_tasks() -> Iterator[Task]:
    """Split the open logs: halves, and each quarter of the drives against the others."""
    named = os.environ.get("HEALTHTRACK_OPEN_LOGS")
    folder = Path(named) if named else REPOSITORY.parent / "shared" / "open-logs"
    logs = sorted(folder.glob("2017-*.csv"))
    if not logs:
        print(f"open logs: skipped, not at {folder}; set HEALTHTRACK_OPEN_LOGS to their folder")
        return
    settings = VehicleSettings(displacement_l=1.6)
    pipelines = [load_pipelines(REPOSITORY / "pipelines")["round_robin_csv"]]
    found = [process_log(log, pipelines, "open", settings).windows.frame for log in logs]
    windows = pl.concat(found, how="diagonal_relaxed")
    for name in NAMES:
        seen = ALL[name].observe(windows, settings).sort("drive", "t")
        order = seen.group_by("drive").agg(pl.col("t").min()).sort("t")["drive"].to_list()
        half = pl.col("drive").is_in(order[: len(order) // 2])
        yield Task("open logs, halves", ALL[name], seen.filter(half), seen.filter(~half))
        for fold in range(FOLDS):
            out = pl.col("drive").is_in(order[fold::FOLDS])
            yield Task("open logs, quarters", ALL[name], seen.filter(~out), seen.filter(out))


def simulated_tasks(count: int, seed: int) -> Iterator[Task]:
    """Learn each vehicle in one winter, tell that winter's later drives and the summer's."""
    vehicles = random_fleet(np.random.default_rng(seed), count)
    story = Story(years=0.75, first_day=0.0, drives_per_week=4.0)
    frames = simulate_fleet(np.random.default_rng(seed + 1), vehicles, story, per_drive=14)
    for vehicle in vehicles:
        settings = VehicleSettings(**vehicle.settings())
        one = frames.of(vehicle.name)
        for indicator in observable(one.windows, settings)[0]:
            if indicator.name not in NAMES:
                continue
            seen = indicator.observe(one.windows, settings).sort("drive", "t")
            day = seen["t"].dt.ordinal_day()
            order = seen.group_by("drive").agg(pl.col("t").min()).sort("t")["drive"].to_list()
            known = pl.col("drive").is_in(order[:25])
            yield Task(
                "simulated, season", indicator, seen.filter(known), seen.filter(~known & (day < 90))
            )
            yield Task(
                "simulated, summer",
                indicator,
                seen.filter(known),
                seen.filter(~known & (day > 150)),
            )


def scores(told: Told, unit: float) -> dict[str, np.ndarray]:
    """Return the scores of each drive and region, sizes in parts of an eighth of the limit."""
    error, sd = told.error / unit, np.maximum(told.claimed / unit, 1e-3)
    z = error / sd
    return {
        "CRPS": sd * (z * (2 * norm.cdf(z) - 1) + 2 * norm.pdf(z) - 1 / np.sqrt(np.pi)),
        "log score": 0.5 * z**2 + np.log(sd) + 0.5 * np.log(2 * np.pi),
        "coverage": 100.0 * told.inside,
        "half-width": 1.96 * sd,
    }


def main(count: int, seed: int) -> None:
    """Print a line per data set and model."""
    warnings.simplefilter("ignore", ConvergenceWarning)
    tasks = [*open_log_tasks(), *(simulated_tasks(count, seed) if count else ())]
    head = f"{'data':20s} {'model':18s}  CRPS  log score  coverage %  half-width  s/fit      n"
    print(head, flush=True)
    for data in dict.fromkeys(task.data for task in tasks):
        for name, model in MODELS.items():
            rows, seconds, fits = [], 0.0, 0
            for task in (t for t in tasks if t.data == data):
                began = time.process_time()
                told = model(task)
                seconds += time.process_time() - began
                fits += 1
                rows.append(scores(told, abs(task.indicator.limit) / 8.0))
            merged = {k: np.concatenate([row[k] for row in rows]) for k in rows[0]}
            print(
                f"{data:20s} {name:18s} {merged['CRPS'].mean():5.2f}  "
                f"{merged['log score'].mean():8.2f}  {merged['coverage'].mean():9.1f}  "
                f"{np.median(merged['half-width']):9.2f}  {seconds / fits:6.2f}  "
                f"{merged['CRPS'].size:5d}",
                flush=True,
            )


if __name__ == "__main__":
    numbers = [int(text) for text in sys.argv[1:3]]
    main(*(numbers + [10, 3][len(numbers) :]))
