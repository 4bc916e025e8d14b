"""The page of `riskmap open` in a real browser: from raw files to the map, a brief and an answered list, by clicks."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import in_browser
import openpyxl
import psutil
import pytest
from hostile_texts import NEVER, RAN, TEXTS
from selenium import webdriver
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.expected_conditions import staleness_of
from selenium.webdriver.support.ui import Select, WebDriverWait
from test_map_reach import AXE

from riskmap.window.area_pages import SEEN
from riskmap.window.areas import AREA_FILE, FILES, OUTPUTS

pytestmark = [*in_browser.marks("the page of riskmap open"), pytest.mark.slow]
RAW = ("lots.gpkg", "soil_ZZ901.zip", "climate.csv", "climate_cells.gpkg", "drought_weekly.parquet",
       "buildings.parquet", "roads.geojson", "places.geojson", "pdsi.tif", "spei_6.tif")
MOST_WORK_S = 60  # from the example's raw files to the map: the figure of the design
LONG_S = 600  # for one step of work on a busy machine
PICTURES = os.environ.get("RISKMAP_PICTURES")


def said(page: webdriver.Chrome) -> str:
    """Return the text of a page, which may just be replaced by another."""
    return str(page.execute_script("return document.body ? document.body.innerText : ''"))


@dataclass
class Opened:
    """A window that runs, the browser in which it is open, and how often somebody clicked."""

    page: webdriver.Chrome
    address: str
    root: Path
    process: psutil.Process
    clicks: int = 0
    left: WebElement | None = None

    def work_s(self) -> float:
        """Return the seconds that the window and its workers have computed so far."""
        return sum(sum(one.cpu_times()[:2]) for one in (self.process, *self.process.children(recursive=True)))

    def at(self, path: str) -> None:
        self.page.get(self.address.split("/?")[0] + path)

    def click(self, css: str) -> None:
        in_browser.until(self.page, lambda page: page.find_element(By.CSS_SELECTOR, css).is_enabled())
        node = self.page.find_element(By.CSS_SELECTOR, css)
        self.page.execute_script("arguments[0].scrollIntoView({block: 'center'})", node)
        self.left = self.page.find_element(By.TAG_NAME, "html")
        node.click()
        self.clicks += 1

    def press(self, name: str) -> None:
        """Go to a button with the Tab key alone, and press it with Enter."""
        self.left = self.page.find_element(By.TAG_NAME, "html")
        for _ in range(60):
            ActionChains(self.page).send_keys(Keys.TAB).perform()
            if self.page.execute_script("return document.activeElement.id") == name:
                ActionChains(self.page).send_keys(Keys.ENTER).perform()
                return
        raise AssertionError(f"the Tab key does not reach {name}")

    def give(self, files: list[Path]) -> None:
        """Choose files: in a browser one click and one choice in the window of the system."""
        self.left = self.page.find_element(By.TAG_NAME, "html")
        self.page.find_element(By.ID, "files").send_keys("\n".join(str(path.resolve()) for path in files))
        self.clicks += 2

    def until(self, part: str) -> None:
        """Wait until the page of the last click is left, and another is there whose address has this part."""
        assert self.left is not None
        in_browser.until(self.page, staleness_of(self.left))

        def there(page: webdriver.Chrome) -> bool:
            text = said(page)
            assert not any(wrong in text for wrong in ("It did not work.", "This was not possible")), text
            return part in page.current_url
        WebDriverWait(self.page, LONG_S).until(there)

    def text(self) -> str:
        return self.page.find_element(By.TAG_NAME, "main").text

    def picture(self, name: str) -> None:
        if PICTURES:
            for width, height in ((1400, 900), (390, 844)):
                self.page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
                    "width": width, "height": height, "deviceScaleFactor": 1, "mobile": False})
                in_browser.rest(self.page, 0.7)
                self.page.save_screenshot(f"{PICTURES}/{name}_{width}.png")
            self.page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    root = tmp_path_factory.mktemp("window") / "areas"
    running = subprocess.Popen([sys.executable, "-m", "riskmap", "open", str(root), "--no-browser"],
                               stdout=subprocess.PIPE, text=True)
    try:
        assert running.stdout is not None
        address = running.stdout.readline().strip()
        assert address.startswith("http://127.0.0.1:")
        with in_browser.started(tmp_path_factory.mktemp("profile"), in_browser.LOOPBACK_ONLY) as page:
            page.get(address)
            yield Opened(page, address, root, psutil.Process(running.pid))
        assert running.poll() is None
    finally:
        running.terminate()
        running.wait(in_browser.SOON_S)


def runs_of(opened: Opened) -> list[str]:
    """Return the names of the runs of the area, oldest first."""
    place = opened.root / "area" / OUTPUTS
    return sorted(path.name for path in place.iterdir() if (path / "lots.parquet").is_file()) if place.is_dir() else []


def estimate(opened: Opened, example: Path) -> float:
    """Go from the raw files to the map by clicks, from the first page on; return the seconds that recognising took."""
    began = time.monotonic()
    opened.give([example / name for name in RAW])
    opened.until("/areas/")
    opened.page.find_element(By.ID, "estimate")
    recognised = time.monotonic() - began
    opened.click("#estimate")
    opened.until("/runs/")
    return recognised


@pytest.fixture
def area(opened: Opened, example: Path) -> None:
    """Have an area with a run, also where another process ran the test that makes it."""
    if not runs_of(opened):
        opened.at("/")
        estimate(opened, example)


def violations(page: webdriver.Chrome) -> list[str]:
    page.execute_cdp_cmd("Runtime.evaluate", {"expression": AXE})  # the page's own policy lets no script in
    found: dict[str, Any] = page.execute_async_script(
        "const done = arguments[0]; axe.run(document, {iframes: false, resultTypes: ['violations']}).then(done)")
    assert len(found["passes"]) > 10  # it did look
    return [f"{v['id']} ({v['impact']}): {[n['target'] for n in v['nodes']][:4]} {v['nodes'][0]['failureSummary']}"
            for v in found["violations"]]


def fits(page: webdriver.Chrome) -> bool:
    """Return whether nothing of the page lies beside the window at 390 px."""
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": False})
    in_browser.rest(page, 0.3)
    wide = page.execute_script("return document.documentElement.scrollWidth")
    page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    return bool(wide <= 390)


def looked_at(opened: Opened, name: str) -> None:
    opened.picture(name)
    assert violations(opened.page) == [], name
    assert fits(opened.page), name


def severe(page: webdriver.Chrome) -> list[str]:
    return [entry["message"] for entry in page.get_log("browser") if entry["level"] == "SEVERE"]


def test_from_raw_files_to_the_map_by_clicks(opened: Opened, example: Path) -> None:
    page = opened.page
    assert "key=" not in page.current_url  # the key does not stay in the address
    looked_at(opened, "areas_empty")
    opened.clicks, began, worked = 0, time.monotonic(), opened.work_s()
    recognised = estimate(opened, example)
    frame = page.find_element(By.CSS_SELECTOR, "iframe.map")
    page.switch_to.frame(frame)
    WebDriverWait(page, 60).until(lambda page: page.find_elements(By.CSS_SELECTOR, "#lots li"))
    seconds, clicks = time.monotonic() - began, opened.clicks
    worked = opened.work_s() - worked
    print(f"\nfrom raw files to the map: {clicks} clicks, {seconds:.1f} s, of which recognising {recognised:.1f} s; "
          f"{worked:.1f} s of work")
    assert clicks == 3
    assert worked < MOST_WORK_S
    assert "Largest bending from now to October 2026" in page.find_element(By.TAG_NAME, "body").text
    assert page.execute_script("return window.origin") == "null"  # the map is apart from our pages
    page.switch_to.default_content()
    place = opened.root / "area"
    assert sorted(path.name for path in (place / FILES).iterdir()) == sorted(RAW)
    for name in RAW:
        assert (place / FILES / name).read_bytes() == (example / name).read_bytes(), name
    assert (place / AREA_FILE).is_file()
    assert len(runs_of(opened)) == 1
    assert severe(page) == []


def run_page(opened: Opened) -> None:
    """Go to the newest run of the area, and wait for its map: the table of lots is drawn again when that is there."""
    opened.at(f"/areas/area/runs/{runs_of(opened)[-1]}")
    WebDriverWait(opened.page, 60).until(lambda page: page.find_elements(By.CSS_SELECTOR, "#lots-table button.look"))


@pytest.mark.usefixtures("area")
def test_lots_are_sorted_found_and_chosen_for_a_brief(opened: Opened) -> None:
    run_page(opened)
    page = opened.page
    assert "1,531 lots read" in page.find_element(By.ID, "figures").text
    sizes = [float(cell.text) for cell in page.find_elements(By.CSS_SELECTOR, "#lots-table tbody td:nth-child(3)")]
    assert sizes == sorted(sizes, reverse=True)
    assert len(sizes) == 200
    looked_at(opened, "run")
    page.find_element(By.ID, "find").send_keys("0010021")
    assert len(page.find_elements(By.CSS_SELECTOR, "#lots-table tbody tr")) == 1
    opened.click("#lots-table tbody input")
    opened.click("#brief")
    opened.until("brief")
    assert "lots.pdf" in opened.text()
    looked_at(opened, "brief")
    made = opened.root / "area" / OUTPUTS / page.current_url.rsplit("/", 1)[1]
    assert (made / "lots.pdf").read_bytes().startswith(b"%PDF")
    assert severe(page) == []


@pytest.mark.usefixtures("area")
def test_a_list_comes_back_as_a_workbook(opened: Opened, example: Path) -> None:
    opened.at("/areas/area/lists")
    looked_at(opened, "lists")
    opened.give([example / "listings.csv"])
    opened.until("screen-")
    opened.left = opened.page.find_element(By.TAG_NAME, "html")
    opened.page.find_element(By.LINK_TEXT, "Say what the columns of the list are").click()
    opened.until("/lists/listings.csv")
    looked_at(opened, "list_columns")
    Select(opened.page.find_element(By.CSS_SELECTOR, "[aria-label='parcel is']")).select_by_visible_text(
        "id of the lot")
    opened.click("main form button")
    opened.until("screen-")
    looked_at(opened, "list_answered")
    made = opened.root / "area" / OUTPUTS / opened.page.current_url.rsplit("/", 1)[1]
    book = openpyxl.load_workbook(made / "screened.xlsx")
    rows = sum(1 for _ in (example / "listings.csv").open(encoding="utf-8")) - 1
    assert rows == 5
    assert any(sheet.max_row >= rows + 1 for sheet in book.worksheets)
    opened.page.switch_to.frame(opened.page.find_element(By.CSS_SELECTOR, "iframe"))
    assert "Screening of listings.csv" in opened.page.find_element(By.TAG_NAME, "h1").text
    opened.page.switch_to.default_content()
    assert severe(opened.page) == []


@pytest.mark.usefixtures("area")
def test_readings_of_a_house_are_pasted_and_compared(opened: Opened) -> None:
    page = opened.page
    opened.at("/areas/area/house")
    page.find_element(By.ID, "lot").send_keys("0010021")
    opened.click("form.buttons button")
    opened.until("lot=0010021")
    assert "Lot 0010021 (row 21 of lots.gpkg)" in opened.text()
    pasted = "".join(f"{x}{y}\t{x}\t{y}\t{0.6 - ((x - 20) / 50) ** 2 - ((y - 15) / 50) ** 2:.2f}\n"
                     for x in (0, 20, 40) for y in (0, 15, 30))
    page.execute_script(
        "const clipboardData = new DataTransfer(); clipboardData.setData('text', arguments[1]); arguments[0]"
        ".dispatchEvent(new ClipboardEvent('paste', {clipboardData, bubbles: true, cancelable: true}))",
        page.find_element(By.CSS_SELECTOR, "[name=first-point]"), pasted)
    assert page.find_element(By.CSS_SELECTOR, "tr:nth-child(5) [name=first-elevation]").get_attribute("value") == "0.60"
    looked_at(opened, "house")
    opened.click("#survey")
    opened.until("/runs/survey")
    text = opened.text()
    assert text.startswith("Survey of a house")
    assert "Measured middle minus edge" in text
    assert "expected" in text
    width = page.execute_script("const i = document.querySelector('img.sheet'); return i.complete && i.naturalWidth")
    assert width > 100  # the drawing is there
    looked_at(opened, "house_answer")
    assert (opened.root / "area" / "houses" / "0010021-first-1.csv").read_text(encoding="utf-8") == (
        "point,x_ft,y_ft,elevation_in\n" + pasted.replace("\t", ","))
    assert severe(page) == []


@pytest.mark.usefixtures("area")
def test_surveys_are_compared_with_a_run(opened: Opened, tmp_path: Path) -> None:
    page = opened.page
    run_page(opened)
    ids = [node.text for node in page.find_elements(By.CSS_SELECTOR, "#lots-table tbody th")[:2]]
    rows = ["lot_id,first_date,dome_mm", *(f"{one},2024-06,12.5" for one in ids)]
    (tmp_path / "levels.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    opened.at("/areas/area/surveys")
    looked_at(opened, "surveys")
    opened.give([tmp_path / "levels.csv"])
    opened.until("/runs/calibration")
    looked_at(opened, "calibration")
    page.switch_to.frame(page.find_element(By.CSS_SELECTOR, "iframe"))
    assert "30 houses" in said(page)  # two are too few: it is off, and the card says why
    page.switch_to.default_content()
    assert severe(page) == []


@pytest.mark.usefixtures("area")
def test_a_column_is_named_and_two_runs_are_compared(opened: Opened) -> None:
    page = opened.page
    opened.at("/areas/area")
    opened.click("details:nth-of-type(1) summary")
    chosen = {row.find_element(By.TAG_NAME, "th").text:
              row.find_element(By.CSS_SELECTOR, "option:checked").text
              for row in page.find_elements(By.CSS_SELECTOR, "form[action$=columns] tbody tr")}
    assert chosen["lot_id"] == "id of the lot"
    assert chosen["subdivision"] == "not used"
    looked_at(opened, "columns")
    Select(page.find_element(By.CSS_SELECTOR, "[aria-label='subdivision is']")).select_by_visible_text("land use")
    opened.click("form[action$=columns] button")
    opened.until("/areas/")
    assert opened.text().count("as you said") == 1
    text = (opened.root / "area" / AREA_FILE).read_text(encoding="utf-8")
    assert tomllib.loads(text)["lots"]["columns"]["land_use"] == "subdivision"
    opened.press("estimate")
    opened.until("/runs/")
    opened.click("form[action$=compare] button")
    opened.until("/runs/change-")
    assert opened.text().startswith("Change between two runs")
    looked_at(opened, "change")
    assert severe(page) == []


@pytest.mark.usefixtures("area")
def test_other_pages_are_reached_by_keyboard_and_have_no_fault(opened: Opened) -> None:
    page = opened.page
    for path, name, wanted in (("/", "areas", "files"), ("/areas/area", "area", "estimate"),
                               ("/areas/area/house", "house", "lot"), ("/areas/area/lists", "lists", "files"),
                               ("/about", "about", "Run the known answers"), ("/close", "close", "Close")):
        opened.at(path)
        looked_at(opened, name)
        page.find_element(By.TAG_NAME, "body").send_keys(Keys.TAB)
        assert page.execute_script("return document.activeElement.className") == "skip"
        reached = []
        for _ in range(25):
            ActionChains(page).send_keys(Keys.TAB).perform()
            reached.append(page.execute_script("const a = document.activeElement; return a.id || a.textContent.trim()"))
        assert {"Areas", "About the numbers", "Close"} <= set(reached), path
        assert wanted in reached, (path, reached)
    opened.at("/areas/none")
    assert "there is no such area" in opened.text()
    looked_at(opened, "refused")


def test_a_wrong_file_is_explained_and_nothing_is_lost(opened: Opened, tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("milk, bread\n", encoding="utf-8")
    opened.at("/")
    opened.page.find_element(By.ID, "name").send_keys("<img src=x onerror=alert(1)>")
    opened.page.find_element(By.ID, "files").send_keys(str(tmp_path / "notes.txt"))
    WebDriverWait(opened.page, 60).until(lambda page: "It did not work." in said(page))
    assert "E-NEW-007" in opened.text()
    looked_at(opened, "failed")
    opened.page.find_element(By.LINK_TEXT, "Back").click()
    assert "Add files" in opened.text()


def test_hostile_texts_are_shown_and_nothing_runs(opened: Opened) -> None:
    folder = opened.root / "hostile"
    (folder / FILES).mkdir(parents=True)
    (folder / AREA_FILE).write_text("\n".join(TEXTS), encoding="utf-8", errors="replace")
    problem = dict.fromkeys(("code", "file", "row", "column", "value", "rule", "remedy", "action"))
    problems = [{name: text for name in problem} for text in TEXTS]
    check = {"refusals": [*TEXTS], "problems": problems, "count": len(problems), "lots": {}, "text": "", "json": "{}",
             "newness": [*TEXTS]}
    guesses = [{"section": "lots.columns", "key": text, "value": json.dumps(text), "reason": text, "sure": False,
                "written": True} for text in TEXTS]
    seen = {"guesses": guesses, "missing": [{"what": text, "remedy": text, "layer": ""} for text in TEXTS],
            "left": [{"name": text, "reason": text} for text in TEXTS], "fetched": [*TEXTS], "open_points": [*TEXTS],
            "complete": False, "check": check, "columns": [{"name": text, "values": [text]} for text in TEXTS]}
    (folder / SEEN).write_text(json.dumps(seen), encoding="utf-8")
    page = opened.page
    page.get_log("browser")  # of the pages before, of which one does not exist
    opened.at("/areas/hostile")
    in_browser.rest(page, 0.5)
    shown = page.find_element(By.TAG_NAME, "main").get_attribute("textContent")
    plain = [text for text in TEXTS if text.isprintable() and text.strip()]
    assert len(plain) > 10
    assert [text for text in plain if text not in shown] == []
    assert page.execute_script("return typeof window[arguments[0]]", RAN) == "undefined"
    assert NEVER not in shown
    assert page.find_elements(By.CSS_SELECTOR, "main :is(script, img, svg, iframe, a[href*=script])") == []
    assert severe(page) == []


@pytest.mark.usefixtures("area")
def test_pages_answer_at_once(opened: Opened) -> None:
    run_page(opened)
    took = {}
    for path in ("/", "/areas/area", "/areas/area/lists", opened.page.current_url.split("/", 3)[3].join(["/", ""]),
                 "/about", "/close"):
        for _ in range(3):  # the best of three: what else a busy computer does is not in it
            opened.at(path)
            found = round(opened.page.execute_script(
                "const [e] = performance.getEntriesByType('navigation');"
                "return e.domContentLoadedEventEnd - e.startTime"))
            took[path] = min(took.get(path, found), found)
    print(f"\nms until each page is there: {took}")
    assert max(took.values()) < 1500, took  # 300 ms is the aim on a machine of one's own; five times that when busy
