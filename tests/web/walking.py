"""One workspace and one browser for all walks through the pages.

The workspace holds real drives of the demo's marmot with its verdict and a back-test, and beside it
invented verdicts of other vehicles, so that every part of a page has something to show.
"""

from __future__ import annotations

import os
import shutil
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from healthtrack.bench import results
from healthtrack.bench.settings import OWN, Variant
from healthtrack.bench.study import parse_fault
from healthtrack.jobs import demo, ingesting, maintenance
from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.workspace import Workspace
from healthtrack.web.desk import _Kept
from tests.report.conftest import CASES
from tests.web.conftest import HOSTILE
from tests.web.serving import publish

NOW = datetime(2022, 12, 1, 20, tzinfo=UTC)
DRIVES = 9
INVENTED = {"ibex": "alarm", "badger": "eight_indicators", "lynx": "learning", "raven": "no_data"}
LEARNING = """
[baseline]
minimum_drives = 5
automatic_drives = 5
borrowing_drives = 5
speed_span_rpm = 0
load_span_percent = 0
temperature_span_k = 0
"""
SIZES = {"desktop": (1200, 900), "phone": (390, 844)}


def make_workspace(root, history):
    """Make the workspace, read its drives, keep a back-test of them, and publish it."""
    workspace = demo.make_demo_workspace(history, root, root / "reports")
    path = root / "healthtrack.toml"  # one worker: the logs are read here, no process is started
    path.write_text(f"workers = 1\n{path.read_text()}{LEARNING}")
    workspace = Workspace.load(root)
    strange = root / "inbox" / "marmot" / "strange.csv"
    strange.parent.mkdir(parents=True)
    strange.write_text(f"{HOSTILE};b\n=1+1;{HOSTILE}\n" * 30, encoding="utf-8")
    logs = [log for log in demo.demo_logs(workspace, history) if log.vehicle == "marmot"][:DRIVES]
    with workspace.open_store() as store:
        ingest(workspace, store, [*logs, *find_logs(workspace, [])])
        events = maintenance.read_list(history / "maintenance.csv", workspace.settings.vehicles)
        store.add_maintenance([event for event in events if event.on <= NOW.date()])
        _keep_backtest(workspace, store)
    publish(root, NOW)


def ingest(workspace, store, logs):
    """Do what the service does with logs."""
    pipelines = ingesting.load_pipelines(workspace)
    list(ingesting.ingest_logs(workspace, store, logs, pipelines, NOW))


def _keep_backtest(workspace, store):
    rates = (0.5,)
    variants = tuple(
        Variant(f"false_alerts_per_vehicle_year={rate}", (("false_alerts_per_vehicle_year", rate),))
        for rate in rates
    )
    plan = results.Plan(
        workspace.settings,
        ("marmot",),
        NOW.date(),
        (OWN, *variants),
        (parse_fault("airflow_sensor_reads_low:-40"),),
        diagnose=False,
    )
    history = store.history("marmot", NOW.date())
    list(results.run(workspace.root, "autumn", plan, iter([(history, ())]), NOW))


def give_verdicts(site):
    """Let the desk assess the marmot, and lay invented verdicts beside it."""
    site.desk.work()
    for vehicle, case in INVENTED.items():
        finding = replace(CASES[case](), vehicle=vehicle)
        site.desk._kept[vehicle] = _Kept(site.desk._kept[vehicle].state, finding)


class Browser:
    """A browser that is opened once and set anew for each walk."""

    def __init__(self):
        from selenium import webdriver
        from selenium.webdriver.chrome.options import Options
        from selenium.webdriver.chrome.service import Service

        options = Options()
        options.binary_location = shutil.which("chromium")
        for argument in (
            *("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"),
            *("--window-size=1200,900", "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"),
        ):
            options.add_argument(argument)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
        self.driver = webdriver.Chrome(
            options=options, service=Service(shutil.which("chromedriver"))
        )

    def set(self, size="desktop", dark=False, scripts=True):
        """Return the driver, as wide, dark and able as asked."""
        ask = self.driver.execute_cdp_cmd
        width, height = SIZES[size]
        metrics = {"width": width, "height": height, "mobile": size == "phone"}
        metrics["deviceScaleFactor"] = 2 if size == "phone" else 1
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.driver.get("about:blank")
        ask("Emulation.setScriptExecutionDisabled", {"value": not scripts})
        ask("Emulation.setDeviceMetricsOverride", metrics)
        ask("Emulation.setEmulatedMedia", {"features": [scheme]})
        self.driver.get_log("browser")  # of the walk before
        return self.driver


def need_browser():
    """Skip where there is none."""
    if shutil.which("chromium") is None or shutil.which("chromedriver") is None:
        pytest.skip("chromium and chromedriver are not installed")


def wait_for(found, seconds=30):
    """Return what is found as soon as it is something."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = found()
        if value:
            return value
        time.sleep(0.05)
    pytest.fail("it did not come in time")


def drop(driver, place, paths):
    """Let files and folders fall onto an element, as a hand with a mouse does."""
    box = driver.execute_script(
        "arguments[0].scrollIntoView({block: 'center'});"
        "const b = arguments[0].getBoundingClientRect(); return [b.left + 20, b.top + 6];",
        place,
    )
    data = {"items": [], "files": [str(path) for path in paths], "dragOperationsMask": 1}
    for kind in ("dragEnter", "dragOver", "drop"):
        driver.execute_cdp_cmd(
            "Input.dispatchDragEvent", {"type": kind, "x": box[0], "y": box[1], "data": data}
        )


def picture(driver, name):
    """Keep a picture of the whole page where HEALTHTRACK_PICTURES points, for a person."""
    import base64

    folder = os.environ.get("HEALTHTRACK_PICTURES")
    if not folder:
        return
    Path(folder).mkdir(parents=True, exist_ok=True)
    size = driver.execute_cdp_cmd("Page.getLayoutMetrics", {})["cssContentSize"]
    clip = {"x": 0, "y": 0, "scale": 1, "width": size["width"], "height": min(size["height"], 6000)}
    shot = driver.execute_cdp_cmd(
        "Page.captureScreenshot", {"captureBeyondViewport": True, "clip": clip}
    )
    (Path(folder) / f"{name}.png").write_bytes(base64.b64decode(shot["data"]))
