"""The service as a process: it answers while it works, ends in time, and comes back."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from datetime import timedelta

import pytest
from click.testing import CliRunner

from healthtrack import clock
from healthtrack.cli import main
from healthtrack.service.journal import read_journal
from healthtrack.service.state import published
from tests.service_stand_ins import make_garage
from tests.smtp_server import free_port

pytestmark = [pytest.mark.journey, pytest.mark.slow]

SETTINGS = """
workers = 1
[mail]
dry_run = true
sender = "monitor@workshop.example"
[service]
scan_seconds = 1
settle_seconds = 0
stop_seconds = 60
health_port = PORT
[recipients.owner]
address = "owner@garage.example"
[vehicles.otter]
"""


class Process:
    """``healthtrack serve`` on a workspace, and the other commands beside it."""

    def __init__(self, root):
        self.root, self.port = root, free_port()
        make_garage(root, SETTINGS.replace("PORT", str(self.port)))
        self.environment = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
        self.child = None

    def start(self):
        self.child = subprocess.Popen(
            [sys.executable, "-m", "healthtrack.cli", "serve", "--workspace", str(self.root)],
            env=self.environment,
            stderr=subprocess.DEVNULL,
        )
        self.wait(lambda: self.get("/health")[0] == 200)

    def call(self, *words):
        """Call another command; in this process, which the service's knows nothing of."""
        result = CliRunner().invoke(main, [*words, "--workspace", str(self.root)])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result

    def get(self, path):
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=5) as answer:
                return answer.status, answer.read().decode()
        except urllib.error.HTTPError as error:
            with error:
                return error.code, error.read().decode()
        except (urllib.error.URLError, OSError):
            return 0, ""

    def wait(self, holds):
        """Wait until something holds; two minutes are for a machine with much else to do."""
        for _ in range(1200):
            if holds():
                return
            time.sleep(0.1)
        pytest.fail(f"waited in vain; the log says {list(self.log())[-3:]}")

    def log(self):
        path = self.root / "service" / "healthtrack.log"
        return read_journal(path) if path.exists() else iter(())

    def stored(self):
        return (published(self.root) or {}).get("logs", {}).get("stored", 0)


@pytest.fixture
def service(tmp_path):
    process = Process(tmp_path / "garage")
    yield process
    if process.child and process.child.poll() is None:
        process.child.kill()
    if process.child:
        process.child.wait()


def test_a_day_in_the_life_of_the_process(service, write_log):
    today = clock.now()
    inbox = service.root / "inbox" / "otter"
    write_log(inbox / "a.csv", today - timedelta(days=2))
    service.start()
    service.wait(lambda: service.stored() == 1)

    # reading commands answer beside it, and say how old what they show is
    status = service.call("status", "--json")
    assert status.exit_code == 0, status.stdout + status.stderr
    document = json.loads(status.stdout)
    assert document["running"]
    assert document["age_seconds"] < 60
    assert document["status"]["drives"] == 1
    assert "The service is running" in service.call("status").stdout
    assert service.call("check").exit_code in {0, 1}

    # a second one is refused, and a restore as well
    second = service.call("serve", "--once")
    assert second.exit_code == 1
    assert "a service runs" in second.stderr
    backup = service.call("backup", "--json")
    assert backup.exit_code == 0, backup.stderr
    folder = json.loads(backup.stdout)["backup"]
    assert "a service runs" in service.call("restore", folder).stderr

    # metrics for a machine, on loopback alone
    code, text = service.get("/metrics")
    assert code == 200
    assert "healthtrack_drives 1\n" in text
    assert service.get("/nothing")[0] == 404

    # told to stop, it ends in the stated time and says that all is well
    service.child.send_signal(signal.SIGTERM)
    assert service.child.wait(timeout=60) == 0
    events = [record["event"] for record in service.log()]
    assert events[-2:] == ["stopping", "stopped"]
    stopped = service.call("status", "--json")
    assert stopped.exit_code == 1
    assert not json.loads(stopped.stdout)["running"]
    assert json.loads(stopped.stdout)["faults"] == []

    # the store comes back from the backup
    restored = service.call("restore", folder, "--json")
    assert restored.exit_code == 0, restored.stderr
    assert (service.root / "healthtrack.duckdb.before-restore").exists()
    assert "1 drives" in service.call("status").stdout

    # killed, it is missed; started again, it goes on where it was
    write_log(inbox / "b.csv", today - timedelta(days=1))
    service.start()
    service.wait(lambda: service.stored() == 2)
    service.child.kill()
    service.child.wait()
    missed = service.call("check")
    assert missed.exit_code == 1
    assert "ended without being told to" in missed.stdout
    service.start()
    service.wait(lambda: service.stored() == 2)
    assert any(record["event"] == "started" for record in service.log())


def test_an_acknowledgement_finds_its_way_while_another_process_holds_the_store(service):
    code = (
        "import duckdb, sys; held = duckdb.connect(sys.argv[1]); print('held', flush=True); "
        "sys.stdin.read()"
    )
    store = service.root / "healthtrack.duckdb"
    with subprocess.Popen(
        [sys.executable, "-c", code, str(store)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as other:
        assert other.stdout.readline() == "held\n"
        asked = service.call("acknowledge", "otter", "--by", "Ann")
        assert asked.exit_code == 0, asked.stderr
        assert "left for the service" in asked.stdout
        assert len(list((service.root / "service" / "requests").iterdir())) == 1
        other.stdin.close()
    assert service.call("serve", "--once").exit_code == 0
    assert list((service.root / "service" / "requests").iterdir()) == []
    direct = service.call("acknowledge", "otter")
    assert "there was nothing open" in direct.stdout
    assert service.call("acknowledge", "ottre").exit_code == 2
