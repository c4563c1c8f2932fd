"""The page beside the service: a server in a thread of the same process."""

from __future__ import annotations

import logging
import socket
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from healthtrack.errors import SettingsError
from healthtrack.service.journal import LOGGER
from healthtrack.web.accounts import load_accounts
from healthtrack.web.app import build_app, build_site

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Iterator

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.service.runner import Runner

_log = logging.getLogger(f"{LOGGER}.page")

HEAD_S = 15.0
"""How long a browser may take to say what it wants."""
MOST_AT_ONCE = 400


class Protocol(H11Protocol):
    """HTTP as uvicorn speaks it, but a connection that says nothing is closed."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin, and wait for a request only so long."""
        super().connection_made(transport)
        self._patience = self.loop.call_later(HEAD_S, self._too_slow)

    def connection_lost(self, exc: Exception | None) -> None:
        """End."""
        self._patience.cancel()
        super().connection_lost(exc)

    def _too_slow(self) -> None:
        if getattr(self, "cycle", None) is None:
            self.transport.close()


@contextmanager
def page_beside(runner: Runner) -> Iterator[str | None]:
    """Serve the page while the block runs; yields its address, None where there is none.

    Raises
    ------
    SettingsError
        It would be open to others without a login, or what was set for it cannot be used.
    """
    workspace = runner.workspace
    if not workspace.settings.page.port:
        yield None
        return
    check_may_serve(workspace)
    listening = _listen(workspace)
    if listening is None:
        yield None
        return
    clock, status, look_soon = runner.clock, runner.status, runner.look_soon
    site = build_site(lambda: runner.workspace, clock, status, look_soon)
    server = uvicorn.Server(_config(workspace, build_app(site)))
    thread = threading.Thread(
        target=server.run, kwargs={"sockets": [listening]}, name="page", daemon=True
    )
    site.desk.start()
    thread.start()
    address = address_of(workspace, listening.getsockname()[1])
    _log.info("page served", extra={"address": address})
    try:
        yield address
    finally:
        server.should_exit = True
        site.desk.stop()
        thread.join(timeout=5)
        listening.close()


def address_of(workspace: Workspace, port: int) -> str:
    """Return what to type into a browser."""
    page = workspace.settings.page
    scheme = "https" if page.certificate else "http"
    host = f"[{page.address}]" if ":" in page.address else page.address
    return f"{scheme}://{host}:{port}/"


def check_may_serve(workspace: Workspace) -> None:
    """Refuse to serve others without a login.

    Raises
    ------
    SettingsError
        There is no account, or no certificate where one is named.
    """
    page = workspace.settings.page
    if page.needs_login and not load_accounts(workspace.root):
        raise SettingsError(
            "[page] lets others reach the page, but nobody has a password yet. Set one "
            "(`healthtrack page-password NAME`), or take address and name out of [page]."
        )
    for setting, name in (("certificate", page.certificate), ("key", page.key)):
        if name and not (workspace.root / name).is_file():
            raise SettingsError(f"page.{setting} = {name!r}: there is no such file.")


def _listen(workspace: Workspace) -> socket.socket | None:
    page = workspace.settings.page
    family = socket.AF_INET6 if ":" in page.address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    try:
        listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((page.address, page.port))
    except OSError as error:
        listening.close()
        words = f"the page cannot be served on {page.address}, port {page.port}: {error.strerror}"
        if "port" in page.model_fields_set or "address" in page.model_fields_set:
            raise SettingsError(f"{words}. Give another one under [page].") from None
        # two workspaces on one machine: the second one's service must not stay down for that
        _log.warning("no page", extra={"words": f"{words}. Give a `port` under [page]."})
        return None
    return listening


def _config(workspace: Workspace, app: Any) -> uvicorn.Config:  # noqa: ANN401 - any ASGI
    page, root = workspace.settings.page, workspace.root
    return uvicorn.Config(
        app,
        http=Protocol,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=True,
        proxy_headers=False,
        limit_concurrency=MOST_AT_ONCE,
        timeout_keep_alive=20,
        timeout_graceful_shutdown=3,
        ssl_certfile=str(root / page.certificate) if page.certificate else None,
        ssl_keyfile=str(root / page.key) if page.key else None,
    )
