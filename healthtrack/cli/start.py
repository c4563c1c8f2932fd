"""``healthtrack init``."""

from __future__ import annotations

from pathlib import Path

import click


@click.command(short_help="Make a workspace.")
@click.argument("folder", metavar="DIR", type=click.Path(file_okay=False, path_type=Path))
def init(folder: Path) -> None:
    """Make a workspace in DIR, ready to be edited: settings, pipelines, inbox."""
    from healthtrack.config import SETTINGS_FILE
    from healthtrack.jobs import starting

    starting.make_workspace(folder)
    click.echo(
        f"{folder} is a workspace now:\n"
        f"  {SETTINGS_FILE}  every setting with its default and its reason\n"
        "  pipelines/        how each kind of log is read, one file per kind\n"
        f"  inbox/{starting.EXAMPLE_VEHICLE}/      where the logs of the example vehicle go\n"
        "Go there and run `healthtrack check`: it says what to do next."
    )
