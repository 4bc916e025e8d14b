"""The page of `riskmap open` where something comes in between: messy files, two tabs, a closed tab, 20,000 lots."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import finished_runs
import geopandas as gpd
import in_browser
import invented_results
import messy_deliveries
import pandas as pd
import psutil
import pytest
from conftest import OPEN_DATA
from hostile_texts import NEVER, RAN, TEXTS
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select, WebDriverWait
from test_window_browser import fits, violations
from window_delivery import Delivery, small
from window_hands import LONG_S, Keyboard, Mouse, Opened, drop, resting, said, until, wide, window

from riskmap.window.areas import AREA_FILE, FILES, OUTPUTS

pytestmark = [*in_browser.marks("the page of riskmap open in trouble"), pytest.mark.slow]
GIVE = "Drop files or a folder here, or choose them"
LOTS = 40  # of a messy delivery
MANY = 20_000
PAGE_MS = 300  # of the server for a page: the figure of the design
BUSY = 5  # times as long on a machine that does something else


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with in_browser.started(tmp_path_factory.mktemp("profile"), in_browser.LOOPBACK_ONLY) as started:
        yield started


@pytest.fixture(scope="module")
def delivery(example: Path, tmp_path_factory: pytest.TempPathFactory) -> Delivery:
    return small(example, tmp_path_factory.mktemp("delivery"))


@pytest.fixture(scope="module")
def opened(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Opened]:
    with window(tmp_path_factory.mktemp("window") / "areas") as opened:
        yield opened


def at(page: webdriver.Chrome, opened: Opened, path: str = "/") -> None:
    """Go to a page of the window; the first time with its key."""
    page.get(opened.address if path == "/" else opened.address.split("/?")[0] + path)


def looked_at(page: webdriver.Chrome, name: str) -> None:
    """Let axe look at a page on a desk and on a phone, where nothing may lie beside the window."""
    assert violations(page) == [], name
    wide(page, 390)
    assert violations(page) == [], f"{name} on a phone"
    assert fits(page), name
    wide(page, 1400)


def ids_shown(page: webdriver.Chrome) -> list[str]:
    """Return the ids in the table of lots, at one moment: it is drawn again when the map is ready."""
    ids: list[str] = page.execute_script(
        "return [...document.querySelectorAll('#lots-table tbody th')].map((cell) => cell.textContent)")
    return ids


# ---------------------------------------------------------------- messy deliveries
@pytest.fixture(scope="module")
def messy(example: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[gpd.GeoDataFrame, list[Path]]:
    """Lots and the files beside them: on a real survey where it is at hand, else on the invented one."""
    folder = tmp_path_factory.mktemp("beside")
    if OPEN_DATA.is_dir():
        soil = OPEN_DATA / "soil" / "AR041_2021.zip"
        return messy_deliveries.lots_on(soil, LOTS), [soil, messy_deliveries.weather(OPEN_DATA, folder)]
    rain = pd.read_csv(example / "climate.csv")
    rain[rain["cell_id"] == "Z01"].to_csv(folder / "weather.csv", index=False)
    soil = shutil.copy(example / "soil_ZZ901.zip", folder)
    return messy_deliveries.lots_on(soil, LOTS), [soil, folder / "weather.csv"]


@pytest.mark.parametrize("name", list(messy_deliveries.DELIVERIES))
def test_a_messy_delivery_is_dropped_and_ends_in_a_map(name: str, messy: tuple[gpd.GeoDataFrame, list[Path]],
                                                       page: webdriver.Chrome, opened: Opened, tmp_path: Path) -> None:
    lots, beside = messy
    file = messy_deliveries.DELIVERIES[name](lots, tmp_path)
    wide(page, 1400)
    at(page, opened)
    drop(page, GIVE, [file, *beside])
    hands = Mouse(page)
    hands.until("/areas/", lambda page: bool(page.find_elements(By.ID, "estimate")))
    area = opened.root / page.current_url.rsplit("/", 1)[1]
    assert (area / FILES / file.name).read_bytes() == file.read_bytes()
    looked_at(page, name)
    text = said(page)
    hands.use("button", "Estimate")  # it can be used: nothing has to be asked
    hands.until("/runs/", lambda page: len(page.find_elements(By.CSS_SELECTOR, "#lots-table tbody tr")) == LOTS)
    ids = set(ids_shown(page))
    assert ids == set(lots["parcel"])  # every id, with its zeros
    page.switch_to.frame(page.find_element(By.CSS_SELECTOR, "iframe"))
    until(lambda: len(page.find_elements(By.CSS_SELECTOR, "#lots li")) > 0)
    page.switch_to.default_content()
    assert "INVENTED PERSON" not in text + said(page)


def test_what_the_files_do_not_say_is_asked_and_answered_on_the_page(messy: tuple[gpd.GeoDataFrame, list[Path]],
                                                                     page: webdriver.Chrome, opened: Opened,
                                                                     tmp_path: Path) -> None:
    """The weather has two cells and no outlines of them: the page asks which, and takes the answer."""
    lots, (soil, weather) = messy
    rows = pd.read_csv(weather, dtype=str)
    key = next(name for name in rows if name in ("division", "cell_id"))
    cell = rows[key].iloc[0]
    pd.concat([rows, rows.assign(**{key: "elsewhere"})]).to_csv(tmp_path / "two_cells.csv", index=False)
    wide(page, 1400)
    at(page, opened)
    drop(page, GIVE, [messy_deliveries.national_csv(lots, tmp_path), soil, tmp_path / "two_cells.csv"])
    hands = Mouse(page)
    hands.until("/areas/", lambda page: bool(page.find_elements(By.ID, "estimate")))
    assert hands.named("button", "Estimate") is None
    assert "A run cannot start yet: see the open points." in said(page)
    assert "It is not known which cell of the weather the lots lie in." in said(page)
    looked_at(page, "questions")
    asked = "Which cell of the weather do the lots lie in?"
    menu = Select(page.find_element(By.ID, "weather-cell"))
    assert menu.first_selected_option.text == "choose a cell"  # nothing is guessed
    words = next(one.text for one in menu.options if one.get_attribute("value") == cell)
    assert [one.get_attribute("value") for one in menu.options] == ["", *sorted([cell, "elsewhere"])]
    hands.pick(asked, words)
    hands.use("button", "Use this cell")
    hands.until("/areas/", lambda page: hands.named("button", "Estimate") is not None)
    assert hands.letters == 0
    assert Select(page.find_element(By.ID, "weather-cell")).first_selected_option.text == words  # it can be changed
    assert f'cell = "{cell}"  # as you said' in (opened.root / page.current_url.rsplit("/", 1)[1].split("#")[0]
                                                 / AREA_FILE).read_text(encoding="utf-8")
    hands.use("button", "Estimate")
    hands.until("/runs/", lambda page: len(page.find_elements(By.CSS_SELECTOR, "#lots-table tbody tr")) == LOTS)


def test_a_file_of_lots_without_a_known_name_of_an_id_is_said_by_keys(messy: tuple[gpd.GeoDataFrame, list[Path]],
                                                                     page: webdriver.Chrome, opened: Opened,
                                                                     tmp_path: Path) -> None:
    """Two files of shapes, no name of an id, and an id with gaps: which file, then which column, from menus."""
    lots, beside = messy
    table = lots[["parcel", "geometry"]].rename(columns={"parcel": "OUR_REF"})
    table["OUR_REF"] = table["OUR_REF"].where(table.index % 3 == 0, "")
    table.to_file(tmp_path / "plots.gpkg")
    table.iloc[:9].rename(columns={"OUR_REF": "ZREF"}).to_file(tmp_path / "zoning.gpkg")
    wide(page, 1400)
    at(page, opened)
    hands = Keyboard(page)
    hands.give(GIVE, [tmp_path / "plots.gpkg", tmp_path / "zoning.gpkg", *beside])
    hands.until("/areas/", lambda page: bool(page.find_elements(By.ID, "estimate")))
    assert "Or say which of your files it is" in said(page)
    looked_at(page, "which file")
    hands.pick("Which file contains the lots?", f"files/plots.gpkg: {LOTS} polygons")
    hands.use("button", "Use this file")
    hands.until("/areas/", lambda page: "No column identifies the lots." in said(page))
    looked_at(page, "which column")
    hands.pick("OUR_REF is", "id of the lot")
    hands.use("button", "Use these columns")
    hands.until("/areas/", lambda page: hands.named("button", "Estimate") is not None)
    assert f"{LOTS} lots read" in said(page)
    assert hands.letters == 0


# ---------------------------------------------------------------- two tabs, a closed tab
@pytest.fixture
def recognised(page: webdriver.Chrome, opened: Opened, delivery: Delivery) -> str:
    """An area that can be estimated, and its page in the browser; return its name."""
    wide(page, 1400)
    at(page, opened)
    hands = Mouse(page)
    hands.give(GIVE, delivery.given)
    hands.until("/areas/", lambda page: bool(page.find_elements(By.ID, "estimate")))
    until(lambda: len(psutil.Process(opened.process.pid).children(recursive=True)) > 0)
    return page.current_url.rsplit("/", 1)[1].split("#")[0]


def runs_of(area: Path) -> list[str]:
    place = area / OUTPUTS
    return sorted(path.name for path in place.iterdir() if (path / "manifest.json").is_file()) if place.is_dir() else []


def test_two_tabs_of_one_area_lose_nothing(recognised: str, page: webdriver.Chrome, opened: Opened) -> None:
    area, hands, first = opened.root / recognised, Mouse(page), page.current_window_handle
    text = (area / AREA_FILE).read_text(encoding="utf-8")
    with resting(psutil.Process(opened.process.pid)):
        hands.use("button", "Estimate")
        hands.until("/jobs/")
        looked_at(page, "job")
        page.switch_to.new_window("tab")
        at(page, opened, f"/areas/{recognised}")
        assert "At work: Estimate every lot" in said(page)
        looked_at(page, "area at work")
        hands.use("button", "Estimate")
        WebDriverWait(page, LONG_S).until(lambda page: "This was not possible" in said(page))
        assert "another window or job is working on this area. Wait until it has finished, or cancel it" in said(page)
        page.back()
        hands.use("summary", "Settings (area.toml)")
        hands.write("The area file. Each line that was guessed has its reason behind it.", "# a remark of mine\n")
        hands.use("button", "Save and check")
        WebDriverWait(page, LONG_S).until(lambda page: "This was not possible" in said(page))
        assert (area / AREA_FILE).read_text(encoding="utf-8") == text
        page.back()
        WebDriverWait(page, LONG_S).until(lambda page: "# a remark of mine" in str(
            page.execute_script("return document.getElementById('text')?.value ?? ''")))  # what was entered is kept
    page.close()
    page.switch_to.window(first)
    hands.until("/runs/")
    assert len(runs_of(area)) == 1
    assert (area / AREA_FILE).read_text(encoding="utf-8") == text


def test_a_tab_that_is_closed_in_mid_run_does_not_matter(recognised: str, page: webdriver.Chrome,
                                                         opened: Opened) -> None:
    area, hands = opened.root / recognised, Mouse(page)
    with resting(psutil.Process(opened.process.pid)):
        hands.use("button", "Estimate")
        hands.until("/jobs/")
        first = page.current_window_handle
        page.switch_to.new_window("tab")
        other = page.current_window_handle
        page.switch_to.window(first)
        page.close()
        page.switch_to.window(other)
        assert runs_of(area) == []
        at(page, opened, f"/areas/{recognised}")
        assert "At work: Estimate every lot" in said(page)
    until(lambda: len(runs_of(area)) == 1, LONG_S)
    until(lambda: "At work" not in [at(page, opened, f"/areas/{recognised}"), said(page)][1])
    assert f"Newest run: {runs_of(area)[0]}" in said(page)
    assert [path.name for path in (area / OUTPUTS).iterdir() if not path.name.startswith(".")
            and path.is_dir()] == runs_of(area)
    assert all((area / FILES / name).is_file() for name in ("lots.gpkg", "soil_ZZ901.zip", "weather.csv"))


def test_the_window_is_closed_on_its_page(page: webdriver.Chrome, tmp_path: Path) -> None:
    with window(tmp_path / "areas") as opened:
        wide(page, 1400)
        at(page, opened)
        hands = Mouse(page)
        hands.use("link", "Close")
        hands.until("/close")
        hands.use("button", "Close")
        WebDriverWait(page, LONG_S).until(lambda page: "riskmap is closed" in said(page))
        looked_at(page, "closed")
        assert opened.process.wait(LONG_S) == 0


# ---------------------------------------------------------------- hostile texts
def nothing_ran(page: webdriver.Chrome) -> bool:
    """Return whether no text became a script, an element or the answer to a template."""
    ran = page.execute_script("return typeof window[arguments[0]] !== 'undefined' || document.title === 'ran'", RAN)
    text = page.find_element(By.TAG_NAME, "body").get_attribute("textContent") or ""
    return not ran and NEVER not in text and invented_results.NEVER not in text


def test_hostile_ids_labels_and_names_of_files_stay_texts(page: webdriver.Chrome, opened: Opened,
                                                          tmp_path: Path) -> None:
    outputs = opened.root / "hostile" / OUTPUTS
    outputs.mkdir(parents=True)
    (outputs.parent / FILES).mkdir()
    found = invented_results.results()
    ids = [*invented_results.HOSTILE, *TEXTS]
    lots = found.lots.assign(lot_id=[*ids, *found.lots["lot_id"].iloc[len(ids):]][:len(found.lots)])
    run = finished_runs.finished(outputs, replace(
        found, lots=lots, facts={**found.facts, "newest_data": {"rain": "2025-08"}}), name="hostile").name
    wide(page, 1400)
    at(page, opened)
    page.get_log("browser")
    at(page, opened, f"/areas/hostile/runs/{run}")
    WebDriverWait(page, LONG_S).until(lambda page: len(page.find_elements(By.CSS_SELECTOR, "#lots-table tbody tr")) > 0)
    shown = set(ids_shown(page))
    plain = {text for text in ids[:len(lots)] if text.isprintable() and text == text.strip()}
    assert len(plain) > 10
    assert plain <= shown, plain - shown
    assert page.find_elements(By.CSS_SELECTOR, "#lots-table :is(script, img, svg, iframe, a)") == []
    assert nothing_ran(page)
    page.switch_to.frame(page.find_element(By.CSS_SELECTOR, "iframe"))
    assert nothing_ran(page)
    page.switch_to.default_content()
    names = [text for text in dict.fromkeys(ids) if 0 < len(text.encode("utf-8", "replace")) < 200
             and not set(text) & {"/", "\0", "\n"} and text.isprintable() and text not in (".", "..")]
    for k, text in enumerate(names):
        (tmp_path / text).write_text(f"{k}\n", encoding="utf-8")
    at(page, opened, "/areas/hostile")
    Mouse(page).give(GIVE, sorted(tmp_path.iterdir()))
    WebDriverWait(page, LONG_S).until(lambda page: "It did not work." in said(page) or (str(
        page.execute_script("return location.pathname")) == "/areas/hostile" and "not used" in said(page)))
    assert nothing_ran(page)
    kept = sorted((outputs.parent / FILES).rglob("*"))
    assert len(kept) == len(names)
    assert sorted(path.read_text(encoding="utf-8") for path in kept) == sorted(f"{k}\n" for k in range(len(names)))
    assert [entry["message"] for entry in page.get_log("browser") if entry["level"] == "SEVERE"] == []


# ---------------------------------------------------------------- 20,000 lots
def test_20000_lots_open_and_answer(page: webdriver.Chrome, opened: Opened) -> None:
    outputs = opened.root / "town" / OUTPUTS
    outputs.mkdir(parents=True)
    (outputs.parent / FILES).mkdir()
    found = invented_results.town(MANY)
    run = finished_runs.finished(outputs, replace(found, facts={**found.facts, "newest_data": {"rain": "2025-08"}}),
                                 name="town").name
    wide(page, 1400)
    at(page, opened)
    began = time.monotonic()
    at(page, opened, f"/areas/town/runs/{run}")
    WebDriverWait(page, LONG_S).until(lambda page: len(page.find_elements(By.CSS_SELECTOR, "#lots-table tbody tr")) > 0)
    first = time.monotonic() - began
    assert "20,000" in said(page)
    looked_at(page, "20,000 lots")
    took: dict[str, float] = {}
    for path in ("/", "/areas/town", f"/areas/town/runs/{run}", "/areas/town/lists", "/areas/town/house",
                 f"/areas/town/house?lot=0012345&run={run}", "/areas/town/surveys"):
        at(page, opened, path if path != "/" else "/about")
        took[path] = page.execute_script(
            "const [e] = performance.getEntriesByType('navigation'); return e.responseEnd - e.requestStart")
    at(page, opened, f"/areas/town/runs/{run}")
    WebDriverWait(page, LONG_S).until(lambda page: len(page.find_elements(By.CSS_SELECTOR, "#lots-table tbody tr")) > 0)
    table = page.execute_script("return performance.getEntriesByType('resource').find((e) => e.name.endsWith("
                                "'lots.json')).duration")
    began = time.monotonic()
    Mouse(page).write("Find", "0012345")
    until(lambda: len(page.find_elements(By.CSS_SELECTOR, "#lots-table tbody tr")) == 1)
    typed = time.monotonic() - began
    shown = {path.replace(run, "RUN"): round(ms) for path, ms in took.items()}
    print(f"\n{MANY:,} lots: the first table after {first:.1f} s, again {table:.0f} ms; found after {typed:.1f} s; ms "
          f"of the server: {shown}")
    assert max(took.values()) < PAGE_MS * BUSY, took
    assert table < PAGE_MS * BUSY
