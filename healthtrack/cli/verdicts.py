"""``healthtrack assess`` and ``healthtrack report``."""

from __future__ import annotations

import json
import textwrap
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import click

from healthtrack.cli.shell import (
    Shell,
    as_of_option,
    cluster_option,
    now,
    open_for_reading,
    print_json,
    progress,
    with_workspace,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from concurrent.futures import Executor
    from contextlib import AbstractContextManager
    from datetime import date

    from healthtrack.jobs.assessing import WrittenReport
    from healthtrack.jobs.workspace import Workspace
    from healthtrack.records import (
        CauseFinding,
        IndicatorFinding,
        RepairFinding,
        VehicleFinding,
    )
    from healthtrack.store import Store

LONGEST_TRIP = 30_000.0
"""How far a forecast looks ahead. [km]"""
SURE = 0.9
"""Probability from which a complaint is said to be gone, or under one less it to be there still."""
LIKELY = 0.5
WORTH_A_WORD = 0.005
"""Probability under which an indicator is not named as one that may reach its limit on a trip."""


@click.command(short_help="Give the verdict on each vehicle.")
@click.argument("vehicles", nargs=-1, metavar="[VEHICLE]...")
@as_of_option
@click.option(
    "--trip-km",
    type=click.FloatRange(0.0, LONGEST_TRIP, min_open=True),
    metavar="KM",
    help="Say too how likely a limit is reached on a trip of so many kilometres from then on.",
)
@cluster_option
@with_workspace
def assess(vehicles: tuple[str, ...], as_of: date | None, trip_km: float | None) -> None:
    """Say of each VEHICLE (default: all) whether its air path is sound, and how sure that is."""
    shell = Shell.current()
    workspace = shell.workspace()
    chosen = tuple(workspace.chosen(vehicles))
    day = as_of or now().date()
    failures = Failures()
    with open_for_reading(workspace) as store, vehicle_workers(workspace, len(chosen)) as workers:
        findings = assess_each(workspace, store, chosen, day, workers, failures)
        if trip_km is not None:
            findings = (on_trip(finding, trip_km) for finding in findings)
        if shell.as_json:
            _print_document(day, findings)
        else:
            for finding in findings:
                lines = finding_lines(finding)
                click.echo(
                    "\n".join(lines if trip_km is None else [*lines, *trip_lines(finding, trip_km)])
                )
    failures.end()


def on_trip(finding: VehicleFinding, trip_km: float) -> VehicleFinding:
    """Return a finding with the probabilities that limits are reached on a trip."""
    from healthtrack.forecast import with_trip

    indicators = tuple(
        found
        if found.forecast is None
        else replace(found, forecast=with_trip(found.forecast, trip_km))
        for found in finding.indicators
    )
    return replace(finding, indicators=indicators)


def trip_lines(finding: VehicleFinding, trip_km: float) -> list[str]:
    """Return how likely each indicator is at its limit before the end of a trip."""
    chances = {
        found.indicator: found.forecast.before_trip
        for found in finding.indicators
        if found.forecast is not None and found.forecast.before_trip is not None
    }
    if not chances:
        return []
    way = f"{trip_km:,.0f} km".replace(",", " ")
    named = {name: chance for name, chance in chances.items() if chance >= WORTH_A_WORD}
    if not named:
        return [f"  trip: no limit is likely to be reached within {way} (each less than 1 %)"]
    return [
        f"  trip: {name} reaches its limit within {way} with a probability of {100 * chance:.0f} %"
        for name, chance in sorted(named.items(), key=lambda item: -item[1])
    ]


def _print_document(day: date, findings: Iterable[VehicleFinding]) -> None:
    """Print the one JSON document, each vehicle as soon as its verdict is there."""
    from healthtrack.jobs.findings import finding_as_dict

    click.echo(f'{{\n  "as_of": "{day.isoformat()}",\n  "vehicles": [', nl=False)
    between = "\n"
    for finding in findings:
        text = json.dumps(finding_as_dict(finding), indent=2, ensure_ascii=False)
        click.echo(between + textwrap.indent(text, "    "), nl=False)
        between = ",\n"
    click.echo("]\n}" if between == "\n" else "\n  ]\n}")


@click.command(short_help="Write condition reports (PDF).")
@click.argument("vehicles", nargs=-1, metavar="[VEHICLE]...")
@click.option("--fleet", is_flag=True, help="Write one report on all of them together instead.")
@as_of_option
@cluster_option
@with_workspace
def report(vehicles: tuple[str, ...], fleet: bool, as_of: date | None) -> None:  # noqa: FBT001 - click's
    """Write the condition report of each VEHICLE (default: all) as PDF into reports/VEHICLE/."""
    from healthtrack.jobs.assessing import write_fleet_report, write_index, write_reports

    shell = Shell.current()
    workspace = shell.workspace()
    chosen = tuple(workspace.chosen(vehicles))
    day = as_of or now().date()
    failures = Failures()
    lines: list[str] = []
    reports: list[dict[str, object]] = []
    with workspace.open_store() as store, vehicle_workers(workspace, len(chosen)) as workers:
        findings = assess_each(workspace, store, chosen, day, workers, failures)
        if fleet:
            together = list(findings)
            lines += [verdict_line(finding) for finding in together]
            path = write_fleet_report(workspace, store, together, day)
            reports.append({"vehicles": list(chosen), "path": str(path)})
        else:  # each report is drawn as soon as its verdict is there, and then let go
            for one in write_reports(workspace, findings, workers, store, failures.tell):
                lines.append(verdict_line(one.finding))
                state = one.finding.state
                reports.append({"vehicle": one.vehicle, "state": state, "path": str(one.path)})
    index = write_index(workspace)
    if shell.as_json:
        print_json({"as_of": day.isoformat(), "reports": reports, "index": str(index)})
    else:
        for line in (*lines, *(f"  {one['path']}" for one in reports)):
            click.echo(line)
        click.echo(f"  {index} lists all reports")
    failures.end()


@dataclass
class Failures:
    """Vehicles that could not be done; they are named, and do not stop the others."""

    vehicles: list[str] = field(default_factory=list)

    def tell(self, vehicle: str, words: str) -> None:
        """Say at once on standard error which vehicle it is, and why."""
        self.vehicles.append(vehicle)
        click.echo(f"Error: {vehicle}: {words}", err=True)

    def end(self) -> None:
        """End the command with exit code 1 if there was any."""
        if self.vehicles:
            names = ", ".join(self.vehicles)
            click.echo(f"Not done: {names}. The others are.", err=True)
            click.get_current_context().exit(1)


def vehicle_workers(workspace: Workspace, vehicles: int) -> AbstractContextManager[Executor | None]:
    """Return the cluster that is named, else worker processes where they are worth their start."""
    from healthtrack.jobs.assessing import FEWEST_VEHICLES_FOR_A_POOL
    from healthtrack.jobs.cluster import engine

    return engine(workspace, vehicles, FEWEST_VEHICLES_FOR_A_POOL, Shell.current().cluster)


def assess_all(
    workspace: Workspace,
    store: Store,
    vehicles: Sequence[str],
    day: date,
    workers: Executor | None,
) -> list[VehicleFinding]:
    """Give all verdicts, with a progress bar; the first vehicle that fails ends it."""
    return list(assess_each(workspace, store, vehicles, day, workers))


def assess_each(
    workspace: Workspace,
    store: Store,
    vehicles: Sequence[str],
    day: date,
    workers: Executor | None,
    failures: Failures | None = None,
) -> Iterator[VehicleFinding]:
    """Give verdicts one after the other, with a progress bar."""
    from healthtrack.jobs import assessing

    told = None if failures is None else failures.tell
    with progress("assessing", len(vehicles)) as step:
        for finding in assessing.assess(workspace, store, vehicles, day, now(), workers, told):
            yield finding
            step()


def report_all(
    workspace: Workspace,
    store: Store,
    findings: Sequence[VehicleFinding],
    workers: Executor | None,
) -> list[WrittenReport]:
    """Write all reports, with a progress bar."""
    from healthtrack.jobs import assessing

    written = []
    with progress("writing reports", len(findings)) as step:
        for one in assessing.write_reports(workspace, findings, workers, store):
            written.append(one)
            step()
    return written


def verdict_line(finding: VehicleFinding) -> str:
    """Return the verdict in one line: vehicle, state, reason."""
    return f"{finding.vehicle:<12} {finding.state:<9} {finding.reason}"


def finding_lines(finding: VehicleFinding) -> list[str]:
    """Return a finding as lines for a person: the verdict, then what it rests on."""
    lines = [verdict_line(finding)]
    lines += [f"  {_indicator(found)}" for found in finding.indicators]
    lines += [f"  cause: {_cause(cause)}" for cause in finding.causes]
    lines += [
        f"  {item.indicator:<20} cannot be observed: needs {item.needs}"
        for item in finding.not_observable
    ]
    lines += [f"  advice: {advice}" for advice in finding.advice]
    for repair in finding.repairs:
        lines += _repair(repair, {item.indicator: item.unit for item in finding.indicators})
    return lines


def _indicator(found: IndicatorFinding) -> str:
    line = f"{found.indicator:<20} {found.state:<9}"
    if found.level is None or found.low is None or found.high is None:
        return f"{line} {found.reason}"
    line += f" {found.level:+.1f} {found.unit} ({found.low:+.1f} to {found.high:+.1f})"
    if found.slope_per_10000_km is not None:
        line += f", {found.slope_per_10000_km:+.1f} per 10 000 km"
    if found.since_km is not None and found.kind != "none":
        line += f", {found.kind} since {found.since_km:,.0f} km".replace(",", " ", 2)
    if found.together is not None:
        told = found.together
        line += f"; others of its kind ({told.vehicles}) moved by {told.shared:+.1f} {found.unit} "
        line += f"({told.shared_low:+.1f} to {told.shared_high:+.1f})"
    return line


def _cause(cause: CauseFinding) -> str:
    line = f"{cause.cause} ({100 * cause.probability:.0f} %)"
    if cause.size is not None:
        line += f", {cause.size:+.1f} {cause.unit or ''}".rstrip()
    return line


def _repair(repair: RepairFinding, units: Mapping[str, str]) -> list[str]:
    """Return whether work on the vehicle helped, and what it changed beyond doubt."""
    from healthtrack.config import MAINTENANCE_KINDS

    lines = [f"  work: {repair.on}, {MAINTENANCE_KINDS[repair.kind][0]}: {_outcome(repair)}"]
    lines += [
        f"    {item.indicator} {item.change:+.1f} {units.get(item.indicator, '')} "
        f"({item.low:+.1f} to {item.high:+.1f})"
        for item in repair.changes
        if item.region == "all" and not item.low <= 0.0 <= item.high
    ]
    return lines


def _outcome(repair: RepairFinding) -> str:
    share = f"{100 * repair.gone:.0f} %"
    sound = sum(item.probability for item in repair.causes if item.cause == "none")
    if sound >= LIKELY:
        return "nothing was found wrong before it"
    if repair.gone >= SURE:
        return f"the complaint is gone ({share})"
    if repair.gone <= 1.0 - SURE:
        return f"the complaint is still there (gone: {share})"
    return f"whether the complaint is gone is not sure yet ({share})"
