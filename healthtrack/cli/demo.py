"""``healthtrack demo``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from healthtrack.cli.shell import Shell, now, print_json, progress, with_workspace
from healthtrack.cli.verdicts import assess_all, report_all, vehicle_workers, verdict_line

if TYPE_CHECKING:
    from collections.abc import Sequence
    from concurrent.futures import Executor
    from datetime import date

    from healthtrack.jobs.assessing import WrittenReport
    from healthtrack.jobs.demo import Comparison
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import Store


@click.command(short_help="Run the whole chain on an invented fleet.")
@click.option(
    "--history",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="The invented fleet's logs. [default: demo_history]",
)
@with_workspace
def demo(history: Path | None) -> None:
    """Run the whole chain on an invented fleet, from raw logs to PDF reports in reports/."""
    from healthtrack.jobs import demo as job
    from healthtrack.jobs.assessing import write_index

    shell = Shell.current()
    history = history or shell.root / "demo_history"
    reports = shell.root / "reports"
    workspace = job.make_demo_workspace(history, reports / ".demo", reports)
    vehicles = tuple(workspace.settings.vehicles)
    with workspace.open_store() as store, vehicle_workers(workspace, len(vehicles)) as workers:
        _ingest(workspace, store, history, workers)
        day = _last_day(store)
        findings = assess_all(workspace, store, vehicles, day, workers)
        written = report_all(workspace, store, findings, workers)
    write_index(workspace)
    if not shell.as_json:
        _tell_verdicts(shell, written)
    truth = job.read_truth(history / "truth.csv")
    comparisons = job.compare([one.finding for one in written], truth)
    if shell.as_json:
        print_json(_document(day, written, comparisons))
    else:
        _tell_truth(comparisons)


def _ingest(workspace: Workspace, store: Store, history: Path, workers: Executor | None) -> None:
    from healthtrack.cli.ingest import outcome_line
    from healthtrack.jobs import demo as job
    from healthtrack.jobs import ingesting, maintenance

    logs = job.demo_logs(workspace, history)
    pipelines = ingesting.load_pipelines(workspace)
    with progress("reading logs", len(logs)) as step:
        outcomes = ingesting.ingest_logs(workspace, store, logs, pipelines, now(), workers)
        for outcome in outcomes:
            if outcome.state not in {"stored", "known"}:
                click.echo(outcome_line(outcome), err=True)
            step()
    events = history / "maintenance.csv"
    if events.exists():
        store.add_maintenance(maintenance.read_list(events, workspace.settings.vehicles))


def _last_day(store: Store) -> date:
    from healthtrack.errors import SettingsError

    ended = store.last_drive_ended()
    if ended is None:
        raise SettingsError("none of the demo's logs could be read; the reasons are above.")
    return ended.date()


def _tell_verdicts(shell: Shell, written: Sequence[WrittenReport]) -> None:
    from healthtrack.jobs.words import counted

    for one in written:
        click.echo(verdict_line(one.finding))
    click.echo(f"\n{counted(len(written), 'report')}:")
    for one in written:
        click.echo(f"  {_relative(one.path, shell.root)}")


def _tell_truth(comparisons: Sequence[Comparison]) -> None:
    click.echo("\nWhat was really the matter (demo_history/truth.csv), read only now:")
    for one in comparisons:
        word = "agrees" if one.agrees else "DIFFERS"
        click.echo(f"  {one.truth.vehicle:<12} {word:<8} {one.truth.words}")
    right = sum(one.agrees for one in comparisons)
    click.echo(f"{right} of {len(comparisons)} verdicts agree with it.")


def _document(
    day: date, written: Sequence[WrittenReport], comparisons: Sequence[Comparison]
) -> dict[str, object]:
    from healthtrack.jobs.findings import findings_as_dict

    return {
        **findings_as_dict(day, [one.finding for one in written]),
        "reports": [str(one.path) for one in written],
        "truth": [
            {
                "vehicle": one.truth.vehicle,
                "expected_states": list(one.truth.states),
                "expected_causes": list(one.truth.causes),
                "state": one.state,
                "cause": one.cause,
                "agrees": one.agrees,
            }
            for one in comparisons
        ],
    }


def _relative(path: Path, root: Path) -> str:
    try:
        return str(path.relative_to(root.absolute()))
    except ValueError:
        return str(path)
