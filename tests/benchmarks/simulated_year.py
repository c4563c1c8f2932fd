"""Drive the service's clock through 400 days and count what was due and what was sent.

Twenty vehicles, four recipients in three time zones, both clock changes and a fortnight without
power. Store, ledger, outbox, schedule, backups and letters are the real ones; the verdicts and the
drawing are stand-ins (tests/service_stand_ins.py), and a pigeon stands for the mail server.

    python tests/benchmarks/simulated_year.py --days 400
"""

from __future__ import annotations

import argparse
import email
import json
import os
import resource
import sys
import tempfile
import time as wall
from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
REPOSITORY = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(REPOSITORY))

BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")

SETTINGS = """
[mail]
host = "127.0.0.1"
sender = "monitor@workshop.example"
[service]
time_zone = "Europe/Berlin"
assess_at = "02:30"
backup_keep = 3
backup_keep_months = 2
[recipients.owner]
address = "owner@garage.example"
reports = "weekly"
[recipients.office]
address = "office@garage.example"
reports = "monthly"
digest = "0 7 last * *"
time_zone = "America/New_York"
[recipients.night]
address = "night@garage.example"
reports = "30 2 * * *"
vehicles = ["v01"]
[recipients.far]
address = "far@garage.example"
reports = "never"
digest = "0 6 * * mon,thu"
time_zone = "Asia/Kathmandu"
"""


def first_of_two(day: date, hour: int, minute: int, zone: ZoneInfo) -> datetime:
    """Return a local time as a moment: where it is skipped an hour later, where it is double first.

    Found by walking through the day's minutes of UTC, so that it does not rest on the way in which
    healthtrack does it.
    """
    start = datetime.combine(day, time(), UTC) - timedelta(hours=15)
    wanted, later = time(hour, minute), None
    for number in range(54 * 60):
        moment = start + timedelta(minutes=number)
        local = moment.astimezone(zone)
        if local.date() == day and local.time() == wanted:
            return moment
        before = (moment - timedelta(minutes=1)).astimezone(zone)
        if local.date() == day and before.time() < wanted < local.time() and later is None:
            skipped = datetime.combine(day, wanted) - before.replace(tzinfo=None)
            later = moment - timedelta(minutes=1) + skipped
    assert later is not None
    return later


def expected(start: datetime, end: datetime, away: tuple[datetime, datetime], vehicles: int):
    """Return the keys of all letters that are due: those of the outage but the last are not."""
    everyone = [f"v{number + 1:02}" for number in range(vehicles)]
    kathmandu = ZoneInfo("Asia/Kathmandu")
    plans = {
        ("report", "owner"): (everyone, BERLIN, (6, 0), lambda day: day.weekday() == 0),
        ("report", "office"): (everyone, NEW_YORK, (6, 0), lambda day: day.day == 1),
        ("report", "night"): (["v01"], BERLIN, (2, 30), lambda day: True),
        ("digest", "office"): (
            *(None, NEW_YORK, (7, 0)),
            lambda day: (day + timedelta(days=1)).day == 1,
        ),
        ("digest", "far"): (None, kathmandu, (6, 0), lambda day: day.weekday() in (0, 3)),
    }
    keys = []
    for (kind, who), (whose, zone, at, matches) in plans.items():
        days = (start.date() + timedelta(days=n - 1) for n in range((end - start).days + 3))
        moments = [first_of_two(day, *at, zone) for day in days if matches(day)]
        moments = [moment for moment in moments if start < moment <= end]
        missed = [moment for moment in moments if away[0] < moment <= away[1]]
        for moment in moments:
            if moment in missed[:-1]:
                continue
            for vehicle in whose or [""]:
                middle = f"/{vehicle}" if vehicle else ""
                keys.append(f"{kind}/{who}{middle}/{moment:%Y-%m-%dT%H:%MZ}")
    return keys


def live_through(root: Path, start: datetime, days: int, outage: tuple[int, int], vehicles: int):
    """Let the time pass and return what came of it."""
    from healthtrack.mail import message_id
    from healthtrack.service.runner import Runner
    from healthtrack.store import Ledger, Outbox
    from tests.service_stand_ins import Clock, Pigeon, StandIn, make_garage

    sections = "\n".join(f"[vehicles.v{number + 1:02}]" for number in range(vehicles))
    make_garage(root, SETTINGS + sections)
    clock, pigeon = Clock(start), Pigeon()
    runner = Runner(root, clock, lambda _: pigeon, bool, StandIn())
    runner.tick()
    end = start + timedelta(days=days)
    away = tuple(start + timedelta(days=day) for day in outage)
    memory = []
    began = wall.monotonic()
    counts: Counter[str] = Counter()
    while clock.now < end:
        clock.forward(minutes=30)
        if clock.now == away[0]:  # the power fails, and comes back a fortnight later
            clock.now = away[1]
            runner = Runner(root, clock, lambda _: pigeon, bool, StandIn())
        runner.tick()
        for _, raw in pigeon.kept:
            counts[str(email.message_from_bytes(raw)["Message-ID"])] += 1
        pigeon.kept.clear()
        if clock.now.hour == clock.now.minute == 0:
            memory.append(resident())
    wanted = expected(start, end, away, vehicles)
    ids = Counter(message_id(key, "monitor@workshop.example") for key in wanted)
    with runner.workspace.open_store() as store:
        runs = Counter(run.state for run in Ledger(store).runs())
        nights = [run.due for run in Ledger(store).runs("assess") if run.state == "done"]
        states = Outbox(store).counts()
    third = len(memory) // 3
    return {
        "days": days,
        "vehicles": vehicles,
        "letters_due": len(wanted),
        "letters_sent": sum(counts.values()),
        "sent_but_not_due": sum((counts - ids).values()),
        "due_but_not_sent": sum((ids - counts).values()),
        "runs": dict(runs),
        "nights_assessed": len(nights),
        "nights_twice": len(nights) - len({one.astimezone(BERLIN).date() for one in nights}),
        "states": states,
        "memory_mb_after_a_third": round(memory[third], 1),
        "memory_mb_at_the_end": round(memory[-1], 1),
        "memory_mb_highest": round(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, 1),
        "store_mb": round((root / "healthtrack.duckdb").stat().st_size / 1e6, 1),
        "is_well": runner.status().is_well,
        "wall_seconds": round(wall.monotonic() - began, 1),
    }


def resident() -> float:
    """Return the memory that this process holds. [MB]"""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=int, default=400)
    parser.add_argument("--vehicles", type=int, default=20)
    options = parser.parse_args()
    start = datetime(2026, 1, 5, 12, tzinfo=UTC)
    with tempfile.TemporaryDirectory() as folder:
        outage = (150, 164)
        result = live_through(
            Path(folder) / "garage", start, options.days, outage, options.vehicles
        )
    print(json.dumps(result, indent=1))  # noqa: T201 - a script


if __name__ == "__main__":
    main()
