"""The map page as text: no data outside the block, nothing from any host, scripts named by their hash."""

from __future__ import annotations

import base64
import gzip
import hashlib
import json
import re
from pathlib import Path

import pytest
from invented_results import HOSTILE, NEVER, results, with_past

from riskmap.common import tables
from riskmap.common import wording as common_wording
from riskmap.outputs import words
from riskmap.outputs.map import data_block, page_build, web_map
from riskmap.outputs.map.change_layer import ChangeSince

ASSETS = Path(page_build.ASSETS)
VENDOR = ASSETS / page_build.VENDOR


@pytest.fixture(scope="module")
def page() -> str:
    return web_map.page(results(), "us")


def header(page: str) -> dict:
    block = re.search(r'id="data">([^<]*)<', page)
    assert block
    raw = gzip.decompress(base64.b64decode(block.group(1)))
    return json.loads(raw[4 : 4 + int.from_bytes(raw[:4], "little")])


def test_vendored_files_are_what_was_published() -> None:
    listed = dict(reversed(line.split()) for line in (VENDOR / "SHA256SUMS").read_text().splitlines())
    assert {*listed, "SHA256SUMS"} == {p.name for p in VENDOR.iterdir()}
    assert {p.suffix for p in ASSETS.rglob("*") if p.is_file() and VENDOR not in p.parents} == {".js", ".css", ".html"}
    for name, digest in listed.items():
        assert hashlib.sha256((VENDOR / name).read_bytes()).hexdigest() == digest
    # leaflet 1.9.4 of the npm registry, dist/leaflet.js (computed from the published archive)
    assert listed["leaflet.js"] == "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a"


def test_no_data_reached_the_page_outside_the_block(page: str) -> None:
    assert NEVER not in page
    title = "<title>Inventéd &lt;town&gt; {{31337*94011}}: expected movement</title>"  # escaped, never rendered
    assert page.count(title) == 1
    for text in HOSTILE:
        if len(text) > 6 and text.strip().isascii():
            assert text not in page.replace(title, ""), text


def test_texts_are_whole_inside_the_block(page: str) -> None:
    head = header(page)
    assert set(HOSTILE) - {"000123", "=1+1", "'=1+1", "+1", "-1", "\t=1", "1E5"} <= set(head["heads"])
    assert head["about"]["area"] == results().area_name
    assert NEVER not in json.dumps(head)


def test_no_address_is_loaded(page: str) -> None:
    assert not re.search(r"<(script|img|iframe|object|embed|audio|video)\b[^>]*\bsrc\s*=", page.split("<script>")[0])
    assert "<link" not in page
    assert not re.search(r"@import|url\((?!#|data:font/woff2;base64,)", page)  # the fonts are in the page
    assert "sourceMappingURL" not in page


def test_only_our_scripts_may_run(page: str) -> None:
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', page)
    assert policy
    rules = dict(rule.strip().split(" ", 1) for rule in policy.group(1).split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    assert "connect-src" not in rules  # falls back to none
    assert "unsafe" not in rules["script-src"]
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.S)
    hashes = {f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in scripts}
    assert set(rules["script-src"].split()) == hashes
    assert page.index("Content-Security-Policy") < page.index("<script")


def test_own_script_makes_nodes_from_text_only() -> None:
    script = page_build.script("map")
    for way in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "Function(", "bindPopup",
                "bindTooltip", "DOMParser", "createContextualFragment", "XMLHttpRequest", "fetch(", "console."):
        assert way not in script, way
    assert re.search(r"createTile\(coords\)", script)  # a second parameter leaves the map blank


def test_language_zoom_and_names(page: str) -> None:
    assert '<html lang="en">' in page
    assert "user-scalable" not in page
    assert page.count("<title>") == 1
    for control in ("layer", "search", "order"):
        assert f'<label for="{control}">' in page
    assert 'aria-live="polite"' in page


def test_same_results_same_page(page: str) -> None:
    assert web_map.page(results(), "us") == page


def test_cautions_stand_in_the_block(page: str) -> None:
    said = header(page)["about"]["cautions"]
    assert said["main"] == common_wording.CAUTION
    assert said["standing"] == common_wording.STANDING
    assert said["not_low"] == "No estimate does not mean low movement."
    assert "mapped at 1:24,000. A real soil boundary may be up to {width} from the line" in said["soil"]
    assert header(page)["about"]["soil"]["width_m"] == pytest.approx(80 * 0.3048)


def test_no_scale_no_soil_caution() -> None:
    from dataclasses import replace

    assert web_map.about(replace(results(), soil_scale=None), "si")["cautions"]["soil"] == ""


def test_words_avoided_on_the_page(page: str) -> None:
    text = (page_build.asset("map/page.html") + page_build.script("map")
            + json.dumps(header(page)["about"])).lower()
    for word in ("risk score", "certified", "report card", "grade", "dial", "traffic"):
        assert word not in text, word


def test_every_code_of_the_model_has_words() -> None:
    assert set(words.WEATHER_SOURCE) == set(tables.WEATHER_SOURCES.values())
    meaning = tables.ESTIMATE.column("phase").meaning
    assert all(code in meaning for code in words.PHASE)
    assert all(code in tables.ESTIMATE.column("direction").meaning for code in words.DIRECTION)
    assert all(code in tables.ESTIMATE.column("pour_date_basis").meaning for code in words.POUR_BASIS)
    assert words.flag_sentences(["a_new_flag"]) == {"a_new_flag": "a new flag"}


def test_every_column_of_the_block_is_in_the_table() -> None:
    names = {c.name for c in tables.ESTIMATE.columns}
    assert set(data_block.OWN_STEPS) | set(data_block.SHARED_STEPS) | set(data_block.SHARED_TEXTS) <= names


def test_a_base_map_adds_its_host_and_nothing_else(page: str) -> None:
    base = web_map.Basemap("https://tiles.example.org/a/{z}/{x}/{y}.png?v=1", "© <b>makers</b>", 18)
    made = web_map.page(results(), basemap=base)
    policy = re.compile(r'http-equiv="Content-Security-Policy" content="([^"]*)"')
    with_it, without = policy.findall(made)[0], policy.findall(page)[0]
    assert with_it == without.replace("img-src data:", "img-src data: https://tiles.example.org")
    assert header(made)["about"]["basemap"]["host"] == "tiles.example.org"
    assert "<b>makers</b>" not in made
    assert header(page)["about"]["basemap"] is None


@pytest.mark.parametrize("url", [
    "http://tiles.example.org/{z}/{x}/{y}.png", "https://tiles.example.org/{z}/{x}.png", "https:///{z}/{x}/{y}",
    "https://{s}.example.org/{z}/{x}/{y}", "https://a.example.org; script-src *//{z}/{x}/{y}", "javascript:{z}{x}{y}",
    "https://user@example.org/{z}/{x}/{y}", "https://*.example.org/{z}/{x}/{y}", "https://-a.org/{z}/{x}/{y}",
    "https://example.org/{z}/{x}/{y}/{z}", "https://example.org/{z}/{x}/{y}\"><script>", "https://exämple.org/{z}/{x}/{y}",
    "https://example.org/{z}/{x}/{y}\n", "//example.org/{z}/{x}/{y}", "",
])
def test_an_address_that_is_no_plain_host_is_refused(url: str) -> None:
    with pytest.raises(ValueError, match="base map"):
        web_map.Basemap(url, "credit")


@pytest.mark.parametrize(("credit", "zoom"), [("", 10), (" ", None), ("x", 99), ("x", -1)])
def test_a_base_map_needs_a_credit_and_a_possible_zoom(credit: str, zoom: int | None) -> None:
    with pytest.raises(ValueError, match="base map"):
        web_map.Basemap("https://example.org/{z}/{x}/{y}", credit, zoom)


def test_change_layer_only_when_given(page: str) -> None:
    import pandas as pd

    assert "change" not in header(page)["about"]["scales"]
    changes = pd.DataFrame({"now": [1.0] * 60, "expected": [0.0] * 60})
    made = header(web_map.page(results(), change=ChangeSince.of(changes, "May 2025", "October 2025")))["about"]
    assert made["scales"]["change"]["column"] == "change_of_now_mm"
    names = list(made["scales"])
    assert names.index("change_expected") == names.index("change") + 1, "bending now comes first"
    assert made["change"] == {"before": "May 2025", "after": "October 2025", "why": "",
                              "moved": {"up": "60", "down": "0", "middle": 1.0}}


def test_parts_are_short_and_the_doubt_is_the_one_of_the_caution(page: str) -> None:
    for one in page_build.modules("map/main.js"):
        assert len(page_build.asset(one.name).splitlines()) < 500, one.name
    soil = header(page)["about"]["soil"]
    assert soil["scale"] == 24000
    assert soil["width_m"] == pytest.approx(80 * 0.3048)


def test_why_past_weeks_are_not_shown_and_the_newest_map() -> None:
    from dataclasses import replace

    import pandas as pd

    whole = with_past(results())
    told = web_map.about(whole, "us")
    assert told["no_past_weeks"] == ""
    assert "Newest weekly drought map: 28 October 2025." in told["lines"]
    assert told["scales"]["drought"]["note"] == "Weekly category of the newest map, 2025-10-28"
    bare = whole.lots.assign(drought_category="", drought_valid_date="")
    none = pd.DataFrame({"cell_id": [], "valid_date": [], "category": []})
    without = web_map.about(replace(whole, lots=bare, drought_weeks=none, drought_shapes=None), "us")
    assert without["no_past_weeks"] == "Past weeks cannot be shown: there are no weekly drought maps in this run."
    assert without["scales"]["drought"]["missing"] == "not known (no weekly map covers these lots)"
    assert not any("drought" in line for line in without["lines"])
    dry_nowhere = web_map.about(replace(whole, drought_shapes=whole.drought_shapes.iloc[:0]), "us")["no_past_weeks"]
    assert dry_nowhere == ("Past weeks are not drawn: no weekly map of the months shown (2023-11 to 2025-10) has a "
                           "drought category near these lots.")
    assert web_map.about(results(), "us")["no_past_weeks"] == (
        "Past weeks cannot be shown: past months were not computed in this run.")


def test_what_both_pages_do_stands_in_the_files_of_both() -> None:
    def names(page: str) -> set[str]:
        return {one.name for one in page_build.modules(f"{page}/main.js")}

    def runs(page: str) -> set[str]:
        lines = [line.strip() for one in page_build.modules(f"{page}/main.js") if not one.name.startswith("shared/")
                 for line in one.text.splitlines()]
        return {"\n".join(lines[k : k + 6]) for k in range(len(lines) - 5)}

    shared = {f"shared/{path.name}" for path in (ASSETS / "shared").glob("*.js")}
    assert len(shared) == 10
    assert names("map") & names("county") == shared
    assert min(len(runs("map")), len(runs("county"))) > 300
    assert runs("map") & runs("county") == set()
