"""The one-file map beside the usual way (the wrapper's GeoJson layer) for the same 20,000 lots, in one browser run."""

from __future__ import annotations

import time
from pathlib import Path

import in_browser
import pytest
from invented_results import town
from test_web_map_browser import browser, opened  # noqa: F401

from riskmap.outputs.map import page_build, web_map

pytestmark = [pytest.mark.benchmark, *in_browser.marks("the speed of the map")]
COUNT = 20_000
COLUMNS = ["lot_id", "expected_movement_mm", "long_run_mm", "bend_now_mm", "phase",
           "map_unit_name", "data_quality"]
PAINTED = """
const done = arguments[0];
const wait = () => document.querySelector('.leaflet-container path, .leaflet-container canvas')
    ? requestAnimationFrame(() => requestAnimationFrame(() => done(performance.now()))) : setTimeout(wait, 20);
wait();
"""


def usual_way(lots, path: Path) -> None:  # type: ignore[no-untyped-def]
    """Write the same lots as the wrapper does by itself, with its scripts inlined so that no host is needed."""
    import folium
    from branca.element import Element

    page = folium.Map(location=[32.05, -97.95], zoom_start=12, tiles=None)
    page.default_js, page.default_css = [], []
    head = page.get_root().header
    head.add_child(Element(f"<style>{page_build.asset(f'{page_build.VENDOR}/leaflet.css')}</style>"
                           f"<script>{page_build.asset(f'{page_build.VENDOR}/leaflet.js')}"
                           "</script>"))
    folium.GeoJson(lots[[*COLUMNS, "geometry"]], tooltip=folium.GeoJsonTooltip(COLUMNS)).add_to(page)
    page.save(path)


def test_smaller_and_sooner_than_the_usual_way(browser, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]  # noqa: F811
    found = town(COUNT)
    began = time.perf_counter()
    ours = web_map.write(found, tmp_path)
    built_ours = time.perf_counter() - began
    began = time.perf_counter()
    usual_way(found.lots, tmp_path / "usual.html")
    built_usual = time.perf_counter() - began
    opened(browser, ours)
    (first_ours,) = browser.execute_script("return performance.getEntriesByName('riskmap-drawn').map(m => m.startTime)")
    browser.set_script_timeout(120)
    browser.get((tmp_path / "usual.html").as_uri())
    first_usual = browser.execute_async_script(PAINTED)
    size_ours, size_usual = ours.stat().st_size / 1e6, (tmp_path / "usual.html").stat().st_size / 1e6
    print(f"\n{COUNT:,} lots: ours {size_ours:.2f} MB, built {built_ours:.2f} s, drawn {first_ours:.0f} ms; usual way "
          f"{size_usual:.1f} MB ({size_usual / size_ours:.0f} x), {built_usual:.1f} s "
          f"({built_usual / built_ours:.0f} x), {first_usual:.0f} ms ({first_usual / first_ours:.0f} x)")
    assert size_usual > 8 * size_ours
    assert first_usual > 3 * first_ours
