"""``healthtrack pull``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from healthtrack.cli.shell import Shell, print_json, with_workspace

if TYPE_CHECKING:
    from healthtrack.jobs.pulling import FoundPull, PullsOfLog
    from healthtrack.operating.pull_reading import Margin

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command(short_help="Read the full-load accelerations of one log.")
@click.argument("log", metavar="LOG", type=FILE)
@click.option("--vehicle", metavar="ID", help="Whose log it is. [default: from inbox/ID/...]")
@click.option("--pipeline", metavar="NAME", help="Read it with this pipeline alone.")
@click.option("--map", "chart", metavar="FILE", type=FILE, help="Compressor map (its TOML head).")
@click.option(
    "--flow-unit",
    type=click.Choice(["g/s", "kg/s", "kg/h", "lb/min"]),
    default="g/s",
    show_default=True,
    help="Unit of airflow in words and on the page.",
)
@click.option(
    "--pressure-unit",
    type=click.Choice(["kPa", "bar", "psi"]),
    default="kPa",
    show_default=True,
    help="Unit of absolute pressure in words and on the page.",
)
@click.option(
    "--iso-1585",
    "refer_power",
    is_flag=True,
    help="Also say how ISO 1585 would refer the power to 99 kPa and 298 K.",
)
@click.option(
    "--output", metavar="FILE", type=click.Path(dir_okay=False, path_type=Path), help="The page."
)
@with_workspace
def pull(  # noqa: PLR0913 - one per option
    *,
    log: Path,
    vehicle: str | None,
    pipeline: str | None,
    chart: Path | None,
    flow_unit: str,
    pressure_unit: str,
    output: Path | None,
    refer_power: bool,
) -> None:
    """Find the pulls in LOG, place them on the compressor map, and write a page (PDF).

    A pull is an acceleration at full load in one gear. Drive it on a safe, legal road or a closed
    one, with a second person at the logger. Nothing is stored; without a workspace the shipped
    pipelines are tried.
    """
    from healthtrack.jobs import pulling

    shell = Shell.current()
    asked = pulling.PullRequest(
        log, vehicle, pipeline, chart, output, refer_power, flow_unit, pressure_unit
    )
    result = pulling.read_pulls(shell.root, asked)
    pulling.write_page(result)
    if shell.as_json:
        print_json(document(result))
        return
    click.echo("\n".join(lines(result)))


def lines(result: PullsOfLog) -> list[str]:
    """Return what a log's pulls say, as lines for a person."""
    from healthtrack.jobs.pulling import facts, heading, near_miss_words

    told = []
    for found in result.pulls:
        told.append(heading(found))
        told.append(f"  {found.reading.verdict}")
        told.append(f"  {'; '.join(facts(found, result))}.")
        told += [f"  {sentence}" for sentence in found.reading.sentences]
    if not result.pulls:
        told.append(
            "No pull was found: none was long enough at full load in one gear (at least 2.5 s and "
            "a quarter more engine speed)."
        )
    if result.near_misses:
        told.append("Not counted:")
        told += [f"  {near_miss_words(miss)}" for miss in result.near_misses]
    told.append(str(result.page))
    return told


def document(result: PullsOfLog) -> dict[str, Any]:
    """Return what a log's pulls say, as one JSON document."""
    return {
        "log": result.log,
        "vehicle": result.vehicle,
        "map": result.chart.name if result.chart is not None else None,
        "page": str(result.page),
        "pulls": [_pull(found) for found in result.pulls],
        "near_misses": [
            {
                "started": miss.started.isoformat(),
                "seconds": round(miss.seconds, 1),
                "reason": miss.reason,
            }
            for miss in result.near_misses
        ],
    }


def _pull(found: FoundPull) -> dict[str, Any]:
    from healthtrack.jobs.pulling import known

    reading = found.reading
    return {
        "started": found.started.isoformat(),
        "verdict": reading.verdict,
        "figures": {
            name: round(value, 4) if known(value) else None
            for name, value in sorted(found.figures.items())
        },
        "peak_pressure_ratio": round(reading.peak_ratio, 3),
        "held_pressure_ratio": reading.held_ratio,
        "share_in_efficient_zone": reading.share_efficient,
        "seconds_outside_map": reading.outside,
        "surge_margin": _margin(reading.surge),
        "choke_margin": _margin(reading.choke),
        "sentences": list(reading.sentences),
    }


def _margin(margin: Margin | None) -> dict[str, float] | None:
    if margin is None:
        return None
    return {
        "percent": round(margin.percent, 1),
        "low": round(margin.percent - 1.96 * margin.error, 1),
        "high": round(margin.percent + 1.96 * margin.error, 1),
        "seconds": round(margin.seconds, 1),
        "engine_speed": round(margin.engine_speed),
    }
