"""The ground since the pour in the panel of a lot, on both pages, in a real browser with every host name blocked."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import axe_core_python
import in_browser
import numpy as np
import pytest
from invented_results import GROWTH, ROW_OF_STATE, results, with_growth
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from riskmap.common.results import Results
from riskmap.outputs import telling
from riskmap.outputs.map import growth_curves, tile_page, tiles, web_map

pytestmark = in_browser.marks("the growth curve of the map")

PLAIN, EARLY, FALLEN, LEVEL, YOUNG = range(len(GROWTH) - 1)  # archetypes by what there is to tell
AXE = Path(axe_core_python.__file__).parent / "axe.min.js"


@pytest.fixture(scope="module")
def full() -> Results:
    """Return results in which each archetype has a lot with an estimate, an ordinary id and a known pour date."""
    found = with_growth(results())
    lots = found.lots.copy()
    lots.loc[36:50, "pour_date_basis"] = "year"
    lots.loc[51, "pour_date_basis"] = "none"
    lots.loc[:, ["middle_now_mm", "edge_now_mm"]] = [41.0, -17.0]
    return replace(found, lots=lots.assign(**{name: np.where(lots["state"] == "", lots[name], np.nan)
                                              for name in ("middle_now_mm", "edge_now_mm")}))


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with in_browser.started(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


@pytest.fixture(scope="module")
def folder(full: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("growth")
    web_map.write(full, made)
    tile_page.write(full, made)
    return made


def opened(browser: webdriver.Chrome, file: Path) -> webdriver.Chrome:
    browser.get_log("browser")
    browser.get(file.as_uri())
    in_browser.until(browser, lambda d: d.execute_script("return document.body.dataset.ready"))
    if file.name == tile_page.NAME:
        browser.find_element(By.ID, "file").send_keys(str(file.with_name(tiles.NAME)))
        in_browser.until(browser, lambda d: d.execute_script("return document.body.dataset.opened"))
    return browser


@pytest.fixture(params=[web_map.NAME, tile_page.NAME])
def page(request: pytest.FixtureRequest, browser: webdriver.Chrome, folder: Path) -> webdriver.Chrome:
    return opened(browser, folder / request.param)


# the first lot that a search has found: in the list under the field, or where there is none in the list of lots
FOUND = "const b = document.querySelector('#suggestions li bdi, :root:not(:has(#suggestions)) #lots li bdi');" \
        "return b && b.textContent"


def show(browser: webdriver.Chrome, lot_id: str) -> str:
    """Find a lot by its id and return what stands under the heading of the curve."""
    box = browser.find_element(By.ID, "search")
    box.clear()
    box.send_keys(lot_id)
    in_browser.until(browser, lambda d: d.execute_script(FOUND) == lot_id)
    box.send_keys(Keys.ENTER)
    in_browser.until(browser, lambda d: d.execute_script(
        "const b = document.querySelector('#details h2 bdi'); return b && b.textContent === arguments[0]", lot_id))
    return growth(browser)


def growth(browser: webdriver.Chrome) -> str:
    text: str = browser.execute_script(
        "return [...document.querySelectorAll('#details .growth p')].map(p => p.textContent).join(' ')")
    return text


def of(full: Results, archetype: int) -> str:
    """Return the id of a lot of an archetype, among those that are prepared."""
    assert full.inputs is not None
    lot = next(k for k in range(36, 51) if full.inputs.lot_archetype[k] == archetype)
    return str(full.lots["lot_id"][lot])


def choose_units(browser: webdriver.Chrome, system: str) -> None:
    browser.execute_script("document.querySelector(`input[name=units][value=${arguments[0]}]`).click()", system)
    in_browser.rest(browser, 0.3)


SCALE = """
const svg = document.querySelector('.growth svg');
const numbers = (node, ...names) => names.map(name => Number(node.getAttribute(name)));
const points = (name) => svg.querySelector('path.' + name).getAttribute('d').slice(1).split('L')
  .map(p => p.split(' ').map(Number));
const texts = [...svg.querySelectorAll('text')].map(t => [t.textContent, ...numbers(t, 'x', 'y')]);
const circles = [...svg.querySelectorAll('circle:not(.end)')]
  .map(c => [c.getAttribute('class'), ...numbers(c, 'cx', 'cy')]);
return {middle: points('middle'), edge: points('edge'), texts, circles, label: svg.getAttribute('aria-label'),
  role: svg.getAttribute('role')};
"""


@pytest.mark.parametrize("system", ["us", "si"])
def test_the_lines_are_those_of_the_record_on_the_axes(system: str, page: webdriver.Chrome, full: Results) -> None:
    show(page, of(full, PLAIN))
    choose_units(page, system)
    drawn = page.execute_script(SCALE)
    per = 25.4 if system == "us" else 1.0
    values = {float(text.replace("−", "-")): y - 4 for text, x, y in drawn["texts"]
              if x < 34 and re.search(r"\d", text)}
    years = {int(text): x for text, x, _ in drawn["texts"] if re.fullmatch(r"\d{4}", text)}
    assert len(values) >= 3
    assert len(years) >= 3
    (v0, y0), *_, (v1, y1) = sorted(values.items())
    (t0, x0), *_, (t1, x1) = sorted(years.items())
    assert full.growth is not None
    own = full.growth[full.growth["archetype"] == PLAIN]
    for name in ("middle", "edge"):
        time_of, value = [], []
        for x, y in drawn[name]:
            time_of.append(t0 + (x - x0) * (t1 - t0) / (x1 - x0))
            value.append((v0 + (y - y0) * (v1 - v0) / (y1 - y0)) * per)
        step_years, step_mm = 0.2 * (t1 - t0) / (x1 - x0), 0.3 * per * (v1 - v0) / (y0 - y1)  # coordinates have tenths
        # the pour first, at the end of July, then the end of each December
        np.testing.assert_allclose(time_of, [1990 + 7 / 12, *(own["year"] + 1)], atol=step_years, rtol=0)
        np.testing.assert_allclose(value, [0.0, *own[f"{name}_mm"]], atol=step_mm, rtol=0)
    for (name, _, y), wanted in zip(sorted(drawn["circles"]), (-17.0, 41.0), strict=True):
        assert ((v0 + (y - y0) * (v1 - v0) / (y1 - y0)) * per) == pytest.approx(wanted, abs=step_mm), name
    today = t0 + (drawn["circles"][0][1] - x0) * (t1 - t0) / (x1 - x0)
    assert today == pytest.approx(2025 + 10 / 12, abs=step_years)
    assert growth_curves.SENTENCES[system] in [text for text, *_ in drawn["texts"]]
    assert {"today", "middle", "edge"} <= {text for text, *_ in drawn["texts"]}


@pytest.mark.parametrize("system", ["us", "si"])
def test_a_sentence_says_what_is_drawn(system: str, page: webdriver.Chrome, full: Results) -> None:
    show(page, of(full, PLAIN))
    choose_units(page, system)
    text, drawn = growth(page), page.execute_script(SCALE)
    assert full.growth is not None
    own = full.growth[full.growth["archetype"] == PLAIN]
    by = int(own["year"][own["middle_mm"] >= 0.9 * own["middle_mm"].iloc[-1]].iloc[0])
    assert 1991 < by < 2024
    size = {mm: telling.shown(mm, system) for mm in (60.0, 10.0, 41.0, 17.0)}
    told = (f"From the pour to December 2024 the middle of the ground rose {size[60.0]}; it had reached 90 % of that "
            f"by December {by}. In December 2024 the edge was {size[10.0]} lower, compared with the pour. Compared "
            f"with the pour, the middle is now {size[41.0]} higher and the edge {size[17.0]} lower (circles: the "
            "median of all model runs).")
    assert text == f"{told} {growth_curves.SENTENCES['method']} The run takes 1990-07 as the month of the pour."
    assert drawn["role"] == "img"
    assert drawn["label"] == f"Ground (not the slab) since the pour. {told}"


@pytest.mark.parametrize(("archetype", "told"), [
    (EARLY, r"rose 1\.2 in; it had reached 90 % of that by December 1980 or earlier\..* begin in December 1980; this"),
    (FALLEN, r"the middle of the ground fell 0\.8 in\. .* the edge was 1\.2 in higher"),
    (LEVEL, r"In December 2024 the middle of the ground was as high as at the pour\. .* was at the same height"),
])
def test_other_courses_have_their_own_words(archetype: int, told: str, page: webdriver.Chrome, full: Results) -> None:
    text = show(page, of(full, archetype))
    assert re.search(told, text), text
    assert ("90 %" in text) == (archetype == EARLY)
    assert page.find_elements(By.CSS_SELECTOR, ".growth svg path.middle")
    starts = page.execute_script(SCALE)["middle"][0]
    zero = next(y for text, _, y in page.execute_script(SCALE)["texts"] if text == "0") - 4
    # a curve that begins long after the pour is not drawn from a zero that the run does not contain
    assert (abs(starts[1] - zero) < 1) == (archetype != EARLY)


def test_a_lot_without_a_curve_has_the_reason_and_nothing_drawn(page: webdriver.Chrome, full: Results) -> None:
    lots, words = full.lots["lot_id"], growth_curves.SENTENCES
    told = {str(lots[row]): words["not_yet_poured" if state == "not_yet_poured" else "no_estimate"]
            for state, row in ROW_OF_STATE.items()}
    told |= {str(lots[51]): words["pour_unknown"], of(full, YOUNG): words["no_december"]}
    for lot_id, reason in told.items():
        assert show(page, lot_id) == reason, lot_id
        assert page.find_elements(By.CSS_SELECTOR, ".growth svg") == []


@pytest.mark.parametrize("name", [web_map.NAME, tile_page.NAME])
def test_a_run_without_the_ground_or_with_too_many_says_so(name: str, browser: webdriver.Chrome, full: Results,
                                                           tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    writer = web_map if name == web_map.NAME else tile_page
    writer.write(replace(full, growth=None), tmp_path)
    assert show(opened(browser, tmp_path / name), of(full, PLAIN)) == growth_curves.SENTENCES["not_in_run"]
    assert browser.find_elements(By.CSS_SELECTOR, ".growth svg") == []
    monkeypatch.setattr(growth_curves, "MOST_ARCHETYPES", 4)
    writer.write(full, tmp_path)
    assert show(opened(browser, tmp_path / name), of(full, PLAIN)) == growth_curves.absent(full) != ""
    assert browser.find_elements(By.CSS_SELECTOR, ".growth svg") == []


def test_it_fits_on_a_phone(page: webdriver.Chrome, full: Results) -> None:
    size = {"width": 390, "height": 844, "deviceScaleFactor": 1, "mobile": True}
    page.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", size)
    try:
        show(page, of(full, PLAIN))
        wide, left, right, page_wide, least = page.execute_script(
            "const r = document.querySelector('.growth svg').getBoundingClientRect(), "
            "t = [...document.querySelectorAll('.growth svg text')].map(n => n.getBoundingClientRect());"
            "return [r.width, Math.min(...t.map(b => b.left)), Math.max(...t.map(b => b.right)), "
            "document.documentElement.scrollWidth, Math.min(...t.map(b => b.height))]")
        assert page_wide == 390
        assert wide > 340
        assert 0 <= left < right <= 390
        assert least > 12  # letters of about 12 px
    finally:
        page.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})


@pytest.mark.parametrize("archetype", [PLAIN, EARLY, FALLEN, LEVEL])
def test_texts_of_the_drawing_do_not_lie_on_each_other(archetype: int, page: webdriver.Chrome, full: Results) -> None:
    show(page, of(full, archetype))
    boxes = page.execute_script(
        "return [...document.querySelectorAll('.growth svg text')].map(n => { const b = n.getBBox();"
        "return [n.textContent, b.x, b.y + 2, b.x + b.width, b.y + b.height - 2]})")
    over = [(a[0], b[0]) for k, a in enumerate(boxes) for b in boxes[:k]
            if a[1] < b[3] and b[1] < a[3] and a[2] < b[4] and b[2] < a[4]]
    assert over == []


def test_it_is_on_paper_and_axe_finds_nothing(page: webdriver.Chrome, full: Results) -> None:
    show(page, of(full, PLAIN))
    page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    try:
        assert page.find_element(By.CSS_SELECTOR, ".growth svg").is_displayed()
        assert "From the pour to December 2024" in page.find_element(By.ID, "details").text
    finally:
        page.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    page.execute_script(AXE.read_text(encoding="utf-8"))
    found = page.execute_async_script("const done = arguments[0]; axe.run('#details').then(r => done(r.violations"
                                      ".map(v => v.id + ': ' + v.nodes.map(n => n.html).join(' '))))")
    assert found == []
    assert page.get_log("browser") == []
