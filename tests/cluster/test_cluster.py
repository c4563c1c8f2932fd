"""What a cluster does equals what one machine does, also when a worker dies in each step."""

from __future__ import annotations

import os
import signal
import socket
import sys
from concurrent.futures import Future
from pathlib import Path

import pytest
from distributed.protocol import pickle as distributed_pickle

from healthtrack.errors import ClusterError
from healthtrack.jobs import cluster, pool
from healthtrack.store import compact_samples, move_samples, remove_orphans
from tests.cluster.conftest import FEW, VEHICLES

pytestmark = [
    pytest.mark.slow,
    # distributed leaves sockets and event loops of killed workers to the collector
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
    pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning"),
]

# the workers cannot import this file
distributed_pickle.cloudpickle.register_pickle_by_value(sys.modules[__name__])


def _die_once(marker, function, *arguments):
    if not Path(marker).exists():
        Path(marker).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return function(*arguments)


@pytest.fixture
def one_worker_dies(monkeypatch, tmp_path):
    """In what follows, the worker that takes the second batch is killed while it has it."""
    plain = cluster.ClusterExecutor.submit
    markers = []

    def from_now_on(step):
        marker = str(tmp_path / f"died-{step}")
        markers.append(marker)
        taken = iter(range(10**6))

        def submit(self, function, /, *arguments, **named):
            if next(taken) == 1:
                return plain(self, _die_once, marker, function, *arguments, **named)
            return plain(self, function, *arguments, **named)

        monkeypatch.setattr(cluster.ClusterExecutor, "submit", submit)
        return marker

    yield from_now_on
    assert markers
    assert all(Path(marker).exists() for marker in markers)


def test_40_vehicles_on_a_cluster_and_s3_equal_one_machine_though_a_worker_dies_in_each_step(
    make_fleet, local, cluster_address, s3, one_worker_dies
):
    fleet = make_fleet("there", f"{s3}/one")
    with cluster.cluster(cluster_address) as executor:
        one_worker_dies("ingest")
        outcomes = fleet.ingest(executor)
        one_worker_dies("assess")
        assert fleet.assess(executor) == VEHICLES
        one_worker_dies("report")
        pages = fleet.report(executor)
    assert [(o.file, o.state, o.drives, o.windows, o.notes) for o in outcomes] == [
        (o.file, o.state, o.drives, o.windows, o.notes) for o in local.outcomes
    ]
    assert {o.state for o in outcomes} == {"stored", "quarantined"}
    assert fleet.contents() == local.contents()
    assert pages == local.pages
    assert local.findings[VEHICLES[0]].state not in {"learning", "no_data"}
    with fleet.workspace.open_store() as store:
        assert store._connection.execute("SELECT count(*) FROM sample").fetchall() == [(0,)]
        assert remove_orphans(store) == 0
        assert len(list(compact_samples(store))) == 1
        assert len(list(store.sample_catalogue.folder.files())) == len(VEHICLES)
    assert fleet.contents() == local.contents()


def test_samples_in_the_store_travel_back_from_the_workers_and_are_the_same(
    make_fleet, few_local, cluster_address
):
    fleet = make_fleet("there", "", FEW)
    with cluster.cluster(cluster_address) as executor:
        fleet.ingest(executor)
    here, there = few_local.contents(), fleet.contents()
    for table, rows in here.items():  # one by one: the whole in a failure is unreadable
        assert there[table] == rows, table


def _in_pieces(fleet):
    """Cut each log into an early and a late piece that share their middle; one lacks a channel."""
    for vehicle in fleet.vehicles:
        for log in sorted((fleet.workspace.inbox / vehicle).glob("2*.csv")):
            header, *rows = log.read_text().splitlines()
            without = [
                ",".join(row.split(",")[:-1]) for row in (header, *rows[: 2 * len(rows) // 3])
            ]
            log.with_name("a.csv").write_text("\n".join(without) + "\n")
            log.write_text("\n".join((header, *rows[len(rows) // 3 :])) + "\n")


def test_logs_of_one_drive_are_joined_though_workers_have_written_their_samples(
    make_fleet, cluster_address, s3
):
    here, there = make_fleet("here", "", FEW), make_fleet("there", f"{s3}/joined", FEW)
    for fleet in (here, there):
        _in_pieces(fleet)
    alone = here.ingest()
    with cluster.cluster(cluster_address) as executor:
        outcomes = there.ingest(executor)
    joined = [one for one in alone if any("was joined to it" in note for note in one.notes)]
    assert len(joined) == len(FEW)
    assert [(o.file, o.state, o.drives, o.windows, o.notes) for o in outcomes] == [
        (o.file, o.state, o.drives, o.windows, o.notes) for o in alone
    ]
    expected, found = here.contents(), there.contents()
    for table, rows in expected.items():
        assert found[table] == rows, table
    assert len(expected["sample"]) == len(FEW)
    with there.workspace.open_store() as store:
        assert store._connection.execute("SELECT count(*) FROM sample").fetchall() == [(0,)]
        assert remove_orphans(store) == 0  # what the workers wrote before joining is gone
        assert len(list(store.sample_catalogue.folder.files())) == len(FEW)


def test_samples_move_to_s3_and_back_with_nothing_lost(make_fleet, s3):
    fleet = make_fleet("mover", "", FEW)
    fleet.ingest()
    before = fleet.contents()
    there = fleet.workspace.settings.model_copy(update={"samples": f"{s3}/moved"})
    moved = type(fleet.workspace)(fleet.workspace.root, there)
    with moved.open_store() as store:
        drives = sum(move_samples(store, 1000))
    assert fleet.contents() == before  # any layout is read whatever the setting
    with fleet.workspace.open_store() as store:
        assert sum(move_samples(store, 1000)) == drives
    with moved.open_store() as store:
        assert list(store.sample_catalogue.folder.files()) == []
    assert fleet.contents() == before


def test_a_vehicle_that_fails_is_named_and_the_others_go_on(
    make_fleet, cluster_address, monkeypatch
):
    from healthtrack.jobs import assessing

    judged = assessing.assess_one

    def breaks(task):
        if task.history.vehicle == "v07":
            raise ZeroDivisionError("a fault of ours")
        return judged(task)

    monkeypatch.setattr(assessing, "assess_one", breaks)
    told = {}
    fleet = make_fleet("there", "", FEW)
    with cluster.cluster(cluster_address) as executor:
        done = fleet.assess(executor, told.__setitem__)
        assert done == [vehicle for vehicle in FEW if vehicle != "v07"]
        assert "a fault of ours" in told["v07"]
        with pytest.raises(ZeroDivisionError):
            fleet.assess(executor)


def _kills_its_worker(task):
    if task == 3:
        os.kill(os.getpid(), signal.SIGKILL)
    return task * 2


def test_a_task_that_kills_every_worker_is_given_up_alone(cluster_address):
    with cluster.cluster(cluster_address) as executor:
        done = dict(pool.run_each(_kills_its_worker, range(8), executor, 1))
    assert isinstance(done.pop(3), pool.Failure)
    assert done == {task: 2 * task for task in range(8) if task != 3}


def test_what_is_missing_is_said_in_plain_words(monkeypatch):
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{unused.getsockname()[1]}"
        monkeypatch.setattr(cluster, "CONNECT_SECONDS", 1)
        with pytest.raises(ClusterError, match="no scheduler answers"), cluster.cluster(address):
            pass
    with pytest.raises(ClusterError, match="no scheduler answers"), cluster.cluster("nonsense://"):
        pass
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(ClusterError, match=r"healthtrack\[cluster\]"), cluster.cluster(address):
        pass


def test_a_worker_with_other_versions_is_refused(cluster_address, monkeypatch):
    monkeypatch.setattr(cluster, "versions", lambda: {"healthtrack": "0.0.1"})

    class Client:
        def wait_for_workers(self, *_, **__):
            pass

        def run(self, *_, **__):
            return {"tcp://w:1": {"healthtrack": "9"}, "tcp://w:2": ModuleNotFoundError("no")}

    with pytest.raises(ClusterError, match=r"has healthtrack 9, this process 0\.0\.1"):
        cluster._check_workers(Client(), "tcp://s:1")


class _Slow(pool.RemoteExecutor):
    """Does batches at once, and says that each task took so long."""

    def __init__(self, seconds):
        self.seconds = seconds
        self.sizes = []

    @property
    def ahead(self):
        return 4

    def submit(self, function, /, work, tasks):
        self.sizes.append(len(tasks))
        future = Future()
        future.set_result(([work(task) for task in tasks], len(tasks) * self.seconds))
        return future


@pytest.mark.parametrize("seconds", [0.001, 0.01, 0.03, 0.5])
def test_tasks_are_sent_in_batches_of_at_least_50_ms_in_order(seconds):
    executor = _Slow(seconds)
    done = []
    for task, result in pool.run_each(str, iter(range(500)), executor, 1):
        done.append((task, result))
    assert done == [(task, str(task)) for task in range(500)]
    later = executor.sizes[executor.ahead : -1]  # the first are sent before anything is known
    assert all(size * seconds >= 0.05 or size == pool.MOST_IN_A_BATCH for size in later)
