"""What all commands share: the workspace, ``--json``, dates, progress bars."""

from __future__ import annotations

import json
import sys
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.store import Store

_Command = TypeVar("_Command", bound="Callable[..., Any]")


@dataclass
class Shell:
    """What was said on the command line for all commands."""

    root: Path = Path()
    as_json: bool = False
    cluster: str | None = None

    @classmethod
    def current(cls) -> Shell:
        """Return the one of the command that is running."""
        root = click.get_current_context().find_root()
        return root.ensure_object(cls)

    def workspace(self) -> Workspace:
        """Read the workspace's settings.

        Raises
        ------
        SettingsError
            There are none, or they cannot be used.
        """
        from healthtrack.jobs.workspace import Workspace

        return Workspace.load(self.root)


def _keep_root(ctx: click.Context, _option: click.Parameter, value: Path | None) -> None:
    if value is not None:
        ctx.find_root().ensure_object(Shell).root = value


def _keep_json(ctx: click.Context, _option: click.Parameter, value: bool) -> None:  # noqa: FBT001 - click's
    if value:
        ctx.find_root().ensure_object(Shell).as_json = True


def with_workspace(command: _Command) -> _Command:
    """Add ``--workspace`` and ``--json``; both may stand before or after the command's name."""
    workspace = click.option(
        "--workspace",
        type=click.Path(file_okay=False, path_type=Path),
        metavar="DIR",
        expose_value=False,
        callback=_keep_root,
        help="Folder with healthtrack.toml. [default: the current folder]",
    )
    as_json = click.option(
        "--json",
        is_flag=True,
        expose_value=False,
        callback=_keep_json,
        help="Print one JSON document instead of text.",
    )
    return workspace(as_json(command))


def _keep_cluster(ctx: click.Context, _option: click.Parameter, value: str | None) -> None:
    if value is not None:
        ctx.find_root().ensure_object(Shell).cluster = value


def cluster_option(command: _Command) -> _Command:
    """Add ``--cluster``: the heavy work is done by the workers of a cluster."""
    return click.option(
        "--cluster",
        metavar="ADDRESS",
        expose_value=False,
        callback=_keep_cluster,
        help="Work on the Dask cluster whose scheduler is there, such as tcp://host:8786. "
        "[default: `cluster` of the settings, else this machine]",
    )(command)


class Day(click.ParamType[date]):
    """A day, written 2026-03-31."""

    name = "date"

    def convert(
        self,
        value: Any,  # noqa: ANN401 - click's signature
        param: click.Parameter | None,
        ctx: click.Context | None,
    ) -> date:
        """Read a day; anything else is wrong usage."""
        if isinstance(value, date):
            return value
        try:
            return date.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is no date; write it like 2026-03-31.", param, ctx)


def as_of_option(command: _Command) -> _Command:
    """Add ``--as-of``."""
    return click.option(
        "--as-of",
        type=Day(),
        metavar="DATE",
        help="Use nothing after this day, as on that evening. [default: today, UTC]",
    )(command)


def now() -> datetime:
    """Return the present moment; the commands take it here and hand it on."""
    from healthtrack import clock

    return clock.now()


@contextmanager
def open_for_reading(workspace: Workspace) -> Iterator[Store]:
    """Open the store, or the service's snapshot; then say on standard error how old it is."""
    with workspace.open_for_reading() as (store, published):
        if published is not None:
            click.echo(f"The service holds the store; this is as of {ago(published)}.", err=True)
        yield store


def ago(moment: datetime) -> str:
    """Return a moment as a person would say it, with how long ago it was."""
    seconds = max(0, int((now() - moment).total_seconds()))
    for size, unit in ((86_400, "days"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{moment:%Y-%m-%d %H:%M} UTC, {seconds // size} {unit} ago"
    return f"{moment:%Y-%m-%d %H:%M} UTC, {seconds} s ago"


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON document, the only thing on standard output."""
    click.echo(json.dumps(document, indent=2, ensure_ascii=False))


@contextmanager
def progress(words: str, total: int) -> Iterator[Callable[[], None]]:
    """Show a progress bar on standard error where that is a terminal; yields the step forward."""
    if not sys.stderr.isatty() or total < 2:
        yield _no_step
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn(words), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    bar = Progress(
        *columns,
        console=Console(stderr=True),
        transient=True,
        # text that a command prints meanwhile goes above the bar, but never from a file into it
        redirect_stdout=sys.stdout.isatty(),
    )
    with bar:
        task = bar.add_task(words, total=total)
        yield lambda: bar.advance(task)


def _no_step() -> None:
    """Nothing is shown."""
