"""The health endpoint: ``/health``, ``/metrics`` and ``/status`` on 127.0.0.1, and nothing else."""

from __future__ import annotations

import json
import logging
import threading
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Any

from healthtrack.service.journal import LOGGER
from healthtrack.service.state import metrics

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from healthtrack.service.state import Status

_log = logging.getLogger(f"{LOGGER}.health")

LOOPBACK = "127.0.0.1"


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    status: Callable[[], Status]


class _Handler(BaseHTTPRequestHandler):
    server: _Server
    timeout = 10

    def do_GET(self) -> None:
        """Answer from what was last published; the store is never asked."""
        status = self.server.status()
        if self.path == "/health":
            body = json.dumps({"is_well": status.is_well, "trouble": list(status.trouble)})
            self._answer(200 if status.is_well else 503, "application/json", body)
        elif self.path == "/metrics":
            self._answer(200, "text/plain; version=0.0.4; charset=utf-8", metrics(status))
        elif self.path == "/status":
            self._answer(200, "application/json", json.dumps(status.as_dict()))
        else:
            self._answer(404, "text/plain; charset=utf-8", "there is /health, /metrics, /status\n")

    def _answer(self, code: int, kind: str, body: str) -> None:
        content = body.encode()
        self.send_response(code)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(content)))
        self.send_header("Cache-Control", "no-store")
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, format: str, *args: Any) -> None:  # noqa: ANN401 - the library's
        """Keep requests out of standard error."""
        _log.debug(format, *args)


@contextmanager
def health_endpoint(port: int, status: Callable[[], Status]) -> Iterator[int]:
    """Answer on a port of 127.0.0.1 while the block runs; yields the port (0 asks for a free one).

    Raises
    ------
    OSError
        The port is taken.
    """
    server = _Server((LOOPBACK, port), _Handler)
    server.status = status
    thread = threading.Thread(target=server.serve_forever, name="health", daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()
        thread.join(timeout=5)
