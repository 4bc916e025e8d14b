"""The phone page of a brief in a browser: curves that can be seen, a scale beside them, nothing too wide."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from in_browser import marks, started
from invented_results import results, with_past
from selenium import webdriver

from riskmap.answers.brief import content, figures, pages, visits

pytestmark = marks("the phone page of a brief")

ABOUT = {"run": "made-up_20251001T000000Z", "manifest": "0123456789ab"}
SEEN = """return [...document.querySelectorAll('svg.shape')].map((figure) => {
  const curves = [...figure.querySelectorAll('path')].map((path) => {
    const box = path.getBoundingClientRect(), style = getComputedStyle(path);
    return {wide: box.width, tall: box.height, nested: path.parentElement !== figure, stroke: style.stroke,
            dashed: style.strokeDasharray !== 'none', long: path.getTotalLength()};
  });
  const words = [...figure.querySelectorAll('text')].map((text) => {
    const box = text.getBoundingClientRect();
    return {told: text.textContent, inside: box.right <= innerWidth && box.left >= 0, tall: box.height};
  });
  return {curves, words};
});"""


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[webdriver.Chrome]:
    with started(tmp_path_factory.mktemp("profile")) as driver:
        yield driver


def test_every_shape_shows_six_curves_and_its_scale(browser: webdriver.Chrome, tmp_path: Path) -> None:
    found = with_past(results(60))
    rows = found.lots.index[found.lots["state"] == ""][:3]
    x = np.linspace(0, 1, 11)
    shapes = [np.column_stack([x, *(k * f * (1 - x**2) for f in (10, 20, 40, 5, 12, 25))]) for k in (1, 2, 3)]
    scales = figures.scales(found.lots, shapes, "us")
    made = [content.lot_page(found, int(row), "us", shape, ABOUT, scales=scales)
            for row, shape in zip(rows, shapes, strict=True)]
    page = tmp_path / "lots.html"
    page.write_text(pages.document(made, content.area_page(found, "us", visits.rounds(found, []), ABOUT)),
                    encoding="utf-8")
    browser.set_window_size(500, 900)
    browser.get(page.as_uri())
    told = browser.execute_script(SEEN)
    assert len(told) == 3
    tallest = []
    for figure in told:
        seen = [curve for curve in figure["curves"] if curve["wide"] > 200 and curve["tall"] > 2
                and curve["long"] > 200 and not curve["nested"] and curve["stroke"] != "none"]
        assert len(seen) == 6, figure["curves"]
        assert sum(curve["dashed"] for curve in seen) == 4
        assert {word["told"] for word in figure["words"]} >= {"0.0 in", "5.0 in"}
        assert all(word["inside"] and word["tall"] > 8 for word in figure["words"])
        tallest.append(max(curve["tall"] for curve in seen))
    assert tallest[1] / tallest[0] == pytest.approx(2, rel=0.1)  # one scale: twice the mound is drawn twice as high
    assert browser.execute_script("return document.documentElement.scrollWidth <= innerWidth")
    assert [entry for entry in browser.get_log("browser") if entry["level"] == "SEVERE"] == []
