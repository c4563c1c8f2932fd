"""``healthtrack plan``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from healthtrack.cli.shell import (
    Shell,
    as_of_option,
    now,
    open_for_reading,
    print_json,
    with_workspace,
)
from healthtrack.cli.verdicts import assess_all, vehicle_workers

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from healthtrack.jobs.planning import FleetPlan


@click.command(short_help="Say what to do when, for the fleet.")
@click.argument("vehicles", nargs=-1, metavar="[VEHICLE]...")
@click.option(
    "--calendar",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Write it as iCalendar too; a later export updates its entries.",
)
@as_of_option
@with_workspace
def plan(vehicles: tuple[str, ...], calendar: Path | None, as_of: date | None) -> None:
    """Say what to do when on each VEHICLE (default: all): checks, limits ahead, services."""
    from healthtrack.jobs.planning import plan_as_dict, plan_fleet, write_calendar

    shell = Shell.current()
    workspace = shell.workspace()
    chosen = workspace.chosen(vehicles)
    day = as_of or now().date()
    with open_for_reading(workspace) as store, vehicle_workers(workspace, len(chosen)) as workers:
        findings = assess_all(workspace, store, tuple(chosen), day, workers)
    fleet = plan_fleet(findings, chosen, day)
    if calendar is not None:
        write_calendar(fleet, calendar, now())
    if shell.as_json:
        path = None if calendar is None else str(calendar)
        print_json({**plan_as_dict(fleet), "calendar": path})
        return
    click.echo("\n".join(_lines(fleet)))
    for remark in fleet.remarks:
        click.echo(f"note: {remark}", err=True)
    if calendar is not None:
        click.echo(f"  {calendar} holds it for a calendar; write it anew to update the entries")


def _lines(fleet: FleetPlan) -> Iterator[str]:
    from healthtrack.advice import table

    if not fleet.items:
        yield f"Nothing is to be done as of {fleet.as_of.isoformat()}."
        return
    rows = table(fleet.items)
    width = max(len(vehicle) for _, vehicle, _, _ in rows)
    for due, vehicle, what, why in rows:
        yield f"{due:<10}  {vehicle:<{width}}  {what} ({why})"
