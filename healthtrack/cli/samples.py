"""``healthtrack samples``: where samples are kept, and for how long."""

from __future__ import annotations

from datetime import timedelta

import click

from healthtrack.cli.shell import Shell, now, print_json, progress, with_workspace


@click.group(short_help="Move samples out of the store or back, merge them, let old ones go.")
def samples() -> None:
    """Keep samples in the store, or outside it as Parquet, on disk or S3-compatible storage.

    The setting `samples` says where new samples go; these commands look after those that are there.
    """


@samples.command(short_help="Bring all samples to where the settings want them.")
@with_workspace
def move() -> None:
    """Bring all samples to where the setting `samples` wants them: into files, or into the store.

    Broken off, it goes on with the next call; no sample is ever in fewer than one place.
    """
    from healthtrack.jobs.words import counted
    from healthtrack.store import misplaced_drives, move_samples

    shell = Shell.current()
    workspace = shell.workspace()
    with workspace.open_store() as store:
        total = misplaced_drives(store)
        moved = 0
        with progress("moving samples", total) as step:
            for some in move_samples(store):
                moved += some
                for _ in range(some):
                    step()
    place = workspace.settings.samples or workspace.settings.store
    if shell.as_json:
        print_json({"drives": moved, "samples": place})
    else:
        click.echo(f"samples of {counted(moved, 'drive')} moved; all are in {place} now")


@samples.command(short_help="Merge the files of each month.")
@with_workspace
def compact() -> None:
    """Merge the files of each vehicle's month into one, and delete files that nothing names."""
    from healthtrack.jobs.words import counted
    from healthtrack.store import compact_samples, remove_orphans

    shell = Shell.current()
    with shell.workspace().open_store() as store:
        merged = list(compact_samples(store))
        orphans = remove_orphans(store)
    if shell.as_json:
        print_json({"merged": sum(merged), "into": len(merged), "orphans": orphans})
    else:
        click.echo(
            f"{counted(sum(merged), 'file')} merged into {len(merged)}; "
            f"{counted(orphans, 'file')} deleted that held no drive's samples"
        )


@samples.command(short_help="Let old samples go.")
@click.option(
    "--days",
    type=click.IntRange(1, 36_500),
    help="Age from which they go. [default: `keep_samples_days` of the settings]",
)
@with_workspace
def prune(days: int | None) -> None:
    """Delete the samples of drives that are older; windows, verdicts and all derived stay."""
    from healthtrack.errors import UsageError
    from healthtrack.jobs.words import counted
    from healthtrack.store import let_old_samples_go

    shell = Shell.current()
    workspace = shell.workspace()
    age = days or workspace.settings.keep_samples_days
    if not age:
        raise UsageError("say how old with --days, or set `keep_samples_days` in healthtrack.toml.")
    with workspace.open_store() as store:
        drives = let_old_samples_go(store, now() - timedelta(days=age))
    if shell.as_json:
        print_json({"drives": drives, "days": age})
    else:
        click.echo(f"samples of {counted(drives, 'drive')} over {age} days old were let go")
