"""A real cluster of two processes and an S3 server, both on loopback, and 40 small vehicles."""

from __future__ import annotations

import logging
import os
import shutil
from datetime import UTC, date, datetime, timedelta

import pytest

from healthtrack.jobs import assessing, ingesting
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.starting import copy_pipelines
from healthtrack.jobs.workspace import Workspace
from tests.benchmarks.cluster_scale import SPREAD

distributed = pytest.importorskip("distributed", reason="the extra `cluster` is not installed")

VEHICLES = [f"v{number:02}" for number in range(40)]
JUDGED = VEHICLES[:1]
"""This one has enough drives for a verdict; the others are learning."""

REPORTED = (VEHICLES[0], VEHICLES[5], VEHICLES[39])

FEW = ["v07", "v08", "v39"]
"""Enough where it does not matter how many there are; one has a log that cannot be read."""

MORNING = datetime(2025, 3, 1, 7, tzinfo=UTC)
AS_OF = date(2025, 6, 1)
NOW = datetime(2025, 6, 2, tzinfo=UTC)


@pytest.fixture(scope="session")
def s3():
    """The address of a bucket on loopback; the environment says how to reach it."""
    server_module = pytest.importorskip("moto.server", reason="moto[s3] and flask are missing")
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    server = server_module.ThreadedMotoServer(ip_address="127.0.0.1", port=0)
    server.start()
    host, port = server.get_host_and_port()
    settings = {
        "AWS_ENDPOINT_URL": f"http://{host}:{port}",
        "AWS_ACCESS_KEY_ID": "nobody",
        "AWS_SECRET_ACCESS_KEY": "nothing",
        "AWS_REGION": "us-east-1",
        "AWS_DEFAULT_REGION": "us-east-1",
    }
    before = {name: os.environ.get(name) for name in settings}
    os.environ.update(settings)
    import fsspec

    fsspec.filesystem("s3").mkdir("fleet")
    yield "s3://fleet"
    for name, value in before.items():
        if value is None:
            del os.environ[name]
        else:
            os.environ[name] = value
    server.stop()


@pytest.fixture(scope="session")
def cluster_address(s3):
    """The address of a scheduler with two workers, each a process of its own.

    A task is given up once it has killed two of them, not four: each takes seconds to come back.
    """
    import dask

    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 1}),
        distributed.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            processes=True,
            dashboard_address="127.0.0.1:0",  # any: the usual one may be taken
            host="127.0.0.1",
            silence_logs=logging.CRITICAL,
        ) as started,
    ):
        yield started.scheduler_address


@pytest.fixture(scope="session")
def fleet_logs(tmp_path_factory, write_log):
    """Logs of 40 vehicles; one cannot be read."""
    inbox = tmp_path_factory.mktemp("fleet") / "inbox"
    for number, vehicle in enumerate(VEHICLES):
        drives = 21 if vehicle in JUDGED else 1
        for drive in range(drives):
            started = MORNING + timedelta(days=drive, minutes=number)
            path = inbox / vehicle / f"{started:%Y-%m-%d}.csv"
            write_log(path, started, 0.5, 1.0 + 0.001 * (drive % 5))
    (inbox / VEHICLES[-1] / "broken.csv").write_text("time,nothing\n1,2\n")
    return inbox


def rows_of(connection, table):
    """All rows, columns by name: which log came first decides the order of a table's columns."""
    found = connection.execute(f'SELECT * FROM "{table}" LIMIT 0')
    names = sorted(f'"{column[0]}"' for column in found.description)
    found.fetchall()
    return connection.execute(f'SELECT {", ".join(names)} FROM "{table}" ORDER BY ALL').fetchall()


class Fleet:
    """A workspace with these vehicles, and its three steps."""

    def __init__(self, root, samples="", vehicles=VEHICLES):
        self.vehicles = vehicles
        lines = [f'samples = "{samples}"', "workers = 1"]
        lines += [f"[vehicles.{vehicle}]\ndisplacement_l = 2.5" for vehicle in vehicles]
        (root / "healthtrack.toml").write_text("\n".join(lines) + "\n")
        copy_pipelines(root / "pipelines")
        self.workspace = Workspace.load(root)

    def ingest(self, executor=None):
        with self.workspace.open_store() as store:
            return list(
                ingesting.ingest_logs(
                    self.workspace,
                    store,
                    find_logs(self.workspace, ()),
                    ingesting.load_pipelines(self.workspace),
                    NOW,
                    executor,
                )
            )

    def assess(self, executor=None, failed=None):
        with self.workspace.open_store() as store:
            # small logs stand at one operating point; a verdict needs a range of them
            store._connection.execute(
                f"UPDATE \"window\" SET {SPREAD} WHERE drive LIKE '{JUDGED[0]}/%'"
            )
            findings = assessing.assess(self.workspace, store, (), AS_OF, NOW, executor, failed)
            self.findings = {finding.vehicle: finding for finding in findings}
        return list(self.findings)

    def report(self, executor=None):
        """Draw some vehicles' reports and return what is in the files."""
        findings = [self.findings[vehicle] for vehicle in REPORTED]
        with self.workspace.open_store() as store:
            written = assessing.write_reports(self.workspace, findings, executor, store)
            return {one.path.name: one.path.read_bytes() for one in written}

    def contents(self):
        """All that the store holds, as rows; the samples too, wherever they are."""
        with self.workspace.open_store() as store:
            tables = {
                table: rows_of(store._connection, table)
                for table in ("log", "loss", "note", "drive", "window", "standstill", "pull")
            }
            here = str(self.workspace.root)  # stands in the reason of the one in quarantine
            tables["log"] = [
                tuple(v.replace(here, "") if isinstance(v, str) else v for v in row)
                for row in tables["log"]
            ]
            tables["finding"] = [
                (one.vehicle, one.as_of, one.state, one.document)
                for vehicle in self.vehicles
                for one in store.findings(vehicle)
            ]
            tables["sample"] = {
                row[0]: store.samples(row[0]).to_dict(as_series=False)
                for row in store._connection.execute("SELECT drive FROM drive").fetchall()
            }
        return tables


@pytest.fixture(scope="session")
def make_in(fleet_logs):
    """Make a fleet in a folder, with its logs in the inbox."""

    def making(root, samples="", vehicles=VEHICLES):
        for vehicle in vehicles:
            shutil.copytree(fleet_logs / vehicle, root / "inbox" / vehicle)
        return Fleet(root, samples, vehicles)

    return making


@pytest.fixture
def make_fleet(tmp_path, make_in):
    return lambda name, *more: make_in(tmp_path / name, *more)


@pytest.fixture(scope="session")
def local(tmp_path_factory, make_in):
    """The same fleet, done in this process: what everything else must equal."""
    fleet = make_in(tmp_path_factory.mktemp("local"))
    fleet.outcomes = fleet.ingest()
    fleet.assess()
    fleet.pages = fleet.report()
    return fleet


@pytest.fixture
def few_local(tmp_path, make_in):
    """A few of them, done in this process."""
    fleet = make_in(tmp_path / "few_local", "", FEW)
    fleet.outcomes = fleet.ingest()
    return fleet
