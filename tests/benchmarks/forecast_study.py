"""Ask for the forecast along simulated declines, and hold it against when the limit was reached.

A fault grows in a straight line over the last part of a simulated vehicle's history; the chain is
asked as of many days on the way, and each answer is held against the distance at which the true
effect crosses the limit. Printed are the coverage of the 95 % interval, the relative accuracy of
the median, the α-λ test by probability mass, and the prognostic horizon (the distance left from
which on every forecast passed), beside a straight line through the last ten drives.

    python tests/benchmarks/forecast_study.py --vehicles 6 --seed 41
    python tests/benchmarks/forecast_study.py --demo reports/.demo

A long run can be made in pieces with ``--first`` and ``--keep``; ``--kept`` prints their tables
together, each forecast made anew from the state that was kept.

The second asks the same of the demo's vehicle whose airflow sensor loses its reading over a year;
the workspace is what ``healthtrack demo`` leaves behind.

The truth is that of the simulator: for the airflow sensor the gain, which is what ``airflow`` and
``breathing`` measure; for the filter the extra restriction at the reference flow.
"""

from __future__ import annotations

import argparse
import csv
import os
import pickle
import sys
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
REPOSITORY = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(REPOSITORY))

import numpy as np  # noqa: E402 - after its threads are set
import polars as pl  # noqa: E402

from demo_history.simulator.fleet import plan_drives, random_fleet  # noqa: E402
from demo_history.simulator.frames import simulate_windows  # noqa: E402
from demo_history.simulator.stories import Story  # noqa: E402
from healthtrack import config, indicators  # noqa: E402
from healthtrack.chain.ahead import drift_state  # noqa: E402
from healthtrack.chain.following import (  # noqa: E402
    Followed,
    as_then,
    follow,
    measured_against,
    observe,
)
from healthtrack.forecast import DriftState, first_passage  # noqa: E402
from healthtrack.forecast.score import (  # noqa: E402
    alpha_lambda,
    prognostic_horizon,
    relative_accuracy,
)
from healthtrack.jobs.workspace import Workspace  # noqa: E402
from healthtrack.records import VehicleHistory  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

YEARS = 2.0
BEGINS = 0.4
"""Share of the history after which the decline begins."""
WINDOWS = 24
HORIZON = 30_000.0
REACHES = 1.5
"""The decline ends at so many limits."""
ASKED = (0.35, 0.5, 0.65, 0.8, 0.9)
"""How far on the way to the limit the question is put."""
LAST = 10
LIMIT = 8.0
DECLINES, DEMO_LIMIT = "chamois", 6.0
"""The demo's vehicle that declines by 7.5 %, and a limit that it passes on the way. [%]"""
SHOWN = ("airflow", "breathing")


@dataclass(frozen=True)
class Asked:
    """One forecast of one indicator, and what came of it. [km]"""

    vehicle: str
    indicator: str
    left: float
    low: float
    middle: float
    high: float
    in_cone: bool
    line: float
    limit: float
    state: DriftState
    true_level: float
    true_slope: float

    @property
    def inside(self) -> bool:
        return self.low <= self.left <= self.high


def decline(vehicle, seed: int, limit: float):
    """Return a vehicle whose airflow reading falls, the same in health, and where it begins."""
    story = Story(years=YEARS, wander="ar", wander_size=0.005, memory=20.0, drives_per_week=1.5)
    drives = plan_drives(np.random.default_rng(seed), [vehicle], story)
    begin = drives.odometer.min() + BEGINS * np.ptp(drives.odometer)
    share = np.clip((drives.odometer - begin) / (drives.odometer.max() - begin), 0.0, None)
    gain = -REACHES * limit / 100.0 * share
    faults = replace(drives.faults, airflow_gain=gain)
    seen, sound = (
        simulate_windows(np.random.default_rng(seed), [vehicle], some, WINDOWS)
        for some in (replace(drives, faults=faults), drives)
    )
    histories = [
        VehicleHistory(vehicle.name, one.drives, one.windows, standstills=one.standstills)
        for one in (seen, sound)
    ]
    return *histories, begin


def true_slopes(sound: VehicleHistory, settings, items, begin: float) -> dict[str, float]:
    """Return by how much each indicator truly falls per kilometre.

    The figures of the same drives with and without the fault, all chance alike, against the same
    baseline: what differs is the fault's and nothing else's. Where the valve holds the measured
    airflow, a sensor that reads low shows at full load alone.
    """
    result = {}
    for item in items:
        indicator = item.witness.indicator
        healthy = measured_against(item.learned, observe(indicator, sound, settings), sound)
        both = item.witness.figures.join(healthy.figures, on="drive", suffix="_sound")
        late = both.filter(pl.col("odometer_km") > begin)
        km = late["odometer_km"].to_numpy() - begin
        effect = (late["value"] - late["value_sound"]).to_numpy()
        result[indicator.name] = float(km @ effect / (km @ km))
    return result


def line_left(figures: pl.DataFrame, limit: float) -> float:
    """Return the distance left by a straight line through the last drives; capped. [km]"""
    last = figures.tail(LAST)
    km, value = last["odometer_km"].to_numpy(), last["value"].to_numpy()
    slope, offset = np.polyfit(km - km[-1], value, 1)
    if slope >= 0.0:
        return 2.0 * HORIZON
    return float(np.clip((-limit - offset) / slope, 1.0, 2.0 * HORIZON))


def ask(vehicle, seed: int) -> list[Asked]:
    """Ask a vehicle's forecasts on the way to the limit."""
    history, sound, begin = decline(vehicle, seed, LIMIT)
    settings = config.VehicleSettings(**vehicle.settings(), limits=dict.fromkeys(SHOWN, LIMIT))
    last = history.drives["odometer_km"].max()
    if last is None:  # no odometer: nothing to hold distances against
        return []
    truth = true_slopes(sound, settings, followed(history, settings, last), begin)
    result = []
    for share in ASKED:
        for name, slope in truth.items():
            if slope > -LIMIT / HORIZON:  # this vehicle hardly shows it
                continue
            reached = begin - LIMIT / slope
            at = begin + share * (reached - begin)
            if at > last:
                continue
            items = followed(history, settings, at)
            item = next((x for x in items if x.witness.indicator.name == name), None)
            if item is not None:
                true = (slope * (at - begin), 1e4 * slope)
                result.append(_answer(vehicle.name, item, (reached - at, LIMIT), true))
    return result


def ask_the_demo(root: Path) -> list[Asked]:
    """Ask the same of the demo's airflow sensor that reads less and less, as its truth tells."""
    with (REPOSITORY / "demo_history" / "truth.csv").open(encoding="utf-8") as lines:
        truth = next(row for row in csv.DictReader(lines) if row["vehicle"] == DECLINES)
    begin, full = float(truth["since_km"]), float(truth["full_km"])
    slope = float(truth["size"]) / (full - begin)
    workspace = Workspace.load(root)
    settings = workspace.settings.vehicles[DECLINES].model_copy(
        update={"limits": dict.fromkeys(SHOWN, DEMO_LIMIT)}
    )
    with workspace.open_store() as store:
        history = store.history(DECLINES, date.fromisoformat(truth["until"]))
    reached = begin - DEMO_LIMIT / slope
    result = []
    for share in ASKED:
        at = begin + share * (reached - begin)
        for item in followed(history, settings, at):
            true = (slope * (at - begin), 1e4 * slope)
            result.append(_answer(DECLINES, item, (reached - at, DEMO_LIMIT), true))
    return result


def followed(history, settings, until_km: float):
    """Follow the indicators with what was known at a distance."""
    known = history.drives.filter(pl.col("odometer_km") <= until_km)
    windows = history.windows.join(known.select("drive"), on="drive", how="semi")
    then = replace(history, drives=known, windows=windows, standstills=None)
    at_end = as_then(then, known["ended"].max().date() + timedelta(days=1))
    workspace = config.WorkspaceSettings()
    told = [follow(indicators.ALL[name], at_end, settings, workspace) for name in SHOWN]
    return [item for item in told if isinstance(item, Followed)]


def _answer(name: str, item, way: tuple[float, float], true: tuple[float, float]) -> Asked:
    left, limit = way
    state = drift_state(item.witness.tracked, item.plan)
    line = line_left(item.witness.figures, limit)
    known = (name, item.witness.indicator.name, left)
    return Asked(*known, *_foreseen(state, limit, left), line, limit, state, *true)


def _foreseen(state: DriftState, limit: float, left: float) -> tuple[float, float, float, bool]:
    """Return the interval's ends and middle, and whether enough of it lies near the truth."""
    passage = first_passage(state, limit, -limit, horizon_km=HORIZON)
    low, middle, high = (passage.quantile(level) for level in (0.025, 0.5, 0.975))
    return (
        low if low is not None else HORIZON,
        middle if middle is not None else HORIZON,
        high if high is not None else np.inf,
        alpha_lambda(passage, left),
    )


def again(asked: Asked) -> Asked:
    """Return the same question with the forecast as it is made now."""
    low, middle, high, in_cone = _foreseen(asked.state, asked.limit, asked.left)
    return replace(asked, low=low, middle=middle, high=high, in_cone=in_cone)


def at_best(asked: Asked) -> bool:
    """Return whether the α-λ test is passed with the same errors about the true level and slope."""
    centred = replace(asked.state, level=asked.true_level, slope=asked.true_slope)
    return _foreseen(centred, asked.limit, asked.left)[-1]


def say(line: str = "") -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def show(answers: list[Asked]) -> None:
    """Print the scores, all and by how far it was."""
    inside = [a.inside for a in answers]
    for words, off in (
        ("level", [(a.state.level - a.true_level, a.state.level_variance) for a in answers]),
        ("slope", [(a.state.slope - a.true_slope, a.state.slope_variance) for a in answers]),
    ):
        error, variance = np.array(off).T
        z = error / np.sqrt(variance)
        say(
            f"{words} now: mean error {error.mean():+.2f}, inside its 95 % band "
            f"{100 * np.mean(np.abs(z) <= 1.96):.0f} %, error in its own sd {z.mean():+.2f} "
            f"± {z.std():.2f}"
        )
    say(f"\n{len(answers)} forecasts: truth inside the 95 % interval {100 * np.mean(inside):.0f} %")
    before, after = (
        100 * np.mean(outside)
        for outside in ([a.left < a.low for a in answers], [a.left > a.high for a in answers])
    )
    say(f"  reached before it {before:.0f} %, after it {after:.0f} %")
    for words, of in (("median", lambda a: a.middle), ("line", lambda a: a.line)):
        accuracy = [relative_accuracy(a.left, of(a)) for a in answers]
        cone = [abs(of(a) - a.left) <= 0.25 * a.left for a in answers]
        say(
            f"  {words:<7} median relative accuracy {np.median(accuracy):6.2f}, "
            f"within ±25 % {100 * np.mean(cone):3.0f} %"
        )
    cone = 100 * np.mean([a.in_cone for a in answers])
    best = 100 * np.mean([at_best(a) for a in answers])
    say(f"  α-λ (half of the forecast within ±25 %): {cone:.0f} %, {best:.0f} % were it centred")
    horizons = []
    for key in sorted({(a.vehicle, a.indicator) for a in answers}):
        own = [a for a in answers if (a.vehicle, a.indicator) == key]
        left = np.array([a.left for a in own])
        passed = np.array([0.5 <= a.middle / a.left <= 2.0 for a in own])
        horizons.append(prognostic_horizon(left, passed))
    known = [h for h in horizons if h is not None]
    middle = f"{np.median(known):.0f} km" if known else "none"
    counted = f"{len(known)} of {len(horizons)}"
    say(f"  prognostic horizon (median within half and double): {middle}, {counted}")


def simulated(args: argparse.Namespace) -> Iterator[list[Asked]]:
    """Yield the forecasts of each vehicle that was asked for."""
    fleet = random_fleet(np.random.default_rng(args.seed), args.first + args.vehicles)
    for k, vehicle in list(enumerate(fleet))[args.first :]:
        yield ask(vehicle, 100 * args.seed + k)


def asked_for(args: argparse.Namespace) -> Iterable[list[Asked]]:
    """Return the forecasts: kept ones, the demo's, or simulated vehicles'."""
    if args.kept is not None:  # written by this very program: pickle is as good as any
        return [[again(a) for a in pickle.loads(path.read_bytes())] for path in args.kept]
    return simulated(args) if args.demo is None else [ask_the_demo(args.demo)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--vehicles", type=int, default=6)
    parser.add_argument("--first", type=int, default=0, help="vehicles before it are left out")
    parser.add_argument("--seed", type=int, default=41)
    parser.add_argument("--demo", type=Path, help="the demo's workspace, to be asked instead")
    parser.add_argument("--keep", type=Path, help="write the forecasts to this file")
    parser.add_argument("--kept", type=Path, nargs="+", help="print forecasts that were kept")
    args = parser.parse_args()
    answers: list[Asked] = []
    for own in asked_for(args):
        for a in own:
            say(
                f"{a.vehicle} {a.indicator:<10} left {a.left:7.0f} km, said {a.middle:7.0f} "
                f"({a.low:.0f} to {a.high:.0f}), line {a.line:7.0f}; level {a.state.level:+.1f} "
                f"± {a.state.level_variance**0.5:.1f} (true {a.true_level:+.1f}), slope "
                f"{a.state.slope:+.1f} ± {a.state.slope_variance**0.5:.1f} "
                f"(true {a.true_slope:+.1f})"
            )
        answers += own
    if args.keep is not None:
        args.keep.write_bytes(pickle.dumps(answers))
    show(answers)


if __name__ == "__main__":
    main()
