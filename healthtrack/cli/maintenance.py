"""``healthtrack maintenance``: what was done to the vehicles."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from healthtrack.cli.shell import Day, Shell, open_for_reading, print_json, with_workspace

if TYPE_CHECKING:
    from datetime import date

    from healthtrack.records import MaintenanceEvent


class _WithKinds(click.Command):
    """Lists the kinds of maintenance in its help, from the one place where they are declared."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        from healthtrack.config import MAINTENANCE_KINDS

        with formatter.section("Kinds"):
            formatter.write_dl([(kind, words) for kind, (words, _) in MAINTENANCE_KINDS.items()])


@click.group(short_help="Tell what was done to a vehicle.")
def maintenance() -> None:
    """Tell what was done to a vehicle; new parts may start a new baseline."""


@maintenance.command(cls=_WithKinds)
@click.argument("vehicle")
@click.argument("kind")
@click.option("--on", required=True, type=Day(), metavar="DATE", help="Day it was done.")
@click.option("--odometer", type=float, metavar="KM", help="Odometer then [km].")
@click.option("--note", default="", metavar="TEXT", help="Anything worth remembering.")
@with_workspace
def add(vehicle: str, kind: str, on: date, odometer: float | None, note: str) -> None:
    """Add one event: KIND of work done to VEHICLE."""
    from healthtrack.jobs.maintenance import make_event

    shell = Shell.current()
    workspace = shell.workspace()
    workspace.chosen([vehicle])
    event = make_event(vehicle, on, kind, odometer, note)
    with workspace.open_store() as store:
        added = store.add_maintenance([event])
    if shell.as_json:
        print_json({"added": added, "event": event.event})
    elif added:
        click.echo(f"added {event.event}")
    else:
        click.echo(f"{event.event} was known already and is unchanged.")


@maintenance.command(name="list")
@click.argument("vehicle", required=False)
@with_workspace
def list_events(vehicle: str | None) -> None:
    """List the events of VEHICLE, or of all."""
    shell = Shell.current()
    workspace = shell.workspace()
    if vehicle is not None:
        workspace.chosen([vehicle])
    with open_for_reading(workspace) as store:
        events = store.maintenance(vehicle)
    if shell.as_json:
        print_json({"events": [_as_dict(event) for event in events]})
        return
    for event in events:
        odometer = "" if event.odometer_km is None else f", {event.odometer_km:.0f} km"
        note = f": {event.note}" if event.note else ""
        click.echo(f"{event.event}{odometer}{note}")
    if not events:
        click.echo("No maintenance events. Add one: `healthtrack maintenance add VEHICLE KIND`.")


@maintenance.command(name="import")
@click.argument("path", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path))
@with_workspace
def import_list(path: Path) -> None:
    """Import a list: CSV with the columns vehicle, on, kind, odometer_km, note.

    All lines or, if one of them cannot be used, none. Known events stay as they are.
    """
    from healthtrack.jobs.maintenance import read_list

    shell = Shell.current()
    workspace = shell.workspace()
    events = read_list(path, workspace.settings.vehicles)
    with workspace.open_store() as store:
        added = store.add_maintenance(events)
    if shell.as_json:
        print_json({"added": added, "known": len(events) - added})
    else:
        click.echo(f"{added} added, {len(events) - added} known already.")


@maintenance.command()
@click.argument("event")
@with_workspace
def remove(event: str) -> None:
    """Remove an EVENT (as `maintenance list` names it) that was entered by mistake."""
    from healthtrack.errors import UsageError

    shell = Shell.current()
    with shell.workspace().open_store() as store:
        removed = store.remove_maintenance(event)
    if not removed:
        raise UsageError(f"there is no event {event!r}. `healthtrack maintenance list` names them.")
    if shell.as_json:
        print_json({"removed": event})
    else:
        click.echo(f"removed {event}")


def _as_dict(event: MaintenanceEvent) -> dict[str, Any]:
    return {
        "event": event.event,
        "vehicle": event.vehicle,
        "on": event.on.isoformat(),
        "kind": event.kind,
        "odometer_km": event.odometer_km,
        "note": event.note,
    }
