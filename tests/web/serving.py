"""The page in tests: over a workspace of ours, with a clock of ours, on a free loopback port."""

from __future__ import annotations

import socket
import threading
import time
from contextlib import contextmanager
from types import SimpleNamespace

import uvicorn

from healthtrack.jobs.workspace import Workspace
from healthtrack.service import requests
from healthtrack.store import publish_snapshot
from healthtrack.web.app import build_app, build_site
from healthtrack.web.server import _config


def publish(root, now):
    """Publish what the store holds, as the service does, and carry out what was asked for."""
    with Workspace.load(root).open_store() as store:
        for path in requests.waiting(root):
            asked = requests.read(path)
            if asked is not None:
                requests.carry_out(store, asked)
            path.unlink()
        publish_snapshot(store, now)


def make_site(root, clock):
    """Return the site of a workspace, as the service would make it; nothing is started."""
    poked = []
    site = build_site(lambda: Workspace.load(root), clock, lambda: None, lambda: poked.append(1))
    return site, poked


@contextmanager
def served(root, clock, desk=True):
    """Serve the page as `healthtrack serve` does; yields address, site, and how often it poked."""
    site, poked = make_site(root, clock)
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    server = uvicorn.Server(_config(site.workspace(), build_app(site)))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    if desk:
        site.desk.start()
    address = f"http://127.0.0.1:{listening.getsockname()[1]}"
    try:
        yield SimpleNamespace(address=address, site=site, poked=poked)
    finally:
        server.should_exit = True
        site.desk.stop()
        thread.join(timeout=10)
        listening.close()
