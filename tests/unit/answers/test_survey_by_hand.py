"""Elevation readings of an invented house against numbers worked by hand, and laws that apply to any house."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from finished_runs import finished
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_results import results

from riskmap.answers.survey import CAUTIONS, drawing, expected, house_survey, levels, readings
from riskmap.answers.survey.lengths import parse_mm
from riskmap.cli.survey import survey
from riskmap.common.errors import LayerError

IN = 25.4
HOUSE = """point,x_ft,y_ft,elevation_in,zero,floor,exclude,date
A,0,0,0,1,tile,,2026-03-02
B,15,0,0.2,1,tile,,2026-03-02
C,30,0,0.4,1,tile,,2026-03-02
D,0,20,0,1,tile,,2026-03-02
E,15,20,1 1/5,1,tile,,2026-03-02
E,,,1.7,1,carpet,,2026-03-02
E,,,2.0,2,tile,,2026-03-02
F,30,20,0.9,1,carpet,,2026-03-02
F,,,1.7,2,carpet,,2026-03-02
G,0,40,0.8,2,tile,,2026-03-02
H,15,40,1.0,2,tile,,2026-03-02
I,30,40,1.2,2,tile,,2026-03-02
K,-10,0,-3 1/2,1,tile,garage,2026-03-02
"""


def read(text: str, **kw: str) -> tuple[pd.DataFrame, list]:
    from io import StringIO

    frame = pd.read_csv(StringIO(text), dtype=str, keep_default_na=False)
    frame["row"] = np.arange(len(frame)) + 2
    return readings.from_table(frame, "house.csv", **kw)


def grid(level: np.ndarray, n: int = 5, step: float = 2.5) -> pd.DataFrame:
    y, x = np.mgrid[:n, :n] * step
    return pd.DataFrame({"row": np.arange(n * n) + 2, "point": [f"P{k:02d}" for k in range(n * n)], "x_m": x.ravel(),
                         "y_m": y.ravel(), "reading_mm": level, "zero": "1", "floor": "", "floor_offset_mm": np.nan,
                         "exclude": "", "date": ""})


def test_two_zeros_coverings_plane_and_worst_line() -> None:
    """By hand. E: zero 1 tile 1.2, carpet 1.7 -> carpet +0.5; zero 2 tile 2.0 -> zero 2 is +0.8; F carpet 0.9 and 1.7:
    again +0.8, level 0.4. G, H, I less 0.8: 0, 0.2, 0.4. So levels are a plane rising 0.4 in over 30 ft along x, and E
    1.0 above it. Mean of nine: (0.2 x 9 + 1.0)/9 = 0.3111. Plane: slope 0.4/30 = 0.0133 in/ft (E lies in the middle
    and only lifts it by 1/9), 0.111 %, falling toward -x (270 degrees). E off the plane: 1.0 - 0.1111 = 0.8889.
    Of the lines with E between their ends D-F is the shortest, 30 ft = 360 in, with 1.0 in: worst line D-F, L/360.
    """
    found, problems = read(HOUSE)
    made = levels.reduce(found)
    assert not problems
    assert made.zeros["2"] == pytest.approx(0.8 * IN, abs=0.01)
    assert made.coverings == {"carpet": pytest.approx(0.5 * IN, abs=0.01)}
    table = made.points.set_index("point")
    want = pd.Series({"A": 0, "B": .2, "C": .4, "D": 0, "E": 1.2, "F": .4, "G": 0, "H": .2, "I": .4}) - 2.8 / 9
    assert np.allclose(table.loc[want.index, "level_mm"] / IN, want, atol=0.001)
    assert table.loc["E", "deflection_mm"] / IN == pytest.approx(0.8889, abs=0.001)
    assert np.isnan(table.loc["K", "deflection_mm"])
    assert made.plane is not None
    assert made.plane.tilt_mm_per_m * 0.012 == pytest.approx(0.4 / 30, abs=1e-4)
    assert made.plane.falls_toward_deg == pytest.approx(270, abs=0.01)
    worst = levels.worst(made).iloc[0]
    assert (worst["from"], worst["to"], worst["at"]) == ("D", "F", "E")
    assert worst["deflection_mm"] / IN == pytest.approx(1.0, abs=0.01)
    assert worst["ratio"] == pytest.approx(360, abs=0.5)
    drawn = levels.along(made, [("A", "I"), ("A", "C")])
    assert drawn["deflection_mm"].to_numpy() / IN == pytest.approx([1.0, 0.0], abs=0.01)


def test_two_surveys() -> None:
    """By hand. Later all readings +2.0 in (another zero), E a further +0.9: raw changes 2.0 (8 times) and 2.9, mean
    2.1; so E +0.8 and the others -0.1 in. Band: one reading each, 0.1 in, twice -> 0.1414; mean of nine /3 -> 0.1414 x
    sqrt(1 + 1/9) x 1.96 = 0.292 in at most (E was read often, less)."""
    first, _ = read(HOUSE)
    second = first.copy()
    second["reading_mm"] += np.where(second["point"] == "E", 2.9, 2.0) * IN
    moved, problems = expected.change(levels.reduce(first), levels.reduce(second))
    table = moved.set_index("point")
    assert not problems
    assert table.loc["E", "change_mm"] / IN == pytest.approx(0.8, abs=0.01)
    assert table.loc["A", "change_mm"] / IN == pytest.approx(-0.1, abs=0.01)
    assert table["beyond_noise"].sum() == 1
    assert table.loc["E", "beyond_noise"]
    by_place, _ = expected.change(levels.reduce(first), levels.reduce(second.assign(point="Z" + second["point"])),
                                  within_m=0.3)
    assert np.allclose(by_place["change_mm"], moved["change_mm"])
    with pytest.raises(LayerError, match="E-SVY-040"):
        expected.change(levels.reduce(first), levels.reduce(second.assign(point="Z" + second["point"])))


@pytest.mark.parametrize(("text", "unit", "mm"), [
    ("1 3/8", "in", 1.375 * IN), ("1⅜", "in", 1.375 * IN), ("-1 ⅜", "in", -1.375 * IN), ("⅞", "in", .875 * IN),
    ("1-3/8", "in", 1.375 * IN), ('1 3⁄8"', "mm", 1.375 * IN), ("12'6\"", "in", 150 * IN),
    ("12′ 6 ½″", "in", 150.5 * IN),
    ("-0'6\"", "in", -6 * IN),
    ("35 mm", "in", 35), ("0.2m", "in", 200), ("1.4\"", "mm", 1.4 * IN), (".5", "in", .5 * IN),
    ("−2", "mm", -2), (3, "ft", 914.4), ("3 cm", "in", 30), ("5'", "in", 1524), ("+1/8", "in", 3.175),
])
def test_lengths(text: object, unit: str, mm: float) -> None:
    assert parse_mm(text, unit) == pytest.approx(mm)


@pytest.mark.parametrize("text", ["", "1,4", "1/0", "1 9/8", "nan", "inf", "1e5", "=1+1", "one", "1 3/8 3/8", "9" * 41,
                                  "1..2", "²", "٣", float("nan"), True, "1 2"])
def test_what_is_no_length_is_refused(text: object) -> None:
    with pytest.raises(ValueError, match=r"\w"):
        parse_mm(text, "in")


def test_bad_rows_are_told_and_the_rest_is_used() -> None:
    found, problems = read("point,x_ft,y_ft,elevation_in,zero\nA,0,0,0,1\nB,9,0,1,4\nB,9,0,\"1,4\",1\n,9,9,1,1\n"
                           "C,,,1,1\nD,0,9,9999,1\nA,5,5,1,1\nE,5,5,1,1\n")
    assert list(found["row"]) == [2, 3, 9]
    assert [(p.code, p.row) for p in problems] == [("E-SVY-011", 4), ("E-SVY-010", 5), ("E-SVY-012", 7),
                                                   ("E-SVY-014", 6), ("E-SVY-015", 8)]
    assert [p.code for p in levels.reduce(found).problems] == ["E-SVY-020"]  # nothing ties zero 4
    for text in ("point,x_ft,y_ft\nA,0,0\n", "point,x_ft,y_ft,elevation_in,elevation_mm\nA,0,0,1,1\n"):
        with pytest.raises(LayerError, match="E-SVY-001"):
            read(text)


def test_a_refusal_carries_the_findings_made_until_then(tmp_path: Path) -> None:
    with pytest.raises(LayerError, match="E-SVY-003") as refusal:
        read("point,x_ft,y_ft,elevation_in\n,0,0,0\nB,9,0,one\n")
    assert [(problem.code, problem.row) for problem in refusal.value.problems] == [("E-SVY-010", 2), ("E-SVY-011", 3)]
    path = tmp_path / "two.csv"
    path.write_text("point,x_ft,y_ft,elevation_in,zero,floor\nA,0,0,0,1,tile\nA,,,1,2,carpet\nB,9,0,1,2,carpet\n"
                    "C,9,9,one,1,tile\n", encoding="utf-8")
    with pytest.raises(LayerError, match="E-SVY-021") as refusal:
        house_survey.read(path, house=None, reference=None, lot=None, latest=date(2025, 9, 30))
    assert [problem.code for problem in refusal.value.problems] == ["E-SVY-011"]


def test_zero_and_covering_that_change_together_are_refused() -> None:
    found, _ = read("point,x_ft,y_ft,elevation_in,zero,floor\nA,0,0,0,1,tile\nA,,,1,2,carpet\nB,9,0,1,2,carpet\n")
    with pytest.raises(LayerError, match="E-SVY-021"):
        levels.reduce(found)


def test_house_form() -> None:
    found, _ = read('house,xy_unit,elevation_unit,"A@0,0","B@10,0"\n7,ft,in,0,1 1/2\n8,ft,in,0,2\n', house="7")
    assert list(found["reading_mm"]) == [0, 1.5 * IN]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-40, 40), min_size=25, max_size=25), st.floats(-500, 500), st.floats(-5, 5), st.floats(-5, 5),
       st.randoms())
def test_free_zero_and_tilt_and_order(level: list[float], up: float, sx: float, sy: float, mix: object) -> None:
    frame = grid(np.array(level))
    tilted = frame.assign(reading_mm=frame["reading_mm"] + up + sx * frame["x_m"] + sy * frame["y_m"])
    order = list(range(25))
    mix.shuffle(order)  # type: ignore[attr-defined]
    lot = {"state": "", "bend_now_mm": 25.0, "bend_now_mm_p10": 10.0, "bend_now_mm_p90": 45.0}
    a, b, c = (levels.reduce(f) for f in (frame, tilted, frame.iloc[order]))
    assert np.allclose(a.points["deflection_mm"], b.points["deflection_mm"], atol=1e-6)
    assert np.allclose(a.points["level_mm"], c.points["level_mm"], atol=1e-9)
    one, two = expected.against(a, lot), expected.against(b, lot)
    assert one.numbers["measured_mm"] == pytest.approx(two.numbers["measured_mm"], abs=1e-6)
    three = levels.worst(a)["ratio"], levels.worst(b)["ratio"]
    assert np.allclose(*three, rtol=1e-4, equal_nan=True)


@pytest.mark.parametrize(("height", "answer"), [(30.0, "consistent"), (-40.0, "not consistent"), (4.0, "cannot tell")])
def test_answer(height: float, answer: str) -> None:
    frame = grid(np.zeros(25))
    frame["reading_mm"] = height * expected.dome(frame["x_m"].to_numpy(), frame["y_m"].to_numpy())
    lot = {"state": "", "bend_now_mm": 22.0, "bend_now_mm_p10": 5.0, "bend_now_mm_p90": 40.0}
    us, si = (expected.against(levels.reduce(frame), lot, system=system).why for system in ("us", "si"))
    assert " in, expected " in us
    assert " mm" not in us
    assert " mm, expected " in si
    got = expected.against(levels.reduce(frame), lot)
    assert got.answer == answer, got
    assert got.numbers["measured_mm"] == pytest.approx(height, abs=1e-6)
    assert expected.against(levels.reduce(frame), lot | {"state": "not_enough_data"}).answer == "cannot tell"
    assert expected.against(levels.reduce(frame.head(5)), lot).answer == "cannot tell"


def test_dates() -> None:
    months = tuple(f"2025-{m:02d}" for m in range(1, 13))
    told = SimpleNamespace(months=months, series=np.array([0]), deflection_mm=np.array([[5., 4, 1, 3, 4, 5, 6, 7, 12, 8,
                                                                                       7, 6]]))
    assert expected.next_dates(told, 0, None).startswith(  # type: ignore[arg-type]
        "September and March: there the run's past months (January 2025 to December 2025) have the highest")
    assert "September 2026" in expected.next_dates(None, None, date(2026, 3, 2))
    assert "February 2027" in expected.next_dates(None, None, date(2026, 8, 2))


def test_no_contour_outside_the_points_or_over_a_gap() -> None:
    frame = grid(np.arange(25.0) * 3)
    lines = drawing.contours(levels.reduce(frame), 5.0)
    assert len(lines)
    assert lines[["x_m", "y_m"]].to_numpy().min() >= -1e-9
    assert lines[["x_m", "y_m"]].to_numpy().max() <= 10 + 1e-9
    split = frame[(frame["x_m"] < 3) | (frame["x_m"] > 9)].assign(x_m=lambda f: f["x_m"] + 5 * (f["x_m"] > 9))
    assert not drawing.contours(levels.reduce(split), 5.0)["x_m"].between(2.6, 14.9).any()


def test_command_writes_every_product_with_cautions(tmp_path: Path) -> None:
    (tmp_path / "h.csv").write_text(HOUSE + "=1+1,1,1,bad,1,tile,,\n", encoding="utf-8")
    words = [str(tmp_path / "h.csv"), "--line", "A,I", "--origin", "-97", "32", "--gap", "9", "--into"]
    got = CliRunner().invoke(survey, [*words, str(tmp_path / "o")])
    assert got.exit_code == 1, got.output  # one row could not be used
    again = CliRunner().invoke(survey, [*words, str(tmp_path / "p")])
    assert again.exit_code == 1
    names = {p.name for p in (tmp_path / "o").iterdir()}
    assert {"levels.svg", "levels.pdf", "levels.csv", "contours.csv", "contours.geojson", "lines.csv"} <= names
    for name in names:
        assert (tmp_path / "o" / name).read_bytes() == (tmp_path / "p" / name).read_bytes(), name
        if name.endswith((".csv", "json")):
            assert CAUTIONS[1] in (tmp_path / "o" / name).read_text(encoding="utf-8"), name
    assert json.loads((tmp_path / "o" / "summary.json").read_text())["problems"][0]["row"] == 15
    assert "E-RUN-017" in str(CliRunner().invoke(survey, [*words, str(tmp_path / "o")]).exception)  # never overwritten


def test_workbook_with_a_formula_is_refused(tmp_path: Path) -> None:
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    for row in (["point", "x_m", "y_m", "elevation_mm"], ["A", 0, 0, 1], ["B", 3, 0, 2], [3, 0, 3, "1 cm"]):
        sheet.append(row)
    book.save(tmp_path / "h.xlsx")
    got = CliRunner().invoke(survey, [str(tmp_path / "h.xlsx"), "--units", "si", "--into", str(tmp_path / "o")])
    assert got.exit_code == 0, got.output
    sheet["D2"] = "=1+1"
    book.save(tmp_path / "f.xlsx")
    got = CliRunner().invoke(survey, [str(tmp_path / "f.xlsx"), "--into", str(tmp_path / "q")])
    assert isinstance(got.exception, LayerError)
    assert "E-SVY-009" in str(got.exception)


def test_two_surveys_and_a_run(tmp_path: Path) -> None:
    found = results()
    finished(tmp_path / "outputs", found)
    ids = found.lots["lot_id"].astype(str)
    lot = ids[(found.lots["state"] == "") & ~ids.duplicated(keep=False) & ids.str.isdigit()].iloc[0]
    for name in ("one.csv", "two.csv"):
        (tmp_path / name).write_text(HOUSE, encoding="utf-8")
    words = [str(tmp_path / "one.csv"), "--second", str(tmp_path / "two.csv"), "--run", "latest", "--lot", lot,
             "--outputs", str(tmp_path / "outputs"), "--into", str(tmp_path / "o")]
    got = CliRunner().invoke(survey, words)
    assert got.exit_code == 0, (got.output, got.exception)
    told = json.loads((tmp_path / "o" / "summary.json").read_text(encoding="utf-8"))
    assert told["expected"]["answer"] in ("consistent", "not consistent", "cannot tell")
    assert told["expected"]["measured_mm"] is not None
    assert told["change"] == {"common_points": 9, "beyond_noise": 0}
    assert len(told["cautions"]) == 3


@pytest.mark.parametrize(("depth", "share"), [(100.0, 0.48), (400.0, 0.48), (750.0, 0.13), (2000.0, 0.13)])
def test_the_share_of_the_swing_is_held_at_the_ends_of_what_was_computed(depth: float, share: float) -> None:
    assert expected.share_of_swing(depth) == pytest.approx(share, abs=0.005)
    assert 0.22 < expected.share_of_swing(580.0) < 0.38  # 29 MN m2/m, between 20 and 40


@pytest.mark.parametrize(("given", "told"), [
    ({"rib_depth_mm": 610.0}, True), ({}, False), ({"rib_depth_mm": 610.0, "ground": "garage"}, False),
    ({"rib_depth_mm": 610.0, "later": False}, False)])
def test_two_seasons_with_rib_depth_and_open_ground_are_told_what_they_decide(given: dict, told: bool,
                                                                             tmp_path: Path) -> None:
    import riskmap

    first, second = tmp_path / "march.csv", tmp_path / "october.csv"
    text = HOUSE.replace("garage", given.get("ground", "open ground"))
    first.write_text(text, encoding="utf-8")
    second.write_text(text.replace("2026-03-02", "2026-10-02"), encoding="utf-8")
    made = riskmap.survey(first, second if given.get("later", True) else None, into=tmp_path / "out",
                          rib_depth_mm=given.get("rib_depth_mm"))
    assert ("two_seasons" in made.answer.summary) == told
    if told:
        said = made.answer.summary["two_seasons"]
        assert "rib depth of 24.0 in and open ground (K)" in said
        assert "about 0.26 of it" in said
        assert said in made.answer.lines
