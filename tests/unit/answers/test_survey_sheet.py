"""The sheet of a survey: plan, sections and change say what the tables say, at scale, and the PDF is tagged."""

from __future__ import annotations

import io
import json
import math
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pypdf
import pytest
import shapely
from click.testing import CliRunner
from defusedxml import ElementTree
from finished_runs import finished
from hostile_texts import NEVER, TEXTS
from invented_results import results

from riskmap.answers.survey import drawing, expected, levels, plan, sections, sheet
from riskmap.cli.survey import survey
from riskmap.common.units import MM_PER_INCH, foot_to_m
from riskmap.outputs import palette, typeface

ROW_FT, LINE_FT = 13, 15  # a grid whose diagonal is 6.05 m


def grid(level: Any, across: int = 4, deep: int = 4, step_m: tuple[float, float] | None = None) -> pd.DataFrame:
    """Return readings on a grid; `level(u, v)` is in mm, u and v go from -1 to 1."""
    dx, dy = step_m or (foot_to_m(ROW_FT), foot_to_m(LINE_FT))
    rows = [{"row": 2 + i + across * j, "point": f"{chr(65 + i)}{j + 1}", "x_m": i * dx, "y_m": j * dy,
             "reading_mm": float(level(2 * i / (across - 1) - 1, 2 * j / (deep - 1) - 1))}
            for j in range(deep) for i in range(across)]
    return pd.DataFrame(rows).assign(zero="1", floor="", floor_offset_mm=np.nan, exclude="", date="")


def mound(u: float, v: float) -> float:
    return 30 * (1 - u**2) * (1 - v**2) + 6 * u


def csv_text(height_in: float, day: str = "2025-04-07", sunk_in: float = 0.0) -> str:
    rows = [f"{'ABCD'[i]}{j + 1},{13 * i},{15 * j},"
            f"{height_in * (1 - (2 * i / 3 - 1)**2) * (1 - (2 * j / 3 - 1)**2) - (i == j == 3) * sunk_in:.3f},{day},"
            "water level" for j in range(4) for i in range(4)]
    return "\n".join(["point,x_ft,y_ft,elevation_in,date,instrument", *rows, ""])


# ---------------------------------------------------------------- contours
def test_a_grid_of_13_by_15_ft_has_contours_over_all_its_cells(tmp_path: Path) -> None:
    (tmp_path / "h.csv").write_text(csv_text(1.5), encoding="utf-8")
    done = CliRunner().invoke(survey, [str(tmp_path / "h.csv"), "--into", str(tmp_path / "o")])
    assert done.exit_code == 0, done.output
    assert "no_contours" not in json.loads((tmp_path / "o" / "summary.json").read_text(encoding="utf-8"))
    assert math.hypot(foot_to_m(13), foot_to_m(15)) > drawing.LONGEST_GAP_M
    found = drawing.mesh(levels.reduce(grid(mound)).points)
    assert found is not None
    assert len(found[1]) == 2 * 9


@pytest.mark.parametrize(("step_m", "cells"), [((5.9, 5.9), 9), ((6.1, 5.0), 0), ((5.0, 6.1), 0), ((7.0, 7.0), 0)])
def test_a_side_of_a_cell_is_a_gap_and_its_diagonal_is_none(step_m: tuple[float, float], cells: int) -> None:
    found = drawing.mesh(levels.reduce(grid(mound, step_m=step_m)).points)
    assert (0 if found is None else len(found[1])) == 2 * cells


def drawn(system: str = "us", bearing: float | None = None) -> tuple[Any, pd.DataFrame, levels.Levels]:
    made = levels.reduce(grid(mound))
    lines = drawing.contours(made, 0.2 * MM_PER_INCH if system == "us" else 5.0)
    return plan.levels(made.points, lines, [], levels.worst(made), system, bearing), lines, made


def test_every_contour_has_one_label() -> None:
    figure, lines, _ = drawn()
    wanted = sorted(f"{value / MM_PER_INCH:+.1f}" if abs(value) > 1e-9 else "0" for value in lines["level_mm"].unique())
    assert sorted(figure.texts("contour")) == wanted
    assert len(figure.paths("contour")) == lines["line"].nunique() >= len(wanted) > 4


def test_the_bands_fill_the_outline_and_the_lower_is_the_darker() -> None:
    figure, lines, made = drawn()
    outline = shapely.Polygon(figure.paths("outline")[0].points)
    pieces = [(shapely.Polygon(path.points), path.fill) for path in figure.paths("band")]
    assert sum(piece.area for piece, _ in pieces) == pytest.approx(outline.area, rel=1e-9)
    where = plan.frame(made.points, "us")
    by_point = {row.point: row.level_mm for row in made.points.itertuples()}
    shade = {name: next(fill for piece, fill in pieces if piece.distance(shapely.Point(*where.at(
        *made.points.set_index("point").loc[name, ["x_m", "y_m"]]))) < 1e-6) for name in ("A1", "B2", "C3")}
    assert by_point["A1"] < by_point["B2"]
    assert palette.luminance(shade["A1"]) < palette.luminance(shade["B2"]) <= palette.luminance(shade["C3"])
    used = [fill for _, fill in pieces]
    assert set(used) == set(plan.SHADES)
    assert all(palette.luminance(a) < palette.luminance(b) for a, b in pairwise(plan.SHADES))
    assert lines["level_mm"].nunique() + 1 >= len(plan.SHADES)


@pytest.mark.parametrize("system", ["us", "si"])
def test_the_plan_is_at_the_scale_that_it_names(system: str) -> None:
    figure, _, made = drawn(system)
    where = plan.frame(made.points, system)
    (told,) = [text for text in figure.texts("scale") if text.startswith("1:")]
    assert told == plan.scale_words(where.scale, system)
    dots = [np.mean(path.points, axis=0) for path in figure.paths("point")]
    ends = np.array([dots[list(made.points["point"]).index(name)] for name in ("A1", "D1")])
    assert np.hypot(*(ends[1] - ends[0])) * where.scale == pytest.approx(3 * foot_to_m(13) * 1000, rel=1e-6)
    bar = [path for path in figure.paths("scale")]
    step = float(figure.texts("scale")[1].split()[0]) * (foot_to_m(1) if system == "us" else 1)
    long = bar[1].points[1][0] - bar[0].points[0][0]
    assert long * where.scale == pytest.approx(step * 1000, rel=1e-9)
    every = [point for path in figure.paths("point") for point in path.points]
    assert min(x for x, _ in every) > 0
    assert max(x for x, _ in every) < plan.WIDTH
    assert max(y for _, y in every) < figure.height


@pytest.mark.parametrize(("bearing", "way"), [(0.0, (0, -1)), (90.0, (-1, 0)), (180.0, (0, 1)),
                                              (20.0, (-0.342, -0.94))])
def test_the_arrow_points_north(bearing: float, way: tuple[float, float]) -> None:
    """With +y toward the east (90 degrees), north is to the left; the y axis of the drawing points down."""
    figure, _, _ = drawn(bearing=bearing)
    tip, _, tail, _ = (np.array(point) for point in figure.paths("north")[0].points)
    assert (tip - tail) / np.hypot(*(tip - tail)) == pytest.approx(way, abs=0.001)
    assert figure.texts("north") == ["N"]


def test_without_a_bearing_no_north_is_claimed() -> None:
    figure, _, _ = drawn()
    assert figure.paths("north") == []
    assert figure.texts("north") == ["North is not known (--bearing)"]


@pytest.mark.parametrize(("across", "values", "names"), [(10, 100, 100), (20, 400, 0), (30, 0, 0)])
def test_points_that_stand_close_keep_their_values_before_their_names(across: int, values: int, names: int) -> None:
    """On paper they are 10, 5 and 2.5 mm apart; what is left out is in levels.csv."""
    y, x = np.mgrid[:across, :across].astype(float)
    points = pd.DataFrame({"point": [f"P{k}" for k in range(across**2)], "x_m": x.ravel(), "y_m": y.ravel(),
                           "level_mm": x.ravel() - y.ravel(), "exclude": ""})
    none = pd.DataFrame(columns=["line", "level_mm", "order", "x_m", "y_m"])
    figure = plan.levels(points, none, [], pd.DataFrame(), "si", None)
    assert len(figure.paths("point")) == across**2
    assert (len(figure.texts("value")), len(figure.texts("name"))) == (values, names)


# ---------------------------------------------------------------- sections
def test_levels_between_points_are_linear_and_nowhere_else() -> None:
    made = levels.reduce(grid(lambda u, v: 10 * u - 4 * v))
    x, y = np.array([0.0, 5.0, 3.3, -0.1, 20.0]), np.array([0.0, 5.0, 12.1, 1.0, 1.0])
    told = sections.between(made.points, made.points["level_mm"].to_numpy(float), x, y)
    wide, tall = 3 * foot_to_m(13), 3 * foot_to_m(15)
    wanted = 10 * (2 * x / wide - 1) - 4 * (2 * y / tall - 1)
    assert told[:3] == pytest.approx(wanted[:3], abs=1e-9)
    assert np.isnan(told[3:]).all()


def test_two_sections_show_first_second_and_expected_on_one_axis() -> None:
    first = levels.reduce(grid(mound))
    second = levels.reduce(grid(lambda u, v: mound(u, v) + 12 * (1 - u**2) * (1 - v**2)))
    moved, _ = expected.change(first, second)
    run = {"expected_mm": 20.0, "expected_p10_mm": 5.0, "expected_p90_mm": 40.0}
    long, short = sections.cut(first.points, moved, run)
    assert (long.name, short.name) == ("A", "B")
    assert long.along_m[-1] == pytest.approx(3 * foot_to_m(15))
    assert short.along_m[-1] == pytest.approx(3 * foot_to_m(13))
    change = moved.set_index("point")["change_mm"]
    for one in (long, short):
        assert len(one.read) == 4
        assert (one.read["second_mm"] - one.read["first_mm"]).to_numpy() == pytest.approx(
            change.loc[one.read["point"]].to_numpy())
        assert np.interp(one.read["along_m"], one.along_m, one.first) == pytest.approx(
            one.read["first_mm"].to_numpy(), abs=1.0)  # 61 samples do not meet every point exactly
    box = expected.rectangle(first.points["x_m"].to_numpy(float), first.points["y_m"].to_numpy(float))
    assert box is not None
    x, y = (long.ends[0][k] + np.linspace(0, 1, sections.SAMPLES) * (long.ends[1] - long.ends[0])[k] for k in (0, 1))
    bend = box.dome(x, y).max()
    chord = (long.expected[0] + long.expected[-1]) / 2
    assert long.expected[sections.SAMPLES // 2] - chord == pytest.approx(bend * np.array([5.0, 20.0, 40.0]), rel=1e-6)
    one, two = sections.drawings([long, short], "si")
    assert one.texts("figure") == two.texts("figure")
    for figure in (one, two):
        assert set(figure.texts("name")) == {"first", "second", "expected"}
        assert len(figure.paths("range")) == 1
        assert len(figure.paths("first")) == 1 + 4  # the curve and its circles


def test_the_heights_of_sections_are_stretched_as_they_say() -> None:
    made = levels.reduce(grid(mound))
    cuts = sections.cut(made.points, None, None)
    axis = sections.axis(cuts, "si")
    assert axis is not None
    (first, _) = sections.drawings(cuts, "si")
    curve = np.array(first.paths("first")[0].points)
    rise = np.ptp(curve[:, 1]) / (np.nanmax(cuts[0].first) - np.nanmin(cuts[0].first))
    run = np.ptp(curve[:, 0]) / (1000 * cuts[0].along_m[-1])
    assert rise / run == pytest.approx(axis.stretch, rel=1e-9)
    assert f"{float(f'{axis.stretch:.2g}'):.0f} times too tall" in sheet._section_words(cuts, "si")


def test_points_on_one_line_have_no_section() -> None:
    made = levels.reduce(grid(mound).query("y_m == 0").reset_index(drop=True))
    assert sections.cut(made.points, None, None) == []
    assert sections.drawings([], "us") == []
    assert sheet._section_words([], "us").startswith("No section")


# ---------------------------------------------------------------- change
def test_the_change_of_each_point_stands_beside_it_with_its_noise_limit() -> None:
    first = levels.reduce(grid(mound))
    later = grid(mound)
    later.loc[later["point"] == "D4", "reading_mm"] -= 25
    later.loc[later["point"] == "B2", "reading_mm"] += 15
    moved, _ = expected.change(first, levels.reduce(later))
    figure = plan.change(moved, first.points, "si", None)
    table = moved.set_index("point")
    assert figure.texts("value") == [plan.level_text(value, "si") for value in moved["change_mm"]]
    limits = [text.split(", limit ")[1] for text in figure.texts("name")]
    assert limits == [f"{value:.0f}" for value in moved["band_mm"]]
    fill = dict(zip(moved["point"], (path.fill for path in figure.paths("point")), strict=True))
    assert fill["D4"] in palette.BENDING[:3]
    assert fill["B2"] in palette.BENDING[4:]
    assert {name for name, color in fill.items() if color != palette.SHEET} == set(
        table.index[table["beyond_noise"]]) == {"B2", "D4"}
    about = {"surveys": [{"date": "2025-04-07"}, {"date": "2025-10-20"}]}
    assert sheet.change_words(moved, about, "si") == [
        "Since the first survey (7 April 2025 to 20 October 2025), 2 of 16 points moved by more than their noise "
        f"limit: D4 {table.loc['D4', 'change_mm']:+.0f} mm, B2 {table.loc['B2', 'change_mm']:+.0f} mm."]
    still, _ = expected.change(first, levels.reduce(grid(mound)))
    assert sheet.change_words(still, about, "us")[0].endswith("none of 16 points moved by more than its noise limit.")
    assert sheet.change_words(None, about, "us") == []


def structure(reader: pypdf.PdfReader) -> list[Any]:
    """Return every element of the structure tree of a PDF."""
    found: list[Any] = []

    def walk(node: Any) -> None:
        node = node.get_object()
        if isinstance(node, pypdf.generic.ArrayObject):
            for one in node:
                walk(one)
        elif isinstance(node, pypdf.generic.DictionaryObject):
            if "/S" in node:
                found.append(node)
            if "/K" in node:
                walk(node["/K"])

    walk(reader.trailer["/Root"]["/StructTreeRoot"])
    return found


def test_the_sheet_of_a_second_survey_with_a_run(tmp_path: Path) -> None:
    found = results()
    finished(tmp_path / "outputs", found)
    ids = found.lots["lot_id"].astype(str)
    lot = ids[(found.lots["state"] == "") & ~ids.duplicated(keep=False) & ids.str.isdigit()
              & (found.lots["pour_to"] < "2020")].iloc[0]
    (tmp_path / "one.csv").write_text(csv_text(0.5), encoding="utf-8")
    (tmp_path / "two.csv").write_text(csv_text(1.5, "2025-10-20", 1.2), encoding="utf-8")
    words = [str(tmp_path / "one.csv"), "--run", "latest", "--lot", lot, "--outputs", str(tmp_path / "outputs"),
             "--unverified"]
    assert CliRunner().invoke(survey, [*words, "--into", str(tmp_path / "a")]).exit_code == 0
    done = CliRunner().invoke(survey, [*words, "--second", str(tmp_path / "two.csv"), "--into", str(tmp_path / "b")])
    assert done.exit_code == 0, (done.output, done.exception)
    assert not (tmp_path / "a" / "change.svg").exists()
    for name in ("levels.svg", "levels.pdf"):
        assert (tmp_path / "a" / name).read_bytes() != (tmp_path / "b" / name).read_bytes()
    for name in ("levels.svg", "change.svg"):
        ElementTree.fromstring((tmp_path / "b" / name).read_text(encoding="utf-8"))
    reader = pypdf.PdfReader(tmp_path / "b" / "levels.pdf")
    assert len(reader.pages) == 2
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    assert reader.trailer["/Root"]["/Lang"] == "en"
    parts = structure(reader)
    kinds = [str(part["/S"]) for part in parts]
    assert kinds.count("/H1") == 1
    assert kinds.count("/H2") == 4
    assert "/Table" in kinds
    assert "/TH" in kinds
    alternatives = [str(part["/Alt"]) for part in parts if part["/S"] == "/Figure"]
    assert len(alternatives) == 4
    assert all(len(text) > 40 for text in alternatives)
    text = " ".join(" ".join(page.extract_text() for page in reader.pages).split())
    for told in ("Level survey of a house", "water level", "7 April 2025", "20 October 2025", f"Lot {lot}", "1:144",
                 "moved by more than", "noise limit", "estimate of lot", "When to survey again", "D4",
                 "It does not replace a visit"):
        assert told in text, told
    assert " mm" not in text.replace("mm/", "")
    assert re.findall(r"\d{4}-\d\d", text) == []
    assert "94011}}, October 2025" in text
    drawing_text = (tmp_path / "b" / "change.svg").read_text(encoding="utf-8")
    assert "limit 0.29" in drawing_text


def test_any_name_of_a_point_is_only_text_on_the_sheet(tmp_path: Path) -> None:
    import csv

    names = [text.replace("\x00", "0").strip() or "blank" for text in TEXTS]
    names = list(dict.fromkeys(names))[:40]
    with (tmp_path / "h.csv").open("w", encoding="utf-8", newline="") as stream:
        csv.writer(stream).writerows([["point", "x_ft", "y_ft", "elevation_in", "instrument", "lot_id"], *(
            [name, 12 * (k % 8), 12 * (k // 8), f"{0.1 * (k % 5):.1f}", TEXTS[k], "L1"]
            for k, name in enumerate(names))])
    done = CliRunner().invoke(survey, [str(tmp_path / "h.csv"), "--into", str(tmp_path / "o")])
    assert done.exit_code in (0, 1), (done.output, done.exception)
    whole = (tmp_path / "o" / "levels.svg").read_text(encoding="utf-8")
    tree = ElementTree.fromstring(whole)
    assert {one.tag.rsplit("}", 1)[1] for one in tree.iter()} == {"svg", "style", "path", "text"}
    assert [one.text for one in tree.iter() if one.tag.endswith("style")] == [typeface.css()]
    assert {one.get("font-family", "").split(",")[0] for one in tree.iter() if one.tag.endswith("text")} == {
        typeface.FAMILY}
    assert not [name for one in tree.iter() for name in one.attrib if name.startswith("on") or "href" in name]
    assert NEVER not in whole
    text = "".join(page.extract_text() for page in pypdf.PdfReader(
        io.BytesIO((tmp_path / "o" / "levels.pdf").read_bytes())).pages)
    assert NEVER not in text


def test_a_level_plane_falls_nowhere_and_the_compared_survey_is_named() -> None:
    none = pd.DataFrame({"from": [], "to": [], "deflection_mm": [], "length_m": [], "at": [], "ratio": []})
    level, tilted = (levels.reduce(grid(lambda u, v, slope=slope: 30 * (1 - u**2) * (1 - v**2) + slope * u))
                     for slope in (0.0, 6.0))
    assert sheet.words(level, none, True) == ["Plane: 0.000 in/ft (0.00 %), level."]
    assert "falls toward 270 degrees clockwise from +y." in sheet.words(tilted, none, True)[0]
    expected_of = {"expected": {"answer": "consistent", "lot": "7", "why": "Why."}}
    for surveys, told in ((1, "The survey"), (2, "The first survey")):
        assert sheet._answer({**expected_of, "surveys": [{}] * surveys}) == [f"{told} fits the estimate of lot 7. Why."]
