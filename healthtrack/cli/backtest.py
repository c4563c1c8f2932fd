"""``healthtrack backtest``: what settings would have said, on the history that there is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from healthtrack.cli.shell import (
    Day,
    Shell,
    cluster_option,
    now,
    open_for_reading,
    print_json,
    progress,
    with_workspace,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import date

    import polars as pl

    from healthtrack.baseline import Baseline
    from healthtrack.bench.results import Backtest, Plan
    from healthtrack.bench.scoring import Figures
    from healthtrack.bench.truth import Truth
    from healthtrack.bench.tune import Choice, Difference
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import VehicleHistory
    from healthtrack.store import Store


@click.group(short_help="Replay history: what would settings have said, and at what price?")
def backtest() -> None:
    """Replay history: what would have been said on each day, and whether it was right.

    Run one, look at it, let it choose settings, and put those into healthtrack.toml.
    """


def _asked(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say what a back-test asks."""
    for option in (
        click.option(
            "--no-causes",
            is_flag=True,
            help="Leave out causes and forecasts, which take most of the time.",
        ),
        click.option(
            "--as-of",
            type=Day(),
            metavar="DATE",
            help="Use nothing after this day. [default: today, UTC]",
        ),
        click.option(
            "--truth",
            type=click.Path(dir_okay=False, path_type=Path),
            metavar="FILE",
            help="What was really wrong: CSV with vehicle, cause, since and, where known, full_on, "
            "until, size.",
        ),
        click.option(
            "--fault-on",
            "faults_on",
            multiple=True,
            type=Day(),
            metavar="DATE",
            help="Day on which faults begin; may be given again. [default: the middle of what is "
            "judged of each vehicle]",
        ),
        click.option(
            "--fault",
            "faults",
            multiple=True,
            metavar="CAUSE:SIZE[:DAYS]",
            help="Put a fault into every vehicle, at once or growing over so many days; may be "
            "given again.",
        ),
        click.option("--grid", is_flag=True, help="Try all combinations of the values of --vary."),
        click.option(
            "--vary",
            multiple=True,
            metavar="SETTING=VALUES",
            help="Try other values of a setting, as in "
            "false_alerts_per_vehicle_year=0.05,0.1,0.2; may be given again.",
        ),
    ):
        command = option(command)
    return command


@backtest.command(short_help="Replay vehicles, and keep what came of it.")
@click.argument("name")
@click.argument("vehicles", nargs=-1, metavar="[VEHICLE]...")
@_asked
@cluster_option
@click.option("--pdf", is_flag=True, help="Write the report on it too.")
@click.option(
    "--detectors",
    "with_others",
    is_flag=True,
    help="Hold it against other detectors of change too, as `backtest detectors` does.",
)
@with_workspace
def run(
    name: str,
    vehicles: tuple[str, ...],
    pdf: bool,  # noqa: FBT001 - click's
    with_others: bool,  # noqa: FBT001 - click's
    **asked: Any,  # noqa: ANN401 - click's
) -> None:
    """Replay each VEHICLE (default: all) day by day and keep the result as NAME.

    One that was broken off goes on where it was when it is asked the same again.
    """
    from healthtrack.bench import results

    shell = Shell.current()
    workspace = shell.workspace()
    chosen = tuple(workspace.chosen(vehicles))
    with open_for_reading(workspace) as store:
        plan = _plan(workspace, store, chosen, asked)
        _run(workspace, store, name, plan)
    told = results.load(workspace.root, name)
    _show(shell, workspace, told, pdf=pdf, others=with_others)


@backtest.command(name="list", short_help="List the back-tests of the workspace.")
@with_workspace
def list_all() -> None:
    """List the back-tests that are kept under backtests/."""
    from dataclasses import asdict

    from healthtrack.bench import results

    shell = Shell.current()
    entries = results.listed(shell.workspace().root)
    if shell.as_json:
        rows = [asdict(one) | {"created": str(one.created)} for one in entries]
        print_json({"backtests": rows})
        return
    for one in entries:
        state = "" if one.finished else f", broken off with {one.done} done: run it again to go on"
        click.echo(
            f"{one.name:<20} {one.created:%Y-%m-%d %H:%M}  {one.vehicles} vehicles, "
            f"{one.variants} settings, {one.cases} cases{state}"
        )
    if not entries:
        click.echo("No back-tests. Make one: `healthtrack backtest run NAME`.")


@backtest.command(short_help="Show what a back-test says.")
@click.argument("name")
@click.option("--pdf", is_flag=True, help="Write the report on it too.")
@with_workspace
def show(name: str, pdf: bool) -> None:  # noqa: FBT001 - click's
    """Show the figures of the back-test NAME, as text, as JSON, as PDF."""
    from healthtrack.bench import results

    shell = Shell.current()
    workspace = shell.workspace()
    _show(shell, workspace, results.load(workspace.root, name), pdf=pdf)


@backtest.command(short_help="Compare two settings on the same history.")
@click.argument("name")
@click.argument("first")
@click.argument("second")
@with_workspace
def compare(name: str, first: str, second: str) -> None:
    """Compare the settings FIRST and SECOND of the back-test NAME, vehicle by vehicle.

    Settings are named as `backtest show` names them; "as set" are the workspace's own.
    """
    from dataclasses import asdict

    import numpy as np

    from healthtrack.bench import results, tune

    shell = Shell.current()
    told = results.load(shell.workspace().root, name)
    differences = tune.compare(told, first, second, np.random.default_rng(0))
    if shell.as_json:
        print_json({"name": name, "first": first, "second": second,
                    "differences": [asdict(one) for one in differences]})  # fmt: skip
        return
    click.echo(f"{second} against {first}, {len(told.plan['vehicles'])} vehicles:")
    for one in differences:
        click.echo(f"  {_difference(one)}")


def _priced(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that say what is wanted."""
    for option in (
        click.option("--split", type=click.Choice(["vehicle", "time"]), default="vehicle",
                     show_default=True, help="What is held out: every second vehicle, or the "
                     "later half of each."),
        click.option("--faults-per-year", type=float, default=0.3, show_default=True,
                     help="Faults of a vehicle in a year, for the price."),
        click.option("--miss", type=float, metavar="PRICE", help="Price of a fault never told."),
        click.option("--delay-day", type=float, metavar="PRICE", help="Price of a day's delay."),
        click.option("--false-alert", type=float, metavar="PRICE", help="Price of a false alert."),
        click.option("--budget", type=float, metavar="RATE",
                     help="Most false alerts per vehicle-year, instead of prices."),
    ):  # fmt: skip
        command = option(command)
    return command


@backtest.command(short_help="Choose settings by a price or by a budget.")
@click.argument("name")
@_priced
@with_workspace
def tune(name: str, **wanted: Any) -> None:  # noqa: ANN401 - click's
    """Choose among the settings of the back-test NAME, on one part, judged on the other."""
    shell = Shell.current()
    workspace = shell.workspace()
    choice = _choose(workspace, name, wanted)
    if shell.as_json:
        print_json(_choice_document(name, choice))
        return
    click.echo("\n".join(_choice_lines(choice)))
    if choice.chosen.variant != "as set":
        click.echo(f"To use them: `healthtrack backtest apply {name}` with the same options.")


@backtest.command(name="apply", short_help="Put chosen settings into healthtrack.toml.")
@click.argument("name")
@click.option("--settings", metavar="SETTINGS", help="Take these, as `backtest show` names them.")
@_priced
@with_workspace
def apply_settings(name: str, settings: str | None, **wanted: Any) -> None:  # noqa: ANN401 - click's
    """Put settings of the back-test NAME into healthtrack.toml: those named, or those chosen.

    Your own comments stay; a comment beside each says where it came from.
    """
    from healthtrack.bench import applying, results

    shell = Shell.current()
    workspace = shell.workspace()
    told = results.load(workspace.root, name)
    if settings is None:
        choice = _choose(workspace, name, wanted)
        settings, why = choice.chosen.variant, choice.why
    else:
        why = "chosen by name"
    changed = applying.apply(workspace.root, told, settings, now().date(), why)
    if shell.as_json:
        print_json({"name": name, "settings": settings, "changed": changed})
        return
    for key, (before, after) in changed.items():
        click.echo(f"{key}: {before} -> {after}")
    if not changed:
        click.echo("healthtrack.toml says so already; nothing was changed.")


@backtest.command(short_help="Hold this monitor against other detectors of change.")
@click.argument("name")
@click.option(
    "--every",
    type=click.FloatRange(min=100.0),
    metavar="KM",
    help="Distance between the inspections it is held against. [default: 15000]",
)
@with_workspace
def detectors(name: str, every: float | None) -> None:
    """Show how early other detectors tell of the faults of NAME, at as many false alerts."""
    from healthtrack.bench import detectors as others
    from healthtrack.bench import results
    from healthtrack.bench.tune import EVERY_KM

    shell = Shell.current()
    told = results.load(shell.workspace().root, name)
    table, skipped = others.table(told, every or EVERY_KM)
    if shell.as_json:
        print_json({"name": name, "detectors": table.to_dicts(), "skipped": skipped})
        return
    click.echo("\n".join(_detector_lines(table, skipped)))


def _detector_lines(table: pl.DataFrame, skipped: dict[str, str]) -> list[str]:
    from healthtrack.bench import detectors as others

    left_out = [f"{detector}: left out, {reason}" for detector, reason in skipped.items()]
    return [*others.lines(table), *left_out]


def _plan(
    workspace: Workspace, store: Store, chosen: tuple[str, ...], asked: dict[str, Any]
) -> Plan:
    from healthtrack.bench import settings, study
    from healthtrack.bench.results import Plan

    vary = [settings.parse_vary(words) for words in asked["vary"]]
    variants = settings.variants(vary, grid=asked["grid"])
    for one in variants:  # what is out of bounds is said before anything is replayed
        settings.changed(workspace.settings, one)
    as_of: date = asked["as_of"] or now().date()
    return Plan(
        workspace=workspace.settings,
        vehicles=chosen,
        as_of=as_of,
        variants=variants,
        faults=tuple(study.parse_fault(words) for words in asked["faults"]),
        truths=_truths(workspace, store, chosen, asked["truth"], as_of),
        faults_on=tuple(asked["faults_on"]),
        diagnose=not asked["no_causes"],
    )


def _truths(
    workspace: Workspace, store: Store, chosen: tuple[str, ...], path: Path | None, as_of: date
) -> tuple[Truth, ...]:
    from healthtrack.bench import truth

    known = list(truth.from_maintenance(store.maintenance(as_of=as_of)))
    if path is not None:
        known += truth.read_table(path, workspace.settings.vehicles)
    return tuple(one for one in truth.surest(known) if one.vehicle in chosen)


def _run(workspace: Workspace, store: Store, name: str, plan: Plan) -> None:
    from healthtrack.bench import results
    from healthtrack.cli.verdicts import vehicle_workers
    from healthtrack.jobs.kin import Kin

    kin = Kin(workspace, store, plan.as_of)

    def histories() -> Iterator[tuple[VehicleHistory, tuple[Baseline, ...]]]:
        for vehicle in plan.vehicles:
            yield store.history(vehicle, plan.as_of), kin.of(vehicle)

    count = len(plan.vehicles)
    with vehicle_workers(workspace, count) as workers, progress("replaying", count) as step:
        for _ in results.run(workspace.root, name, plan, histories(), now(), workers):
            step()


def _show(
    shell: Shell, workspace: Workspace, told: Backtest, *, pdf: bool, others: bool = False
) -> None:
    from healthtrack.bench import detectors, results
    from healthtrack.bench.tune import EVERY_KM

    path = _report(workspace, told) if pdf else None
    held = detectors.table(told, EVERY_KM) if others else None
    if shell.as_json:
        document = results.as_document(told) | {"report": None if path is None else str(path)}
        if held is not None:
            document |= {"detectors": held[0].to_dicts(), "skipped": held[1]}
        print_json(document)
        return
    click.echo("\n".join(_lines(told)))
    if held is not None:
        click.echo("\n".join(_detector_lines(*held)))
    if path is not None:
        click.echo(f"  {workspace.shown(path)}")


def _report(workspace: Workspace, told: Backtest) -> Path:
    from healthtrack.bench import showing

    path = told.path / f"{told.name}_back-test.pdf"
    showing.write_report(told, workspace.settings, path)
    return path


def _lines(told: Backtest) -> list[str]:
    lines = [f"back-test {told.name}: {_size(told)}"]
    for one in told.variants:
        lines += [f"{one.name}"] + [f"  {line}" for line in figure_lines(told.figures(one.name))]
    if len(told.cases) > 1:
        lines.append("as set, case by case:")
        for case in told.cases:
            lines.append(f"  {case}")
            lines += [f"    {line}" for line in figure_lines(told.figures(case=case))[:3]]
    front = [row["variant"] for row in told.table().iter_rows(named=True) if row["front"]]
    lines += _beside(told)
    if len(told.variants) > 1:
        lines.append(f"none better at once in false alerts, misses and delay: {'; '.join(front)}")
    return lines


def _beside(told: Backtest) -> list[str]:
    """Return what never looking, and looking by the calendar, would find."""
    from healthtrack.bench.tune import inspected

    held = inspected(told)
    if held is None:
        return []
    delay = held.delay_days.median
    after = "" if delay is None else f", after {delay:.0f} days (median)"
    words = (
        f"beside them, of the {held.faults} faults that were put in: never looking finds none; an "
        f"{held.name} finds {held.found}{after}"
    )
    return [words]


def _size(told: Backtest) -> str:
    return (
        f"{len(told.plan['vehicles'])} vehicles until {told.plan['as_of']}, "
        f"{len(told.variants)} settings, {len(told.cases)} cases"
    )


def figure_lines(told: Figures) -> list[str]:
    """Return figures as lines for a person."""
    rate = told.false_alerts
    false = f"{rate.count} false alerts in {rate.years:.1f} sound vehicle-years"
    if rate.rate is not None:
        false += f": {rate.rate:.3f} a year ({rate.low:.3f} to {rate.high:.3f})"
    lines = [false]
    recall = told.recall
    if recall.share is not None:
        before = f", {told.before} begun under an alert that stood" if told.before else ""
        lines.append(
            f"{recall.count} of {recall.of} faults told of ({100 * (recall.low or 0):.0f} to "
            f"{100 * (recall.high or 0):.0f} %), {told.missed} missed{before}"
        )
    if told.delay_days.median is not None:
        parts = [f"{told.delay_days.median:.0f} days"]
        if told.delay_drives.median is not None:
            parts.append(f"{told.delay_drives.median:.0f} drives")
        if told.delay_km.median is not None:
            parts.append(f"{told.delay_km.median:.0f} km")
        reached = told.reached.median
        share = "" if reached is None else f", at {100 * reached:.0f} % of their size"
        lines.append(f"told after {', '.join(parts)} (medians){share}")
    for words, share_of in (
        ("likeliest cause right", told.top_cause),
        ("cause among those named", told.cause_among_likely),
        ("truth inside the 95 % band", told.band),
        ("forecast interval held the truth", told.forecast_inside),
    ):
        if share_of.share is not None:
            lines.append(f"{words}: {100 * share_of.share:.0f} % of {share_of.of}")
    return lines


def _difference(one: Difference) -> str:
    if one.first is None or one.second is None or one.difference is None:
        return f"{one.figure}: not known on both sides"
    line = f"{one.figure} [{one.unit}]: {one.first:.3g} and {one.second:.3g}, {one.difference:+.3g}"
    if one.low is None or one.high is None:
        return f"{line} (too few vehicles for an interval)"
    told = "" if one.low <= 0.0 <= one.high else ", beyond chance"
    return f"{line} ({one.low:+.3g} to {one.high:+.3g}{told})"


def _choose(workspace: Workspace, name: str, wanted: dict[str, Any]) -> Choice:
    from healthtrack.bench import results
    from healthtrack.bench import tune as tuning
    from healthtrack.errors import UsageError

    told = results.load(workspace.root, name)
    prices = [wanted[key] for key in ("false_alert", "delay_day", "miss")]
    if wanted["budget"] is not None and not any(price is not None for price in prices):
        return tuning.tune(told, tuning.Budget(wanted["budget"]), wanted["split"])
    if wanted["budget"] is not None or any(price is None for price in prices):
        raise UsageError(
            "say what is wanted: either --budget with the most false alerts per vehicle-year, or "
            "all three prices, --false-alert, --delay-day and --miss."
        )
    false_alert, delay_day, miss = prices
    goal = tuning.Prices(false_alert, delay_day, miss, wanted["faults_per_year"])
    return tuning.tune(told, goal, wanted["split"])


def _choice_lines(choice: Choice) -> list[str]:
    chosen = choice.chosen
    lines = [
        f"chosen: {chosen.variant} ({choice.why})",
        f"chosen on {', '.join(choice.tuned_on)}:",
        *(f"  {line}" for line in figure_lines(chosen.tuned)[:3]),
        f"judged on {', '.join(choice.held_out)}:",
        *(f"  {line}" for line in figure_lines(chosen.held_out)[:3]),
    ]
    if choice.gap is not None:
        best = "it is the best there too"
        if choice.regret:
            best = f"the best there costs {choice.regret:.3g} less"
        lines.append(
            f"cost per vehicle-year {chosen.cost:.3g} where it was chosen, "
            f"{chosen.cost_held_out:.3g} where it is judged: over-fitting {choice.gap:+.3g}; {best}"
        )
    return lines


def _choice_document(name: str, choice: Choice) -> dict[str, Any]:
    from dataclasses import asdict

    return {"name": name, **asdict(choice)}
