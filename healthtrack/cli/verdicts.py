"""``healthtrack assess`` and ``healthtrack report``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from healthtrack.cli.shell import Shell, as_of_option, now, print_json, progress, with_workspace

if TYPE_CHECKING:
    from datetime import date

    from healthtrack.records import CauseFinding, IndicatorFinding, VehicleFinding


@click.command(short_help="Give the verdict on each vehicle.")
@click.argument("vehicles", nargs=-1, metavar="[VEHICLE]...")
@as_of_option
@with_workspace
def assess(vehicles: tuple[str, ...], as_of: date | None) -> None:
    """Say of each VEHICLE (default: all) whether its air path is sound, and how sure that is."""
    from healthtrack.jobs.findings import findings_as_dict

    shell = Shell.current()
    day = as_of or now().date()
    findings = _assess(shell, vehicles, day)
    if shell.as_json:
        print_json(findings_as_dict(day, findings))
        return
    for finding in findings:
        click.echo("\n".join(finding_lines(finding)))


@click.command(short_help="Write condition reports (PDF).")
@click.argument("vehicles", nargs=-1, metavar="[VEHICLE]...")
@as_of_option
@with_workspace
def report(vehicles: tuple[str, ...], as_of: date | None) -> None:
    """Write the condition report of each VEHICLE (default: all) as PDF into reports/VEHICLE/."""
    from healthtrack.jobs.assessing import write_report

    shell = Shell.current()
    workspace = shell.workspace()
    day = as_of or now().date()
    findings = _assess(shell, vehicles, day)
    written = []
    with progress("writing reports", len(findings)) as step:
        for finding in findings:
            written.append(write_report(workspace, finding))
            step()
    if shell.as_json:
        reports = [
            {"vehicle": one.vehicle, "state": one.finding.state, "path": str(one.path)}
            for one in written
        ]
        print_json({"as_of": day.isoformat(), "reports": reports})
        return
    for one in written:
        click.echo(f"{verdict_line(one.finding)}\n  {one.path}")


def _assess(shell: Shell, vehicles: tuple[str, ...], day: date) -> list[VehicleFinding]:
    from healthtrack.jobs import assessing

    workspace = shell.workspace()
    chosen = workspace.chosen(vehicles)
    findings = []
    with workspace.open_store() as store, progress("assessing", len(chosen)) as step:
        for finding in assessing.assess(workspace, store, tuple(chosen), day, now()):
            findings.append(finding)
            step()
    return findings


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
