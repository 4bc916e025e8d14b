"""The county page in a real browser with every other host blocked: by file picker from disk, and served."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import axe_core_python
import in_browser
import numpy as np
import pandas as pd
import pytest
from invented_results import HOSTILE, NEVER, results
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from riskmap.outputs import palette
from riskmap.outputs.map import serve, tile_page, tiles, web_map
from riskmap.outputs.map.change_layer import ChangeSince

HIDDEN = str.maketrans({c: f"\\u{ord(c):04x}" for c in "\u202e\u202c\t\n\u200b"})

pytestmark = in_browser.marks("the county page")


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with in_browser.started(tmp_path_factory.mktemp("profile"), in_browser.LOOPBACK_ONLY) as driver:
        yield driver


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("county")
    tile_page.write(results(), made)
    return made


def ready(browser: webdriver.Chrome, address: str) -> None:
    browser.get_log("browser")
    browser.get_log("performance")
    browser.get(address)
    in_browser.until(browser, lambda d: d.execute_script("return document.body.dataset.ready"))


def choose_file(browser: webdriver.Chrome, path: Path) -> None:
    browser.find_element(By.ID, "file").send_keys(str(path))


def opened(browser: webdriver.Chrome, drawn: bool = True) -> webdriver.Chrome:
    for name in ("opened", "drawn")[: 1 + drawn]:
        in_browser.until(browser, lambda d, name=name: d.execute_script(f"return document.body.dataset.{name}"))
    return browser


@pytest.fixture
def page(browser: webdriver.Chrome, folder: Path) -> webdriver.Chrome:
    ready(browser, (folder / tile_page.NAME).as_uri())
    choose_file(browser, folder / tiles.NAME)
    return opened(browser)


def trouble(browser: webdriver.Chrome) -> str:
    in_browser.until(browser, lambda d: d.find_element(By.ID, "trouble").text)
    return browser.find_element(By.ID, "trouble").text


def details(browser: webdriver.Chrome) -> str:
    """Return the panel with its folded parts open."""
    browser.execute_script("document.querySelectorAll('#details details').forEach(d => { d.open = true; })")
    return browser.find_element(By.ID, "details").text


TITLE = "const b = document.querySelector('#details h2 bdi'); return b && b.textContent === arguments[0]"


def find(browser: webdriver.Chrome, text: str) -> None:
    """Type an id, choose it with the keyboard, wait for its panel."""
    box = browser.find_element(By.ID, "search")
    box.clear()
    browser.execute_script("arguments[0].value = arguments[1];"
                           "arguments[0].dispatchEvent(new Event('input'))", box, text)
    in_browser.until(browser, lambda d: d.execute_script(
        "const b = document.querySelector('#lots li bdi'); return b && b.textContent === arguments[0]", text))
    box.send_keys(Keys.ENTER)
    in_browser.until(browser, lambda d: d.execute_script(TITLE, text))


def outlined(browser: webdriver.Chrome) -> None:
    in_browser.until(browser, lambda d: d.execute_script(
        "return document.querySelectorAll('.leaflet-overlay-pane path').length === 2 &&"
        "[...document.querySelectorAll('.leaflet-tile')].every(t => t.classList.contains('leaflet-tile-loaded'))"))


def pixels(browser: webdriver.Chrome) -> np.ndarray:
    from PIL import Image

    browser.execute_script("document.getElementById('legend').style.visibility = 'hidden'")
    shot = browser.find_element(By.ID, "map_riskmap").screenshot_as_png
    return np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")).astype(int)


def count(image: np.ndarray, color: str) -> int:
    wanted = np.array([int(color[k : k + 2], 16) for k in (1, 3, 5)])
    return int((np.abs(image - wanted).max(axis=-1) <= 3).sum())


# ---------------------------------------------------------------- opening
def test_from_disk_it_asks_for_the_file_and_then_draws_every_band(page: webdriver.Chrome) -> None:
    assert not page.find_element(By.ID, "open").is_displayed()
    image, lots = pixels(page), results().lots
    bands = np.digitize(lots["expected_movement_mm"].dropna(), palette.SIZE_LIMITS_MM)
    for band, color in enumerate(palette.SIZE):
        assert (count(image, color) > 100) == (band in bands), color
    assert page.get_log("browser") == []
    asked = [json.loads(entry["message"])["message"] for entry in page.get_log("performance")]
    sent = [m["params"]["request"]["url"] for m in asked if m["method"] == "Network.requestWillBeSent"]
    assert [a for a in sent if a.startswith(("http", "ws", "ftp"))] == []


def test_served_it_opens_by_itself_with_few_requests_to_one_host(browser: webdriver.Chrome, folder: Path) -> None:
    running = serve.server(serve.served(folder, [tile_page.NAME, tiles.NAME]))
    threading.Thread(target=running.serve_forever, daemon=True).start()
    here = f"http://127.0.0.1:{running.server_address[1]}/"
    try:
        ready(browser, here)
        opened(browser)
        assert sum(count(pixels(browser), color) for color in palette.SIZE) > 2000
        find(browser, "0000040")
        asked = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
        sent = [m["params"] for m in asked if m["method"] == "Network.requestWillBeSent"]
        ours = [p["request"]["url"] for p in sent if p["documentURL"] == here]
        assert {a for a in ours if not a.startswith(("data:", "blob:"))} == {here, here + tiles.NAME}
        assert len(ours) < 40
        got = [m["params"]["response"]["status"] for m in asked if m["method"] == "Network.responseReceived"
               and m["params"]["response"]["url"].endswith(tiles.NAME)]
        assert set(got) == {206}
        assert browser.get_log("browser") == []
    finally:
        running.shutdown()
        running.server_close()


def spoiled(folder: Path, path: Path, how: str) -> Path:
    raw = bytearray((folder / tiles.NAME).read_bytes())
    if how == "empty":
        raw = bytearray()
    elif how == "text":
        raw = bytearray(b"lot_id,expected\n1,2\n" * 50)
    elif how == "cut":
        raw = raw[: 16384 + 200]
    elif how == "directory":
        raw[127:200] = bytes(73)
    elif how == "tiles":
        raw[16384:16384 + (int.from_bytes(raw[64:72], "little"))] = bytes(int.from_bytes(raw[64:72], "little"))
    elif how == "long":  # the header names a metadata part of many gigabytes
        raw[32:40] = (2**40).to_bytes(8, "little")
    elif how == "version":
        raw[7] = 9
    path.write_bytes(raw)
    return path


@pytest.mark.parametrize(("how", "words"), [
    ("empty", "not a tile file of riskmap"), ("text", "not a tile file of riskmap"), ("version", "not a tile file"),
    ("cut", "damaged"), ("directory", "damaged"), ("long", "damaged"), ("tiles", "damaged")])
def test_a_damaged_file_is_told_and_another_can_be_chosen(browser: webdriver.Chrome, folder: Path, tmp_path: Path,
                                                          how: str, words: str) -> None:
    ready(browser, (folder / tile_page.NAME).as_uri())
    choose_file(browser, spoiled(folder, tmp_path / "county.pmtiles", how))
    assert words in trouble(browser)
    assert browser.get_log("browser") == []
    if how != "tiles":  # only seen when a tile is drawn
        assert browser.find_element(By.ID, "open").is_displayed()
        choose_file(browser, folder / tiles.NAME)
        opened(browser)
        assert browser.find_element(By.ID, "trouble").text == ""


def test_the_file_of_another_run_is_refused(browser: webdriver.Chrome, folder: Path, tmp_path: Path) -> None:
    other = results()
    other.lots.loc[40, "expected_movement_mm"] += 1.0
    tiles.write(other, tmp_path)
    ready(browser, (folder / tile_page.NAME).as_uri())
    choose_file(browser, tmp_path / tiles.NAME)
    assert "belongs to another run" in trouble(browser)
    assert browser.execute_script("return document.querySelectorAll('.leaflet-tile').length") == 0


@pytest.mark.parametrize("case", ["none", "no shape", "one"])
def test_little_to_show_still_opens(browser: webdriver.Chrome, tmp_path: Path, case: str) -> None:
    found = results()
    lots = {"none": found.lots.iloc[:0], "one": found.lots.iloc[40:41].reset_index(drop=True),
            "no shape": found.lots.set_geometry([None] * 60, crs="EPSG:4326")}[case]
    tile_page.write(replace(found, lots=lots), tmp_path)
    ready(browser, (tmp_path / tile_page.NAME).as_uri())
    choose_file(browser, tmp_path / tiles.NAME)
    opened(browser, drawn=case == "one")
    assert ("1 lot." if len(lots) == 1 else f"{len(lots)} lots.") in browser.find_element(By.ID, "legend").text
    if case == "one":
        assert sum(count(pixels(browser), color) for color in palette.SIZE) > 100
    else:
        assert "No lot of this run has a shape" in trouble(browser)
    if case == "no shape":
        find(browser, "0000040")
        assert "not drawn: the row has no usable shape" in details(browser)
    assert browser.get_log("browser") == []


# ---------------------------------------------------------------- what it shows
def test_the_panel_tells_the_numbers_of_the_table(page: webdriver.Chrome) -> None:
    lot = results().lots.iloc[40]
    find(page, "0000040")
    text = details(page)
    value, low, high = (f"{lot['expected_movement_mm' + p] / 25.4:.1f}" for p in ("", "_p10", "_p90"))
    assert f"Largest bending from now to October 2026\n{value} in\n{value} in ({low} to {high}; today " in text
    assert lot["map_unit_name"] in text
    assert f"gaps in the data on this lot\n{lot['part_gaps_mm'] / 25.4:+.2f} in".replace("-", "−") in text
    for words in ("does not replace a visit", "They are not forecasts", "Dry as in November 2010 to October 2011, ",
                  "with a leak on one side for two years", "likely under the slab"):
        assert words in text
    names = page.execute_script("return [...document.querySelectorAll('#details dt')].map(n => n.textContent)")
    assert names[:5] == ["Now", "Next 12 months", "Long run", "If a dry year came again", "Pour"]
    middle = results().lots.geometry.iloc[40].centroid
    place = page.find_element(By.CSS_SELECTOR, "#details .copy").text
    assert [float(v) for v in place.split(", ")] == pytest.approx([middle.y, middle.x], abs=2e-5)
    colors = page.execute_script(
        "return [...document.querySelectorAll('#details .class-bar .class')].map(n => n.getAttribute('fill'))")
    assert colors == list(palette.SIZE[:6])
    assert "0.4–0.8 in" in page.find_element(By.ID, "legend").text
    page.find_element(By.CSS_SELECTOR, "input[value=si]").click()
    wanted = f"{2 * int(lot['expected_movement_mm'] / 2 + 0.5)} mm ("
    in_browser.until(page, lambda d: wanted in details(d))
    assert "5–10 mm" in page.find_element(By.ID, "legend").text


def test_a_state_has_words_and_a_hatch_and_no_number(page: webdriver.Chrome) -> None:
    find(page, "0000021")
    assert "a reason for not_enough_data." in details(page)
    assert "range" not in details(page).split("Soil")[0]
    outlined(page)
    left, top, right, bottom = page.execute_script(
        "const b = document.querySelector('.leaflet-overlay-pane path').getBoundingClientRect(),"
        "m = document.getElementById('map_riskmap').getBoundingClientRect();"
        "return [b.left - m.left, b.top - m.top, b.right - m.left, b.bottom - m.top].map(Math.round)")
    inside = pixels(page)[top + 8 : bottom - 8, left + 8 : right - 8]
    assert all(count(inside, color) == 0 for color in palette.SIZE)
    assert count(inside, palette.PAPER) > 100
    assert (inside.max(axis=-1) < 170).sum() > 100


@pytest.mark.parametrize(("lot", "inside"), [("0000027", False), ("0000040", True)])
def test_a_hole_is_open(page: webdriver.Chrome, lot: str, inside: bool) -> None:
    find(page, lot)
    outlined(page)
    y, x = page.execute_script(
        "const b = document.querySelector('.leaflet-overlay-pane path').getBoundingClientRect(),"
        "m = document.getElementById('map_riskmap').getBoundingClientRect();"
        "return [(b.top + b.bottom) / 2 - m.top, (b.left + b.right) / 2 - m.left].map(Math.round)")
    image = pixels(page)[y - 3 : y + 3, x - 3 : x + 3]
    assert (sum(count(image, color) for color in palette.SIZE) > 0) == inside


def test_every_lot_of_the_list_with_a_shape_is_found_on_the_map(page: webdriver.Chrome) -> None:
    for lot in (30, 35, 40, 59):
        find(page, f"{lot:07d}")
        outlined(page)


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_text_is_shown_and_nothing_runs(page: webdriver.Chrome, text: str) -> None:
    shown = text.translate(HIDDEN)
    listed = page.execute_script("return [...document.querySelectorAll('#lots li bdi')].map(n => n.textContent)")
    if shown not in listed:  # on the second page of the list
        page.find_element(By.ID, "after").click()
        in_browser.until(page, lambda d: "51 to 60" in d.find_element(By.ID, "found").text)
    page.execute_script(
        "[...document.querySelectorAll('#lots li bdi')].find(n => n.textContent === arguments[0]).click()", shown)
    in_browser.until(page, lambda d: d.execute_script(TITLE, shown))
    assert page.title == "Inventéd <town> {{31337*94011}}: expected movement"
    assert page.execute_script("return document.querySelectorAll('img, iframe, #details script').length") == 0
    assert NEVER not in page.page_source
    assert page.get_log("browser") == []


def test_a_click_shows_the_lot_and_tells_what_lies_below_it(page: webdriver.Chrome) -> None:
    find(page, "0000030")
    outlined(page)
    x, y = page.execute_script("const b = document.querySelector('.leaflet-overlay-pane path').getBoundingClientRect();"
                               "return [(b.left + b.right) / 2, (b.top + b.bottom) / 2]")
    page.find_element(By.TAG_NAME, "body").send_keys(Keys.ESCAPE)
    in_browser.until(page, lambda d: "Choose a lot" in details(d))
    action = webdriver.ActionChains(page)
    action.w3c_actions.pointer_action.move_to_location(int(x), int(y))
    action.w3c_actions.pointer_action.click()
    action.perform()
    in_browser.until(page, lambda d: "More lots lie at this spot" in details(d))
    first = page.find_element(By.CSS_SELECTOR, "#details h2 bdi").text
    button = page.find_element(By.CSS_SELECTOR, "#details p.note button")
    other = button.text
    button.click()
    in_browser.until(page, lambda d: d.find_element(By.CSS_SELECTOR, "#details h2 bdi").text == other)
    assert {first, other} == {"0000030", "0000031"}


def test_the_keyboard_alone_reaches_everything(page: webdriver.Chrome) -> None:
    box = page.find_element(By.ID, "lots")
    page.execute_script("arguments[0].focus()", box)
    box.send_keys(Keys.END)
    in_browser.until(page, lambda d: "51 to 60 of 60" in d.find_element(By.ID, "found").text)
    active = page.find_element(By.ID, box.get_attribute("aria-activedescendant"))
    wanted = active.find_element(By.TAG_NAME, "bdi").text
    box.send_keys(Keys.ENTER)
    in_browser.until(page, lambda d: details(d).startswith(f"Lot {wanted}"))
    find(page, "0000040")
    outlined(page)
    field = page.find_element(By.ID, "map_riskmap")
    page.execute_script("arguments[0].focus()", field)
    field.send_keys(Keys.ESCAPE)
    in_browser.until(page, lambda d: "Choose a lot" in details(d))
    field.send_keys(Keys.ENTER)  # the lot at the cross, or the one beside it
    in_browser.until(page, lambda d: details(d).startswith(("Lot", "Choose")))


def test_every_layer_draws_its_own_colours(page: webdriver.Chrome) -> None:
    own = {"now": palette.BENDING, "soil": palette.SOIL, "quality": palette.KNOWN, "drought": palette.DROUGHT,
           "phase": palette.PHASE, "age": palette.AGE}
    for name, colors in own.items():
        Select(page.find_element(By.ID, "layer")).select_by_value(name)
        in_browser.until(page, lambda d, colors=colors: sum(count(pixels(d), c) for c in colors) > 2000)
        title = page.execute_script("return document.querySelector('#legend h2').textContent")
        assert title == {**palette.SCALES, **palette.DERIVED_SCALES}[name].title
        counts = page.execute_script("return [...document.querySelectorAll('#legend .count')].map(n => +n.textContent)")
        assert sum(counts) == 60


def test_the_change_since_another_run_is_a_layer(browser: webdriver.Chrome, tmp_path: Path) -> None:
    found = results()
    changes = pd.DataFrame({"now": np.linspace(-3.0, 6.0, 60), "expected": np.linspace(0.0, 0.4, 60)}).round(1)
    changes[(found.lots["state"] != "").to_numpy()] = np.nan
    since = ChangeSince.of(changes, "September 2025", "October 2025")
    tile_page.write(found, tmp_path, change=since)
    ready(browser, (tmp_path / tile_page.NAME).as_uri())
    choose_file(browser, tmp_path / tiles.NAME)
    page = opened(browser)
    Select(page.find_element(By.ID, "layer")).select_by_value("change")
    wanted = np.bincount(np.digitize(changes["now"].dropna(), since.scales()["change"].limits_mm), minlength=7)
    assert (wanted > 0).sum() >= 5
    in_browser.until(page, lambda d: count(pixels(d), palette.BENDING[4]) > 500)
    counts = page.execute_script("return [...document.querySelectorAll('#legend .count')].map(n => +n.textContent)")
    assert counts[:7] == wanted.tolist()
    assert page.execute_script("return document.querySelector('#legend h2').textContent") == (
        "Change now since September 2025")
    find(page, "0000041")
    wanted_words = f"Since September 2025: bending +{changes['now'][41] / 25.4:.2f} in, expected +0.01 in"
    in_browser.until(page, lambda d: wanted_words in details(d))


def test_an_unreachable_base_map_is_hidden_and_told(browser: webdriver.Chrome, tmp_path: Path) -> None:
    below = web_map.Basemap("https://tiles.invalid/{z}/{x}/{y}.png", "Credit {{31337*94011}}")
    tile_page.write(results(), tmp_path, basemap=below)
    ready(browser, (tmp_path / tile_page.NAME).as_uri())
    choose_file(browser, tmp_path / tiles.NAME)
    opened(browser)
    browser.find_element(By.ID, "base").click()
    in_browser.until(browser, lambda d: "cannot be reached and is hidden" in d.find_element(By.ID, "north").text)
    assert browser.execute_script("return document.querySelectorAll('.leaflet-base-pane img').length") == 0


def test_it_fits_a_phone(page: webdriver.Chrome, folder: Path) -> None:
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride",
                         {"width": 360, "height": 740, "deviceScaleFactor": 2, "mobile": True})
    try:
        ready(page, (folder / tile_page.NAME).as_uri())
        assert page.find_element(By.ID, "file").is_displayed()
        choose_file(page, folder / tiles.NAME)
        opened(page)
        assert page.execute_script("return document.documentElement.scrollWidth") <= 360
        assert sum(count(pixels(page), c) for c in palette.SIZE) > 1000
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def test_the_list_keeps_step_with_the_map(page: webdriver.Chrome) -> None:
    last = HOSTILE[-1]  # last in the order of the index
    find(page, last)
    outlined(page)
    box = page.find_element(By.ID, "search")
    box.clear()
    page.execute_script("arguments[0].dispatchEvent(new Event('input'))", box)
    in_browser.until(page, lambda d: "1 to 50 of 60" in d.find_element(By.ID, "found").text)
    x, y = page.execute_script("const b = document.querySelector('.leaflet-overlay-pane path').getBoundingClientRect();"
                               "return [(b.left + b.right) / 2, (b.top + b.bottom) / 2]")
    action = webdriver.ActionChains(page)
    action.w3c_actions.pointer_action.move_to_location(int(x), int(y))
    action.w3c_actions.pointer_action.click()
    action.perform()
    in_browser.until(page, lambda d: "51 to 60 of 60" in d.find_element(By.ID, "found").text)
    assert page.find_element(By.CSS_SELECTOR, "#lots li[aria-selected=true] bdi").text == last
    assert page.find_element(By.CSS_SELECTOR, "#lots li.active bdi").text == last


def test_a_server_that_stops_is_told(browser: webdriver.Chrome, folder: Path) -> None:
    started = subprocess.Popen([sys.executable, "-m", "riskmap", "map", str(folder), "--serve"], text=True,
                               stdout=subprocess.PIPE, stderr=subprocess.DEVNULL)
    try:
        ready(browser, started.stdout.readline().strip())
        opened(browser)
        started.kill()
        started.wait(timeout=10)
        browser.execute_script("document.querySelectorAll('#lots li')[5].click()")
        assert "cannot be reached: does riskmap map --serve still run?" in trouble(browser)
    finally:
        started.kill()


def test_no_accessibility_rule_is_broken(browser: webdriver.Chrome, folder: Path) -> None:
    rules = (Path(axe_core_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")

    def findings() -> list:
        return browser.execute_async_script(
            "const done = arguments[0]; axe.run(document, {resultTypes: ['violations']})"
            ".then(r => done(r.violations.map(v => [v.id, v.impact])))")

    ready(browser, (folder / tile_page.NAME).as_uri())
    browser.execute_cdp_cmd("Runtime.evaluate", {"expression": rules})  # the page's own policy lets no script in
    assert findings() == []
    choose_file(browser, folder / tiles.NAME)
    opened(browser)
    find(browser, "0000040")
    outlined(browser)
    assert findings() == []
