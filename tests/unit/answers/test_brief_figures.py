"""The figures of the brief: tags and alternative texts, geometry, units, order of stops, and what has no estimate."""

from __future__ import annotations

import io
import re
from collections import Counter
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pypdf
import pytest
from hostile_texts import NEVER, TEXTS
from invented_results import GROWTH, results, with_growth, with_past
from shapely.geometry import LineString, Point, box

from riskmap.answers.brief import charts, content, figures, observations, pdf, plan, stops
from riskmap.answers.brief import visits as briefing
from riskmap.common import tables
from riskmap.common.errors import LayerError, visible
from riskmap.common.results import Results
from riskmap.movement.shape_now import Shape
from riskmap.outputs import dates, drawing, palette, section_words, telling, waterfall, waterfall_figure
from riskmap.outputs.map import page_build

ABOUT = {"run": "made-up_20251001T000000Z", "manifest": "0123456789ab"}
HEAD = {"title": "lots", "year": 2025, "month": 10}
X = np.linspace(0, 1, 9)
LINES = np.column_stack([X, *[k * (1 - X**2) - g * X for k, g in ((10, 30), (20, 20), (40, 5))],
                         *[k * (1 - X**2) for k in (10, 20, 40)]])
SHAPE = Shape(LINES, np.column_stack([5 * X, 20 * X, 30 * X]), np.array([20.0, 40.0, 60.0]))
METRES_A_DEGREE = 2 * np.pi * 6_371_008.8 / 360


@pytest.fixture(scope="module")
def found() -> Results:
    made = with_growth(with_past(results(80)))
    assert made.inputs is not None
    profile = made.inputs.profile.assign(component_name="Ombrey")
    return replace(made, inputs=replace(made.inputs, profile=profile))


def numbered(found: Results, k: int = 0) -> int:
    return int(found.lots.index[found.lots["state"] == ""][k])


def page_of(found: Results, row: int, system: str = "us", **other: Any) -> dict[str, Any]:
    return content.lot_page(found, row, system, SHAPE, ABOUT, **other)


# ---------------------------------------------------------------- tags
def tags(made: bytes) -> tuple[Counter[str], list[str], Any]:
    """Return how often each tag is in the structure tree, the alternative texts of figures, and the catalogue."""
    catalogue = pypdf.PdfReader(io.BytesIO(made)).trailer["/Root"]
    names: Counter[str] = Counter()
    alts: list[str] = []

    def walk(node: Any) -> None:
        node = node.get_object() if hasattr(node, "get_object") else node
        if isinstance(node, list):
            for one in node:
                walk(one)
        elif isinstance(node, dict):
            if "/S" in node:
                names[str(node["/S"])] += 1
                if node["/S"] == "/Figure":
                    alts.append(str(node.get("/Alt", "")))
            if "/K" in node:
                walk(node["/K"])

    walk(catalogue["/StructTreeRoot"])
    return names, alts, catalogue


def test_a_pdf_has_tags_headings_tables_and_figures_with_alternative_texts(found: Results) -> None:
    rows = [numbered(found, k) for k in (0, 1)]
    state = int(found.lots.index[found.lots["state"] == "not_enough_data"][0])
    lost = content.missing_page({"lot_id": "nope"}, "unmatched", "not there", found, ABOUT)
    made = pdf.compiled("page.typ", {**HEAD, "pages": [*(page_of(found, row) for row in rows), page_of(found, state),
                                                       lost]}, "letter")[0]
    names, alts, catalogue = tags(made)
    assert catalogue["/Lang"] == "en"
    assert catalogue["/MarkInfo"]["/Marked"]
    assert names["/H1"] == 4
    assert names["/H2"] >= 2 * 7 + 2 * 3
    assert names["/Table"] >= 2 * 2 + 1
    assert names["/TH"] == 2 * names["/Table"]
    # bar, plan, waterfall, section, growth or not, drought, readings; without an estimate plan, drought, readings
    assert names["/Figure"] == len(alts) >= 2 * 6 + 3 + 1
    assert all(alts)
    assert sum("Section across the house" in alt for alt in alts) == 2
    assert sum("From the typical lot to this lot" in alt for alt in alts) == 2
    assert sum("Plan with north up" in alt for alt in alts) == 3
    assert sum("empty grid for level readings" in alt for alt in alts) == 4
    assert b"pdfuaid" in made  # the standard that it declares


def test_the_summary_has_tags_too(found: Results, tmp_path: Path) -> None:
    ids = found.lots.loc[found.lots["state"] == "", "lot_id"].iloc[-3:].tolist()
    visits = briefing.page_list(found, ids, None, None)
    papers = briefing.papers(replace(found, inputs=None), visits, "us", ABOUT)
    names, alts, _ = tags(pdf.compiled("area.typ", {**papers.head, "area": papers.summary}, "a4")[0])
    assert names["/H1"] == 1
    assert names["/H2"] >= 3
    assert names["/Table"] >= 3
    assert names["/TH"] >= 3 * 2
    assert [alt[:9] for alt in alts] == ["Histogram", "Map of 3 "]


# ---------------------------------------------------------------- one number, one sentence
def test_the_one_number_is_that_of_the_run_with_its_range(found: Results) -> None:
    row = numbered(found)
    lots = found.lots.copy()
    lots.loc[row, [f"expected_movement_mm{end}" for end in ("", "_p10", "_p90")]] = [43.2, 20.3, 66.0]
    lots.loc[row, "direction"] = "center_lift"
    us, si = (page_of(replace(found, lots=lots), row, system)["number"] for system in ("us", "si"))
    assert (us["figure"], us["by"], us["range"]) == ("1.7 in", "largest bending from now to October 2026",
                                                     "80 % of the model runs: 0.8 to 2.6 in")
    assert (si["figure"], si["range"]) == ("44 mm", "80 % of the model runs: 20 to 66 mm")
    assert us["calibrated"] == ""
    lots.loc[row, "direction"] = "near_level"
    assert page_of(replace(found, lots=lots), row)["number"]["by"] == us["by"] + ", either way"
    wide = lots.assign(**{f"calibrated_{name}{end}": 50.8 for name in tables.CALIBRATED_NUMBERS
                          for end in ("", "_p10", "_p90")})
    told = page_of(replace(found, lots=wide), row)["number"]
    assert told["figure"] == "2.0 in"
    assert told["calibrated"] == "calibrated (1.7 in as modelled)"


@pytest.mark.parametrize(("parts", "told"), [
    ({"typical_lot": 12.0, "soil": 18.0, "weather": 4.0, "slab": -2.0, "gaps": 2.0},
     "More than the typical lot here (12 mm), mostly because of more expansive soil (+18.0 mm) and weather up to today "
     "(+4.0 mm)."),
    ({"typical_lot": 20.0, "soil": -9.0, "weather": 2.0, "gaps": -1.0},
     "Less than the typical lot here (20 mm), mostly because of less expansive soil (−9.0 mm)."),
    ({"typical_lot": 12.0, "soil": 9.0, "slab": -8.5},
     "About as much as the typical lot here (12 mm): more expansive soil (+9.0 mm) and a slab that bends less (−8.5 "
     "mm) and other differences set each other off."),
    ({"typical_lot": 12.0, "gaps": 5.0}, "More than the typical lot here (12 mm)."),  # a gap in the data is no reason
    ({"typical_lot": 12.0}, "About as much as the typical lot here (12 mm)."),
])
def test_one_sentence_says_why(parts: dict[str, float], told: str) -> None:
    assert waterfall.why(waterfall.steps(line_of(**parts)), "si") == told


def line_of(typical_lot: float, **parts: float) -> dict[str, float]:
    every = {name: parts.get(name, 0.0) for name in ("soil", "age", "weather", "slab", "gaps")}
    return {"typical_lot_mm": typical_lot, "expected_movement_mm": typical_lot + sum(every.values()),
            **{f"part_{name}_mm": value for name, value in every.items()}}


# ---------------------------------------------------------------- waterfall
STEPS = waterfall.steps(line_of(12.34, soil=18.44, weather=2.9, slab=-1.7, age=0.3, gaps=-4.1))


def edges(path: drawing.Path) -> tuple[float, float]:
    x = [point[0] for point in path.points]
    return min(x), max(x)


def test_bars_of_the_waterfall_add_up_before_rounding() -> None:
    bars = waterfall_figure.spans(STEPS)
    assert bars[0] == (0.0, 12.34)
    assert bars[-1][1] == pytest.approx(bars[-2][1])  # the last part ends where this lot ends
    for step, (first, last) in zip(STEPS[1:-1], bars[1:-1], strict=True):
        assert last - first == pytest.approx(step.mm)
    assert all(after[0] == before[1] for before, after in pairwise(bars[:-1]))


@pytest.mark.parametrize("system", ["us", "si"])
def test_the_waterfall_is_drawn_to_one_scale_in_one_unit(system: str) -> None:
    made = waterfall_figure.drawn(STEPS, system, 92.0, 2.5)
    bars = waterfall_figure.spans(STEPS)
    (typical,), (lot,), (gaps,) = (made.paths(name) for name in ("typical", "lot", "gaps"))
    zero = made.paths("zero")[0].points[0][0]
    per_mm = (edges(typical)[1] - zero) / 12.34
    assert edges(lot) == pytest.approx((zero, zero + per_mm * bars[-1][1]))
    assert edges(gaps) == pytest.approx(sorted(zero + per_mm * one for one in bars[-2]))
    reasons = [*made.paths("reason"), *made.paths("small")]
    assert [edges(one)[1] - edges(one)[0] for one in reasons] == \
        pytest.approx([per_mm * abs(step.mm) for step in STEPS if step.kind in ("reason", "small")])
    assert [one.fill for one in made.paths("reason")] == [palette.MORE, palette.MORE, palette.LESS]
    assert gaps.fill == ""
    assert len(made.paths("gaps_hatch")) > 1
    assert lot.fill == palette.SIZE[3]
    assert [step.kind for step in STEPS][-2:] == ["gaps", "lot"]
    unit = "in" if system == "us" else "mm"
    values = [text for step in STEPS for text in made.texts(f"{step.kind}_value")]
    assert all(text.endswith(f" {unit}") for text in values)
    assert made.texts("gaps_value") == ["−0.16 in" if system == "us" else "−4.1 mm"]
    for part in made.parts:
        points = part.points if isinstance(part, drawing.Path) else ((part.x, part.y),)
        assert all(-1e-6 <= x <= 92.0 and -1e-6 <= y <= made.height for x, y in points)


def test_links_join_the_end_of_a_bar_with_the_start_of_the_next() -> None:
    made = waterfall_figure.drawn(STEPS, "si", 92.0, 2.5)
    links = made.paths("link")
    assert len(links) == len(STEPS) - 1
    zero = made.paths("zero")[0].points[0][0]
    per_mm = (edges(made.paths("typical")[0])[1] - zero) / 12.34
    for link, (_, last) in zip(links, waterfall_figure.spans(STEPS), strict=False):
        assert [x for x, _ in link.points] == pytest.approx([zero + per_mm * last] * 2)


def test_a_waterfall_of_nothing_and_below_zero_is_drawn() -> None:
    nothing = waterfall_figure.drawn(waterfall.steps(line_of(0.0)), "us", 92.0, 2.5)
    assert nothing.texts("lot_value") == ["0.00 in"]
    below = waterfall.steps(line_of(5.0, soil=-20.0, slab=19.0))
    made = waterfall_figure.drawn(below, "si", 92.0, 2.5)
    assert edges(made.paths("reason")[0])[0] < made.paths("zero")[0].points[0][0]


# ---------------------------------------------------------------- bar, drought, growth
def test_the_bar_has_the_classes_of_a_size_and_the_range_below() -> None:
    made = charts.estimate_bar(20.0, 43.0, 66.0, 89.0, "us", 122.0, 2.5)
    classes = made.paths("class")
    assert [one.fill for one in classes] == list(palette.SIZE)
    low, high = edges(classes[0])[0], edges(classes[-1])[1]

    def at(mm: float) -> float:
        return low + (high - low) * mm / 89.0

    assert edges(classes[3]) == pytest.approx((at(20.0), at(35.0)))
    assert edges(made.paths("range")[0]) == pytest.approx((at(20.0), at(66.0)))
    assert made.paths("value")[-1].points[0][0] == pytest.approx(at(43.0))
    assert made.texts("axis") == ["0.0", "0.2", "0.4", "0.8", "1.4", "2.0", "3.0", "3.5 in"]
    assert charts.estimate_bar(20.0, 43.0, 66.0, 90.0, "si", 122.0, 2.5).texts("axis") == \
        ["0", "5", "10", "20", "35", "50", "75", "90 mm"]
    assert charts.estimate_bar(1.0, 2.0, 3.0, 4.0, "si", 122.0, 2.5).texts("axis")[-1] == "50 mm"
    over = charts.estimate_bar(1.0, 200.0, 300.0, 89.0, "si", 122.0, 2.5)
    assert over.paths("value")[-1].points[0][0] == pytest.approx(high)  # never outside


def test_the_drought_strip_names_the_driest_and_the_wettest_month_in_words(found: Results) -> None:
    values = figures.strip(found, "Z01", "1990-01")
    made = charts.strip(values, 58.0, 16.0, 2.5)
    assert made is not None
    bars = [value for value in values["bars"] if value is not None]
    assert len(made.paths("wet")) + len(made.paths("dry")) == len(bars)
    assert {one.fill for one in made.paths("wet")} == {palette.WET}
    assert len(made.texts("turn")) == 2
    assert all(re.fullmatch(r"[A-Z][a-z]+ \d{4} [+−]\d\.\d", text) for text in made.texts("turn"))
    assert made.texts("from") == ["January 1990"]
    assert made.texts("to") == ["October 2025"]
    assert charts.strip({"bars": []}, 58.0, 16.0, 2.5) is None


def test_the_ground_since_the_pour_says_what_the_map_says(found: Results) -> None:
    dated = found.lots.assign(pour_date_basis=np.where(found.lots["state"] == "", "year", ""))
    found = replace(found, lots=dated)
    assert found.inputs is not None
    told = {}
    for archetype in range(len(GROWTH)):
        row = int(np.flatnonzero(found.inputs.lot_archetype == archetype)[0])
        told[archetype] = charts.growth(found, row, "us", 58.0, 20.0, 2.5)
    assert told[0][1].startswith("From the pour to December 2024 the middle of the ground rose 2.4 in; it had reached "
                                 "90 % of that by December ")
    assert told[2][1] == "From the pour to December 2024 the middle of the ground fell 0.8 in."
    assert told[3][1] == "In December 2024 the middle of the ground was as high as at the pour."
    assert told[4] == (None, "No curve is drawn yet, because no December has passed since the pour.")
    made = told[0][0]
    assert made is not None
    (middle,), (edge,) = made.paths("middle"), made.paths("edge")
    assert len(middle.points) == len(edge.points) == 35
    assert middle.points[-1][1] < middle.points[0][1]  # up is up
    assert made.texts("year") == ["1990", "2024"]
    row = int(np.flatnonzero(found.inputs.lot_archetype == 0)[0])
    unknown = replace(found, lots=dated.assign(pour_date_basis="none"))
    assert charts.growth(unknown, row, "us", 58.0, 20.0, 2.5)[1].endswith("because the pour date is not known.")
    assert charts.growth(replace(found, growth=None), row, "us", 58.0, 20.0, 2.5)[0] is None
    script = (page_build.ASSETS / "shared" / "growth.js").read_text(encoding="utf-8")
    assert f"const REACHED = {charts.REACHED};" in script


# ---------------------------------------------------------------- section
def test_the_section_states_the_bending_of_the_run_and_the_gap_of_the_model_runs(found: Results) -> None:
    row = numbered(found)
    lots = found.lots.copy()
    lots.loc[row, ["bend_now_mm", "slab_width_m"]] = [76.2, 12.0]
    gap = [f"edge_gap_now_mm{end}" for end in ("_p10", "", "_p90")]
    lots.loc[row, gap] = np.nan
    assert figures.section_facts(replace(found, lots=lots), row, SHAPE).gap_edge_mm == (5.0, 20.0, 30.0)
    lots.loc[row, gap] = [5.0, 21.0, 31.0]  # of all model runs, as on the map
    facts = figures.section_facts(replace(found, lots=lots), row, SHAPE)
    assert facts.width_m == 12.0
    assert facts.stated_mm == 76.2
    assert facts.slab_mm == tuple(LINES[:, 5])
    assert facts.gap_edge_mm == (5.0, 21.0, 31.0)
    assert facts.ground_range_mm == (20.0, 40.0, 60.0)
    assert section_words.gap_place(facts) == "edge"
    page = page_of(replace(found, lots=lots), row)
    texts = [part["text"] for part in page["section"]["drawing"]["parts"] if "text" in part]
    assert "+3.0 in" in texts
    assert "0.8 in (0.2 to 1.2)" in texts
    assert "1–20 in: 0.5 %" not in texts  # that layer ends at 50 cm, from the surface on
    assert "0–20 in: 0.5 %" in texts
    assert page["section"]["note"].endswith(
        "Ombrey, the main soil of this lot (100% of it), is surveyed to 1.6 ft; below that, layers are assumed.")
    bare = figures.section_facts(replace(found, lots=lots, inputs=None), row, LINES)
    assert bare.layers == ()
    assert bare.gap_mm == ()


def test_sections_of_a_brief_share_their_stretch(found: Results) -> None:
    shared = figures.scales(found.lots, [LINES, LINES * np.array([1, *[5] * 6])], "us")
    assert shared.times < figures.scales(found.lots, [LINES], "us").times == 20
    for row in (numbered(found, 0), numbered(found, 1)):
        page = page_of(found, row, scales=shared)
        assert f"drawn {shared.times} times too tall" in page["section"]["note"]


# ---------------------------------------------------------------- plan
def town(*shapes: Any, **other: Any) -> Results:
    made = results(60)
    lots = made.lots.iloc[: len(shapes)].copy().set_geometry(gpd.GeoSeries(list(shapes), crs="EPSG:4326"))
    return replace(made, lots=lots.reset_index(drop=True), **other)


def test_a_plan_is_to_scale_with_north_up() -> None:
    lot, east, north = (box(-98.0 + dx, 32.0 + dy, -98.0 + dx + 4e-4, 32.0 + dy + 3e-4)
                        for dx, dy in ((0, 0), (5e-4, 0), (0, 4e-4)))
    found = town(lot, east, north)
    made = plan.of_lot(found, 0, "si", 52.0, 2.5)
    assert made is not None
    (own,) = made.paths("lot")
    (bar,) = made.paths("scale")
    metres = float(re.sub(r"\D", "", made.texts("scale")[0]))
    per_m = (bar.points[1][0] - bar.points[0][0]) / metres
    x, y = ([point[k] for point in own.points] for k in (0, 1))
    assert (max(x) - min(x)) / per_m == pytest.approx(4e-4 * METRES_A_DEGREE * np.cos(np.radians(32.0)), rel=5e-3)
    assert (max(y) - min(y)) / per_m == pytest.approx(3e-4 * METRES_A_DEGREE, rel=5e-3)
    assert (max(x) + min(x)) / 2 == pytest.approx(26.0)
    right, up = made.paths("neighbour")
    assert min(point[0] for point in right.points) > max(x)
    assert max(point[1] for point in up.points) < min(y)
    assert "2 neighbours" in made.alt
    for path in made.parts:
        if isinstance(path, drawing.Path):
            assert all(-0.5 <= px <= 52.5 and -0.5 <= py <= 52.5 for px, py in path.points)
    assert plan.of_lot(found, 0, "us", 52.0, 2.5).texts("scale")[0].endswith(" ft")  # type: ignore[union-attr]


def test_a_plan_of_a_point_and_of_nothing() -> None:
    found = town(Point(-98.0, 32.0), box(-98.0002, 32.0, -97.9999, 32.0002), None)
    made = plan.of_lot(found, 0, "us", 52.0, 2.5)
    assert made is not None
    assert len(made.paths("lot")) == 1
    assert plan.of_lot(found, 2, "us", 52.0, 2.5) is None
    page = content.lot_page(found, 2, "us", None, ABOUT)
    assert page["plan"] == {}
    assert page["no_plan"] == plan.NO_SHAPE


def test_streets_and_soil_boundaries_are_drawn_where_they_are_near() -> None:
    lot = box(-98.0, 32.0, -97.9996, 32.0003)
    streets = gpd.GeoDataFrame({"layer": "Roads", "kind": "line", "label": ["<b>Elm & Oak</b>", "Far Road"]},
                               geometry=[LineString([(-98.01, 31.9999), (-97.99, 31.9999)]),
                                         LineString([(-98.01, 32.2), (-97.99, 32.2)])], crs="EPSG:4326")
    lines = gpd.GeoDataFrame({"map_unit_name_left": ["a"], "map_unit_name_right": ["b"]},
                             geometry=[LineString([(-97.9998, 31.99), (-97.9998, 32.01)])], crs="EPSG:4326")
    made = plan.of_lot(town(lot, context=streets, soil_lines=lines), 0, "us", 52.0, 2.5)
    assert made is not None
    assert made.texts("name") == ["<b>Elm & Oak</b>"]
    assert made.paths("band")
    assert "hatched band" in made.alt
    reach = [point[0] for path in made.paths("band") for point in path.points]
    (bar,) = made.paths("scale")
    per_m = (bar.points[1][0] - bar.points[0][0]) / (float(re.sub(r"\D", "", made.texts("scale")[0])) * 0.3048)
    assert (max(reach) - min(reach)) / per_m == pytest.approx(2 * 80 * 0.3048, rel=0.03)  # 1:24,000: 80 ft either side
    alone = plan.of_lot(town(lot, soil_lines=lines.iloc[:0], context=streets.iloc[1:]), 0, "us", 52.0, 2.5)
    assert alone is not None
    assert alone.paths("band") == alone.paths("context") == []


def test_hostile_names_of_streets_are_only_text() -> None:
    lot = box(-98.0, 32.0, -97.9996, 32.0003)
    for some in (TEXTS[k: k + 4] for k in range(0, len(TEXTS), 4)):
        streets = gpd.GeoDataFrame({"layer": "Roads", "kind": "line", "label": list(some)}, geometry=[
            LineString([(-98.01, 31.9999 + 1e-4 * k), (-97.99, 31.9999 + 1e-4 * k)]) for k in range(len(some))],
            crs="EPSG:4326")
        page = content.lot_page(town(lot, context=streets), 0, "us", None, ABOUT)
        made = pdf.compiled("page.typ", {**HEAD, "pages": [page]}, "letter")[0]
        assert len(pypdf.PdfReader(io.BytesIO(made)).pages) == 1
        assert NEVER not in pypdf.PdfReader(io.BytesIO(made)).pages[0].extract_text()


# ---------------------------------------------------------------- checklist, states, ids
def test_the_checklist_has_signs_for_and_against_with_sources_in_full() -> None:
    dome, dish, level, none = (observations.checklist(direction, "") for direction in
                               ("center_lift", "edge_lift", "near_level", ""))
    assert [one["signs"] for one in dome["lists"]] == [one["signs"] for one in dish["lists"]][::-1]
    assert dome["lists"][0]["head"] == "For what is expected: the edge is low (middle high)"
    assert dome["lists"][1]["head"] == "Against it: the edge is high"
    assert dome["note"] == dish["note"] == ""
    assert level["note"] == observations.OPEN
    assert none["note"] == observations.UNKNOWN
    for told in (dome, dish, level, none):
        assert len(told["lists"]) == 2
        for one in told["lists"]:
            assert len(one["signs"]) >= 3
            assert one["source"] in observations.SOURCES.values()
    for phase in tables.PHASES:
        (advice,) = observations.checklist("center_lift", phase)["readings"]
        assert any(source in advice for source in observations.SOURCES.values())


def test_every_state_keeps_the_sheet_and_says_what_would_give_an_estimate(found: Results) -> None:
    assert set(content.WOULD_GIVE) == set(tables.STATES)
    rows = [int(found.lots.index[found.lots["state"] == state][0]) for state in tables.STATES]
    made = pdf.compiled("page.typ", {**HEAD, "pages": [page_of(found, row) for row in rows]}, "letter")[0]
    reader = pypdf.PdfReader(io.BytesIO(made))
    assert len(reader.pages) == len(rows)
    for page, state in zip(reader.pages, tables.STATES, strict=True):
        text = re.sub(r"\s+", " ", page.extract_text())
        for words in ("No estimate ", "What would give an estimate", content.WOULD_GIVE[state], "Level readings",
                      "Observation aid", "Signs that the edge is high", "No estimate does not mean low movement"):
            assert words in text, (state, words)


def test_unknown_ids_are_refused_all_at_once(found: Results) -> None:
    known = str(found.lots["lot_id"].iloc[40])
    with pytest.raises(LayerError, match="E-BRF-004") as refusal:
        briefing.page_list(found, [known, "no such", known[:-1], "also \u202enone"], None, None)
    told = str(refusal.value)
    assert "no such" in told
    assert visible("also \u202enone") in told
    assert f"similar: {known[:-1]}" in told
    assert [one.row for one in briefing.page_list(found, [known], None, None)] == [40]


# ---------------------------------------------------------------- stops
@pytest.mark.parametrize(("text", "told"), [
    ("9:30", 570), ("09.05", 545), ("14h00", 840), ("2 pm", 840), ("12 am", 0), ("12:15 p.m.", 735), ("8", 480),
    ("24:00", None), ("13 pm", None), ("noon", None), ("", None), ("<b>11</b>", None), ("9:75", None)])
def test_an_hour_is_read_or_is_none(text: str, told: int | None) -> None:
    assert stops.minutes(text) == told


def asked(rows: list[int], name: str, values: list[str]) -> list[briefing.Visit]:
    return [briefing.Visit(row, {name: value}, "matched", "") for row, value in zip(rows, values, strict=True)]


def test_stops_follow_the_hours_of_the_list_then_its_order_then_the_place(found: Results) -> None:
    rows = [numbered(found, k) for k in (40, 41, 42, 43)]
    rounds = pd.DataFrame({"lot_row": [rows[2], rows[0], rows[3], rows[1]]})
    kind, some = stops.ordered(asked(rows, "hour", ["10:00", "noon", "9:00", "2 pm"]), rounds)
    assert (kind, [one.row for one in some]) == ("hour", [rows[2], rows[0], rows[3], rows[1]])
    kind, some = stops.ordered(asked(rows, "order", ["3", "x", "10", "1"]), rounds)
    assert (kind, [one.row for one in some]) == ("order", [rows[3], rows[0], rows[2], rows[1]])
    kind, some = stops.ordered([*asked([*rows, rows[0]], "remark", [""] * 5), briefing.Visit(-1, {}, "unmatched", "")],
                               rounds)
    assert (kind, [one.row for one in some]) == ("place", rounds["lot_row"].tolist())


def test_the_order_of_visits_has_numbers_distances_and_a_map(found: Results) -> None:
    rows = [numbered(found, k) for k in (40, 41)] + [int(found.lots.index[found.lots["state"] == "not_applicable"][0])]
    visits = [briefing.Visit(row, {"hour": hour, "address": "<i>5 Elm St</i>"}, "matched", "")
              for row, hour in zip(rows, ("11:00", "9:00", "10:00"), strict=True)]
    told = stops.page_values(found, visits, briefing.rounds(found, visits), "us")
    assert told["stop_heads"] == ["stop", "hour", "lot", "address", "from the stop before", "estimate"]
    assert [row[:3] for row in told["stops"]] == [
        ["1", "9:00", visible(str(found.lots["lot_id"].iloc[rows[1]]))],
        ["2", "10:00", visible(str(found.lots["lot_id"].iloc[rows[2]]))],
        ["3", "11:00", visible(str(found.lots["lot_id"].iloc[rows[0]]))]]
    assert told["stops"][0][4] == ""
    assert all(re.fullmatch(r"\d+ ft|\d+\.\d mi", row[4]) for row in told["stops"][1:])
    assert told["stops"][1][5] == "no estimate"
    numbers = [part["text"] for part in told["stops_map"]["parts"] if part.get("bold") and part["text"] != "N"]
    assert sorted(numbers) == ["1", "2", "3"]
    assert stops.page_values(found, [], briefing.rounds(found, []), "us") == stops.EMPTY


def test_distances_are_great_circles() -> None:
    degree = METRES_A_DEGREE
    assert stops.distance_m((-98.0, 32.0), (-98.0, 33.0)) == pytest.approx(degree)
    assert stops.distance_m((10.0, 0.0), (11.0, 0.0)) == pytest.approx(degree)
    assert stops.distance_m((10.0, 50.0), (10.0, 50.0)) == 0
    assert [stops.length(one, "us") for one in (30.48, 1609.344)] == ["100 ft", "1.0 mi"]
    assert [stops.length(one, "si") for one in (123.0, 1609.344)] == ["120 m", "1.6 km"]


def test_the_histogram_counts_every_lot_once() -> None:
    values = np.array([0.0, 4.9, 5.0, 12.0, 12.5, 49.0])
    soils = ["low", "low", "high", "very high", "", "very high"]
    made = charts.histogram(values, soils, "estimate", "si", 170.0, 48.0, 2.5)
    assert made is not None
    bars = made.paths("bar")
    assert len(bars) == 5  # bins 0-5 (two lots of one soil), 5-10, 10-15 (two soils), 45-50
    tall = [max(y for _, y in one.points) - min(y for _, y in one.points) for one in bars]
    assert sum(tall) / min(tall) == pytest.approx(6)
    assert made.texts("key") == ["low: 2", "high: 1", "very high: 2", "not known: 1"]
    assert made.texts("unit") == ["estimate, millimetres"]
    assert charts.histogram(np.array([]), [], "estimate", "si", 170.0, 48.0, 2.5) is None
    wide = charts.histogram(np.array([1.0, 900.0]), ["low", "low"], "estimate", "us", 170.0, 48.0, 2.5)
    assert wide is not None
    assert len(wide.paths("bar")) == 2


# ---------------------------------------------------------------- dates
def test_dates_are_in_words() -> None:
    assert dates.month("2013-10") == "October 2013"
    assert dates.day("2025-10-28") == "28 October 2025"
    assert dates.span("1961-01", "1961-12") == "1961"
    assert dates.span("1950-01", "1969-12") == "1950 to 1969"
    assert dates.span("1961-03", "1961-03") == "March 1961"
    assert dates.span("1961-01", "1962-11") == "January 1961 to November 1962"
    assert dates.span("?", "1961-12") == "? to December 1961"
    for text in ("2013-13", "{{x}}", "", "2025-10-28"):
        assert dates.month(text) == visible(text)
    assert dates.written_out("dry as in 2012-11 to 2013-10; map of 2025-10-28; run x-2025-10-1, 12013-10") == \
        "dry as in November 2012 to October 2013; map of 28 October 2025; run x-2025-10-1, 12013-10"


def test_a_pour_is_told_in_words(found: Results) -> None:
    row = numbered(found)
    lots = found.lots.copy()
    for basis, first, last, told in (("year", "1961-01", "1961-12", "1961, known to the year"),
                                     ("month", "1961-05", "1961-05", "May 1961, known to the month"),
                                     ("none", "1950-01", "2025-10", "not known; January 1950 to October 2025 assumed")):
        lots.loc[row, ["pour_date_basis", "pour_from", "pour_to"]] = [basis, first, last]
        page = page_of(replace(found, lots=lots), row)
        assert dict(page["facts"])["Pour"] == told
        caution = {"year": "Poured in 1961, month unknown.",
                   "none": "The pour date is not known: between January 1950 and October 2025."}.get(basis, "")
        assert page["doubts"][0].startswith(caution)
        # a month is no range: "between May 1961 and May 1961" says nothing
        assert any("between May 1961" in text for text in page["doubts"]) is False
    assert telling.month_name("1961-05") == "May 1961"
