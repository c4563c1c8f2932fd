"""The pages in a real browser: walked through, looked at by an accessibility checker, and pictured.

Pictures land where HEALTHTRACK_PICTURES points, for a person to look at.
"""

from __future__ import annotations

import json
import os
import shutil
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from healthtrack.jobs import demo, ingesting, maintenance
from tests.web.serving import publish, served

pytestmark = [pytest.mark.slow, pytest.mark.journey]

NOW = datetime(2024, 7, 1, 20, tzinfo=UTC)
VEHICLES = {"marmot": 20, "chamois": 60}
AXE = Path(__file__).parent / "vendor" / "axe.min.js"
SIZES = {"desktop": (1200, 900), "phone": (390, 844)}


@pytest.fixture(scope="module")
def page(tmp_path_factory, repository):
    """Serve the page over part of the demo's history, with full verdicts there."""
    root = tmp_path_factory.mktemp("demo") / "garage"
    history = repository / "demo_history"
    workspace = demo.make_demo_workspace(history, root, root / "reports")
    with workspace.open_store() as store:
        logs = [
            log
            for vehicle, most in VEHICLES.items()
            for log in [
                one for one in demo.demo_logs(workspace, history) if one.vehicle == vehicle
            ][:most]
        ]
        pipelines = ingesting.load_pipelines(workspace)
        list(ingesting.ingest_logs(workspace, store, logs, pipelines, NOW))
        events = maintenance.read_list(history / "maintenance.csv", workspace.settings.vehicles)
        store.add_maintenance(events)
    publish(root, NOW)
    with served(root, lambda: NOW, desk=False) as found:
        found.site.desk.work()
        found.root = root
        yield found


def open_browser(size="desktop", dark=False, scripts=True):
    if shutil.which("chromium") is None or shutil.which("chromedriver") is None:
        pytest.skip("chromium and chromedriver are not installed")
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = shutil.which("chromium")
    width, height = SIZES[size]
    for argument in (
        *("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu"),
        *(
            f"--window-size={width},{height}",
            "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
        ),
    ):
        options.add_argument(argument)
    if not scripts:
        options.add_experimental_option(
            "prefs", {"profile.managed_default_content_settings.javascript": 2}
        )
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    features = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    if size == "phone":
        metrics = {"width": width, "height": height, "deviceScaleFactor": 2, "mobile": True}
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
    return driver


@pytest.fixture
def browser():
    opened = []

    def make(**how):
        driver = open_browser(**how)
        opened.append(driver)
        return driver

    yield make
    for driver in opened:
        driver.quit()


def wait_for(found, seconds=30):
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = found()
        if value:
            return value
        time.sleep(0.1)
    pytest.fail("it did not come in time")


def picture(driver, name):
    folder = os.environ.get("HEALTHTRACK_PICTURES")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        driver.save_screenshot(str(Path(folder) / f"{name}.png"))


def faults(driver):
    """What the checker finds, and what the browser itself complained of."""
    driver.execute_script(AXE.read_text(encoding="utf-8"))
    told = driver.execute_async_script(
        "const done = arguments[0]; axe.run().then((r) => done(JSON.stringify(r.violations)));"
    )
    found = [
        f"{one['id']} ({one['impact']}): {node['target']} {node['html'][:120]}"
        for one in json.loads(told)
        for node in one["nodes"][:3]
    ]
    return found + [
        entry["message"] for entry in driver.get_log("browser") if entry["level"] == "SEVERE"
    ]


def addresses(page):
    with page.site.workspace().open_for_reading() as (store, _):
        pulls = store.history("marmot", NOW.date()).pulls
        drive = pulls["drive"][-1]
        log = store.logs("marmot")[0].sha256
    return {
        "board": "/",
        "vehicle": "/vehicle/chamois",
        "drive": f"/vehicle/marmot/drive/{drive}",
        "pulls": "/vehicle/marmot/pulls",
        "pull": f"/vehicle/marmot/pull/{drive}",
        "logs": "/logs",
        "log": f"/logs/{log}",
        "recipe": f"/logs/{log}/recipe",
        "map": "/map",
        "tune": "/tune",
        "error": "/nothing",
    }


@pytest.mark.parametrize(
    ("size", "dark"), [("desktop", False), ("phone", False), ("desktop", True)]
)
def test_the_checker_finds_nothing_on_any_page(page, browser, size, dark):
    driver = browser(size=size, dark=dark)
    found = {}
    for name, address in addresses(page).items():
        driver.get(page.address + address)
        time.sleep(0.5)
        picture(driver, f"{name}-{size}{'-dark' if dark else ''}")
        wide = driver.execute_script(
            "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        told = [one for one in faults(driver) if "404" not in one]
        found[name] = told + ([f"{wide} pixels too wide"] if wide > 1 else [])
    assert {name: told for name, told in found.items() if told} == {}


def test_reading_works_without_scripts(page, browser):
    driver = browser(scripts=False)
    driver.get(page.address + "/vehicle/chamois")
    time.sleep(1)
    picture(driver, "vehicle-without-scripts")
    images = driver.find_elements("css selector", "figure img")
    assert len(images) >= 4
    for name, address in addresses(page).items():
        driver.get(page.address + address)
        assert driver.find_element("tag name", "h1").text, name


def test_a_point_of_a_course_leads_to_its_drive(page, browser):
    from selenium.webdriver import ActionChains

    driver = browser()
    driver.get(page.address + "/vehicle/chamois")
    over = wait_for(lambda: driver.find_elements("css selector", ".u-over"))[0]
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", over)
    answer = driver.execute_async_script(
        "fetch('/vehicle/chamois/courses.json').then((r) => r.json()).then(arguments[0])"
    )
    course = answer["courses"][0]
    inside = [i for i, v in enumerate(course["value"]) if v and course["low"] < v < course["high"]]
    at = inside[len(inside) // 2]
    box = over.size
    share = (course["x"][at] - course["axis"]["low"]) / (
        course["axis"]["high"] - course["axis"]["low"]
    )
    down = (course["high"] - course["value"][at]) / (course["high"] - course["low"])
    actions = ActionChains(driver)
    actions.move_to_element_with_offset(
        over,
        int(share * box["width"] - box["width"] / 2),
        int(down * box["height"] - box["height"] / 2),
    ).click().perform()
    wait_for(lambda: "/drive/" in driver.current_url)
    wait_for(lambda: "What it said" in driver.page_source)


def test_a_pull_is_stepped_through_by_keyboard_and_played(page, browser):
    driver = browser()
    driver.get(page.address + addresses(page)["pull"])
    slider = wait_for(lambda: driver.find_elements("id", "at"))[0]
    before = driver.find_element("css selector", "dd[data-name=engine_speed]").text
    slider.send_keys("\ue014" * 6)  # arrow right
    after = driver.find_element("css selector", "dd[data-name=engine_speed]").text
    assert before != after
    driver.find_element("id", "play").click()
    last = slider.get_attribute("max")
    wait_for(lambda: slider.get_attribute("value") == last)


def test_files_that_are_chosen_arrive_whole_and_are_said_to_wait(
    page, browser, write_log, tmp_path
):
    driver = browser()
    logs = [write_log(tmp_path / f"drive-{n}.csv", NOW.replace(hour=n)) for n in range(3)]
    driver.get(page.address + "/logs?vehicle=marmot")
    field = driver.find_element("css selector", "#drop input")
    field.send_keys("\n".join(map(str, logs)))
    driver.find_element("css selector", "#bring button").click()
    wait_for(lambda: "0 of 3 dealt with" in driver.find_element("id", "rows").text)
    picture(driver, "brought")
    inbox = page.root / "inbox" / "marmot"
    assert all((inbox / log.name).read_bytes() == log.read_bytes() for log in logs)
    assert page.poked


def test_work_is_recorded_by_the_form(page, browser):
    driver = browser()
    driver.get(page.address + "/vehicle/marmot")
    driver.find_element("name", "odometer_km").send_keys("201000")
    driver.find_element("css selector", "form.fields button").click()
    # a form's answer is a new page: until it is there the source is empty
    wait_for(lambda: "the service enters it within seconds" in driver.page_source)


def test_a_chart_is_traced_by_mouse_and_by_keyboard(page, browser, tmp_path):
    """Clicks on a drawn chart give its curves back; the picture is never sent."""
    from selenium.webdriver import ActionChains
    from selenium.webdriver.support.ui import Select

    from healthtrack.airpath.map_file import read_map
    from tests.web.charts import draw_chart

    chart = draw_chart(tmp_path / "chart.png")
    driver = browser()
    driver.get(page.address + "/map")
    driver.find_element("id", "picture").send_keys(str(chart.path))
    wait_for(lambda: driver.find_element("id", "canvas").size["width"] > 100)
    for index, value in enumerate(chart.axis_values):
        what = "flow" if index < 2 else "ratio"
        driver.find_element("id", f"axis-{index}-{what}").send_keys(str(value))
    for name, value in (("reference_temperature_k", "298.15"), ("reference_pressure_kpa", "100")):
        driver.find_element("id", name).send_keys(value)
    canvas = driver.find_element("id", "canvas")
    scale = canvas.size["width"] / chart.width

    def click(pixel):
        driver.execute_script(
            "const c = document.getElementById('canvas'), b = c.getBoundingClientRect();"
            "c.dispatchEvent(new MouseEvent('click', {clientX: b.left + arguments[0], "
            "clientY: b.top + arguments[1], bubbles: true}));",
            pixel[0] * scale,
            pixel[1] * scale,
        )

    for pixel in chart.axis_pixels:
        click(pixel)
    for kind, value, pixels in chart.lines:
        Select(driver.find_element("id", "kind")).select_by_value(kind)
        field = driver.find_element("id", "value")
        field.clear()
        field.send_keys("" if value is None else str(value))
        for pixel in pixels:
            click(pixel)
    wait_for(lambda: "Flow is known to" in driver.find_element("id", "error").text)
    sheet = driver.find_element("id", "sheet")
    ActionChains(driver).move_to_element(sheet).perform()
    picture(driver, "map-traced")
    driver.find_element("id", "file").send_keys("traced")
    driver.find_element("css selector", "#save button").click()
    wait_for(lambda: "Saved" in driver.find_element("id", "saved").text)
    saved = read_map(page.root / "maps" / "traced.toml")
    assert len(saved.speed_lines) == sum(kind == "speed_line" for kind, *_ in chart.lines)
    sheet.send_keys("\ue014", "\n")
    assert "points" in driver.find_element("id", "lines").text
