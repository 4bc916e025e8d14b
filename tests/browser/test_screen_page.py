"""The screened list in a browser: cards on a phone, a table on a desk, nothing too wide, axe without a finding."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hostile_texts import RAN, TEXTS
from in_browser import marks, started
from invented_results import results
from selenium import webdriver
from selenium.webdriver.common.by import By
from test_map_reach import AXE

from riskmap.answers import screen, screen_table

pytestmark = marks("the screened list")

ABOUT = {"list": "l.csv", "run": "r", "today": "2025-10", "manifest": "m"}
PHONE, DESK = {"width": 390, "height": 844, "mobile": True}, {"width": 1400, "height": 900, "mobile": False}


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with started(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the page of a list whose ids and remarks are hostile; rows 21 to 27 of the run have no estimate."""
    found = results(len(TEXTS))
    names = [f"{text[:60]} {k}" for k, text in enumerate(TEXTS)]
    found = replace(found, lots=found.lots.assign(lot_id=names), labels=pd.Series(dict(enumerate(TEXTS)), dtype="str"))
    asked = pd.DataFrame({"lot_id": [*names, "nope"]}, dtype=str)
    listed = screen.Listing("l.csv", asked, np.arange(2, len(asked) + 2))
    folder = tmp_path_factory.mktemp("screen")
    screen_table.write(screen.screen(found, listed), ABOUT, folder)
    return folder / "screened.html"


def opened(browser: webdriver.Chrome, file: Path, screen_of: dict[str, object]) -> webdriver.Chrome:
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {**screen_of, "deviceScaleFactor": 1})
    browser.get(file.as_uri())
    return browser


@pytest.mark.parametrize("screen_of", [PHONE, DESK])
def test_nothing_runs_and_nothing_is_too_wide_and_axe_finds_nothing(
        screen_of: dict[str, object], browser: webdriver.Chrome, file: Path) -> None:
    page = opened(browser, file, screen_of)
    assert page.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    assert page.execute_script(f"return window.{RAN}") is None
    assert page.find_elements(By.CSS_SELECTOR, "img, iframe, script, link, object") == []
    page.execute_cdp_cmd("Runtime.evaluate", {"expression": AXE})
    found = page.execute_async_script("axe.run(document).then(arguments[0])")
    assert len(found["passes"]) > 10
    assert [(v["id"], v["impact"], v["nodes"][0]["failureSummary"]) for v in found["violations"]] == []
    for tag in ("header", "main", "footer"):
        assert len(page.find_elements(By.TAG_NAME, tag)) == 1
    levels = [int(one.tag_name[1]) for one in page.find_elements(By.CSS_SELECTOR, "h1, h2, h3")]
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert [entry for entry in page.get_log("browser") if entry["level"] == "SEVERE"] == []


def test_rows_are_cards_on_a_phone_and_lines_on_a_desk(browser: webdriver.Chrome, file: Path) -> None:
    seen = ("const row = document.querySelector('.rows tbody tr'), cells = [...row.children].map("
            "(cell) => cell.getBoundingClientRect()); return [getComputedStyle(row).display, "
            "cells[3].left < cells[2].left && cells[3].top > cells[2].top, row.querySelector('.bar').clientWidth];")
    assert opened(browser, file, DESK).execute_script(seen)[:2] == ["table-row", False]
    display, below, wide = opened(browser, file, PHONE).execute_script(seen)
    assert (display, below) == ("grid", True)
    assert wide > 200
    rows = browser.find_elements(By.CSS_SELECTOR, ".rows tbody tr")
    assert len(rows) == len(TEXTS) + 1
    assert "No estimate: no lot found" in rows[-1].text


def test_every_bar_lies_in_its_cell_and_its_mark_on_the_range(browser: webdriver.Chrome, file: Path) -> None:
    page = opened(browser, file, DESK)
    bars = page.execute_script(
        "return [...document.querySelectorAll('.bar')].map((bar) => [bar, bar.children[0], bar.children[1]]"
        ".map((one) => { const r = one.getBoundingClientRect(); return [r.left, r.right]; }))")
    estimates = [row for row in page.find_elements(By.CSS_SELECTOR, ".rows .long") if "No estimate" not in row.text]
    assert len(bars) == len(estimates) > 40
    assert max(right for _, (_, right), _ in bars) > 0.8 * max(whole[1] for whole, _, _ in bars)
    for (left, right), (low, high), (start, end) in bars:
        assert left - 0.1 <= low <= high <= right + 0.1
        assert low - 0.5 <= (start + end) / 2 <= high + 0.5
