"""A small workspace whose every text is hostile, and clients that look at its page."""

from __future__ import annotations

import json
import re
import shutil
from datetime import UTC, date, datetime
from types import SimpleNamespace

import pytest
from starlette.testclient import TestClient

from healthtrack.jobs import ingesting
from healthtrack.jobs.findings import finding_as_dict
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.maintenance import make_event
from healthtrack.jobs.starting import copy_pipelines
from healthtrack.jobs.workspace import Workspace
from healthtrack.records import CauseFinding, IndicatorFinding, Together, VehicleFinding
from healthtrack.store import Episode, Episodes, StoredFinding
from healthtrack.web.app import build_app
from tests.web.serving import make_site, publish

NOW = datetime(2026, 3, 2, 12, tzinfo=UTC)
HOSTILE = '<script>alert(1)</script><img src=x onerror=alert(2)>"\'=HYPERLINK("http://x")'
SETTINGS = """
workers = 1
[service]
settle_seconds = 0
[vehicles.otter]
name = NAME
displacement_l = 2.5
[vehicles.stoat]
"""


class Clock:
    """A clock that stands still until it is moved."""

    def __init__(self):
        self.now = NOW

    def __call__(self):
        return self.now


def make_workspace(root, write_log):
    """Make a workspace with one stored log, one put aside, an alert, work done."""
    copy_pipelines(root / "pipelines")
    settings = SETTINGS.replace("NAME", json.dumps(HOSTILE))
    (root / "healthtrack.toml").write_text(settings, encoding="utf-8")
    write_log(root / "inbox" / "otter" / "first.csv")
    strange = root / "inbox" / "otter" / f"{HOSTILE.replace('/', '')[:60]}.csv"
    strange.write_text(f"{HOSTILE};b\n=1+1;{HOSTILE}\n" * 30, encoding="utf-8")
    workspace = Workspace.load(root)
    with workspace.open_store() as store:
        logs = find_logs(workspace, [])
        list(
            ingesting.ingest_logs(workspace, store, logs, ingesting.load_pipelines(workspace), NOW)
        )
        store.add_maintenance([make_event("otter", date(2026, 1, 5), "other", 214_000.0, HOSTILE)])
        _alert(store)
    publish(root, NOW)
    return root


def _alert(store):
    item = IndicatorFinding(
        *("airflow", "%", "alert", HOSTILE),
        level=-4.1,
        low=-5.1,
        high=-3.1,
        raised_on=date(2026, 2, 20),
        limit=-6.0,
        together=Together(5, -4.0, -0.1, -0.6, 0.4, -3.9, -4.8, -3.0, "alone"),
    )
    causes = (CauseFinding("airflow_sensor_reads_low", 0.9, -4.0, -5.0, -3.0, "%"),)
    for day, moment in ((28, NOW.replace(day=1)), (1, NOW)):
        as_of = date(2026, 2 if day == 28 else 3, day)
        finding = VehicleFinding(
            *("otter", as_of, "alert", HOSTILE, 214_300.0, 100, None, (item,)), causes=causes
        )
        document = json.dumps(finding_as_dict(finding))
        store.keep_finding(StoredFinding("otter", as_of, moment, "alert", document))
    Episodes(store).keep(
        [
            Episode(
                *("otter/airflow/2026-02-20", "otter", "airflow", "%", date(2026, 2, 20), NOW),
                *("alert", "alert", -4.0, -4.1, date(2026, 3, 1)),
            )
        ]
    )


@pytest.fixture(scope="session")
def made(tmp_path_factory, write_log):
    """The workspace, made once; every test gets a copy."""
    return make_workspace(tmp_path_factory.mktemp("made") / "garage", write_log)


@pytest.fixture
def workspace(tmp_path, made):
    return shutil.copytree(made, tmp_path / "garage")


class Visit:
    """A browser without scripts that keeps its cookie."""

    def __init__(self, root, base="http://127.0.0.1:8470"):
        self.root, self.clock = root, Clock()
        self.site, self.poked = make_site(root, self.clock)
        self.app = build_app(self.site)
        self.client = self.browser(base)

    def browser(self, base="http://127.0.0.1:8470", agent="a browser"):
        return TestClient(
            self.app,
            base,
            follow_redirects=False,
            headers={"user-agent": agent},
            client=("127.0.0.1", 50_000),
        )

    def get(self, path, **more):
        return self.client.get(path, **more)

    def token(self, path="/", client=None):
        found = re.search(
            r'name="token" (?:content|value)="([0-9a-f]+)"', (client or self.client).get(path).text
        )
        return found[1] if found else ""

    def post(self, path, data=None, client=None, where="/", **more):
        client = client or self.client
        return client.post(path, data={"token": self.token(where, client), **(data or {})}, **more)

    def publish(self):
        publish(self.root, self.clock())


@pytest.fixture
def visit(workspace):
    return Visit(workspace)


@pytest.fixture
def guarded(workspace):
    """A page that others can reach, with one account of each kind."""
    from healthtrack.web.accounts import keep_account

    root = workspace
    with (root / "healthtrack.toml").open("a") as settings:
        settings.write('[page]\nname = "monitor.workshop.example"\n')
    keep_account(root, "anna", "a long password", "full")
    keep_account(root, "ben", "another password", "reading")
    base = "http://monitor.workshop.example"
    visit = Visit(root, base)

    def sign_in(name, password, agent="a browser"):
        # the Secure cookie is sent over TLS only, so the client speaks of https
        client = visit.browser(base.replace("http:", "https:"), agent)
        token = visit.token("/sign-in", client)
        answer = client.post("/sign-in", data={"token": token, "name": name, "password": password})
        return client, answer

    return SimpleNamespace(visit=visit, sign_in=sign_in, root=root)
