"""Every hostile text in every text column of the map, in a real browser: nothing runs, the text is shown as it is."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import in_browser
import pytest
from hostile_texts import NEVER, RAN, TEXTS, spread
from invented_results import results
from selenium import webdriver
from selenium.webdriver.common.by import By

from riskmap.outputs.map import web_map

pytestmark = in_browser.marks("the map page")

COUNT = len(TEXTS) + 5
# what the page writes out instead of showing: control, zero-width and direction marks (the page's own list)
HIDDEN = re.compile("[\x00-\x1f\x7f-\x9f\u00ad\u200b-\u200f\u2028-\u202e\u2060\u2066-\u2069\ufeff]")


def visible(text: str) -> str:
    return HIDDEN.sub(lambda found: f"\\u{ord(found.group()):04x}", text)


def show(driver: webdriver.Chrome, lot: int) -> None:
    """Choose a lot in the list, which shows so many at a time."""
    driver.execute_script("""
        const per = 50, before = document.getElementById("before"), after = document.getElementById("after");
        while (!before.disabled) before.click();
        for (let k = 0; k < Math.floor(arguments[0] / per); k++) after.click();
        document.querySelectorAll("#lots li")[arguments[0] % per].click();""", lot)


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    folder = tmp_path_factory.mktemp("corpus")
    made = spread(results(COUNT))
    # states are ours, so that every lot has a number or a state as before; all that a user or survey writes is hostile
    web_map.write(made, folder)
    with in_browser.started(tmp_path_factory.mktemp("profile")) as driver:
        driver.get(Path(folder / web_map.NAME).as_uri())
        in_browser.until(driver, lambda d: d.find_elements(By.CSS_SELECTOR, "#lots li"))
        yield driver


def test_every_text_as_an_id_is_shown_and_nothing_runs(page: webdriver.Chrome) -> None:
    title = page.title
    lots = spread(results(COUNT)).lots
    wrong = []
    for lot in range(len(TEXTS)):
        show(page, lot)
        shown = page.execute_script("return document.querySelector('#details h2 bdi').textContent")
        if shown != visible(lots["lot_id"].iloc[lot]):
            wrong.append((shown, lots["lot_id"].iloc[lot]))
    assert wrong == []
    assert page.title == title
    assert not page.execute_script(f"return window.{RAN}")
    assert page.execute_script("return document.querySelectorAll('img, iframe, #details script, #lots script').length"
                               ) == 0
    assert page.get_log("browser") == []
    assert NEVER not in page.page_source


@pytest.mark.parametrize("name", ["map_unit_name", "neighbor_unit_name", "state_reason"])
def test_other_columns_are_shown_as_they_are(name: str, page: webdriver.Chrome) -> None:
    lots = spread(results(COUNT)).lots
    has_state = (lots["state"] != "").to_numpy()
    seen = 0
    for lot in range(len(TEXTS)):
        if has_state[lot] != (name == "state_reason"):
            continue
        show(page, lot)
        text = page.execute_script("return document.querySelector('#details').textContent")
        wanted = visible(lots[name].iloc[lot])
        if name == "neighbor_unit_name" and wanted not in text:
            continue  # told only where the soil line is near enough to matter
        assert wanted in text, (lot, wanted)
        seen += 1
    assert seen >= 5
    assert not page.execute_script(f"return window.{RAN}")
    assert page.get_log("browser") == []
