"""A map with labels in a real browser: the label under the id, found by the search, and the sentence at the top."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import in_browser
import pandas as pd
import pytest
from hostile_texts import RAN
from invented_results import results
from selenium import webdriver
from selenium.webdriver.common.by import By

from riskmap.common import wording
from riskmap.outputs.map import web_map

pytestmark = in_browser.marks("the map with labels")

ADDRESS, HOSTILE = "104 ELM ST", f"<img src=x onerror=window.{RAN}=1>\u202e"


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    found = results()
    labels = pd.Series({0: ADDRESS, 1: HOSTILE}, dtype="str")
    file = web_map.write(replace(found, labels=labels), tmp_path_factory.mktemp("map"))
    with in_browser.started(tmp_path_factory.mktemp("profile")) as browser:
        browser.get(file.as_uri())
        in_browser.until(browser, lambda d: d.execute_script("return document.body.dataset.ready"))
        yield browser


def searched(page: webdriver.Chrome, text: str) -> str:
    """Type into the search, take the first suggestion and return the text of the panel's heading."""
    box = page.find_element(By.ID, "search")
    box.clear()
    box.send_keys(text)
    page.execute_script("arguments[0].click()", page.find_element(By.CSS_SELECTOR, "#suggestions li"))
    return page.find_element(By.CSS_SELECTOR, "#details h2").text


def test_the_page_says_at_its_top_that_it_is_not_for_publication(page: webdriver.Chrome) -> None:
    assert page.find_element(By.ID, "standing").text.startswith(wording.NOT_FOR_PUBLICATION)


def test_a_lot_is_found_by_its_label_and_shows_it_under_its_id(page: webdriver.Chrome) -> None:
    heading = searched(page, "elm st").splitlines()
    assert heading[0].startswith("Lot ")
    assert heading[1:] == [ADDRESS]


def test_a_lot_without_a_label_shows_none(page: webdriver.Chrome) -> None:
    lot_id = str(results().lots["lot_id"].iloc[5])
    assert searched(page, lot_id).splitlines() == [f"Lot {lot_id}"]


def test_a_hostile_label_is_only_text(page: webdriver.Chrome) -> None:
    assert "<img src=x" in searched(page, "onerror")
    assert page.execute_script(f"return window.{RAN}") is None
    assert not page.find_elements(By.CSS_SELECTOR, "#details img")


def test_what_is_not_found_is_said_of_ids_and_labels(page: webdriver.Chrome) -> None:
    box = page.find_element(By.ID, "search")
    box.clear()
    box.send_keys("no such street")
    assert page.find_element(By.ID, "hits").text == "No lot has this text in its id or label."


def test_the_typeface_of_the_page_is_used_and_its_figures_have_one_width(page: webdriver.Chrome) -> None:
    """What the browser made of the fonts that are in the page, kerning included; the map's canvas draws with them."""
    fonts = page.execute_script("return [...document.fonts].map((f) => [f.family, f.weight, f.status])")
    assert [[name.strip('"'), *more] for name, *more in fonts] == [["Riskmap Sans", "400", "loaded"],
                                                                   ["Riskmap Sans", "700", "loaded"]]
    assert page.execute_script("return getComputedStyle(document.body).fontFamily").startswith('"Riskmap Sans"')
    assert page.execute_script("return getComputedStyle(document.querySelector('button')).fontFamily").startswith(
        '"Riskmap Sans"')
    measured = """const ctx = document.createElement("canvas").getContext("2d");
        return ["", "bold "].map((weight) => { ctx.font = weight + "40px 'Riskmap Sans'";
          return arguments[0].map((text) => ctx.measureText(text).width); });"""
    same = ["1111111", "0000000", "7171717", "4747474", "−2−2−2−", "+3+3+3+", "±9±9±9±"]
    for widths in page.execute_script(measured, same):
        assert len(set(widths)) == 1
    other = page.execute_script(measured, ["iiiiiii", "mmmmmmm"])
    assert all(narrow < wide for narrow, wide in other)
