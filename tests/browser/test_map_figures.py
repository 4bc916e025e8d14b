"""The figures of the map: waterfall, section, area, names, two weeks beside each other, and the sheet of a phone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import in_browser
import numpy as np
import pandas as pd
import pytest
from invented_results import results, with_growth, with_past
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select
from shapely.geometry import LineString
from test_web_map_browser import choose_layer, details, opened, show

from riskmap.common.results import Results
from riskmap.outputs import palette, telling, waterfall
from riskmap.outputs.map import town, web_map

pytestmark = in_browser.marks("the figures of the map")
PHONE = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}


@pytest.fixture(scope="module")
def full() -> Results:
    """Return results with weeks, growth curves, a soil of two layers under all lots, and a road along the first row."""
    found = with_past(with_growth(results()))
    assert found.inputs is not None
    profile = pd.DataFrame({"profile_id": [0], "component_name": ["Ombrey"], "rock_depth_m": [np.inf]})
    layer = pd.DataFrame({"profile_id": [0, 0], "top_m": [0.0, 0.5], "bottom_m": [0.5, 2.0], "lep_low_pct": 4.0,
                          "lep_pct": [9.0, 12.0], "lep_high_pct": 15.0})
    lots = found.lots.copy()
    lots.loc[40, ["bend_now_mm", "edge_gap_now_mm", "edge_gap_now_mm_p10", "edge_gap_now_mm_p90"]] = [30, 20, 8, 40]
    lots.loc[41, ["bend_now_mm", "edge_gap_now_mm", "edge_gap_now_mm_p10", "edge_gap_now_mm_p90"]] = [-30, 0, 0, 0]
    box = lots.geometry.dropna().total_bounds
    road = gpd.GeoDataFrame({"layer": ["Roads"], "kind": ["line"], "label": ["Invented Lane"]},
                            geometry=[LineString([(box[0] + f * (box[2] - box[0]), box[1]) for f in (0, 0.5, 1)])],
                            crs="EPSG:4326")
    return replace(found, lots=lots, context=road, settings={"movement": {"active_depth_draw_m": [3.0, 4.0]},
                             "soil_settings": {"extend_to_cm": 150, "below_profile_factor": 0.5}},
                   inputs=replace(found.inputs, profile=profile, layer=layer))


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with in_browser.started(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


@pytest.fixture(scope="module")
def file(full: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return web_map.write(full, tmp_path_factory.mktemp("map"))


@pytest.fixture
def page(browser: webdriver.Chrome, file: Path) -> webdriver.Chrome:
    return opened(browser, file)


def test_the_waterfall_goes_from_the_typical_lot_to_this_one(page: webdriver.Chrome, full: Results) -> None:
    for lot in (40, 41, 44):
        show(page, lot)
        bars = page.execute_script(
            "return [...document.querySelectorAll('.why .track')].map(t => { const b = t.firstChild"
            ".getBoundingClientRect(), a = t.getBoundingClientRect();"
            "return [t.firstChild.className, b.left - a.left, b.right - a.left, a.width]; })")
        steps = waterfall.steps(full.lots.iloc[lot].to_dict())
        assert [name.split()[0] for name, *_ in bars] == [step.kind for step in steps]
        per_mm = (bars[-1][2] - bars[-1][1]) / steps[-1].mm
        at = 0.0
        for (kind, left, right, _), step in zip(bars, steps, strict=True):
            ends = (0.0, step.mm) if step.kind in ("typical", "lot") else (at, at + step.mm)
            at = ends[1]
            zero = bars[-1][1]
            assert left == pytest.approx(zero + min(ends) * per_mm, abs=2), kind
            assert right == pytest.approx(zero + max(ends) * per_mm, abs=3), kind
            assert ("minus" in kind) == (step.mm < 0)


@pytest.mark.parametrize(("lot", "words", "number", "gap"), [(40, "middle above the edges", "+1.2 in", "about 0.8 in"),
                                                             (41, "middle below the edges", "−1.2 in", None)])
def test_the_section_says_what_the_table_says(page: webdriver.Chrome, lot: int, words: str, number: str,
                                              gap: str | None) -> None:
    show(page, lot)
    texts = page.execute_script("return [...document.querySelectorAll('.cut text')].map(t => t.textContent)")
    assert words in texts
    assert number in texts
    assert (gap in texts) if gap else not any("gap" in text for text in texts)
    assert "9 %" in texts
    assert "6 % assumed" in texts  # below what the survey describes
    said = page.execute_script("return document.querySelector('.section').textContent")
    assert "Bending is drawn" in said
    assert "The grey band is the slab, and the line below it is the ground. Where they part, there is a gap." in said
    assert "is surveyed to 6.6 ft" in said
    assert ("(80 % of the model runs: 0.3 to 1.6 in)" in said) == bool(gap)
    label = page.execute_script("return document.querySelector('.cut').getAttribute('aria-label')")
    assert "Weather moves the ground down to about 11 ft (10 to 13)." in label


def paths(page: webdriver.Chrome, name: str) -> list[tuple[float, float]]:
    text = page.execute_script("return document.querySelector(arguments[0]).getAttribute('d')", f".cut .{name}")
    return [(float(x), float(y)) for x, y in re.findall(r"([\d.]+) ([\d.]+)", text)]


def test_slab_and_ground_touch_at_the_crown_of_a_dome_and_at_the_edges_of_a_dish(page: webdriver.Chrome) -> None:
    for lot, dome in ((40, True), (41, False)):
        show(page, lot)
        ground, slab = paths(page, "surface"), paths(page, "slab")
        bottom = slab[len(slab) // 2:]  # from the right end to the left
        middle = len(ground) // 2
        crown = min(bottom, key=lambda p: abs(p[0] - ground[middle][0]))
        assert ground[middle][1] == pytest.approx(crown[1], abs=0.3)
        left = bottom[-1]
        under = min(ground, key=lambda p: abs(p[0] - left[0]))
        assert (under[1] - left[1] > 5) == dome  # y grows downwards: the gap
        assert (slab[0][1] > crown[1] - 5) == dome  # the edge is lower, or higher


def test_a_lot_without_an_estimate_has_no_section_and_no_reasons(page: webdriver.Chrome) -> None:
    show(page, 21)
    assert page.find_elements(By.CSS_SELECTOR, ".cut, .why, .class-bar") == []


def test_the_area_is_shown_until_a_lot_is_chosen_and_again_after(page: webdriver.Chrome, full: Results) -> None:
    told = town.about(full.lots)
    text = details(page)
    assert f"{told['known']} of 60 lots have an estimate." in text
    middle = telling.shown(told["mm"][1], "us")
    assert f"Largest bending from now to October 2026: {middle} or less on half of them." in text
    dots = page.execute_script("return [...document.querySelectorAll('.groups circle')].map(c => "
                               "[c.getAttribute('fill'), c.textContent])")
    soils = {f"{row['name']}: {row['lots']} lots": row["mm"][1] for row in told["soils"]}
    assert {title for _, title in dots} >= set(soils)
    for color, title in dots[: len(soils)]:
        assert color == palette.SIZE[int(np.digitize(soils[title], palette.SIZE_LIMITS_MM))]
    show(page, 40)
    assert details(page).startswith("Lot 0000040")
    page.find_element(By.XPATH, "//section[@id='details']//button[text()='Whole area']").click()
    assert "60 lots have an estimate" in details(page)
    assert page.execute_script("return document.activeElement.id") == "details"


def test_buttons_go_to_the_lots_beside_it_in_the_list(page: webdriver.Chrome) -> None:
    show(page, 40)
    page.find_element(By.CSS_SELECTOR, "[aria-label='Next lot of the list']").click()
    assert details(page).startswith("Lot 0000041")
    assert page.execute_script("return document.activeElement.getAttribute('aria-label')") == "Next lot of the list"
    page.find_element(By.CSS_SELECTOR, "[aria-label='Previous lot of the list']").click()
    assert details(page).startswith("Lot 0000040")


def names(page: webdriver.Chrome) -> int:
    return int(page.execute_script(
        "const c = document.querySelector('canvas.names'), d = c.getContext('2d').getImageData(0, 0, c.width, c.height)"
        ".data; let n = 0; for (let i = 3; i < d.length; i += 4) n += d[i] > 0; return n;"))


def test_names_appear_when_there_is_room_and_go_with_their_switch(page: webdriver.Chrome) -> None:
    page.execute_script("map_riskmap.setZoom(19, {animate: false})")
    in_browser.rest(page, 0.3)
    assert names(page) > 300  # ids in lots
    page.find_element(By.ID, "whole").click()
    in_browser.rest(page, 0.3)
    with_road = names(page)
    page.find_element(By.ID, "context").click()
    in_browser.rest(page, 0.2)
    assert with_road - names(page) > 200  # the name of the road
    page.find_element(By.ID, "context").click()


def test_the_first_view_fills_the_pane_and_the_locator_shows_a_part(page: webdriver.Chrome) -> None:
    share = page.execute_script(
        "const s = map_riskmap.getSize(), z = map_riskmap.getZoom(); return [s.x, s.y, z]")
    assert share[2] % 0.25 == 0
    assert page.execute_script("return document.querySelector('.locator').hidden")
    page.execute_script("map_riskmap.setZoom(map_riskmap.getZoom() + 3, {animate: false})")
    in_browser.rest(page, 0.2)
    assert not page.execute_script("return document.querySelector('.locator').hidden")


def test_between_two_whole_zooms_a_tile_has_the_dots_of_the_screen(page: webdriver.Chrome) -> None:
    for zoom in (17.25, 17.5, 16.75, 18):
        page.execute_script("map_riskmap.setZoom(arguments[0], {animate: false})", zoom)
        in_browser.rest(page, 0.3)
        wrong = page.execute_script(
            "return [...document.querySelectorAll('.leaflet-tile-pane canvas, .leaflet-context-pane canvas')]"
            ".filter(c => Math.abs(c.width - c.getBoundingClientRect().width * devicePixelRatio) > 1)"
            ".map(c => [c.width, c.getBoundingClientRect().width])")
        assert wrong == []


def test_two_weeks_stand_beside_each_other_and_the_border_moves_by_keys(page: webdriver.Chrome) -> None:
    choose_layer(page, "weeks")
    assert not page.find_element(By.ID, "swipe").is_displayed()
    page.find_element(By.ID, "two-weeks").click()
    Select(page.find_element(By.ID, "other-week")).select_by_index(0)
    in_browser.rest(page, 0.3)
    clip = "return map_riskmap.getPane('other').style.clip"
    before = page.execute_script(clip)
    assert before.startswith("rect(")
    divide = page.find_element(By.ID, "divide")
    said = divide.get_attribute("aria-valuetext")
    assert re.fullmatch(r"20\d\d-\d\d-\d\d left of 50 % of the width, 20\d\d-\d\d-\d\d right of it", said)
    divide.send_keys(*[Keys.ARROW_RIGHT] * 20)
    assert page.execute_script(clip) != before
    assert "70 %" in divide.get_attribute("aria-valuetext")
    assert page.execute_script("return [...map_riskmap.getPane('other').querySelectorAll('canvas')].length") > 0
    choose_layer(page, "expected")
    assert not page.find_element(By.ID, "swipe").is_displayed()
    assert page.execute_script("return map_riskmap.getPane('other').querySelectorAll('canvas').length") == 0


def test_the_weeks_play_and_stop(page: webdriver.Chrome) -> None:
    choose_layer(page, "weeks")
    years = page.execute_script("return [...document.querySelectorAll('#week-scale span')].map(n => n.textContent)")
    assert years
    assert years == sorted(set(years))
    page.find_element(By.ID, "play").click()
    said, place = page.find_element(By.ID, "week-said"), page.find_element(By.ID, "week")
    first, begun = said.text, int(place.get_property("value"))
    in_browser.until(page, lambda _: int(place.get_property("value")) > begun and said.text != first)
    page.find_element(By.ID, "play").click()
    assert page.find_element(By.ID, "play").text == "Play"
    rest = page.find_element(By.ID, "week-said").text
    in_browser.rest(page, 0.8)
    assert page.find_element(By.ID, "week-said").text == rest


@pytest.fixture
def phone(browser: webdriver.Chrome, file: Path) -> Iterator[webdriver.Chrome]:
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", PHONE)
    try:
        yield opened(browser, file)
    finally:
        browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


def box(page: webdriver.Chrome, selector: str) -> dict[str, Any]:
    found: dict[str, Any] = page.execute_script(
        "return document.querySelector(arguments[0]).getBoundingClientRect().toJSON()", selector)
    return found


def test_on_a_phone_the_map_is_full_and_the_sheet_has_three_heights(phone: webdriver.Chrome) -> None:
    assert (box(phone, "#map_riskmap")["height"], box(phone, "#map_riskmap")["width"]) == (844, 390)
    heights = []
    for _ in range(3):
        heights.append(round(box(phone, "aside")["height"]))
        phone.find_element(By.ID, "handle").click()
    assert len(set(heights)) == 3
    assert min(heights) < 160
    assert max(heights) > 700
    while phone.execute_script("return document.body.dataset.sheet") != "low":
        phone.find_element(By.ID, "handle").click()
    show(phone, 40)
    assert phone.execute_script("return document.body.dataset.sheet") == "short"
    figure = box(phone, "#details .figure")
    assert box(phone, "aside")["top"] < figure["top"] < figure["bottom"] <= 844  # the number is seen without a touch
    assert phone.execute_script("return [scrollX, scrollY, document.documentElement.scrollWidth]") == [0, 0, 390]


def test_targets_of_a_phone_are_large_enough(phone: webdriver.Chrome) -> None:
    for lot in (None, 40):
        if lot is not None:
            show(phone, lot)
        small = phone.execute_script(
            "const kinds = 'button, select, input, summary, a, [role=option], label:has(input)';"
            "return [...document.querySelectorAll(kinds)]"
            ".filter(n => n.checkVisibility({visibilityProperty: true}) && n.getClientRects().length)"
            ".filter(n => !(n.matches('input') && n.closest('label')) && !n.matches('.skip, #divide'))"
            ".map(n => [n.id || n.className || n.textContent.slice(0, 30), ...Object.values(n.getBoundingClientRect()"
            ".toJSON()).slice(2, 4).map(Math.round)]).filter(([, w, h]) => Math.min(w, h) < 44)")
        assert small == []


def test_chips_choose_the_layer(phone: webdriver.Chrome) -> None:
    assert not phone.find_element(By.ID, "layer").is_displayed()
    choose_layer(phone, "soil")
    assert phone.execute_script("return document.querySelector('#legend h2').textContent") == "Soil shrink-swell class"
    said = phone.execute_script("return document.getElementById('said').textContent")
    assert said == "Layer: Soil shrink-swell class"
    on = phone.execute_script("return [...document.querySelectorAll('.chip')].map(c => [c.value, c.className])")
    assert [value for value, _ in on if value] == ["soil"]
    assert sum("on" in name.split() for _, name in on) == 1
