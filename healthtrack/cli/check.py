"""``healthtrack check``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from healthtrack.cli.shell import Shell, now, print_json, with_workspace

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from healthtrack.jobs.checking import Remark


@click.command(short_help="Say what is wrong and what to do next.")
@with_workspace
def check() -> None:
    """Look over the workspace and say what is wrong and what to do next.

    Compressor maps are drawn into reports/maps, for the eye to compare.
    """
    from healthtrack.jobs import checking

    shell = Shell.current()
    remarks = (*checking.check(shell.root, now().date()), *_service(shell.root))
    if any("compressor map" in remark.text for remark in remarks):
        from healthtrack.jobs.maps import draw_maps

        remarks = (*remarks, *draw_maps(shell.root))
    if shell.as_json:
        fields = [
            {"level": remark.level, "subject": remark.subject, "text": remark.text}
            for remark in remarks
        ]
        print_json({"remarks": fields})
    else:
        _tell(remarks)
    if any(remark.level == "wrong" for remark in remarks):
        click.get_current_context().exit(1)


def _service(root: Path) -> Iterator[Remark]:
    """Say what the service, where there ever was one, wants of a person."""
    from healthtrack.jobs.checking import Remark
    from healthtrack.service.looking import look

    seen = look(root, now())
    if seen.document is None:
        return
    for fault in seen.faults:
        yield Remark("wrong", "service", fault)
    if not seen.faults:
        words = "runs" if seen.running else "was stopped"
        yield Remark("ok", "service", f"it {words}; nothing is overdue")


def _tell(remarks: Sequence[Remark]) -> None:
    for remark in remarks:
        if remark.level != "next":
            click.echo(f"{remark.level:<6} {remark.subject:<10} {remark.text}")
    steps = [remark for remark in remarks if remark.level == "next"]
    if steps:
        click.echo("\nWhat to do next:")
        for number, remark in enumerate(steps, start=1):
            click.echo(f"  {number}. {remark.subject}: {remark.text}")
