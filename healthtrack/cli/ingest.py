"""``healthtrack ingest``."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

from healthtrack.cli.shell import (
    Shell,
    cluster_option,
    now,
    print_json,
    progress,
    with_workspace,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from healthtrack.jobs.ingesting import FileOutcome
    from healthtrack.jobs.workspace import Workspace

_WORDS = {
    "stored": "stored",
    "known": "already known",
    "quarantined": "quarantined",
    "left": "not read",
}


@click.command(short_help="Read logs into the store.")
@click.argument("paths", nargs=-1, metavar="[PATH]...", type=click.Path(path_type=Path))
@click.option("--vehicle", metavar="ID", help="Whose logs these are. [default: from inbox/ID/...]")
@click.option("--pipeline", metavar="NAME", help="Read them with this pipeline alone.")
@click.option("--draft", is_flag=True, help="Store nothing: print a pipeline for a strange log.")
@cluster_option
@with_workspace
def ingest(
    paths: tuple[Path, ...],
    vehicle: str | None,
    pipeline: str | None,
    draft: bool,  # noqa: FBT001 - click's
) -> None:
    """Read logs into the store, each once; without PATH those in the inbox.

    A log that cannot be read is put into quarantine, unchanged, with the reason; the others go on.
    Logs in quarantine are tried again when the inbox is read.

    With --draft, look at a log of a kind that no pipeline knows and print a pipeline for it, with
    what could not be told marked UNSURE: healthtrack ingest --draft LOG > pipelines/mine.toml
    """
    if draft:
        _print_draft(paths)
        return
    from healthtrack.errors import UsageError
    from healthtrack.jobs import ingesting
    from healthtrack.jobs.cluster import engine
    from healthtrack.jobs.logs import find_logs
    from healthtrack.jobs.workspace import unknown_vehicle

    shell = Shell.current()
    workspace = shell.workspace()
    if vehicle is not None and vehicle not in workspace.settings.vehicles:
        raise UsageError(unknown_vehicle(vehicle, workspace.settings.vehicles))
    pipelines = ingesting.load_pipelines(workspace, pipeline)
    logs = find_logs(workspace, paths, vehicle)
    outcomes: list[FileOutcome] = []
    with (
        workspace.open_store() as store,
        engine(workspace, 0, 1, shell.cluster) as workers,  # local ones start when there is news
        progress("reading logs", len(logs)) as step,
    ):
        for outcome in ingesting.ingest_logs(workspace, store, logs, pipelines, now(), workers):
            outcomes.append(outcome)
            if not shell.as_json:
                click.echo(outcome_line(outcome))
            step()
        if not paths:
            ingesting.forget_deleted(workspace, store)
    counts: Counter[str] = Counter(outcome.state for outcome in outcomes)
    if shell.as_json:
        print_json(_document(outcomes, counts))
    else:
        click.echo(_summary(workspace, counts))
    if counts["quarantined"] or counts["left"]:
        click.get_current_context().exit(1)


def _print_draft(paths: tuple[Path, ...]) -> None:
    from healthtrack import ingest as reading
    from healthtrack.config import SETTINGS_FILE
    from healthtrack.errors import UsageError

    if len(paths) != 1 or not paths[0].is_file():
        raise UsageError("--draft takes one log file: healthtrack ingest --draft LOG")
    shell = Shell.current()
    known: list[reading.Pipeline] = []
    if (shell.root / SETTINGS_FILE).is_file():
        known = list(reading.usable_pipelines(shell.workspace().pipelines).values())
    text = reading.draft(paths[0], known)
    if shell.as_json:
        print_json({"file": str(paths[0]), "pipeline": text})
    else:
        click.echo(text)


def outcome_line(outcome: FileOutcome) -> str:
    """Return what became of one file, in one line (more where there are notes)."""
    from healthtrack.ingest import in_words
    from healthtrack.jobs.words import counted

    line = f"{_WORDS[outcome.state]:<14} {outcome.file}"
    if outcome.state == "stored":
        line += f": {counted(outcome.drives, 'drive')}, {counted(outcome.windows, 'steady window')}"
    elif outcome.message:
        reason = f" ({outcome.reason})" if outcome.reason else ""
        line += f"{reason}: {outcome.message}"
    below = [f"note: {note}" for note in outcome.notes]
    if outcome.waterfall is not None:
        below.insert(0, in_words(outcome.waterfall))
    return "\n".join((line, *(f"{'':<14} {words}" for words in below)))


def _summary(workspace: Workspace, counts: Mapping[str, int]) -> str:
    if not sum(counts.values()):
        inbox = workspace.shown(workspace.inbox)
        return f"No logs in {inbox}. Put them into {inbox}/VEHICLE/, or give their path."
    told = [f"{counts[state]} {words}" for state, words in _WORDS.items() if counts.get(state)]
    lines = [", ".join(told) + "."]
    if counts.get("quarantined"):
        lines.append(
            f"What is quarantined waits in {workspace.shown(workspace.quarantine)}/, unchanged. "
            "Mend the cause and run `healthtrack ingest` again, or delete it there."
        )
    return "\n".join(lines)


def _document(outcomes: Sequence[FileOutcome], counts: Mapping[str, int]) -> dict[str, object]:
    files = [{**asdict(outcome), "notes": list(outcome.notes)} for outcome in outcomes]
    return {"files": files, **{state: counts.get(state, 0) for state in _WORDS}}
