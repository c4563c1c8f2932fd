"""``healthtrack assess`` and ``healthtrack report``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from healthtrack.cli.shell import (
    Shell,
    as_of_option,
    now,
    open_for_reading,
    print_json,
    progress,
    with_workspace,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
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

SURE = 0.9
"""Probability from which a complaint is said to be gone, or under one less it to be there still."""
LIKELY = 0.5


@click.command(short_help="Give the verdict on each vehicle.")
@click.argument("vehicles", nargs=-1, metavar="[VEHICLE]...")
@as_of_option
@with_workspace
def assess(vehicles: tuple[str, ...], as_of: date | None) -> None:
    """Say of each VEHICLE (default: all) whether its air path is sound, and how sure that is."""
    from healthtrack.jobs.findings import findings_as_dict

    shell = Shell.current()
    workspace = shell.workspace()
    chosen = tuple(workspace.chosen(vehicles))
    day = as_of or now().date()
    with open_for_reading(workspace) as store, vehicle_workers(workspace, len(chosen)) as workers:
        findings = assess_all(workspace, store, chosen, day, workers)
    if shell.as_json:
        print_json(findings_as_dict(day, findings))
        return
    for finding in findings:
        click.echo("\n".join(finding_lines(finding)))


@click.command(short_help="Write condition reports (PDF).")
@click.argument("vehicles", nargs=-1, metavar="[VEHICLE]...")
@click.option("--fleet", is_flag=True, help="Write one report on all of them together instead.")
@as_of_option
@with_workspace
def report(vehicles: tuple[str, ...], fleet: bool, as_of: date | None) -> None:  # noqa: FBT001 - click's
    """Write the condition report of each VEHICLE (default: all) as PDF into reports/VEHICLE/."""
    from healthtrack.jobs.assessing import write_fleet_report, write_index

    shell = Shell.current()
    workspace = shell.workspace()
    chosen = tuple(workspace.chosen(vehicles))
    day = as_of or now().date()
    with workspace.open_store() as store, vehicle_workers(workspace, len(chosen)) as workers:
        findings = assess_all(workspace, store, chosen, day, workers)
        if fleet:
            path = write_fleet_report(workspace, store, findings, day)
            reports = [{"vehicles": list(chosen), "path": str(path)}]
        else:
            written = report_all(workspace, store, findings, workers)
            reports = [
                {"vehicle": one.vehicle, "state": one.finding.state, "path": str(one.path)}
                for one in written
            ]
    index = write_index(workspace)
    if shell.as_json:
        print_json({"as_of": day.isoformat(), "reports": reports, "index": str(index)})
        return
    for finding in findings:
        click.echo(verdict_line(finding))
    for one in reports:
        click.echo(f"  {one['path']}")
    click.echo(f"  {index} lists all reports")


def vehicle_workers(workspace: Workspace, vehicles: int) -> AbstractContextManager[Executor | None]:
    """Return worker processes for verdicts and reports where they are worth their start."""
    from healthtrack.jobs.assessing import FEWEST_VEHICLES_FOR_A_POOL
    from healthtrack.jobs.pool import executor_for

    return executor_for(workspace.settings.workers, vehicles, FEWEST_VEHICLES_FOR_A_POOL)


def assess_all(
    workspace: Workspace,
    store: Store,
    vehicles: Sequence[str],
    day: date,
    workers: Executor | None,
) -> list[VehicleFinding]:
    """Give all verdicts, with a progress bar."""
    from healthtrack.jobs import assessing

    findings = []
    with progress("assessing", len(vehicles)) as step:
        for finding in assessing.assess(workspace, store, vehicles, day, now(), workers):
            findings.append(finding)
            step()
    return findings


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
