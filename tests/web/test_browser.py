"""The pages in a real browser: walked through, looked at by an accessibility checker, and pictured.

Pictures land where HEALTHTRACK_PICTURES points, for a person to look at. One workspace, one server
and one browser serve all walks; each asserts only what it did itself.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import polars as pl
import pytest

from healthtrack.jobs.logs import find_logs
from healthtrack.jobs.starting import copy_pipelines
from healthtrack.jobs.workspace import Workspace
from tests.web.serving import publish, served
from tests.web.walking import (
    NOW,
    Browser,
    drop,
    give_verdicts,
    ingest,
    make_workspace,
    need_browser,
    picture,
    wait_for,
)

pytestmark = [pytest.mark.slow, pytest.mark.journey]

AXE = Path(__file__).parent / "vendor" / "axe.min.js"
OF_COLOURS = ("color-contrast", "link-in-text-block")
"""The checker's rules that look at colours: all that another colour scheme can break."""
RIGHT, HOME, ENTER = "\ue014", "\ue011", "\ue007"


@pytest.fixture(scope="module")
def page(tmp_path_factory, repository):
    need_browser()
    root = tmp_path_factory.mktemp("walked") / "garage"
    make_workspace(root, repository / "demo_history")
    with served(root, lambda: NOW, desk=False) as found:
        give_verdicts(found.site)
        found.root = root
        yield found


@pytest.fixture(scope="module")
def opened():
    need_browser()
    browser = Browser()
    yield browser
    browser.driver.quit()


@pytest.fixture
def browser(opened):
    return opened.set


@pytest.fixture(scope="module")
def locked(tmp_path_factory):
    """Serve a page that asks for a login."""
    from healthtrack.web.accounts import keep_account

    root = tmp_path_factory.mktemp("locked")
    (root / "healthtrack.toml").write_text('[page]\nname = "monitor.workshop.example"\n')
    keep_account(root, "anna", "a long password", "full")
    with served(root, lambda: NOW, desk=False) as found:
        yield found.address


def addresses(page):
    with page.site.workspace().open_for_reading() as (store, _):
        pulls = store.history("marmot", NOW.date()).pulls
        first = pulls["drive"][0]
        late = pulls.filter(pl.col("t").cum_count().over("drive") == 1, pl.col("drive") != first)
        drive = late.tail(6).sort("seconds")["drive"][0]  # it is played in its own time
        logs = {log.state: log.sha256 for log in store.logs("marmot")}
    return {
        "board": "/",
        "vehicle": "/vehicle/ibex",
        "vehicle-real": "/vehicle/marmot",
        "drive": f"/vehicle/marmot/drive/{drive}",
        "pulls": "/vehicle/marmot/pulls",
        "pull": f"/vehicle/marmot/pull/{drive}?with={first}",
        "logs": "/logs",
        "log": f"/logs/{logs['stored']}",
        "log-aside": f"/logs/{logs['quarantined']}",
        "recipe": f"/logs/{logs['stored']}/recipe",
        "map": "/map",
        "tune": "/tune",
        "error": "/nothing",
    }


def drawn(driver):
    """Whether all courses are drawn (at once where there are none)."""
    return driver.execute_script(
        "return document.querySelectorAll('.plot').length === "
        "document.querySelectorAll('.u-over').length"
    )


def faults(driver, rules=None):
    """What the checker finds, and what the browser itself complained of."""
    driver.execute_script(AXE.read_text(encoding="utf-8"))
    how = {"resultTypes": ["violations"]}
    if rules:
        how["runOnly"] = {"type": "rule", "values": list(rules)}
    told = driver.execute_async_script(
        "const done = arguments[1];"
        "axe.run(document, arguments[0]).then((r) => done(JSON.stringify(r.violations)));",
        how,
    )
    found = [
        f"{one['id']} ({one['impact']}): {node['target']} {node['html'][:120]}"
        for one in json.loads(told)
        for node in one["nodes"][:3]
    ]
    return found + [
        entry["message"] for entry in driver.get_log("browser") if entry["level"] == "SEVERE"
    ]


@pytest.mark.parametrize(
    ("size", "dark"), [("desktop", False), ("phone", False), ("desktop", True)]
)
def test_the_checker_finds_nothing_on_any_page(page, locked, browser, size, dark):
    driver = browser(size=size, dark=dark)
    found = {}
    places = {name: page.address + to for name, to in addresses(page).items()}
    for name, address in {**places, "sign-in": f"{locked}/sign-in"}.items():
        driver.get(address)
        wait_for(lambda: drawn(driver))
        picture(driver, f"{name}-{size}{'-dark' if dark else ''}")
        wide = driver.execute_script(
            "return document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        told = faults(driver, OF_COLOURS if dark else None)
        told = [one for one in told if not (name == "error" and "404" in one)]
        found[name] = told + ([f"{wide} pixels too wide"] if wide > 1 else [])
    assert {name: told for name, told in found.items() if told} == {}


def test_reading_works_without_scripts(page, browser):
    driver = browser(scripts=False)
    for name, address in addresses(page).items():
        driver.get(page.address + address)
        assert driver.find_element("tag name", "h1").text, name
        picture(driver, f"{name}-noscript")
        if name == "vehicle":
            images = driver.find_elements("css selector", "figure img")
            assert len(images) >= 4
        if name == "pull":
            assert driver.find_element("css selector", "polyline.track").is_displayed()
        if name == "tune":
            assert driver.find_element("css selector", "#marker button").is_displayed()


# ---------------------------------------------------------------- a vehicle


def open_courses(page, driver):
    driver.get(page.address + "/vehicle/marmot")
    wait_for(lambda: drawn(driver))
    return driver.execute_async_script(
        "fetch('/vehicle/marmot/courses.json').then((r) => r.json()).then(arguments[0])"
    )["courses"][0]


def test_a_point_of_a_course_leads_to_its_drive(page, browser):
    from selenium.webdriver import ActionChains

    driver = browser()
    course = open_courses(page, driver)
    over = driver.find_elements("css selector", ".u-over")[0]
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", over)
    inside = [i for i, v in enumerate(course["value"]) if v and course["low"] < v < course["high"]]
    at = inside[len(inside) // 2]
    box = over.size
    share = (course["x"][at] - course["axis"]["low"]) / (
        course["axis"]["high"] - course["axis"]["low"]
    )
    down = (course["high"] - course["value"][at]) / (course["high"] - course["low"])
    actions = ActionChains(driver, duration=0)
    actions.move_to_element_with_offset(
        over,
        int(share * box["width"] - box["width"] / 2),
        int(down * box["height"] - box["height"] / 2),
    ).click().perform()
    wait_for(lambda: "/drive/" in driver.current_url)
    wait_for(lambda: "What it said" in driver.page_source)


def test_a_course_is_zoomed_by_the_mouse_and_shown_whole_again(page, browser):
    from selenium.webdriver import ActionChains

    driver = browser()
    open_courses(page, driver)
    over = driver.find_elements("css selector", ".u-over")[0]
    driver.execute_script("arguments[0].scrollIntoView({block: 'center'})", over)

    def ink():
        return driver.execute_script(
            "return document.querySelector('.plot canvas').toDataURL().slice(-4000)"
        )

    whole = ink()
    actions = ActionChains(driver, duration=0)
    actions.move_to_element_with_offset(over, -100, 0).click_and_hold()
    actions.move_by_offset(200, 0).release().perform()
    wait_for(lambda: ink() != whole)
    assert "/vehicle/marmot" in driver.current_url  # a drag is no click
    away = driver.find_element(
        "css selector", ".course figcaption"
    )  # pointed at, a line stands out
    actions = ActionChains(driver, duration=0)
    actions.move_to_element(away).perform()
    zoomed = ink()
    actions.double_click(over).move_to_element(away).perform()
    wait_for(lambda: ink() == whole)
    assert zoomed != whole


def test_a_course_is_walked_and_its_drive_opened_by_keyboard(page, browser):
    driver = browser()
    course = open_courses(page, driver)
    plot = driver.find_element("css selector", ".plot")
    plot.send_keys(HOME)  # the first drive
    told = driver.find_element("css selector", ".course .told")
    assert course["day"][0] in told.text
    plot.send_keys("+", RIGHT)
    second = told.text
    assert course["day"][1] in second
    plot.send_keys(ENTER)
    wait_for(lambda: "/drive/" in driver.current_url)
    wait_for(lambda: "What it said" in driver.page_source)


def test_work_is_recorded_by_the_form(page, browser):
    driver = browser()
    driver.get(page.address + "/vehicle/marmot")
    driver.find_element("name", "odometer_km").send_keys("201000")
    driver.find_element("css selector", "form.fields button").click()
    # a form's answer is a new page: until it is there the source is empty
    wait_for(lambda: "the service enters it within seconds" in driver.page_source)


def test_the_report_opens_as_a_pdf(page, browser):
    driver = browser()
    driver.get(page.address + "/vehicle/marmot")
    driver.find_element("css selector", "section[aria-labelledby=reports] form button").click()
    wait_for(lambda: driver.current_url.endswith(".pdf"))
    (written,) = (page.root / "reports" / "marmot").glob("*.pdf")
    assert written.read_bytes().startswith(b"%PDF-")


# ---------------------------------------------------------------- a pull


def test_a_pull_is_stepped_through_by_keyboard_and_played(page, browser):
    driver = browser()
    driver.get(page.address + addresses(page)["pull"])
    slider = wait_for(lambda: driver.find_elements("id", "at"))[0]
    names = {
        *("seconds", "engine_speed", "vehicle_speed", "airflow", "inlet_pressure"),
        *("manifold_pressure", "pressure_ratio", "corrected_flow", "efficiency"),
        *("surge_margin", "choke_margin"),
    }

    def numbers():
        return driver.execute_script(
            "return Object.fromEntries([...document.querySelectorAll('#numbers dd')]"
            ".map((cell) => [cell.dataset.name, cell.textContent]))"
        )

    before, dot = numbers(), driver.find_element("id", "dot")
    place = dot.get_attribute("transform")
    shown = set()
    for _ in range(int(slider.get_attribute("max"))):
        shown |= {name for name, text in numbers().items() if text[0].isdigit()}
        slider.send_keys(RIGHT)
    assert shown == names  # at the ends a track may leave the map
    assert numbers() != before
    assert dot.get_attribute("transform") != place
    slider.send_keys(HOME)
    assert len(driver.find_elements("css selector", "polyline.earlier")) >= 2
    assert driver.find_elements("css selector", "polyline.beside")
    assert "Like for like" in driver.page_source
    driver.find_element("id", "play").click()
    last = slider.get_attribute("max")
    wait_for(lambda: slider.get_attribute("value") == last)


# ---------------------------------------------------------------- bringing


def rows(driver):
    """What the page says of the files that were just brought."""
    return driver.find_element("id", "rows").text


def test_dropped_files_and_folders_arrive_whole_and_are_said_to_wait(
    page, browser, write_log, tmp_path
):
    driver = browser()
    folder = tmp_path / "card"
    logs = [
        write_log(folder / name, NOW.replace(hour=n))
        for n, name in enumerate(("one.csv", "deep/er/two.csv", ".hidden.csv"))
    ]
    alone = write_log(tmp_path / "three.csv", NOW.replace(hour=4))
    driver.get(page.address + "/logs?vehicle=marmot")
    drop(driver, driver.find_element("id", "drop"), [folder, alone])
    wait_for(lambda: "0 of 3 dealt with" in rows(driver))
    assert "3 of 3 sent" in driver.find_element("id", "sending").text
    inbox = page.root / "inbox" / "marmot"
    for log in (*logs[:2], alone):
        assert (inbox / log.name).read_bytes() == log.read_bytes()
    assert not (inbox / "hidden.csv").exists()
    assert page.poked


def test_a_chosen_folder_arrives_whole_and_what_cannot_be_taken_is_named(
    page, browser, write_log, tmp_path
):
    driver = browser()
    chosen = write_log(tmp_path / "chosen" / "sub" / "four.csv", NOW.replace(hour=5))
    (tmp_path / "chosen" / "nothing.csv").write_bytes(b"")
    driver.get(page.address + "/logs?vehicle=marmot")
    driver.find_element("css selector", "#folder input").send_keys(str(tmp_path / "chosen"))
    driver.find_element("css selector", "#bring button").click()
    wait_for(lambda: "of 2 dealt with" in rows(driver))
    assert "nothing.csv not taken it is empty" in rows(driver)
    assert (page.root / "inbox/marmot/four.csv").read_bytes() == chosen.read_bytes()


def test_open_logs_of_a_strange_layout_are_dropped_understood_and_seen(
    browser, open_logs, tmp_path
):
    """A real logger's files, with no recipe for them: from the drop to the pull on the map."""
    from selenium.webdriver.support.ui import Select

    root = tmp_path / "garage"
    copy_pipelines(root / "pipelines")
    (root / "pipelines" / "round_robin_csv.toml").unlink()  # made for just these logs
    (root / "healthtrack.toml").write_text(
        "workers = 1\n[service]\nsettle_seconds = 0\n[vehicles.heron]\ndisplacement_l = 1.6\n"
    )
    logs = [open_logs / f"2017-{name}.csv" for name in ("07-14_081947", "08-07_190525")]
    if os.environ.get("HEALTHTRACK_ALL_OPEN_LOGS"):  # by hand: a minute and a half
        logs += sorted(set(open_logs.glob("2017-*.csv")) - set(logs))

    def service():
        workspace = Workspace.load(root)
        with workspace.open_store() as store:
            ingest(workspace, store, find_logs(workspace, []))
        publish(root, NOW)

    service()
    driver = browser()
    with served(root, lambda: NOW, desk=False) as page:
        driver.get(page.address + "/logs")
        drop(driver, driver.find_element("id", "drop"), logs)
        wait_for(lambda: f"0 of {len(logs)} dealt with" in rows(driver))
        service()
        wait_for(lambda: f"{len(logs)} of {len(logs)} dealt with" in rows(driver))
        picture(driver, "open-logs-put-aside")
        row = driver.find_element("xpath", f"//tr[th[text()='{logs[0].name}']]")
        row.find_element("tag name", "a").click()
        wait_for(lambda: driver.find_elements("link text", "Draft a recipe for it"))[0].click()
        wait_for(lambda: driver.find_elements("css selector", "select[name='channel.airflow']"))
        assert "time zone" in driver.find_element("id", "doubts").text
        picture(driver, "open-logs-drafted")
        assert "pedal: 'Accelerator Pedal Position E" in driver.find_element("id", "doubts").text
        Select(driver.find_element("name", "channel.pedal")).select_by_value("leave_out")
        driver.find_element("css selector", "details summary").click()
        Select(driver.find_element("name", "unused.0")).select_by_value("pedal")
        zone = driver.find_element("name", "zone")
        zone.clear()
        zone.send_keys("Europe/Berlin")
        Select(driver.find_element("name", "channel.throttle")).select_by_value("leave_out")
        driver.find_element("css selector", "button[value=look]").click()
        wait_for(lambda: not driver.find_elements("name", "channel.throttle"))
        assert driver.find_element("name", "zone").get_attribute("value") == "Europe/Berlin"
        read = driver.find_element("id", "read").text
        assert "manifold pressure, kPa" in read
        assert "pedal, %" in read
        assert not driver.find_elements("id", "doubts")
        picture(driver, "open-logs-corrected")
        driver.find_element("css selector", "button[value=save]").click()
        wait_for(lambda: "Saved as pipelines/heron.toml" in driver.page_source)
        service()
        page.site.desk.work()
        driver.get(page.address + "/")
        assert "Aug 2017" in driver.find_element("css selector", ".vehicles").text
        picture(driver, "open-logs-board")
        driver.find_element("css selector", ".vehicles a").click()
        wait_for(lambda: "/vehicle/heron" in driver.current_url and drawn(driver))
        assert [entry.state for entry in page.site.glance().logs] == ["stored"] * len(logs)
        assert page.site.desk.finding("heron").drives >= len(logs)  # a log may hold several
        picture(driver, "open-logs-vehicle")
        driver.get(page.address + "/vehicle/heron/pulls")
        picture(driver, "open-logs-pulls")
        driver.find_element("css selector", "tbody th a").click()
        wait_for(lambda: driver.find_elements("css selector", "polyline.track"))
        picture(driver, "open-logs-pull")
    recipe = (root / "pipelines" / "heron.toml").read_text()
    assert "Accelerator Pedal Position E" in recipe.partition("# Columns that")[0]
    assert "# Doubts: none." in recipe


# ---------------------------------------------------------------- tuning


def test_the_marker_is_moved_by_keyboard_and_its_setting_applied(page, browser):
    driver = browser()
    driver.get(page.address + "/tune")
    slider, here = driver.find_element("id", "at"), driver.find_element("id", "here")
    slider.send_keys(HOME)  # the fewest false alerts
    first = wait_for(lambda: driver.find_element("id", "chosen").text)
    seen, places = {first}, {here.get_attribute("transform")}
    for _ in range(int(slider.get_attribute("max"))):
        last = driver.find_element("id", "chosen").text
        slider.send_keys(RIGHT)
        wait_for(lambda before=last: driver.find_element("id", "chosen").text != before)
        seen.add(driver.find_element("id", "chosen").text)
        places.add(here.get_attribute("transform"))
        assert driver.find_element("id", "chosen").text in slider.get_attribute("aria-valuetext")
    assert len(seen) == 2
    assert len(places) > 1
    assert "marmot" in driver.find_element("css selector", "svg.strips").text
    picture(driver, "tune-moved")
    wanted = "false_alerts_per_vehicle_year=0.5"
    driver.get(f"{page.address}/tune?variant={wanted}")
    assert driver.find_element("id", "chosen").text == wanted
    driver.find_element("name", "why").send_keys("fewer calls at night")
    driver.find_element("css selector", "#shown form button").click()
    wait_for(lambda: "applied=1" in driver.current_url)
    text = (page.root / "healthtrack.toml").read_text()
    assert "# from back-test autumn" in text
    assert "fewer calls at night" in text


# ---------------------------------------------------------------- a map


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

    def click(pixels):
        driver.execute_script(
            "const c = document.getElementById('canvas'), b = c.getBoundingClientRect();"
            "for (const [x, y] of arguments[0]) c.dispatchEvent(new MouseEvent('click',"
            "{clientX: b.left + x, clientY: b.top + y, bubbles: true}));",
            [[x * scale, y * scale] for x, y in pixels],
        )

    click(chart.axis_pixels)
    for kind, value, pixels in chart.lines:
        Select(driver.find_element("id", "kind")).select_by_value(kind)
        field = driver.find_element("id", "value")
        field.clear()
        field.send_keys("" if value is None else str(value))
        click(pixels)
    wait_for(lambda: "Flow is known to" in driver.find_element("id", "error").text)
    sheet = driver.find_element("id", "sheet")
    ActionChains(driver).move_to_element(sheet).perform()
    picture(driver, "map-traced")
    driver.find_element("id", "file").send_keys("traced")
    driver.find_element("css selector", "#save button").click()
    wait_for(lambda: "Saved" in driver.find_element("id", "saved").text)
    saved = read_map(page.root / "maps" / "traced.toml")
    assert len(saved.speed_lines) == sum(kind == "speed_line" for kind, *_ in chart.lines)
    assert "flow_error_percent" in (page.root / "maps" / "traced.toml").read_text()
    before = driver.find_element("id", "lines").text
    sheet.send_keys(RIGHT, "\n")
    assert driver.find_element("id", "lines").text != before
    sent = driver.execute_script(
        "return performance.getEntriesByType('resource').map((r) => r.name)"
    )
    assert not [name for name in sent if "chart.png" in name]
