"""The words of the brief: one scale, ranges of a lot, the place, cautions in order, dates only where they are known."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pypdf
import pytest
from defusedxml import ElementTree
from invented_results import results, with_past

from riskmap.answers.brief import content, figures, pages, pdf
from riskmap.answers.brief import visits as briefing
from riskmap.common.errors import LayerError
from riskmap.common.results import Results
from riskmap.outputs import drawing, telling, words
from riskmap.outputs.files import arrow_lots

ABOUT = {"run": "made-up_20251001T000000Z", "manifest": "0123456789ab"}
HEAD = {"title": "lots", "year": 2025, "month": 10}
MOUND = np.column_stack([np.linspace(0, 1, 9), *[k * (1 - np.linspace(0, 1, 9) ** 2) for k in (10, 20, 40, 5, 12, 25)]])


@pytest.fixture
def found() -> Results:
    return with_past(results(80))


def numbered(found: Results, k: int = 0) -> int:
    return int(found.lots.index[found.lots["state"] == ""][k])


def changed(found: Results, row: int, **values: object) -> Results:
    lots = found.lots.copy()
    for name, value in values.items():
        lots.loc[row, name] = value
    return replace(found, lots=lots)


def text_of(template: str, values: dict[str, Any], paper: str = "letter") -> str:
    reader = pypdf.PdfReader(io.BytesIO(pdf.compiled(template, {**HEAD, **values}, paper)[0]))
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages))


# ---------------------------------------------------------------- scales and drawings
def drawings(page: dict[str, Any], found: Results) -> list[Any]:
    area = content.area_page(found, "us", briefing.rounds(found, []), ABOUT)
    told = re.findall(r"<svg.*?</svg>", pages.document([page], area), flags=re.S)
    every = [ElementTree.fromstring(one) for one in told]  # any tag or attribute that is not well formed is an error
    return [one for one in every if "class" in one.attrib]  # the small arrows of the stops have none


def test_drawings_of_the_phone_page_are_strict_xml_with_six_curves_and_a_scale(found: Results) -> None:
    row = numbered(found)
    page = content.lot_page(found, row, "us", MOUND, ABOUT)
    drought, shape = drawings(page, found)
    curves = shape.findall("path")
    assert len(curves) == 6
    assert sum("stroke-dasharray" in curve.attrib for curve in curves) == 4
    assert [text.text for text in shape.findall("text")] == ["2.0 in", "0.0 in"]
    assert not any(list(curve) for curve in curves)
    assert len(drought.findall("rect")) == sum(bar is not None for bar in page["strip"]["bars"])


def test_one_scale_for_every_lot_of_a_brief(found: Results) -> None:
    largest, least = MOUND * np.array([1, 2, 2, 2, 2, 2, 2]), MOUND * np.array([1, -.2, .1, .1, .1, .1, .1])
    shared = figures.scales(found.lots, [largest, least], "us")
    told = [content.lot_page(found, numbered(found, k), "us", shape, ABOUT, scales=shared)
            for k, shape in enumerate((largest, least))]
    for page in told:
        assert page["bars"] == told[0]["bars"]
        assert (page["profile"]["high"], page["profile"]["low"]) == (3.5, -0.5)
    names = [f"{name}{end}" for name in telling.COLUMNS.values() for end in ("_p10", "_p90")]
    every = found.lots[names].to_numpy(float)
    assert shared.bars[1] >= np.nanmax(every)
    assert shared.bars[0] <= np.nanmin(every)
    for page in told:
        text = text_of("page.typ", {"pages": [page]})
        assert page["bars"]["high_text"] in text
        assert f"Bending is drawn {shared.times} times too tall" in text


def test_the_drawing_tells_the_number_of_the_run(found: Results) -> None:
    row = numbered(found)
    page = content.lot_page(changed(found, row, bend_now_mm=76.2, direction="center_lift"), row, "us", MOUND, ABOUT)
    (now,) = [answer["text"] for answer in page["answers"] if answer["label"] == "Now"]
    assert now.startswith("middle high by 3.0 in")
    assert "middle high by 3.0 in today" in page["profile"]["words"]


def test_what_does_not_fit_goes_to_a_second_page_and_is_not_cut(found: Results) -> None:
    page = content.lot_page(found, numbered(found), "us", MOUND, ABOUT)
    page["facts"] = [[f"Fact {k}", "some words about it"] for k in range(60)]
    reader = pypdf.PdfReader(io.BytesIO(pdf.compiled("page.typ", {**HEAD, "pages": [page]}, "letter")[0]))
    assert len(reader.pages) > 1
    assert "It does not replace a visit" in text_of("page.typ", {"pages": [page]})


def test_scales_of_nothing_are_a_step_wide(found: Results) -> None:
    nothing = figures.scales(found.lots.iloc[:0], [], "si")
    assert nothing.bars == nothing.heights == (0.0, 10.0)


def test_pages_of_a_brief_share_their_scales(found: Results) -> None:
    visits = [briefing.Visit(numbered(found, k), {}, "matched", "") for k in range(3)]
    assert len({str(page["bars"]) for page in briefing.pages(found, visits, "us", ABOUT)}) == 1


@pytest.mark.parametrize("wished", [[0.0, 0.01, 0.02], [0.9, 0.95, 0.96], [0.1, 0.5, 0.9], []])
def test_labels_never_overlap_nor_leave_the_figure(wished: list[float]) -> None:
    told = drawing.apart(np.array(wished), 0.13, 0.87)
    assert all(b - a >= 0.13 - 1e-6 for a, b in pairwise(told))
    assert all(0 <= x <= 0.87 for x in told)


def test_labels_of_thin_soil_layers_stand_apart() -> None:
    tops = [0.0, 0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4]
    layer = pd.DataFrame({"profile_id": 0, "top_m": tops, "bottom_m": [*tops[1:], 2.5], "lep_low_pct": 3.0,
                          "lep_pct": 6.0, "lep_high_pct": 9.0})
    inputs = SimpleNamespace(
        lot_archetype=np.zeros(80, dtype=int), layer=layer,
        archetype_profile=pd.DataFrame({"archetype_id": [0], "profile_id": [0], "weight": [1.0]}),
        profile=pd.DataFrame({"profile_id": [0], "component_name": ["Ombrey"], "rock_depth_m": [np.inf]}))
    told = figures.soil(replace(results(80), inputs=inputs), 0, "us")
    places = [entry[6] for entry in told["layers"]]
    assert len(places) == 9
    assert min(np.diff(places)) >= figures.SOIL_LINE_MM - 1e-3
    assert min(places) >= 0
    assert max(places) <= told["height_mm"] - figures.SOIL_LINE_MM + 1e-3
    assert told["layers"][0][5] == "0–2 in"
    assert told["others"] == ""


# ---------------------------------------------------------------- weather
def test_an_unknown_pour_starts_nothing_at_an_assumed_date(found: Results) -> None:
    row = numbered(found)
    known = content.lot_page(changed(found, row, pour_date_basis="year"), row, "us", None, ABOUT)
    unknown = content.lot_page(changed(found, row, pour_date_basis="none", pour_from="1950-01"), row, "us", None,
                               ABOUT)
    assert known["strip"]["title"] == "Drought since the pour"
    assert known["strip"]["from"] == "1990-01"
    assert unknown["strip"]["title"] == "Drought of the last 30 years (pour date not known)"
    assert unknown["strip"]["from"] == "1995-11"
    assert "1950 to 1990" in dict(unknown["facts"])["Pour"]
    assert "assumed" in dict(unknown["facts"])["Pour"]
    for text in (text_of("page.typ", {"pages": [unknown]}), pages.document([unknown], content.area_page(
            found, "us", briefing.rounds(found, []), ABOUT))):
        assert "Drought since the pour" not in text
        assert "2011-09" not in text  # the month of the dome
        assert "September 2011" not in text


def test_a_pour_before_the_record_and_a_range_are_told(found: Results) -> None:
    assert figures.strip(found, "Z01", "1950-01")["title"].startswith("Drought since March 1984, where the weather")
    assert figures.strip(found, "Z01", "1990-01", "range")["title"] == \
        "Drought since January 1990, the earliest pour date"


def test_weekly_maps_are_counted_and_none_is_no_drought(found: Results) -> None:
    weeks = pd.DataFrame({"cell_id": "Z01", "valid_date": ["2018-10-16", "2019-04-16"], "category": ["none", "None"]})
    told = figures.strip(replace(found, drought_weeks=weeks), "Z01", "1990-01")["weeks"]
    assert told == "2 weekly drought maps (16 October 2018 to 16 April 2019): no drought in most of this climate cell."
    told = figures.strip(replace(found, drought_weeks=weeks.iloc[:1]), "Z01", "1990-01")["weeks"]
    assert told.startswith("1 weekly drought map (16 October 2018): no drought in most of this climate cell")
    weeks["category"] = ["none", "D2"]
    made = replace(found, drought_weeks=weeks)
    assert "from no drought to D2, now D2 in" in figures.strip(made, "Z01", "1990-01")["weeks"]
    at_lot = words.drought_at_lot("D3", "2019-04-16")
    assert figures.strip(made, "Z01", "1990-01", at_lot=at_lot)["weeks"].endswith(
        "from no drought to D2, now D2 in most of this climate cell; D3 at the lot on 2019-04-16.")


@pytest.mark.parametrize(("months", "told"), [(1, "January 2025"), (8, "January to August 2025"),
                                              (12, "January to December 2025")])
def test_the_rain_of_the_year_is_told_by_name_and_unit(months: int, told: str, found: Results) -> None:
    month = [f"{year}-{m:02d}" for year in range(2000, 2026) for m in range(1, 13) if year < 2025 or m <= months]
    climate = pd.DataFrame({"cell_id": "Z01", "month": month, "precipitation_mm": 75.4, "pet_mm": 50.0})
    (us,), (si,) = (content.weather(replace(found, climate=climate), system) for system in ("us", "si"))
    assert us[1] == si[1] == told
    assert us[2] == f"{months:+.1f} in"
    assert si[2] == f"{25.4 * months:+.0f} mm"


# ---------------------------------------------------------------- words on the page
def test_every_caution_is_told_once_and_the_first_are_the_weightiest(found: Results) -> None:
    row = numbered(found)
    made = changed(found, row, pour_date_basis="none", neighbor_unit_share=0.0,
                   flags="horizon_gap;pour_before_record;pour_date_unknown;slab_size_assumed")
    page = content.lot_page(made, row, "us", None, ABOUT)
    told = page["doubts"]
    assert sum("pour date" in text.lower() for text in told) == 1
    assert "Slab size is not given" in told[1]
    assert told[-1].startswith("A gap between soil layers")
    for paper in ("letter", "a4"):
        text = text_of("page.typ", {"pages": [page]}, paper)
        assert all(sentence in text for sentence in told)
        assert "more caution" not in text


def test_a_pour_in_a_single_month_is_not_told_as_a_range(found: Results) -> None:
    row = int(found.lots.index[found.lots["state"] == ""][0])
    for late, told in (("1990-05", False), ("1990-07", True)):
        lots = found.lots.copy()
        lots.loc[row, ["pour_date_basis", "pour_from", "pour_to"]] = ["range", "1990-05", late]
        page = content.lot_page(replace(found, lots=lots), row, "us", None, ABOUT)
        assert any("between May 1990 and" in text for text in page["doubts"]) == told, late


def test_cautions_without_room_are_counted_and_their_file_is_named(found: Results) -> None:
    row = numbered(found)
    page = content.lot_page(found, row, "us", MOUND, ABOUT)
    page["doubts"] = [f"Caution number {k} with some words to fill a line of the column." for k in range(40)]
    text = text_of("page.typ", {"pages": [page]})
    shown = len(re.findall(r"Caution number", text))
    assert 3 < shown < 40
    assert f"{40 - shown} more cautions are in lots.html beside this file." in text
    assert "Caution number 0 " in text
    html = pages.document([page], content.area_page(found, "us", briefing.rounds(found, []), ABOUT))
    assert html.count("Caution number") == 40
    reader = pypdf.PdfReader(io.BytesIO(pdf.compiled("page.typ", {**HEAD, "pages": [page]}, "letter")[0]))
    assert len(reader.pages) == 1


def test_only_sources_in_use_are_listed_and_stay_on_a_line(found: Results) -> None:
    row = numbered(found)
    page = content.lot_page(changed(found, row, direction="center_lift", phase="edge_seasonal"), row, "us", None, ABOUT)
    assert page["look_sources"].startswith("[B] ")
    assert "[A]" not in page["look_sources"]
    assert "[C]" not in page["look_sources"]
    html = pages.document([page], content.area_page(found, "us", briefing.rounds(found, []), ABOUT))
    signs = [text for one in page["checklist"]["lists"] for text in one["signs"]]
    assert html.count('<input type="checkbox" name="sign') == len(signs) == 6
    assert all(f"<span>{text}</span>" in html for text in signs)
    assert all(f"<p class=s>{one['source']}</p>" in html for one in page["checklist"]["lists"])


def test_us_pages_hold_no_metre_but_in_sentences_that_give_both(found: Results) -> None:
    row = numbered(found)
    made = changed(found, row, flags="slab_size_assumed", slab_width_m=12.0)
    made = replace(made, facts={**made.facts, "reference_lot": "clay (linear extensibility 4.5 % to 1.5 m), slab 12 m "
                                                               "wide"})
    page = content.lot_page(made, row, "us", MOUND, ABOUT)
    assert dict(page["facts"])["Slab"].startswith("short side assumed 39 ft (12 m)")
    assert page["profile"]["width"] == "assumed 39 ft (12 m)"
    assert "39 ft wide" in page["typical_lot"]
    assert dict(page["facts"])["Edge, yearly swing"].endswith("in, ground at the slab edge")
    text = text_of("page.typ", {"pages": [page]})
    for told in ("slab 12 m", "1.5 m", "-0.00", "+0.00"):
        assert told not in text


def test_the_place_is_that_of_the_tables(found: Results) -> None:
    row = numbered(found)
    lon, lat = arrow_lots.points_inside(found.lots.geometry.iloc[[row]].to_numpy())
    page = content.lot_page(found, row, "us", None, ABOUT)
    assert page["place"] == f"{lat[0]:.5f}, {lon[0]:.5f}"
    assert page["place"] in text_of("page.typ", {"pages": [page]})
    nowhere = int(found.lots.index[found.lots.geometry.isna()][0])
    assert content.lot_page(found, nowhere, "us", None, ABOUT)["place"] == ""


# ---------------------------------------------------------------- lists
def listed(found: Results, place: Path, rows: list[list[str]], columns: dict[str, str] | None = None) \
        -> list[dict[str, Any]]:
    with (place / "v.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows(rows)
    visits = briefing.page_list(found, [], place / "v.csv", None, columns)
    return briefing.pages(found, visits, "us", ABOUT)


def test_remark_and_asked_id_are_on_the_page(found: Results, tmp_path: Path) -> None:
    made = replace(found, lots=found.lots.assign(lot_id=[f"14-{k:06d}" for k in range(len(found.lots))]))
    row = numbered(made, 40)
    hostile = "<b>gate</b> \u202eabc " + "x" * 400
    one, same, lost = listed(made, tmp_path, [["lot_id", "Remark"], [f"14{row:06d}", hostile],
                                              [f"14-{row:06d}", ""], ["99-1", "no such lot"]])
    assert one["note"] == f"Row 2 of the list, asked for as 14{row:06d}"
    assert same["note"] == "Row 3 of the list"
    assert len(one["remark"]) == content.REMARK_SHOWN
    assert "\u202e" not in one["remark"]
    assert lost["title"] == "Not found: 99-1"
    assert lost["id"] == "99-1"
    assert lost["note"] == "Row 4 of the list"
    assert lost["remark"] == "no such lot"
    text = text_of("page.typ", {"pages": [one, same, lost]})
    for told in ("<b>gate</b>", f"asked for as 14{row:06d}", "Not found: 99-1", "no such lot"):
        assert told in text
    assert "lot_id 99-1" not in text
    html = pages.document([one, lost], content.area_page(made, "us", briefing.rounds(made, []), ABOUT))
    assert "&lt;b&gt;gate&lt;/b&gt;" in html
    assert "<b>" not in html


def test_the_column_of_a_list_can_be_named(found: Results, tmp_path: Path) -> None:
    row = numbered(found, 40)
    rows = [["Parcel", "note"], [str(found.lots["lot_id"].iloc[row]), "at noon"]]
    (page,) = listed(found, tmp_path, rows, {"lot_id": "Parcel"})
    assert page["id"] == str(found.lots["lot_id"].iloc[row])
    assert page["remark"] == "at noon"
    with pytest.raises(LayerError, match="E-SCR-010"):
        listed(found, tmp_path, rows)
    with pytest.raises(LayerError, match="E-BRF-003"):
        briefing.page_list(found, ["0000040"], None, None, {"lot_id": "Parcel"})


# ---------------------------------------------------------------- the area
def test_a_group_tells_the_doubt_about_one_lot_and_how_lots_differ(found: Results) -> None:
    lots = found.lots.copy()
    rows = lots.index[lots["state"] == ""]
    lots.loc[rows, ["map_unit_name", "pour_date_basis"]] = ["Ombrey clay", "year"]
    names = [f"expected_movement_mm{end}" for end in ("", "_p10", "_p90")]
    lots.loc[rows, names] = [25.4, 5.08, 50.8]
    lots.loc[rows[:1], "pour_date_basis"] = "none"
    lots.loc[rows[1:2], "map_unit_name"] = "Rare sand"
    told = content.area_page(replace(found, lots=lots), "us", briefing.rounds(found, []), ABOUT)
    (group,) = told["groups"]
    assert group[3:] == ["1.0 in", "0.2 in to 2.0 in", "1.0 in to 1.0 in"]
    assert len(told["group_heads"]) == len(group)
    assert "(1 lot); 1 lot has no pour date" in told["group_note"]
    text = text_of("area.typ", {"area": told})
    assert "0.2 in to 2.0 in" in text
    assert "range of the median lot" in text
    assert "not told" not in text
    assert "1 lots" not in text


def test_large_counts_have_commas(found: Results) -> None:
    lots = pd.concat([found.lots] * 40, ignore_index=True)
    told = content.area_page(replace(found, lots=lots), "us", briefing.rounds(found, []), ABOUT)
    assert told["counts"].startswith("3,200 lots, ")
    assert "3,200 lots" in text_of("area.typ", {"area": told})
