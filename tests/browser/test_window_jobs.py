"""The three jobs of people without a terminal, from an empty folder to the finished paper, in a real browser.

Each by clicks only and by keyboard only, on a desk (1400 px) and on a phone (390 px), with every host but this computer
out of reach. Run with `-s` for the table of clicks, keys and seconds.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urlsplit

import in_browser
import openpyxl
import pandas as pd
import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from window_delivery import Delivery, small
from window_hands import Hands, Keyboard, Mouse, Opened, until, wide, window

from riskmap.window.areas import FILES, OUTPUTS

pytestmark = [*in_browser.marks("the three jobs in the page of riskmap open"), pytest.mark.slow]
GIVE = "Drop files or a folder here, or choose them"


@pytest.fixture(scope="module")
def delivery(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Delivery:
    return small(example, tmp_path_factory.mktemp("delivery"))


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with in_browser.started(tmp_path_factory.mktemp("profile"), in_browser.LOOPBACK_ONLY) as started:
        yield started


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    """One window for all jobs, as starting it and its workers takes longer than most of them."""
    with window(tmp_path_factory.mktemp("window") / "areas") as opened:
        yield opened


@pytest.fixture
def emptied(opened: Opened) -> Iterator[Opened]:
    """The window with an empty folder of areas: whatever a job has made is taken away after it."""
    yield opened
    for place in opened.root.iterdir():
        shutil.rmtree(place)


@pytest.fixture(scope="module")
def table() -> Iterator[list[str]]:
    rows: list[str] = []
    yield rows
    print("\n| job | by | px | clicks or keys | letters typed | choices of files | s | CPU s |\n"
          "|---|---|---|---|---|---|---|---|", *sorted(rows), sep="\n")


# ---------------------------------------------------------------- the jobs
def has_rows(page: webdriver.Chrome) -> bool:
    """Return whether the table of lots is there, as it is drawn once more when the map is."""
    return len(page.find_elements(By.CSS_SELECTOR, "#lots-table button.look")) > 0


def folder_of(page: webdriver.Chrome) -> str:
    """Return the name of the run or of the folder of papers that is shown."""
    return urlsplit(page.current_url).path.rsplit("/", 1)[1]


def map_is_there(page: webdriver.Chrome) -> None:
    """See that the map has its lots, and come back to our page."""
    page.switch_to.frame(page.find_element(By.CSS_SELECTOR, "iframe"))
    until(lambda: len(page.find_elements(By.CSS_SELECTOR, "#lots li")) > 0)
    page.switch_to.default_content()


def estimated(hands: Hands, delivery: Delivery) -> None:
    """Go from the raw files to the map."""
    hands.give(GIVE, delivery.given)
    hands.until("/areas/", lambda page: bool(page.find_elements(By.ID, "estimate")))
    hands.use("button", "Estimate")
    hands.until("/runs/", has_rows)
    map_is_there(hands.page)


def taken(hands: Hands, link: str, downloads: Path, ending: str) -> Path:
    """Follow the link to a finished paper, and return the file when it is on the disk."""
    hands.use("link", link)
    until(lambda: any(path.suffix == ending for path in downloads.iterdir()))
    return next(path for path in downloads.iterdir() if path.suffix == ending)


def inspector(hands: Hands, delivery: Delivery, opened: Opened, downloads: Path) -> None:
    """Raw files -> area -> estimate -> map -> brief of two chosen lots, as a PDF on the disk."""
    estimated(hands, delivery)
    first, second = hands.page.execute_script(
        "return [...document.querySelectorAll('#lots-table tbody th')].slice(0, 2).map((cell) => cell.textContent)")
    for lot in (first, second):
        hands.use("checkbox", f"Choose lot {lot}")
    brief(hands)
    hands.until("/runs/brief")
    got = taken(hands, "Brief (PDF)", downloads, ".pdf")
    made = opened.root / "area" / OUTPUTS / folder_of(hands.page) / "lots.pdf"
    assert got.read_bytes() == made.read_bytes()
    assert got.read_bytes().startswith(b"%PDF")


def brief(hands: Hands) -> None:
    """Press the button of the brief; with the keyboard it is behind the one who has just ticked a lot."""
    name = "Brief for the chosen lots"
    if isinstance(hands, Keyboard):
        hands.use("button", name, back=True)
    else:
        hands.use("button", name)


def compare(hands: Hands) -> None:
    """Press the button that compares; with the keyboard go to its part of the page first, not through all lots."""
    jump = "Compare with another run"
    if isinstance(hands, Keyboard) and hands.named("link", jump) is not None:
        hands.use("link", jump)
    hands.use("button", "Compare")


def screener(hands: Hands, delivery: Delivery, opened: Opened, downloads: Path) -> None:
    """A list of lots for sale, as a workbook -> the same list with its answers, on the disk."""
    estimated(hands, delivery)
    hands.use("link", "Lists")
    hands.until("/lists")
    hands.give("Drop a list here, or choose it (XLSX, CSV, KML, GeoJSON)", [delivery.listing])
    hands.until("/runs/screen")
    got = taken(hands, "Answered list (XLSX)", downloads, ".xlsx")
    rows = {str(row[0]): row for sheet in openpyxl.load_workbook(got).worksheets for row in sheet.values if row}
    for asked in pd.read_excel(delivery.listing, dtype=str)["Lot ID"]:
        assert asked in rows, (asked, list(rows))


def analyst(hands: Hands, delivery: Delivery, opened: Opened, downloads: Path) -> None:
    """A newer record of weather -> a second estimate -> what has changed, on the disk."""
    estimated(hands, delivery)
    before = folder_of(hands.page)
    assert "2025-06" in before
    hands.use("link", "area")
    hands.until("/areas/area", lambda page: bool(page.find_elements(By.ID, "estimate")))
    hands.give(GIVE, [delivery.newer])
    hands.until("/areas/area", lambda page: "weather_to_august.csv" in page.page_source)
    hands.use("button", "Estimate")
    hands.until("/runs/", has_rows)
    assert "2025-08" in hands.page.current_url
    map_is_there(hands.page)
    compare(hands)
    hands.until("/runs/change")
    assert "The dry weather of July and August 2025" in hands.page.find_element(By.TAG_NAME, "main").text
    got = taken(hands, "Change (CSV)", downloads, ".csv")
    assert len(pd.read_csv(got, dtype=str)) == len(delivery.ids)


JOBS = {"inspector": inspector, "screener": screener, "analyst": analyst}
MOST = {  # what was counted: more is a step that somebody added; for keys also up to a fifth more of Tab
    "clicks": {"inspector": 6, "screener": 5, "analyst": 7},
    "keys": {"inspector": 70, "screener": 29, "analyst": 55},
}
# With keys the width matters only where there is a map: the other pages have one order of things at any width.
CASES = [(job, by, width) for job in JOBS for by in MOST for width in (1400, 390)
         if by == "clicks" or width == 390 or job == "inspector"]


@pytest.mark.parametrize(("job", "by", "width"), CASES)
def test_a_job_is_done_from_an_empty_folder(job: str, by: str, width: int, page: webdriver.Chrome, delivery: Delivery,
                                            table: list[str], emptied: Opened, tmp_path: Path) -> None:
    downloads = tmp_path / "downloads"
    downloads.mkdir()
    page.execute_cdp_cmd("Page.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(downloads)})
    wide(page, width)
    hands: Hands = Keyboard(page) if by == "keys" else Mouse(page)
    assert os.listdir(emptied.root) == []
    began, worked = time.monotonic(), emptied.work_s()
    page.get(emptied.address)
    JOBS[job](hands, delivery, emptied, downloads)
    seconds, worked = time.monotonic() - began, emptied.work_s() - worked
    given = emptied.root / "area" / FILES
    for file in delivery.given:
        assert (given / file.name).read_bytes() == file.read_bytes(), file.name
    wrong = [entry["message"] for entry in page.get_log("browser") if entry["level"] == "SEVERE"]
    page.get("about:blank")
    assert wrong == []
    print(f"\n{job}, {by}, {width} px: {'; '.join(hands.steps)}")
    table.append(f"| {job} | {by} | {width} | {hands.pressed} | {hands.letters} | {hands.chosen} | {seconds:.0f} | "
                 f"{worked:.0f} |")
    assert hands.pressed <= MOST[by][job], hands.steps
