"""Pages of `riskmap open` by clicks: map and table together, open rows of a list, columns, readings, calibration."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import in_browser
import psutil
import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait
from test_map_reach import AXE
from test_window_browser import Opened, fits, said, severe, violations
from window_hands import Keyboard

from riskmap.window.area_pages import SEEN
from riskmap.window.areas import AREA_FILE, FILES, OUTPUTS

pytestmark = [*in_browser.marks("pages of riskmap open"), pytest.mark.slow]
SEEN_TEXT = {"refusals": [], "problems": [], "count": 0, "lots": {}, "text": "", "json": "{}", "newness": [],
             "exit_code": 0}


@pytest.fixture(scope="module")
def opened(example_runs: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    """A window with the example's two runs."""
    root = tmp_path_factory.mktemp("window_pages") / "areas"
    shutil.copytree(example_runs, root / "area" / OUTPUTS, symlinks=True)
    (root / "area" / FILES).mkdir()
    (root / "area" / AREA_FILE).write_text("[area]\n", encoding="utf-8")
    running = subprocess.Popen([sys.executable, "-m", "riskmap", "open", str(root), "--no-browser"],
                               stdout=subprocess.PIPE, text=True)
    try:
        assert running.stdout is not None
        address = running.stdout.readline().strip()
        with in_browser.started(tmp_path_factory.mktemp("profile_pages"), in_browser.LOOPBACK_ONLY) as page:
            page.get(address)
            yield Opened(page, address, root, psutil.Process(running.pid))
    finally:
        running.terminate()
        running.wait(20)


def run_names(opened: Opened) -> list[str]:
    place = opened.root / "area" / OUTPUTS
    return sorted(path.name for path in place.iterdir() if (path / "lots.parquet").is_file())


def no_fault(opened: Opened) -> None:
    assert violations(opened.page) == []
    assert fits(opened.page)


@pytest.fixture
def run_page(opened: Opened) -> webdriver.Chrome:
    opened.page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": 1400, "height": 900, "deviceScaleFactor": 1, "mobile": False})
    opened.at(f"/areas/area/runs/{run_names(opened)[-1]}")
    WebDriverWait(opened.page, 120).until(lambda page: page.find_elements(By.CSS_SELECTOR, "#lots-table button.look"))
    return opened.page


# ---------------------------------------------------------------- map and table
def in_the_map(page: webdriver.Chrome) -> str:
    """Return the title of what the map shows, in its frame."""
    page.switch_to.frame(page.find_element(By.ID, "map"))
    try:
        return page.find_element(By.CSS_SELECTOR, "#details h2").text
    finally:
        page.switch_to.default_content()


def test_a_lot_chosen_in_the_table_is_shown_in_the_map_and_the_reverse(opened: Opened,
                                                                       run_page: webdriver.Chrome) -> None:
    page = run_page
    places = [page.execute_script("return document.querySelector(arguments[0]).getBoundingClientRect()", css)
              for css in ("#map", "#lots-table")]
    assert places[0]["right"] <= places[1]["left"]  # side by side
    second = page.find_elements(By.CSS_SELECTOR, "#lots-table button.look")[1]
    name = second.text
    second.click()
    in_browser.until(page, lambda page: in_the_map(page) == f"Lot {name}")
    assert page.find_element(By.CSS_SELECTOR, "tr[aria-current] th").text == name
    page.find_element(By.ID, "find").send_keys("no such lot")
    assert page.find_elements(By.CSS_SELECTOR, "#lots-table tbody tr") == []
    page.switch_to.frame(page.find_element(By.ID, "map"))
    page.find_element(By.CSS_SELECTOR, "#details [aria-label='Next lot of the list']").click()
    title = page.find_element(By.CSS_SELECTOR, "#details h2").text
    page.switch_to.default_content()
    assert title != f"Lot {name}"
    in_browser.until(page, lambda page: page.find_elements(By.CSS_SELECTOR, "tr[aria-current] th"))
    assert page.find_element(By.CSS_SELECTOR, "tr[aria-current] th").text == title.removeprefix("Lot ")
    assert page.find_element(By.ID, "find").get_attribute("value") == ""  # what hid the lot is gone
    page.find_element(By.CSS_SELECTOR, "tr[aria-current] input").click()
    assert page.find_element(By.ID, "chosen").text == "1 chosen"
    no_fault(opened)
    assert severe(page) == []


PLACE = "return document.querySelector(arguments[0]).getBoundingClientRect()"
IN_FRAME = """
const done = arguments[0];
axe.run(document, {resultTypes: ['violations']}).then(
  (found) => done(found.violations.map((one) => one.id)), (error) => done([String(error)]));
"""


def faults_of_the_map(page: webdriver.Chrome) -> list[str]:
    """Return what axe finds in the frame."""
    page.switch_to.frame(page.find_element(By.ID, "map"))
    page.execute_script(AXE)
    found: list[str] = page.execute_async_script(IN_FRAME)
    page.switch_to.default_content()
    return found


def test_beside_the_table_the_map_has_the_width_until_a_lot_is_chosen(opened: Opened,
                                                                      run_page: webdriver.Chrome) -> None:
    page = run_page

    def widths() -> tuple[float, float, bool]:
        """Widths of the map and of its frame, and whether the legend can be seen."""
        page.switch_to.frame(page.find_element(By.ID, "map"))
        map_px = page.execute_script(PLACE, "main")["width"]
        whole = page.execute_script("return document.documentElement.clientWidth")
        seen = page.find_element(By.CSS_SELECTOR, "#legend ul.classes").is_displayed()
        page.switch_to.default_content()
        return map_px, whole, seen

    def in_frame(script: str, *given: object) -> object:
        page.switch_to.frame(page.find_element(By.ID, "map"))
        answer = page.execute_script(script, *given)
        page.switch_to.default_content()
        return answer

    WebDriverWait(page, 60).until(lambda _: in_frame("return document.body.classList.contains('folded')"))
    map_px, whole, legend = widths()
    assert (map_px, legend) == (whole, True)
    assert whole > 700
    assert faults_of_the_map(page) == []
    page.find_element(By.CSS_SELECTOR, "#lots-table button.look").click()
    name = page.find_element(By.CSS_SELECTOR, "#lots-table tbody th").text
    in_browser.until(page, lambda page: in_the_map(page) == f"Lot {name}")
    map_px, whole, legend = widths()
    assert 0.4 * whole < map_px < 0.75 * whole  # the panel is beside the map, with the lot in it
    assert faults_of_the_map(page) == []
    page.switch_to.frame(page.find_element(By.ID, "map"))
    button = next(one for one in page.find_elements(By.CSS_SELECTOR, ".steps button") if one.text == "Whole area")
    button.send_keys(Keys.ENTER)
    focus = page.execute_script("return document.activeElement.id")
    more = page.find_element(By.ID, "more")
    assert (focus, more.get_attribute("aria-expanded")) == ("more", "false")  # the focus is not lost with the button
    more.send_keys(Keys.ENTER)
    assert more.get_attribute("aria-expanded") == "true"
    assert page.find_element(By.CSS_SELECTOR, "#details .five").is_displayed()  # the town in five numbers
    page.execute_script("document.querySelector('#lots li').click()")
    page.find_element(By.TAG_NAME, "body").send_keys(Keys.ESCAPE)
    assert more.get_attribute("aria-expanded") == "true"  # who opened it keeps it open
    more.send_keys(Keys.ENTER)
    assert more.get_attribute("aria-expanded") == "false"
    page.switch_to.default_content()
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": False})
    display = "return getComputedStyle(document.getElementById('more')).display"
    in_browser.until(page, lambda _: in_frame(display) == "none")  # a sheet, as alone
    no_fault(opened)
    assert severe(page) == []


NO_LOTS = [None, 1, "x", [], {}, {"riskmap": "lot"}, {"riskmap": "lot", "row": -1, "id": ""},
           {"riskmap": "lot", "row": 0.5, "id": ""}, {"riskmap": "lot", "row": 10 ** 9, "id": ""},
           {"riskmap": "lot", "row": 0, "id": "another id"}, {"riskmap": "lot", "row": "0", "id": "0010001"}]
A_LOT = {"riskmap": "lot", "row": 20, "id": "0010021"}
TO_MAP = "for (const what of arguments[0]) parent.document.getElementById('map').contentWindow.postMessage(what, '*')"


def test_map_and_table_hear_only_each_other_and_only_of_lots(opened: Opened, run_page: webdriver.Chrome) -> None:
    page = run_page
    page.switch_to.default_content()
    before = in_the_map(page)
    page.execute_script(TO_MAP, NO_LOTS)  # from the page around the map, which is heard, but none of these is a lot
    page.execute_script("document.body.append(Object.assign(document.createElement('iframe'), {id: 'other'}))")
    page.switch_to.frame(page.find_element(By.ID, "other"))
    page.execute_script(TO_MAP, [A_LOT])  # a lot, but from another frame
    page.execute_script("parent.postMessage(arguments[0], '*')", A_LOT)
    page.switch_to.default_content()
    for what in ({**A_LOT, "id": "<img src=x>"}, {"riskmap": "ready"}, None, "x", A_LOT):
        page.execute_script("window.postMessage(arguments[0], '*')", what)  # to the table, but not from the map
    in_browser.rest(page, 0.7)
    assert in_the_map(page) == before
    assert page.find_elements(By.CSS_SELECTOR, "tr[aria-current]") == []
    page.execute_script(TO_MAP, [A_LOT])
    in_browser.until(page, lambda page: in_the_map(page) == "Lot 0010021")  # it would have been heard
    assert severe(page) == []


def test_lots_are_filtered_and_chosen_together(opened: Opened, run_page: webdriver.Chrome) -> None:
    page = run_page
    five = page.find_element(By.ID, "five").text
    assert "1,531" in five
    assert "median of the largest bending from now to October 2026" in five
    assert not page.find_element(By.ID, "choose-found").is_enabled()  # more than a brief takes
    Select(page.find_element(By.ID, "which")).select_by_visible_text("without an estimate")
    shown = page.find_element(By.ID, "lots-shown").text
    assert shown.startswith("76 lots")
    assert page.find_element(By.CSS_SELECTOR, "#lots-table tbody td:nth-child(3)").text == ""
    page.find_element(By.ID, "choose-found").click()
    assert page.find_element(By.ID, "chosen").text == "76 chosen"
    Select(page.find_element(By.ID, "which")).select_by_visible_text("chosen")
    assert page.find_element(By.ID, "lots-shown").text.startswith("76 lots")
    page.find_element(By.ID, "choose-none").click()
    assert page.find_element(By.ID, "lots-shown").text == "0 lots"
    assert not page.find_element(By.ID, "brief").is_enabled()


def test_the_map_is_printed_by_its_button(opened: Opened, run_page: webdriver.Chrome) -> None:
    page = run_page
    page.switch_to.frame(page.find_element(By.ID, "map"))
    page.execute_script("window.print = () => { document.body.dataset.printed = 'yes'; }")
    page.switch_to.default_content()
    page.find_element(By.ID, "print").click()
    page.switch_to.frame(page.find_element(By.ID, "map"))
    in_browser.until(page, lambda _: page.execute_script("return document.body.dataset.printed") == "yes")
    page.switch_to.default_content()


# ---------------------------------------------------------------- lists
def test_the_lot_of_an_open_row_is_chosen_and_comes_back_as_the_users_choice(opened: Opened, tmp_path: Path) -> None:
    page = opened.page
    (tmp_path / "buyers.csv").write_text(
        "name,lon,lat,lot_id\nA,,,0010021\nB,-98.587030,37.906768,0050721\nC,,,9999999\n", encoding="utf-8")
    opened.at("/areas/area/lists")
    opened.give([tmp_path / "buyers.csv"])
    opened.until("screen-")
    text = opened.text()
    assert 0 < text.index("Use this list only to decide") < text.index("Rows that you can decide: 2")
    no_fault(opened)
    menu = Select(page.find_element(By.NAME, "lot-3"))
    assert [one.text for one in menu.options] == ["no lot", "0050701", "0050721"]
    menu.select_by_visible_text("0050721")
    page.find_element(By.NAME, "lot-4").send_keys("no lot of this id")
    before = page.current_url
    opened.click("#choose")
    WebDriverWait(page, 300).until(lambda page: "screen-" in page.current_url and page.current_url != before)
    assert "not among the lots" in opened.text()  # row 4: what was typed is no lot, and the answer says so
    made = opened.root / "area" / OUTPUTS / page.current_url.rsplit("/", 1)[1]
    told = json.loads((made / "screened.json").read_text(encoding="utf-8"))
    assert [(row["row"], row["status"], row["chosen_lot_id"]) for row in told["open_rows"]] == [
        (3, "matched", "0050721"), (4, "unmatched", "")]
    assert "your choice" in opened.text()
    assert Select(page.find_element(By.NAME, "lot-3")).first_selected_option.text == "0050721"
    assert (opened.root / "area" / "lists" / "buyers-choices.csv").is_file()
    assert severe(page) == []


def test_a_list_with_an_unusual_column_is_answered_by_keys_alone(opened: Opened, tmp_path: Path) -> None:
    """Nothing is typed: the column is picked from a menu, on the page to which the refusal leads."""
    page = opened.page
    (tmp_path / "for_sale.csv").write_text("No.,Our ref,<b>note\n1,0010021,x\n2,0050721,y\n3,9999999,z\n",
                                           encoding="utf-8")
    opened.page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
        "width": 1400, "height": 900, "deviceScaleFactor": 1, "mobile": False})
    opened.at("/areas/area/lists")
    opened.give([tmp_path / "for_sale.csv"])
    keys = Keyboard(page)
    said_columns = "Say what the columns of the list are"
    WebDriverWait(page, 120).until(lambda page: "E-SCR-010" in said(page) and keys.named("link", said_columns))
    no_fault(opened)
    keys.use("link", said_columns)
    WebDriverWait(page, 120).until(lambda page: "/lists/for_sale.csv" in page.current_url)
    rows = [[cell.text for cell in row.find_elements(By.CSS_SELECTOR, "th, td:not(:has(select))")]
            for row in page.find_elements(By.CSS_SELECTOR, "main tbody tr")]
    assert rows == [["No.", "0", "1, 2, 3"], ["Our ref", "2", "0010021, 0050721, 9999999"],
                    ["<b>note", "0", "x, y, z"]]
    no_fault(opened)
    keys.pick("Our ref is", "id of the lot")
    keys.use("button", "Answer the list with these columns")
    keys.until("/runs/screen-")
    assert keys.letters == 0
    assert "--column 'lot_id=Our ref'" in page.find_element(By.ID, "command").text
    told = json.loads((opened.root / "area" / OUTPUTS / page.current_url.rsplit("/", 1)[1] / "screened.json").read_text(
        encoding="utf-8"))
    assert (told["columns"], told["counts"]["with_estimate"]) == ({"lot_id": "Our ref"}, 2)
    assert severe(page) == []


# ---------------------------------------------------------------- columns, and what was entered
def test_a_column_is_left_out_by_the_menu_and_the_menu_is_kept_after_an_error(opened: Opened) -> None:
    page = opened.page
    guess = {"section": "lots.columns", "key": "land_use", "value": '"USE"', "reason": "guessed", "sure": True,
             "written": True}
    seen = {"guesses": [guess], "missing": [], "left": [], "fetched": [], "open_points": [], "complete": True,
            "check": SEEN_TEXT, "columns": [{"name": "USE", "values": ["vacant"]}, {"name": "ZONE", "values": ["r1"]}]}
    (opened.root / "area" / SEEN).write_text(json.dumps(seen), encoding="utf-8")
    opened.at("/areas/area")
    page.find_element(By.CSS_SELECTOR, "details:has(form[action$=columns]) summary").click()
    Select(page.find_element(By.CSS_SELECTOR, "[aria-label='USE is']")).select_by_visible_text("not used")
    no_fault(opened)
    opened.click("form[action$=columns] button")
    WebDriverWait(page, 120).until(lambda page: "It did not work." in said(page))  # there are no files to recognise
    assert "--column land_use=" in page.find_element(By.ID, "command").text
    page.find_element(By.LINK_TEXT, "Back").click()
    kept = Select(page.find_element(By.CSS_SELECTOR, "[aria-label='USE is']"))
    in_browser.until(page, lambda page: kept.first_selected_option.text == "not used")
    assert kept.first_selected_option.is_displayed()  # the part of the page is open
    opened.at("/areas/area")  # who comes otherwise has what is in the file
    assert Select(page.find_element(By.CSS_SELECTOR, "[aria-label='USE is']")).first_selected_option.get_attribute(
        "textContent") == "land use"
    (opened.root / "area" / SEEN).unlink()


# ---------------------------------------------------------------- house
def test_readings_are_drawn_while_they_are_typed_and_are_kept_after_an_error(opened: Opened) -> None:
    page = opened.page
    opened.at("/areas/area/house")
    assert page.find_element(By.CSS_SELECTOR, "[data-plan=first] figcaption").text.startswith("The plan appears")
    pasted = "Point\tx\ty\tElevation\n" + "".join(f"Q{k}\t{10 * (k % 4)}\t{10 * (k // 4)}\t{0.1 * k:.1f}\n"
                                                  for k in range(14))
    page.execute_script(
        "const clipboardData = new DataTransfer(); clipboardData.setData('text', arguments[1]); arguments[0]"
        ".dispatchEvent(new ClipboardEvent('paste', {clipboardData, bubbles: true, cancelable: true}))",
        page.find_element(By.CSS_SELECTOR, "[name=first-point]"), pasted)
    assert len(page.find_elements(By.CSS_SELECTOR, "[data-plan=first] circle")) == 14  # its headings are no point
    said_of = page.find_element(By.CSS_SELECTOR, "[data-plan=first] figcaption").text
    assert said_of.startswith("14 points. Highest: Q13 (+0.65 in), lowest: Q0 (\u22120.65 in)")
    levels = [node.text for node in page.find_elements(By.CSS_SELECTOR, "[data-plan=first] .level")]
    assert [levels[0], levels[13]] == ["\u22120.65", "+0.65"]
    first, second = (page.execute_script("return arguments[0].getBoundingClientRect()", node)
                     for node in page.find_elements(By.CSS_SELECTOR, "[data-plan=first] circle")[:2])
    assert second["left"] > first["left"]
    assert abs(second["top"] - first["top"]) < 1  # x to the right
    no_fault(opened)
    last = page.find_elements(By.NAME, "first-elevation")[13]
    last.clear()
    last.send_keys("high")  # no number: the survey refuses it
    assert len(page.find_elements(By.CSS_SELECTOR, "[data-plan=first] circle")) == 13
    for field in page.find_elements(By.NAME, "first-x"):
        page.execute_script("arguments[0].value = arguments[0].value && 'east'", field)
    opened.click("#survey")
    WebDriverWait(page, 120).until(lambda page: "It did not work." in said(page))
    page.find_element(By.LINK_TEXT, "Back").click()
    in_browser.until(page, lambda page: page.find_elements(By.NAME, "first-elevation"))
    assert page.find_elements(By.NAME, "first-elevation")[13].get_attribute("value") == "high"
    assert page.find_elements(By.NAME, "first-point")[13].get_attribute("value") == "Q13"
    assert severe(page) == []


# ---------------------------------------------------------------- surveys
def test_a_calibration_that_is_off_cannot_be_pressed_and_says_why(opened: Opened, tmp_path: Path) -> None:
    page = opened.page
    (tmp_path / "levels.csv").write_text("lot_id,first_date,dome_mm\n0010021,2024-06,12.5\n", encoding="utf-8")
    opened.at("/areas/area/surveys")
    opened.give([tmp_path / "levels.csv"])
    opened.until("/runs/calibration")
    opened.at("/areas/area/surveys")
    button = page.find_element(By.CSS_SELECTOR, "form[action$=calibration] button")
    assert not button.is_enabled()
    why = page.find_element(By.ID, button.get_attribute("aria-describedby")).text
    assert "the calibration is off" in why
    assert "at least 30 are needed" in why
    page.switch_to.frame(page.find_element(By.CSS_SELECTOR, "iframe"))
    assert "Calibration of" in page.find_element(By.TAG_NAME, "h1").text
    page.switch_to.default_content()
    no_fault(opened)
    assert severe(page) == []


# ---------------------------------------------------------------- areas
def test_new_drought_data_wait_for_a_button_that_says_what_it_asks(opened: Opened) -> None:
    page = opened.page
    opened.at("/")
    button = page.find_element(By.CSS_SELECTOR, "form[action='/areas/area/newer'] button")
    assert button.get_attribute("aria-label") == "New drought data for area?"
    assert "Nothing is asked unless you press it." in opened.text()
    no_fault(opened)  # it is not pressed: nothing here asks a service
