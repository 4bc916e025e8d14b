"""The round on a phone: stops, cards, ticks and readings that stay, and a CSV that `riskmap survey` reads as it is."""

from __future__ import annotations

import base64
import csv
import io
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import in_browser
import pypdf
import pytest
from click.testing import CliRunner
from hostile_texts import NEVER, RAN, TEXTS
from invented_results import results, with_past
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from test_map_reach import AXE

from riskmap.answers.brief import content, pages, visits
from riskmap.cli.main import cli
from riskmap.common import wording

pytestmark = in_browser.marks("the round on a phone")

ABOUT = {"run": "made-up_2025-10_20251001T000000Z", "manifest": "0123456789ab"}
HOURS = ["8:30", "9:15", "10:00", "1:30 pm", "15:00"]
STREETS = ["12 Invented Lane", "4 Example Street", "88 Sample Road", "3 Made Up Court", "21 Nowhere Avenue"]
CLOSED_PX = 1400  # of the page for five houses: before, it was 19,218 px high
CARD_PX = 2000  # of one open card


def round_page(folder: Path, streets: list[str] = STREETS, system: str = "us") -> Path:
    """Write the page of five houses, the last without an estimate, as `riskmap brief --visits` does."""
    found = with_past(results(60))
    found = replace(found, lots=found.lots.assign(lot_id=[f"{k:07d}" for k in range(len(found.lots))]))
    rows = [int(row) for row in found.lots.index[(found.lots["state"] == "") & ~found.lots.geometry.isna()][:4]]
    rows.append(int(found.lots.index[found.lots["state"] == "not_enough_data"][0]))
    parts = ["part_soil_mm", "part_slab_mm", "part_age_mm", "part_weather_mm"]
    found.lots.loc[rows[:4], parts] = [6.0, -3.0, 2.0, 1.0]  # four reasons, of which three are shown
    with (folder / "v.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([["hour", "lot_id", "address"], *(
            [hour, found.lots["lot_id"].iloc[row], street]
            for hour, row, street in zip(HOURS[::-1], rows[::-1], streets[::-1], strict=True))])
    asked = visits.page_list(found, [], folder / "v.csv", None)
    made = visits.pages(found, asked, system, ABOUT)
    file = folder / "lots.html"
    file.write_text(pages.document(made, content.area_page(found, system, visits.rounds(found, asked), ABOUT)),
                    encoding="utf-8")
    return file


@pytest.fixture(scope="module")
def phone(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with in_browser.started(tmp_path_factory.mktemp("profile")) as driver:
        driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {"width": 390, "height": 844, "mobile": True,
                                                                      "deviceScaleFactor": 1})
        driver.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})
        yield driver


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return round_page(tmp_path_factory.mktemp("round"))


@pytest.fixture
def page(phone: webdriver.Chrome, file: Path) -> webdriver.Chrome:
    phone.get(file.as_uri())
    phone.execute_script("localStorage.clear()")
    phone.get(file.as_uri())
    return phone


def tap(page: webdriver.Chrome, element: WebElement) -> None:
    """Touch the middle of an element with a finger, as the browser itself does."""
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", element)
    box = page.execute_script("const r = arguments[0].getBoundingClientRect(); "
                              "return [r.x + Math.min(r.width / 2, 60), r.y + r.height / 2]", element)
    page.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [
        {"x": box[0], "y": box[1], "id": 1}]})
    page.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def stop(page: webdriver.Chrome, number: int) -> WebElement:
    return page.find_element(By.ID, f"stop-{number}")


def part(of: WebElement, selector: str) -> WebElement:
    return of.find_element(By.CSS_SELECTOR, selector)


def high(page: webdriver.Chrome) -> int:
    return int(page.execute_script("return document.documentElement.scrollHeight"))


def opened(page: webdriver.Chrome, number: int, *, readings: bool = False) -> WebElement:
    card = stop(page, number)
    for details in [card, *([part(card, ".readings")] if readings else [])]:
        if details.get_attribute("open") is None:
            tap(page, part(details, "summary"))
            in_browser.until(page, lambda _, one=details: one.get_attribute("open") is not None)
    return card


def severe(page: webdriver.Chrome) -> list[Any]:
    return [entry for entry in page.get_log("browser") if entry["level"] == "SEVERE"]


# ---------------------------------------------------------------- what is seen
def test_the_stops_of_today_come_first_by_hour_with_way_number_and_direction(page: webdriver.Chrome) -> None:
    lines = [" ".join(line.text.split()) for line in page.find_elements(By.CSS_SELECTOR, ".stop > summary")]
    assert [street in line for street, line in zip(STREETS, lines, strict=True)] == [True] * 5
    assert [hour in line for hour, line in zip(HOURS, lines, strict=True)] == [True] * 5
    assert all(re.search(r"\d+ ft|\d+\.\d mi", line) for line in lines[1:])
    assert all(re.search(r"\d\.\d in .*(middle high|edge high|near level)", line) for line in lines[:4])
    assert "No estimate" in lines[4]
    assert len(page.find_elements(By.CSS_SELECTOR, ".stop > summary svg")) == 4
    first = page.execute_script("return document.querySelector('.stop').getBoundingClientRect().top")
    assert first < 250
    assert high(page) <= CLOSED_PX
    assert severe(page) == []


def test_a_card_is_short_and_says_number_reasons_and_the_way_there(page: webdriver.Chrome) -> None:
    closed = high(page)
    for number in range(1, 6):
        card = opened(page, number)
        assert high(page) - closed <= CARD_PX, number
        link = part(card, "a.button")
        assert re.fullmatch(r"geo:-?\d+\.\d{5},-?\d+\.\d{5}", link.get_attribute("href") or "")
        text = part(card, ".card").text
        assert wording.CAUTION in text
        if number < 5:
            assert page.execute_script("return getComputedStyle(arguments[0]).fontSize",
                                       part(card, ".number strong")) == "40px"
            reasons = [one.text for one in card.find_elements(By.CSS_SELECTOR, "ul > li")]
            assert [text.split()[0] for text in reasons] == ["+0.24", "-0.12", "+0.08"]
            assert "gaps in the data" not in text
        else:
            assert f"What would give an estimate: {content.WOULD_GIVE['not_enough_data']}" in text
            assert "No estimate does not mean low movement" in text
        tap(page, part(card, "summary"))
    assert page.execute_script("return document.documentElement.scrollWidth <= innerWidth")


def test_every_target_is_large_enough_and_the_letters_are_18_px(page: webdriver.Chrome) -> None:
    page.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    small = page.execute_script(
        "return [...document.querySelectorAll('summary, button, a.button, label.tick, select, "
        "input:not([type=checkbox])')]"
        ".filter((one) => one.getClientRects().length).map((one) => [one.outerHTML.slice(0, 80),"
        " one.getBoundingClientRect().height, one.getBoundingClientRect().width])"
        ".filter(([, tall, wide]) => tall < 44 || wide < 44)")
    assert small == []
    assert page.execute_script("return getComputedStyle(document.body).fontSize") == "18px"
    assert page.execute_script("return getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.execute_script("return document.documentElement.scrollWidth <= innerWidth")


def test_landmarks_labels_contrast_and_headings_hold(page: webdriver.Chrome) -> None:
    page.execute_script("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.execute_cdp_cmd("Runtime.evaluate", {"expression": AXE})  # the page's own policy lets no script in
    found = page.execute_async_script("axe.run(document).then(arguments[0])")
    assert len(found["passes"]) > 15
    assert [(v["id"], v["impact"], v["nodes"][0]["failureSummary"]) for v in found["violations"]] == []
    for tag in ("header", "main", "footer"):
        assert len(page.find_elements(By.TAG_NAME, tag)) == 1
    levels = [int(one.tag_name[1]) for one in page.find_elements(By.CSS_SELECTOR, "h1, h2, h3, h4, h5, h6")]
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


@pytest.mark.parametrize("paper", [(8.5, 11.0), (8.27, 11.69)], ids=["letter", "A4"])
def test_each_stop_prints_on_one_sheet_with_all_that_it_says(page: webdriver.Chrome,
                                                             paper: tuple[float, float]) -> None:
    """The sheets are the five stops, one after the other, and the area; each card is whole and in two columns."""
    made = page.execute_cdp_cmd("Page.printToPDF", {"paperWidth": paper[0], "paperHeight": paper[1],
                                                    "printBackground": False})
    sheets = [" ".join(sheet.extract_text().split()) for sheet in
              pypdf.PdfReader(io.BytesIO(base64.b64decode(made["data"]))).pages]
    assert len(sheets) == len(STREETS) + 1
    for street, told in zip(STREETS, sheets, strict=False):
        assert [other for other in STREETS if other in told] == [street]
        for wanted in ("Level readings", "All answers, weather, shape, soil, cautions", "manifest 0123456789ab",
                       "does not replace a visit"):
            assert wanted in told, (street, wanted)
    assert "By soil and age: largest bending from now to October 2026" in sheets[-1]


def test_one_unit_system_on_a_page_in_millimetres(phone: webdriver.Chrome, tmp_path: Path) -> None:
    phone.get(round_page(tmp_path, system="si").as_uri())
    card = opened(phone, 1, readings=True)
    assert [one.text for one in card.find_elements(By.CSS_SELECTOR, "[name=unit] option")] == ["mm", "m"]
    assert "in m from one corner" in part(card, ".readings").text
    assert not re.search(r"\d in\b|\d ft\b|\bmi\b", part(card, ".card").text)


# ---------------------------------------------------------------- what stays
def test_ticks_and_readings_stay_on_this_device(page: webdriver.Chrome, file: Path) -> None:
    card = opened(page, 2)
    tap(page, part(card, "[name=sign0]"))
    tap(page, part(card, "[name=visited]"))
    opened(page, 2, readings=True)
    for name, text in (("point", "A1"), ("x", "0"), ("y", "0"), ("reading", "-0.4")):
        part(card, f".row [name={name}]").send_keys(text)
    assert "this device only" in page.find_element(By.ID, "kept").text
    page.get(file.as_uri())
    card = stop(page, 2)
    assert "visited, 1 sign, 1 reading" in " ".join(part(card, "summary").text.split())
    assert part(card, "[name=sign0]").get_property("checked") is True
    assert part(card, "[name=sign1]").get_property("checked") is False
    assert part(card, ".row [name=reading]").get_property("value") == "-0.4"
    assert part(stop(page, 1), "[name=visited]").get_property("checked") is False
    page.execute_script("window.confirm = () => true")
    tap(page, page.find_element(By.ID, "forget"))
    in_browser.until(page, lambda _: part(stop(page, 2), "[name=sign0]").get_property("checked") is False)
    assert page.execute_script("return localStorage.length") in (0, 1)
    assert "reading" not in " ".join(part(stop(page, 2), "summary").text.split())


def test_it_works_where_the_browser_stores_nothing(phone: webdriver.Chrome, file: Path) -> None:
    refuse = phone.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source":
        "Object.defineProperty(window, 'localStorage', {get() { throw new DOMException('no', 'SecurityError'); }})"})
    try:
        phone.get(file.as_uri())
        card = opened(phone, 1)
        tap(phone, part(card, "[name=visited]"))
        assert "visited" in part(card, "summary").text
        assert "stores nothing" in phone.find_element(By.ID, "kept").text
        assert severe(phone) == []
    finally:
        phone.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", {"identifier": refuse["identifier"]})


@pytest.mark.parametrize("stored", ["{", "[]", "null", "7", '"x"', '{"1": {"rows": 3, "ticks": "x", "date": 5}}',
                                    f'{{"1": {{"rows": [{{"point": "<img src=x onerror=window.{RAN}=1>"}}]}}}}'])
def test_what_another_page_left_in_the_storage_breaks_nothing(stored: str, page: webdriver.Chrome, file: Path) -> None:
    key = page.execute_script("return Object.keys(localStorage)[0]")
    page.execute_script("localStorage.setItem(arguments[0], arguments[1])", key, stored)
    page.get(file.as_uri())
    assert "this device only" in page.find_element(By.ID, "kept").text
    assert page.execute_script(f"return window.{RAN}") is None
    assert severe(page) == []


def test_without_scripts_the_page_shows_all(phone: webdriver.Chrome, file: Path) -> None:
    phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        phone.get(file.as_uri())
        phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})
        assert "keeps no ticks" in phone.find_element(By.ID, "kept").text
        for number in range(1, 6):
            card = opened(phone, number, readings=True)
            tap(phone, part(card, ".more summary"))
            assert len(part(card, ".card").text) > 600
            assert card.find_elements(By.CSS_SELECTOR, ".grid:not([hidden]), .do:not([hidden])") == []
    finally:
        phone.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


# ---------------------------------------------------------------- readings
def type_readings(page: webdriver.Chrome, number: int, day: str, values: dict[str, str]) -> None:
    """Lay out 3 by 3 points every 13 ft, name the instrument, and type the readings row by row."""
    card = opened(page, number, readings=True)
    page.execute_script("arguments[0].value = arguments[1]; arguments[0].dispatchEvent(new Event('input', "
                        "{bubbles: true}))", part(card, "[name=date]"), day)
    part(card, "[name=instrument]").send_keys("water level")
    for name, text in (("across", "3"), ("deep", "3"), ("every", "13")):
        box = part(card, f"[name={name}]")
        box.clear()
        box.send_keys(text)
    tap(page, part(card, "[data-do=grid]"))
    assert "9 points added, from A1 to C3" in part(card, "p.told").text
    rows = {part(row, "[name=point]").get_property("value"): row
            for row in card.find_elements(By.CSS_SELECTOR, ".row")}
    for point, reading in values.items():
        part(rows[point], "[name=reading]").send_keys(reading)
        part(rows[point], "[name=floor]").send_keys("tile")


def saved(page: webdriver.Chrome, number: int, folder: Path) -> Path:
    page.execute_cdp_cmd("Browser.setDownloadBehavior", {"behavior": "allow", "downloadPath": str(folder)})
    before = set(folder.iterdir())
    tap(page, part(stop(page, number), "[data-do=save]"))

    def new() -> list[Path]:
        return [path for path in set(folder.iterdir()) - before if path.suffix == ".csv"]

    in_browser.until(page, lambda _: new())
    return new()[0]


FIRST = {"A1": "0", "B1": "1/4", "C1": "0.1", "A2": "0.2", "B2": "1 1/8", "C2": "0.3", "A3": "-0.1", "B3": "0.2",
         "C3": "0"}
SECOND = {**FIRST, "B2": "2.0", "C3": "-1.2"}


def test_readings_of_five_houses_are_read_by_survey_and_a_second_one_shows_the_movement(
        page: webdriver.Chrome, file: Path, tmp_path: Path) -> None:
    files = []
    for number in range(1, 6):
        type_readings(page, number, "2025-04-07", FIRST)
        files.append(saved(page, number, tmp_path))
        said = part(stop(page, number), "p.told").text
        assert said == f"Saved as {files[-1].name}: 9 readings."
    assert len({path.name for path in files}) == 5
    for k, path in enumerate(files):
        lot = path.name.removeprefix("readings_").removesuffix("_2025-04-07.csv")
        assert {row["lot_id"] for row in csv.DictReader(io.StringIO(path.read_text(encoding="utf-8")))} == {lot}
        done = CliRunner().invoke(cli, ["survey", str(path), "--into", str(tmp_path / f"s{k}")])
        assert done.exit_code == 0, done.output
        summary = json.loads((tmp_path / f"s{k}" / "summary.json").read_text(encoding="utf-8"))
        assert [one for one in summary["problems"] if one["code"].startswith("E-")] == []
    levels = {row["point"]: float(row["level_in"]) for row in csv.DictReader(
        io.StringIO((tmp_path / "s0" / "levels.csv").read_text(encoding="utf-8")))}
    assert levels["B2"] - levels["A1"] == pytest.approx(1.125, abs=1e-3)
    assert levels["C1"] - levels["A3"] == pytest.approx(0.2, abs=1e-3)
    page.execute_script("localStorage.clear()")
    page.get(file.as_uri())
    type_readings(page, 1, "2025-10-20", SECOND)
    later = saved(page, 1, tmp_path)
    done = CliRunner().invoke(cli, ["survey", str(files[0]), "--second", str(later), "--into", str(tmp_path / "c")])
    assert done.exit_code == 0, done.output
    moved = {row["point"]: row for row in csv.DictReader(
        io.StringIO((tmp_path / "c" / "change.csv").read_text(encoding="utf-8")))}
    assert moved["B2"]["beyond_noise"] == "True"
    assert float(moved["B2"]["change_in"]) > 0 > float(moved["C3"]["change_in"])
    told = (tmp_path / "c" / "change.svg").read_text(encoding="utf-8")
    assert f">{float(moved['B2']['change_in']):+.2f}</text>" in told
    assert f"B2, limit {float(moved['B2']['band_in']):.2f}</text>" in told
    assert "7 April 2025 to 20 October 2025" in told
    assert "Instrument: water level" in told
    assert (tmp_path / "c" / "levels.svg").read_bytes() != (tmp_path / "s0" / "levels.svg").read_bytes()
    assert severe(page) == []


def test_what_is_incomplete_is_named_and_nothing_typed_runs_as_a_formula(page: webdriver.Chrome,
                                                                         tmp_path: Path) -> None:
    card = opened(page, 1, readings=True)
    rows = card.find_elements(By.CSS_SELECTOR, ".row")
    typed = [("=1+1", "0", "0", "-1"), ("A", "1,5", "0", "0.5"), ("", "2", "2", "0.1"), ('say "x", y', "3", "", "=2")]
    for row, texts in zip(rows, typed, strict=True):
        for name, text in zip(("point", "x", "y", "reading"), texts, strict=True):
            part(row, f"[name={name}]").send_keys(text)
    wrong = [one.get_attribute("aria-label") for one in card.find_elements(By.CSS_SELECTOR, "[aria-invalid=true]")]
    assert wrong == ["x in ft, row 2", "Point, row 3", "y in ft, row 4", "Reading, row 4"]
    path = saved(page, 1, tmp_path)
    assert "Not complete, or not a number: row 2, 3, 4." in part(card, "p.told").text
    cells = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
    assert [row[0] for row in cells[1:]] == ["'=1+1", "A", "", 'say "x", y']
    assert [row[3] for row in cells[1:]] == ["-1", "0.5", "0.1", "'=2"]
    done = CliRunner().invoke(cli, ["survey", str(path), "--into", str(tmp_path / "s")])
    assert done.exit_code in (1, 2)
    assert "E-SVY" in done.output + str(done.exception)


def test_hostile_texts_are_only_text(phone: webdriver.Chrome, tmp_path: Path) -> None:
    for k in range(0, len(TEXTS) - 5, 5):
        folder = tmp_path / str(k)
        folder.mkdir()
        made = round_page(folder, streets=[text.replace("\x00", "\\0") for text in TEXTS[k:k + 5]])
        assert NEVER not in made.read_text(encoding="utf-8")
        phone.get(made.as_uri())
        for number in range(1, 6):
            opened(phone, number)
        assert phone.execute_script(f"return window.{RAN}") is None
        assert phone.find_elements(By.CSS_SELECTOR, "img, iframe, script[src], link, object, embed") == []
        assert len(phone.find_elements(By.CSS_SELECTOR, "details.stop")) == 5
        assert severe(phone) == []
