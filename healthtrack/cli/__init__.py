"""The command line: thin, and importing late, so that ``--help`` costs nothing.

Every command is a few lines that call :mod:`healthtrack.jobs` and tell a person, or a script with
``--json``, what came of it. Exit codes: 0 done, 1 something needs the user, 2 wrong usage.
"""

from __future__ import annotations

import os
from typing import Any

import click

from healthtrack import __version__
from healthtrack.cli import (
    backtest,
    check,
    demo,
    ingest,
    maintenance,
    planning,
    pull,
    samples,
    service,
    start,
    verdicts,
)
from healthtrack.cli.shell import with_workspace
from healthtrack.errors import HealthtrackError, UsageError


class _Commands(click.Group):
    """Says a fault that a person must mend in plain words, without a traceback."""

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401 - whatever the command returns
        try:
            return super().invoke(ctx)
        except UsageError as error:
            click.echo(f"Error: {error}", err=True)
            ctx.exit(2)
        except HealthtrackError as error:
            click.echo(f"Error: {error}", err=True)
            ctx.exit(1)

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Return the commands in the order in which a newcomer needs them."""
        return list(self.commands)


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Start with `healthtrack demo`, or `healthtrack init DIR` for your own logs.",
)
@click.version_option(__version__, "--version", prog_name="healthtrack")
@with_workspace
def main() -> None:
    """Watch the air path of turbocharged diesels over the years, from their drive logs."""
    # before numpy is imported: its threads fight over the processors (assess took eight times as
    # long on a busy machine), and the sums of one thread are the same every time
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")


main.add_command(demo.demo)
main.add_command(start.init)
main.add_command(check.check)
main.add_command(ingest.ingest)
main.add_command(verdicts.assess)
main.add_command(verdicts.report)
main.add_command(planning.plan)
main.add_command(pull.pull)
main.add_command(maintenance.maintenance)
main.add_command(backtest.backtest)
main.add_command(samples.samples)
main.add_command(service.serve)
main.add_command(service.status)
main.add_command(service.page_password)
main.add_command(service.acknowledge)
main.add_command(service.backup)
main.add_command(service.restore)
main.add_command(service.service_files)
