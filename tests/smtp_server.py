"""A real SMTP server on loopback (aiosmtpd, TLS, authentication) that can be told to misbehave.

``python tests/smtp_server.py FOLDER`` runs it on its own for the kill campaign: it writes its port
and certificate into FOLDER, and every message that it accepts.
"""

from __future__ import annotations

import asyncio
import contextlib
import email
import hashlib
import socket
import ssl
import sys
import time
from collections import Counter, deque
from email import policy
from pathlib import Path

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult

USER, PASSWORD = "monitor", "s3cret-Wörd"


class Misbehaving(SMTP):
    """aiosmtpd's server; ``event_handler.script`` says what happens in each transaction."""

    def connection_made(self, transport):
        self.event_handler.lines.append(transport)
        super().connection_made(transport)

    async def smtp_DATA(self, arg):  # noqa: N802 - aiosmtpd's name
        script = self.event_handler.script
        if script and script[0] == "cut_before_data":
            script.popleft()
            self.transport.abort()
            return
        if script and script[0] == "cut_during_data":
            script.popleft()
            await self.push("354 go on")
            await self._reader.read(200)
            self.transport.abort()
            return
        await super().smtp_DATA(arg)


class Post:
    """What arrived, and what is to go wrong next."""

    def __init__(self, folder: Path | None = None):
        self.script: deque[str] = deque()
        self.refused: dict[str, str] = {}
        self.kept: list[tuple[str, tuple[str, ...], bytes]] = []
        self.folder = folder
        self.transactions = 0
        self.lines: list[asyncio.BaseTransport] = []

    async def handle_RCPT(self, server, session, envelope, address, options):  # noqa: N802
        if address in self.refused:
            return self.refused[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):  # noqa: N802
        self.transactions += 1
        what = self.script.popleft() if self.script else "accept"
        if what == "refuse_temporarily":
            return "451 4.3.0 come back later"
        if what == "refuse_for_good":
            return "554 5.7.1 not wanted here"
        if what == "lost_after_data":
            server.transport.abort()
            return "250 never heard"
        if what == "slow":
            await asyncio.sleep(1.0)
        self._keep(envelope)
        if what == "kept_but_answer_lost":
            server.transport.abort()
        return "250 2.0.0 kept"

    def _keep(self, envelope):
        raw = bytes(envelope.content)
        self.kept.append((envelope.mail_from, tuple(envelope.rcpt_tos), raw))
        if self.folder:
            digest = hashlib.sha256(raw).hexdigest()[:16]
            name = f"{time.monotonic_ns()}-{digest}"
            (self.folder / f".{name}").write_bytes(raw)
            (self.folder / f".{name}").rename(self.folder / f"{name}.eml")

    @property
    def messages(self):
        return [email.message_from_bytes(raw, policy=policy.SMTP) for _, _, raw in self.kept]

    @property
    def ids(self):
        """How often each Message-ID was accepted."""
        return Counter(str(message["Message-ID"]) for message in self.messages)


def free_port() -> int:
    with socket.socket() as probe:  # Controller(port=0) would connect to port 0 to see if it is up
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _authenticate(server, session, envelope, mechanism, data):
    right = data.login == USER.encode() and data.password == PASSWORD.encode()
    return AuthResult(success=right, handled=right)


class _Controller(Controller):
    def factory(self):
        return Misbehaving(self.handler, **self.SMTP_kwargs)


class Server:
    """One server; ``security`` as in the settings."""

    def __init__(self, folder: Path, security: str = "starttls", name: str = "127.0.0.1"):
        authority = trustme.CA()
        certificate = authority.issue_cert(name)
        self.ca_file = folder / "ca.pem"
        authority.cert_pem.write_to_path(str(self.ca_file))
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        certificate.configure_cert(context)
        self.post = Post()
        self.port = free_port()
        self.security = security
        options: dict = {"hostname": "127.0.0.1", "port": self.port, "data_size_limit": 2_000_000}
        options |= {"authenticator": _authenticate}
        if security == "starttls":
            options |= {"tls_context": context, "require_starttls": True, "auth_required": True}
        elif security == "tls":
            # aiosmtpd does not count an implicit TLS connection as one fit for signing in
            options |= {"ssl_context": context, "auth_require_tls": False}
        else:
            options |= {"auth_require_tls": False}
        self.options = options

    def __enter__(self):
        self.controller = _Controller(self.post, **self.options)  # it makes its loop at once
        self.controller.start()
        return self

    def __exit__(self, *_):
        with contextlib.suppress(Exception):
            self.controller.stop()
        self._close_what_is_left()

    def _close_what_is_left(self):
        """Close lines that a test cut, and the loop, which aiosmtpd leaves open."""
        loop = self.controller.loop
        if loop.is_running() or loop.is_closed():
            return
        for line in self.post.lines:
            line.abort()
        for _ in range(3):  # closing is done by callbacks
            loop.run_until_complete(asyncio.sleep(0))
        tasks = asyncio.all_tasks(loop)
        for task in tasks:
            task.cancel()
        loop.run_until_complete(asyncio.gather(*tasks, return_exceptions=True))
        loop.run_until_complete(loop.shutdown_asyncgens())
        loop.close()


def main() -> None:
    folder = Path(sys.argv[1])
    with Server(folder) as server:
        server.post.folder = folder / "kept"
        server.post.folder.mkdir(exist_ok=True)
        (folder / "port.part").write_text(str(server.port))
        (folder / "port.part").rename(folder / "port")
        sys.stdin.read()  # until the parent is gone


if __name__ == "__main__":
    main()
