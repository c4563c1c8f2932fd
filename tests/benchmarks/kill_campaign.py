"""Kill the service at every step and at random moments, restart it each time, and compare.

A *life* is five days of a small garage whose vehicles have driven for three weeks before: logs come
in (one of them damaged) and are stored in lots, vehicles are assessed by the real chain from what
the last verdict kept, an alert is raised, reports are drawn and mailed to a real server on
loopback, backups are written. One life is lived undisturbed. Then lives are lived with the process
killed (SIGKILL) again and again; after each kill it starts anew from what is on disk. At the end of
each life the store, the reports, the folders and the set of mails must be those of the undisturbed
one.

    python tests/benchmarks/kill_campaign.py --kills 200 --all-steps
    python tests/benchmarks/kill_campaign.py --kills 40 --days 3 --pool    three vehicles, assessed
                                                                           by worker processes

The diagnosis is left out, but for worker processes: it costs most, and nothing of it is kept.
Nothing that uses threads is touched in this process itself, so that lives can be forked from it.
"""

from __future__ import annotations

import argparse
import email
import hashlib
import json
import logging
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from email import policy
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")
REPOSITORY = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(REPOSITORY))

START = datetime(2026, 3, 5, 12, tzinfo=UTC)  # a Thursday; the report is due on Monday the 9th
DRIVES_BEFORE = 22
STEP = timedelta(hours=3)
RAISED = date(2026, 3, 7)
MARKED = "X-Healthtrack-Repeat"
os.environ["HEALTHTRACK_MAIL_PASSWORD"] = "s3cret-Wörd"  # that of tests/smtp_server.py

SETTINGS = """
[mail]
host = "127.0.0.1"
port = PORT
sender = "monitor@workshop.example"
user = "monitor"
ca_file = "ca.pem"
[service]
settle_seconds = 0
scan_files = 3
backup_keep = 3
backup_keep_months = 0
[recipients.owner]
address = "owner@garage.example"
reports = "weekly"
[recipients.boss]
address = ["boss@garage.example", "deputy@garage.example"]
reports = "never"
digest = "0 7 * * sun"
alerts = true
[vehicles.otter]
displacement_l = 2.5
[vehicles.stoat]
displacement_l = 2.5
"""
POOL = """
[vehicles.marten]
displacement_l = 2.5
"""


# ------------------------------------------------------------------------------ one process's life


def live(root: Path, kill_at: tuple[str, int] | None) -> None:
    """Live on from where the folder says, to the end or to the kill. Runs in a forked process."""
    from healthtrack.chain import judging
    from healthtrack.records import Diagnosis
    from healthtrack.service.couriers import courier
    from healthtrack.service.runner import Runner

    if POOL not in (root / "healthtrack.toml").read_text():  # workers would not hear of it
        judging.examine = lambda *_: Diagnosis(())
    listen(root, kill_at)
    end = datetime.fromisoformat((root / "end").read_text())
    moment = json.loads((root / "moment").read_text())
    now = [datetime.fromisoformat(moment)]
    runner = Runner(root, lambda: now[0], courier, bool, assessor())
    while now[0] <= end:
        drop_logs(root, now[0])
        for _ in range(4):  # as the service would, every few seconds
            runner.tick()
        now[0] += STEP
        write_whole(root / "moment", json.dumps(now[0].isoformat()))
    write_whole(root / "finished", "")


def assessor():
    from dataclasses import replace

    from healthtrack.records import IndicatorFinding
    from healthtrack.service.work import Chain

    class Raising(Chain):
        """The real chain, with an alert on otter from a day on: five days are too few for one."""

        def assess(self, workspace, store, vehicle, as_of, now):
            return self.raised(super().assess(workspace, store, vehicle, as_of, now))

        def assess_several(self, bench, vehicles, as_of, failed):
            return map(self.raised, super().assess_several(bench, vehicles, as_of, failed))

        @staticmethod
        def raised(finding):
            if finding.vehicle != "otter" or finding.as_of < RAISED:
                return finding
            item = IndicatorFinding(
                "airflow", "%", "alert", "as told", -4.1, -5.0, -3.2, raised_on=RAISED
            )
            return replace(finding, state="alert", reason="as told", indicators=(item,))

    return Raising()


def drop_logs(root: Path, now: datetime) -> None:
    for source in sorted((root / "prepared").rglob("*.csv")):
        day = int(source.stem.split("-")[0])
        marker = root / "dropped" / source.name
        if START + timedelta(days=day) <= now and not marker.exists():
            vehicle = source.parent.name
            target = root / "inbox" / vehicle / source.name
            temporary = target.with_suffix(".part")
            shutil.copyfile(source, temporary)
            os.utime(temporary, (now.timestamp() - 60, now.timestamp() - 60))
            temporary.rename(target)
            marker.touch()


def write_whole(path: Path, text: str) -> None:
    temporary = path.with_suffix(".part")
    temporary.write_text(text)
    temporary.rename(path)


# ------------------------------------------------------------------------------ steps and the kill


def listen(root: Path, kill_at: tuple[str, int] | None) -> None:
    """Note every step; at the chosen one, die as in a power cut."""
    seen: Counter[str] = Counter()

    def step(name: str) -> None:
        seen[name] += 1
        seen["any"] += 1
        if kill_at and kill_at[0] in (name, "any") and seen[kill_at[0]] == kill_at[1]:
            with (root / "killed").open("a") as stream:
                stream.write(f"{name}\n")
            os.kill(os.getpid(), signal.SIGKILL)
        if kill_at is None:
            with (root / "steps").open("a") as stream:
                stream.write(f"{name}\n")

    class Listener(logging.Handler):
        def emit(self, record):
            if record.getMessage() == "step":
                step(record.step)

    logger = logging.getLogger("healthtrack")
    logger.setLevel(logging.DEBUG)
    logger.addHandler(Listener())
    logger.propagate = False
    around_transactions(step)
    around_files_and_mail(step)


def around_transactions(step) -> None:
    from healthtrack.store.transaction import transaction

    @contextmanager
    def wrapped(connection):
        step("transaction: begin")
        with transaction(connection):
            yield
            step("transaction: before commit")
        step("transaction: committed")

    for name, module in list(sys.modules.items()):
        ours = name.startswith("healthtrack.store.") and not name.endswith(".transaction")
        if ours and hasattr(module, "transaction"):
            module.transaction = wrapped


def around_files_and_mail(step) -> None:
    import smtplib

    for owner, name in (
        (os, "replace"),
        (shutil, "move"),
        (shutil, "rmtree"),
        (smtplib.SMTP, "connect"),
        (smtplib.SMTP, "rcpt"),
        (smtplib.SMTP, "docmd"),
    ):
        wrap(owner, name, f"{getattr(owner, '__name__', owner)}.{name}", step)
    wrap(smtplib.SMTP, "getreply", "answer read", step)


def wrap(owner, name, label, step):
    original = getattr(owner, name)

    def wrapped(*args, **options):
        step(f"{label}: before")
        result = original(*args, **options)
        step(f"{label}: after")
        return result

    setattr(owner, name, wrapped)


# ------------------------------------------------------------------------------ the campaign


class Campaign:
    def __init__(self, folder: Path, seed: int, days: int = 5, *, pool: bool = False):
        self.folder, self.random = folder, random.Random(seed)
        self.end = START + timedelta(days=days)
        self.base = folder / "base"
        self.base.mkdir()
        settings = f"workers = 2\n{SETTINGS}{POOL}" if pool else f"workers = 1\n{SETTINGS}"
        (self.base / "healthtrack.toml").write_text(settings)
        shutil.copytree(REPOSITORY / "pipelines", self.base / "pipelines")
        self.in_its_own_process("prepare", self.base)
        self.post = folder / "post"
        self.post.mkdir()
        self.server = subprocess.Popen(
            [sys.executable, str(REPOSITORY / "tests" / "smtp_server.py"), str(self.post)],
            stdin=subprocess.PIPE,
        )
        while not (self.post / "port").exists():
            time.sleep(0.05)
        self.lives = 0
        self.kills: Counter[str] = Counter()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.server.stdin.close()
        self.server.wait()

    def new_life(self) -> Path:
        self.lives += 1
        root = self.folder / "life"  # always the same: reports name where a damaged log lies
        shutil.rmtree(root, ignore_errors=True)
        shutil.copytree(self.base, root)
        (root / "dropped").mkdir()
        port = (self.post / "port").read_text()
        settings = (root / "healthtrack.toml").read_text()
        (root / "healthtrack.toml").write_text(settings.replace("PORT", port))
        shutil.copy(self.post / "ca.pem", root / "ca.pem")
        write_whole(root / "end", self.end.isoformat())
        write_whole(root / "moment", json.dumps(START.isoformat()))
        for kept in (self.post / "kept").iterdir():
            kept.unlink()
        return root

    def run(self, root: Path, kill_at: tuple[str, int] | None, after: float | None) -> None:
        """Let a process live; kill it from outside after some seconds, where asked."""
        child = os.fork()
        if child == 0:
            code = 1
            try:
                with (root / "errors").open("a") as stream:
                    os.dup2(stream.fileno(), 2)
                live(root, kill_at)
                code = 0
            finally:
                os._exit(code)
        if after is not None:
            time.sleep(after)
            if not (root / "finished").exists():
                os.kill(child, signal.SIGKILL)
                self.kills["(a random moment)"] += 1
        _, status = os.waitpid(child, 0)
        if os.WIFEXITED(status) and os.WEXITSTATUS(status) != 0:
            raise SystemExit(f"a life failed:\n{(root / 'errors').read_text()[-3000:]}")

    def undisturbed(self) -> tuple[dict, Counter[str]]:
        root = self.new_life()
        self.run(root, ("no such step", 1), None)
        whole = self.summary(root)
        root = self.new_life()
        self.run(root, None, None)
        if self.summary(root) != whole:
            raise SystemExit("two undisturbed lives differ: the comparison would mean nothing")
        return whole, Counter((root / "steps").read_text().splitlines())

    def disturbed(self, targets: list[str], most: int, *, only_named: bool = False) -> dict:
        """Live one life with at most so many kills; targets are taken from the list's end."""
        root = self.new_life()
        for _ in range(most):
            if (root / "finished").exists():
                break
            # once there were kills enough, only the steps at which there was none yet are left
            kind = 0.7 if only_named else self.random.random()
            if only_named and not targets:
                break
            if kind < 0.6:
                self.run(root, ("any", self.random.randint(1, 60)), None)
            elif kind < 0.85 and targets:
                self.run(root, (targets.pop(), 1), None)
            else:
                self.run(root, ("no such step", 1), self.random.uniform(0.05, 4.0))
        if not (root / "finished").exists():
            self.run(root, ("no such step", 1), None)
        if (root / "killed").exists():
            self.kills.update((root / "killed").read_text().splitlines())
        return self.summary(root)

    def summary(self, root: Path) -> dict:
        """Say what there is at the end of a life; in a process of its own."""
        found = self.in_its_own_process("store_summary", root)
        found["folders"] = folders(root)
        found["mails"] = sorted(self.mails())
        return found

    @staticmethod
    def in_its_own_process(function: str, root: Path):
        """Call a function of this module with a folder, and return what it returns."""
        code = (
            "import sys, json; sys.path.insert(0, sys.argv[1])\n"
            "from tests.benchmarks import kill_campaign\n"
            "from pathlib import Path\n"
            f"print(json.dumps(kill_campaign.{function}(Path(sys.argv[2])), default=str))"
        )
        command = [sys.executable, "-c", code, str(REPOSITORY), str(root)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        if done.returncode:
            raise SystemExit(f"{function} failed:\n{done.stderr[-3000:]}")
        return json.loads(done.stdout)

    def mails(self) -> Counter[tuple[str, str]]:
        """How often each letter arrived, by Message-ID and subject."""
        found: Counter[tuple[str, str]] = Counter()
        for path in (self.post / "kept").glob("*.eml"):
            message = email.message_from_bytes(path.read_bytes(), policy=policy.SMTP)
            found[str(message["Message-ID"]), str(message["Subject"])] += 1
        return found

    def repeats(self) -> tuple[int, int]:
        """How many letters arrived more than once, and how many of the repeats say so."""
        marked = 0
        for path in (self.post / "kept").glob("*.eml"):
            message = email.message_from_bytes(path.read_bytes(), policy=policy.SMTP)
            marked += message[MARKED] is not None
        extra = sum(count - 1 for count in self.mails().values())
        return extra, marked


def prepare(root: Path) -> None:
    """Make the store with what was driven before, and the logs that are to come."""
    from healthtrack.jobs import ingesting
    from healthtrack.jobs.logs import find_logs
    from healthtrack.jobs.workspace import Workspace
    from tests.benchmarks.cluster_scale import SPREAD
    from tests.conftest import _write_log

    settings = (root / "healthtrack.toml").read_text()
    (root / "healthtrack.toml").write_text(settings.replace("PORT", "25"))
    shutil.copy(REPOSITORY / "tests" / "smtp_server.py", root / "ca.pem")  # only has to be there
    workspace = Workspace.load(root)
    vehicles = list(workspace.settings.vehicles)
    for day in range(-DRIVES_BEFORE, 5):
        folder = root / ("prepared" if day >= 0 else "inbox")
        for number, vehicle in enumerate(vehicles):
            started = START + timedelta(days=day, hours=-4)
            factor = 1.0 + 0.01 * number
            _write_log(folder / vehicle / f"{day}-{vehicle}.csv", started, 1.0, factor)
    (root / "prepared" / "otter" / "3-damaged.csv").write_bytes(bytes(range(256)) * 20)
    with workspace.open_store() as store:
        pipelines = ingesting.load_pipelines(workspace)
        logs = find_logs(workspace, ())
        outcomes = list(ingesting.ingest_logs(workspace, store, logs, pipelines, START))
        assert {one.state for one in outcomes} == {"stored"}, outcomes[0]
        # a log at one operating point teaches nothing
        store._connection.execute(f'UPDATE "window" SET {SPREAD}')
    for path in (root / "inbox").rglob("*.csv"):
        os.utime(path, (START.timestamp() - 3600,) * 2)
    (root / "healthtrack.toml").write_text(settings)


def folders(root: Path) -> dict[str, str]:
    found = {}
    for name in ("inbox", "quarantine", "reports", "backups"):
        for path in sorted((root / name).rglob("*")):
            if path.is_file():
                content = path.read_bytes() if path.suffix in {".csv", ".pdf"} else b""
                found[str(path.relative_to(root))] = hashlib.sha256(content).hexdigest()[:16]
    return found


QUERIES = {
    "log": "SELECT name, vehicle, state, reason, rows, received FROM log",
    "drive": "SELECT * FROM drive",
    "sample": "SELECT drive, count(*), min(t), max(t), fsum(engine_speed) FROM sample GROUP BY 1",
    "window": 'SELECT drive, t, seconds, region, engine_speed, airflow FROM "window"',
    "loss": "SELECT * FROM loss",
    "kept": "SELECT vehicle, digest FROM kept",
    "finding": "SELECT vehicle, as_of, state, document FROM finding",
    "episode": "SELECT * FROM episode",
    "outbox": "SELECT key, recipient, kind, subject, md5(raw) FROM outbox",
    "delivery": "SELECT key, address, state FROM delivery",
    "run": (
        "SELECT job, due, count(*) FROM service_run WHERE state = 'done' "
        "AND job NOT IN ('scan', 'watch', 'mail') GROUP BY 1, 2"
    ),
}


def unlike(whole, found) -> list[str]:
    """Say what is missing in one of two summaries, at most four of each."""
    rows = [
        sorted(map(str, one.items() if isinstance(one, dict) else one)) for one in (whole, found)
    ]
    counted = [Counter(one) for one in rows]
    missing, more = counted[0] - counted[1], counted[1] - counted[0]
    return [f"without {one[:300]}" for one in list(missing)[:4]] + [
        f"with {one[:300]}" for one in list(more)[:4]
    ]


def store_summary(root: Path) -> dict:
    import duckdb

    with duckdb.connect(str(root / "healthtrack.duckdb"), read_only=True) as connection:
        connection.execute("SET TimeZone = 'UTC'")
        return {
            name: sorted(map(list, connection.execute(query).fetchall()), key=str)
            for name, query in QUERIES.items()
        }


def preload() -> None:
    import tests.conftest  # noqa: F401


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--per-life", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--days", type=int, default=5, help="length of a life")
    parser.add_argument("--pool", action="store_true", help="three vehicles, by worker processes")
    parser.add_argument("--all-steps", action="store_true", help="go on until none was spared")
    parser.add_argument("--json", action="store_true", help="print the result as JSON")
    options = parser.parse_args()
    preload()
    with (
        tempfile.TemporaryDirectory() as folder,
        Campaign(Path(folder), options.seed, options.days, pool=options.pool) as campaign,
    ):
        result = conduct(campaign, options)
    print(json.dumps(result) if options.json else table(result))  # noqa: T201 - a script
    return 0 if result["differences"] == [] else 1


def conduct(campaign: Campaign, options: argparse.Namespace) -> dict:
    whole, steps = campaign.undisturbed()
    differences, extra, marked = [], 0, 0
    while campaign.kills.total() < options.kills or (
        options.all_steps and set(steps) - set(campaign.kills) and campaign.lives < 60
    ):
        # named kills go where none has been yet, the latest in a life last
        targets = [name for name in reversed(steps) if not campaign.kills[name]]
        left = options.kills - campaign.kills.total()
        most = min(options.per_life, left) if left > 0 else options.per_life
        found = campaign.disturbed(targets, most, only_named=left <= 0)
        differences += [
            f"life {campaign.lives}: {name} differs: {what}"
            for name in whole
            for what in unlike(whole[name], found[name])
        ]
        if differences:
            keep = Path(tempfile.gettempdir()) / "kill-campaign-difference.json"
            keep.write_text(json.dumps({"whole": whole, "found": found}, indent=1))
        more, of_them = campaign.repeats()
        extra, marked = extra + more, marked + of_them
        print(f"{campaign.kills.total()} kills, {len(differences)} differences", file=sys.stderr)  # noqa: T201
    return {
        "lives": campaign.lives - 2,
        "kills": campaign.kills.total(),
        "by_step": dict(campaign.kills.most_common()),
        "steps": dict(steps),
        "never_killed_at": sorted(set(steps) - set(campaign.kills)),
        "letters_per_life": len(whole["mails"]),
        "kept_parts": len(whole["kept"]),
        "repeats": extra,
        "repeats_that_say_so": marked,
        "differences": differences,
    }


def table(result: dict) -> str:
    lines = ["| step | times per life | kills |", "|---|---|---|"]
    for name, count in sorted(result["steps"].items()):
        lines.append(f"| {name} | {count} | {result['by_step'].get(name, 0)} |")
    lines.append(f"| a random moment | | {result['by_step'].get('(a random moment)', 0)} |")
    lines.append(
        f"\n{result['kills']} kills in {result['lives']} lives of {result['letters_per_life']} "
        f"letters each; {result['repeats']} letters arrived again after their answer was lost, "
        f"{result['repeats_that_say_so']} of those say so; differences: "
        f"{result['differences'] or 'none'}."
    )
    return "\n".join(lines)


if __name__ == "__main__":
    sys.exit(main())
