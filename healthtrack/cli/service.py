"""The service's commands: serve, status, acknowledge, backup, restore, service-files."""

from __future__ import annotations

import getpass
import sys
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from healthtrack.cli.shell import Shell, ago, now, print_json, with_workspace

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from healthtrack.service.runner import Runner


@click.command(short_help="Watch the inbox, assess, report and mail, for years.")
@click.option("--once", is_flag=True, help="Do what is due now, then end.")
@with_workspace
def serve(once: bool) -> None:  # noqa: FBT001 - click's
    """Run the service: take logs in, assess, raise alerts, mail reports, back up.

    It ends on SIGTERM or Ctrl-C, at the latest after `stop_seconds`; what was under way is done
    again at the next start. It writes its log to service/healthtrack.log and standard error.
    """
    from healthtrack import clock
    from healthtrack.service.serve import serve as run

    shell = Shell.current()
    if not run(shell.root, clock.now, once=once, beside=_page):
        click.get_current_context().exit(1)


@contextmanager
def _page(runner: Runner) -> Iterator[None]:
    from healthtrack.web import page_beside

    with page_beside(runner) as address:
        if address is not None:
            click.echo(f"The page: {address}", err=True)
        yield


@click.command("page-password", short_help="Set who may sign in to the live page.")
@click.argument("name")
@click.option("--reading", is_flag=True, help="May look, and change nothing.")
@click.option("--remove", is_flag=True, help="Take the password away.")
@with_workspace
def page_password(name: str, reading: bool, remove: bool) -> None:  # noqa: FBT001 - click's
    """Set the password with which NAME signs in to the page that `healthtrack serve` serves.

    The page asks for it where others than this machine's users can reach it. It is asked for here
    twice, or read from standard input; its hash lies in service/page-accounts.json.
    """
    from healthtrack.errors import UsageError
    from healthtrack.web.accounts import keep_account, remove_account

    root = Shell.current().workspace().root
    if remove:
        if not remove_account(root, name):
            raise UsageError(f"{name!r} has no password.")
        click.echo(f"{name} can no longer sign in; restart the service to end open sessions.")
        return
    if sys.stdin.isatty():
        password = click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True)
    else:
        password = sys.stdin.readline().rstrip("\r\n")
    keep_account(root, name, password, "reading" if reading else "full")
    click.echo(f"{name} may sign in{' and look' if reading else ''}.")


@click.command(short_help="Show how the service stands.")
@with_workspace
def status() -> None:
    """Show how the service stands: jobs, letters, alerts, logs, and how old this is."""
    from healthtrack.service.looking import look

    shell = Shell.current()
    seen = look(shell.root, now())
    if shell.as_json:
        print_json(seen.as_dict())
    else:
        for line in _lines(seen.document, seen.running):
            click.echo(line)
        for fault in seen.faults:
            click.echo(f"wrong  {fault}")
    if seen.faults or not seen.running:
        click.get_current_context().exit(1)


def _lines(document: Mapping[str, Any] | None, running: bool) -> Iterator[str]:  # noqa: FBT001
    if document is None:
        yield "No service has run on this workspace yet. Start it: `healthtrack serve`."
        return
    how = f"running (process {document['pid']})" if running else "not running"
    yield f"The service is {how}; as of {ago(_moment(document['published']))}."
    if document["busy_with"] and running:
        yield f"It is busy with {document['busy_with']}."
    logs = ", ".join(f"{count} {state}" for state, count in document["logs"].items()) or "none"
    yield f"Logs: {logs}; {document['drives']} drives; {document['inbox_waiting']} files wait."
    letters = ", ".join(f"{count} {state}" for state, count in document["letters"].items())
    yield f"Letters: {letters or 'none'}."
    alerts = ", ".join(f"{count} {state}" for state, count in document["alerts"].items() if count)
    yield f"Open alerts: {alerts or 'none'}."
    for episode in document["unacknowledged"]:
        yield f"  {episode}: not acknowledged; `healthtrack acknowledge {episode.split('/')[0]}`"
    for job in document["jobs"]:
        yield f"{job['job']:<24} {_job(job)}"


def _job(job: Mapping[str, Any]) -> str:
    parts = [f"last done {ago(_moment(job['finished']))}" if job["finished"] else "never done yet"]
    if job["next_due"]:
        parts.append(f"next {_moment(job['next_due']):%Y-%m-%d %H:%M} UTC")
    if job["failures"]:
        parts.append(f"failed {job['failures']} times: {job['message']}")
    if job["overdue"]:
        parts.append("overdue")
    return "; ".join(parts)


def _moment(text: str) -> datetime:
    return datetime.fromisoformat(text)


@click.command(short_help="Say that you have taken note of an alert.")
@click.argument("vehicle")
@click.argument("indicator", required=False)
@click.option("--by", metavar="NAME", help="Who took note. [default: the user's name]")
@with_workspace
def acknowledge(vehicle: str, indicator: str | None, by: str | None) -> None:
    """Take note of the open alerts of VEHICLE, or of its INDICATOR alone: no one else is called."""
    from healthtrack.errors import StoreLockedError
    from healthtrack.service import requests

    shell = Shell.current()
    workspace = shell.workspace()
    workspace.chosen([vehicle])
    asked = requests.Acknowledgement(vehicle, indicator, by or getpass.getuser(), now())
    try:
        with workspace.open_store() as store:
            known = [one.episode for one in requests.acknowledge(store, asked)]
        words = f"acknowledged: {', '.join(known) or 'there was nothing open'}"
    except StoreLockedError:
        requests.ask(shell.root, asked)
        known, words = [], "left for the service, which is busy; it is done within seconds"
    if shell.as_json:
        print_json({"acknowledged": known, "words": words})
    else:
        click.echo(words)


@click.command(short_help="Write a backup now.")
@with_workspace
def backup() -> None:
    """Write a backup of the store as Parquet into backups/DAY, in the place of that day's."""
    from healthtrack.store import write_backup

    shell = Shell.current()
    workspace = shell.workspace()
    with workspace.open_store() as store:
        written = write_backup(store, shell.root / workspace.settings.service.backups, now())
    if shell.as_json:
        print_json({"backup": str(written)})
    else:
        click.echo(f"written: {written}")


@click.command(short_help="Make the store anew from a backup.")
@click.argument("backup", type=click.Path(exists=True, file_okay=False, path_type=Path))
@with_workspace
def restore(backup: Path) -> None:
    """Make the store from BACKUP (such as backups/2026-11-25); the present one is moved aside.

    Stop the service first. Logs that came in after the backup are still in the inbox: the next
    `healthtrack ingest` takes them in.
    """
    from healthtrack.service.instance import only_instance
    from healthtrack.store import restore_backup

    shell = Shell.current()
    workspace = shell.workspace()
    with only_instance(shell.root):
        if workspace.store_path.exists():
            _see_that_nobody_holds_it(workspace.store_path)
        rows = restore_backup(backup, workspace.store_path, workspace.settings.store_memory_mb)
    if shell.as_json:
        print_json({"rows": rows, "store": str(workspace.store_path)})
    else:
        click.echo(f"{rows} rows restored into {workspace.store_path}")


def _see_that_nobody_holds_it(path: Path) -> None:
    from healthtrack.errors import StoreError, StoreLockedError
    from healthtrack.store import Store

    try:
        Store.open(path).close()
    except StoreLockedError:
        raise
    except StoreError:
        return  # it is damaged: that is why someone restores


@click.command(name="service-files", short_help="Print a systemd unit or a container file.")
@click.argument("kind", type=click.Choice(["systemd", "container"]))
@click.option("--user", default="healthtrack", show_default=True, help="Who runs it.")
@with_workspace
def service_files(kind: str, user: str) -> None:
    """Print a systemd unit or a container file for this workspace, ready to be put in place."""
    from healthtrack.service.installing import container_file, systemd_unit

    shell = Shell.current()
    if kind == "systemd":
        click.echo(systemd_unit(shell.root.resolve(), user), nl=False)
    else:
        click.echo(container_file(user), nl=False)
