"""Who takes the letters, as the settings say."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from healthtrack.mail import FolderCourier, SmtpCourier
from healthtrack.mail.password import read_password

if TYPE_CHECKING:
    from collections.abc import Mapping

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.mail import Courier

DRY_RUN_FOLDER = "outbox"


def courier(workspace: Workspace, environment: Mapping[str, str] | None = None) -> Courier:
    """Return the mail server's courier, or the folder's in a dry run.

    Raises
    ------
    MailError
        The password cannot be had.
    """
    mail = workspace.settings.mail
    if mail.dry_run:
        return FolderCourier(workspace.root / DRY_RUN_FOLDER)
    given = os.environ if environment is None else environment
    return SmtpCourier(
        host=mail.host,
        port=mail.port,
        security=mail.security,
        user=mail.user,
        password=read_password(mail, workspace.root, given),
        timeout=mail.timeout_s,
        ca_file=workspace.root / mail.ca_file if mail.ca_file else None,
    )
