"""A survey that contradicts itself, its units, its dates or the run: rows are named, and no band grows by it."""

from __future__ import annotations

import json
from datetime import date
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_results import results
from test_survey_by_hand import HOUSE, grid

from riskmap.answers.survey import contradictions, expected, levels, readings
from riskmap.cli.main import cli
from riskmap.cli.survey import survey
from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem
from riskmap.run import folder as run_folder
from riskmap.run import products

IN = 25.4
LOT = {"state": "", "bend_now_mm": 24.0, "bend_now_mm_p10": 10.0, "bend_now_mm_p90": 45.0}
Y, X = (axis.ravel() for axis in np.mgrid[:5, :5] * 2.5)
DOME = 16.0 * (1 - (X / 5 - 1) ** 2) * (1 - (Y / 5 - 1) ** 2)


def read(text: str, **kw: str) -> tuple[pd.DataFrame, list[Problem]]:
    frame = pd.read_csv(StringIO(text), dtype=str, keep_default_na=False)
    frame["row"] = np.arange(len(frame)) + 2
    return readings.from_table(frame, "house.csv", **kw)


def codes(problems: list[Problem]) -> list[tuple[str, int | None]]:
    return [(problem.code, problem.row) for problem in problems]


def again(frame: pd.DataFrame, point: str, reading_mm: float, zero: str = "1") -> pd.DataFrame:
    """The same point read once more, in the next row."""
    more = frame[frame["point"] == point].head(1).assign(reading_mm=reading_mm, zero=zero, row=frame["row"].max() + 1)
    return pd.concat([frame, more], ignore_index=True)


# ---------------------------------------------------------------- the band
@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(-60, 60), min_size=25, max_size=25))
def test_no_misfit_widens_the_band(noise: list[float]) -> None:
    clean = expected.against(levels.reduce(grid(DOME)), LOT)
    rough = expected.against(levels.reduce(grid(DOME + np.array(noise))), LOT)
    if rough.numbers["noise_sd_mm"] is None:
        assert rough.answer == "cannot tell"
        return
    assert rough.numbers["measured_sd_mm"] == pytest.approx(clean.numbers["measured_sd_mm"])
    side = {True: 45.0 - 24.0, False: 24.0 - 10.0}[rough.numbers["measured_mm"] > 24.0] / expected.NORMAL_80
    flat = np.hypot(clean.numbers["measured_sd_mm"], expected.AS_BUILT_DOME_SD_MM)
    assert rough.numbers["noise_sd_mm"] == pytest.approx(np.hypot(flat, side))


def test_repeated_readings_never_make_the_reading_error_larger_than_stated() -> None:
    frame = grid(DOME)
    for k in range(25):
        frame = again(frame, f"P{k:02d}", DOME[k] + (3.0 if k % 2 else -3.0))
    made = levels.reduce(frame)
    assert made.sigma_mm == pytest.approx(3 / np.sqrt(2))  # 50 residuals of 1.5 mm, 25 of them redundant
    for k in range(25):
        frame = again(frame, f"P{k:02d}", DOME[k] + (5.0 if k % 2 else -5.0))
    assert levels.reduce(frame).sigma_mm <= levels.READING_SD_MM


def test_readings_of_another_unit_are_named_and_nothing_is_concluded() -> None:
    """Two columns of the grid are in millimetres; three of their readings are not 0, and so not right either way."""
    wrong = (X >= 7.5) & (DOME > 0)
    made = levels.reduce(grid(np.where(wrong, DOME * IN, DOME)), "house.csv")
    answer = expected.against(made, LOT, "house.csv")
    assert answer.answer == "cannot tell"
    assert answer.numbers["measured_mm"] is None
    assert [p.code for p in answer.problems] == ["E-SVY-061"]
    assert f"{wrong.sum()} points of 25 (P08, P13, P18; rows 10, 15, 20)" in answer.problems[0].rule
    assert "millimetres under an inch heading" in answer.problems[0].remedy
    assert [p.code for p in made.problems] == ["E-SVY-067"]  # 16 mm times 25.4 is more than a floor can differ by
    assert [p.code for p in expected.unlike_any_dome(made)] == ["W-SVY-062"]


def test_one_wrong_reading_is_found_where_no_other_checks_it() -> None:
    slip = DOME.copy()
    slip[7] += 80.0
    answer = expected.against(levels.reduce(grid(slip)), LOT, "house.csv")
    assert answer.answer == "cannot tell"
    assert answer.problems[0].row == 9
    assert "P07" in answer.problems[0].rule


@pytest.mark.parametrize("shape", ["flat top", "cone", "ridge", "round"])
def test_real_shapes_are_no_contradiction(shape: str) -> None:
    u, v = X / 5 - 1, Y / 5 - 1
    shapes = {"flat top": np.clip(np.minimum(1 - abs(u), 1 - abs(v)) * 2.5, 0, 1),
              "cone": np.clip(1 - np.hypot(u, v), 0, 1), "ridge": 1 - u**2, "round": 1 - (u**2 + v**2) / 2}
    height = 40.0 * shapes[shape]
    made = levels.reduce(grid(height + np.random.default_rng(1).normal(0, 2.0, 25)))
    answer = expected.against(made, LOT)
    assert not answer.problems
    assert answer.numbers["measured_mm"] is not None


# ---------------------------------------------------------------- ties and repeated points
def test_a_point_read_twice_with_other_values_is_left_out_and_the_rest_judged() -> None:
    frame = again(grid(DOME), "P03", 127.0)
    made = levels.reduce(frame, "house.csv")
    assert codes(made.problems) == [("E-SVY-060", 5), ("E-SVY-060", 27)]
    assert "rows 5, 27" in made.problems[0].rule
    assert "P03" not in set(made.points["point"])
    assert not made.doubts
    without = levels.reduce(grid(DOME)[lambda f: f["point"] != "P03"])
    assert expected.against(made, LOT).numbers == expected.against(without, LOT).numbers


def test_readings_within_the_reading_error_are_averaged_as_before() -> None:
    made = levels.reduce(again(grid(DOME), "P03", DOME[3] + 2 * levels.READING_SD_MM))
    assert not made.problems
    assert made.points.set_index("point").loc["P03", "raw_mm"] == pytest.approx(DOME[3] + levels.READING_SD_MM)


def two_zeros(*ties: tuple[str, float]) -> pd.DataFrame:
    """The right half read from zero 2, which is 30 mm higher; ties are off by so much."""
    frame = grid(DOME)
    right = frame["x_m"] > 5
    frame.loc[right, "zero"], frame.loc[right, "reading_mm"] = "2", DOME[right] + 30.0
    for point, off in ties:
        frame = again(frame, point, DOME[int(point[1:])] + 30.0 + off, "2")
    return frame


def test_ties_that_disagree_tie_nothing() -> None:
    made = levels.reduce(two_zeros(("P00", 0.0), ("P05", 0.8 * IN)), "house.csv")
    assert [c for c in codes(made.problems) if c[0] == "E-SVY-060"] == [("E-SVY-060", row) for row in (2, 7, 27, 28)]
    assert any("tie zero '2'" in doubt for doubt in made.doubts)
    answer = expected.against(made, LOT)
    assert answer.answer == "cannot tell"
    assert answer.numbers["measured_mm"] is None
    with pytest.raises(LayerError, match="E-SVY-043"):
        expected.change(made, made, file="two.csv")


def test_of_three_ties_only_the_one_that_is_off_is_left_out() -> None:
    made = levels.reduce(two_zeros(("P00", 0.0), ("P05", 0.8 * IN), ("P10", 1.0)), "house.csv")
    assert codes(made.problems) == [("E-SVY-060", 7), ("E-SVY-060", 28)]
    assert not made.doubts
    assert made.zeros["2"] == pytest.approx(30.5, abs=0.01)


def test_zero_that_nothing_ties_is_compared_with_nothing() -> None:
    made = levels.reduce(two_zeros(), "house.csv")
    assert {p.code for p in made.problems} == {"E-SVY-020"}
    assert expected.against(made, LOT).answer == "cannot tell"


def test_two_names_for_one_place_with_other_levels() -> None:
    frame = grid(DOME)
    other = frame[frame["point"] == "P12"].assign(point="p12", row=27, reading_mm=DOME[12] + 20)
    made = levels.reduce(pd.concat([frame, other], ignore_index=True), "house.csv")
    assert codes(made.problems) == [("E-SVY-060", 14), ("E-SVY-060", 27)]
    carpet = other.assign(floor="carpet")  # a pair on two coverings is how their difference is found
    assert not [p for p in levels.reduce(pd.concat([frame, carpet], ignore_index=True)).problems if p.code[0] == "E"]


def test_a_level_that_repeats_badly_all_over_gets_no_answer() -> None:
    frame = grid(DOME)
    off = np.random.default_rng(3).choice([-9.0, 9.0], 25)
    for k in range(25):
        frame = again(frame, f"P{k:02d}", DOME[k] + off[k])
    made = levels.reduce(frame)
    assert "E-SVY-073" in [p.code for p in made.problems]
    assert expected.against(made, LOT).answer == "cannot tell"


def test_when_nothing_is_left_the_survey_is_refused() -> None:
    text = "point,x_ft,y_ft,elevation_in\n" + "A,0,0,0\nA,0,0,5\nB,9,0,1\nB,9,0,-4\n"
    with pytest.raises(LayerError, match="E-SVY-074"):
        levels.reduce(read(text)[0], "house.csv")


# ---------------------------------------------------------------- units
def test_heights_above_a_datum() -> None:
    low = "\n".join(f"P{k},{X[k]},{Y[k]},{DOME[k] / 1000:.4f}" for k in range(25))
    high = "\n".join(f"P{k},{X[k]},{Y[k]},{187.2985 + DOME[k] / 1000:.4f}" for k in range(25))
    from_zero, above_sea = (levels.reduce(read(f"point,x_m,y_m,elevation_m\n{rows}\n")[0]) for rows in (low, high))
    assert np.allclose(from_zero.points["level_mm"], above_sea.points["level_mm"], atol=1e-6)
    assert expected.against(above_sea, LOT).answer == expected.against(from_zero, LOT).answer
    both, problems = read(f"point,x_m,y_m,elevation_m\n{high}\nQ,3,3,0.012\n")
    assert codes(problems) == [("E-SVY-063", 27)]
    assert len(both) == 25


@pytest.mark.parametrize("unit", ["in", "mm"])
def test_heights_in_metres_under_a_small_unit_are_seen(unit: str) -> None:
    rows = "\n".join(f"P{k},{X[k]},{Y[k]},{183.412 + DOME[k] / 1000:.4f}" for k in range(25))
    made = levels.reduce(read(f"point,x_m,y_m,elevation_{unit}\n{rows}\n")[0])
    assert [p.code for p in made.problems] == ["E-SVY-068"]
    assert "elevation_m" in made.problems[0].remedy
    assert expected.against(made, LOT).answer == "cannot tell"
    with pytest.raises(LayerError, match=r"E-SVY-012.*elevation_m"):
        read("point,x_m,y_m,elevation_mm\nA,0,0,187298.5\nB,3,0,187299.1\n")


def test_units_zeros_and_lots_that_the_rows_deny() -> None:
    text = ("lot_id,point,x_ft,y_ft,elevation_in,unit,zero\nL1,A,0,0,0,in,1\nL1,B,9,0,1,mm,1\nL1,C,9,9,1,Inches,1\n"
            "L1,D,0,9,1,,\n,E,5,9,1,in,1\nL2,F,5,9,1,in,1\n")
    found, problems = read(text, lot="L1")
    assert list(found["point"]) == ["A", "C", "E"]
    assert codes(problems) == [("E-SVY-064", 3), ("E-SVY-066", 5), ("E-SVY-065", 7)]
    with pytest.raises(LayerError, match=r"E-SVY-075.*L1, L2"):
        read(text)
    with pytest.raises(LayerError, match=r"E-SVY-075.*L1, L2.*asks for L3"):
        read(text, lot="L3")


# ---------------------------------------------------------------- dates
def test_dates_that_cannot_be() -> None:
    frame = grid(DOME).assign(date="2026-03-14")
    latest = date(2026, 11, 30)
    assert contradictions.of_dates(frame, "h.csv", latest) == []
    assert contradictions.of_dates(frame.assign(date=""), "h.csv", latest) == []
    late = contradictions.of_dates(frame.assign(date="2031-01-01"), "h.csv", latest)
    assert codes(late) == [("E-SVY-069", row) for row in range(2, 27)]
    mixed = frame.assign(date=["2025-03-14"] * 12 + ["2026-03-14"] * 13)
    told = contradictions.of_dates(mixed, "h.csv", latest)
    assert [p.code for p in told] == ["E-SVY-070"]
    assert "2025-03-14 (row 2) to 2026-03-14 (row 14)" in told[0].rule


def test_a_survey_before_the_pour() -> None:
    frame = grid(DOME).assign(date="1980-01-01")
    lot = LOT | {"pour_from": "1985-01", "pour_to": "1985-12"}
    assert [p.code for p in contradictions.before_pour(frame, lot, "h.csv")] == ["E-SVY-071"]
    assert contradictions.before_pour(frame.assign(date="1985-01-31"), lot, "h.csv") == []
    assert contradictions.before_pour(frame, lot | {"pour_from": ""}, "h.csv") == []


# ---------------------------------------------------------------- the command
def run_survey(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["survey", *words, "--into", str(folder)])


@pytest.mark.parametrize(("words", "said"), [
    (("--bearing", "inf"), "not a finite number"), (("--bearing", "nan"), "not a finite number"),
    (("--bearing", "361"), "-360<=x<=360"), (("--bearing", "north"), "not a valid float"),
    (("--origin", "nan", "31"), "not a finite number"), (("--origin", "-99", "inf"), "not a finite number"),
    (("--origin", "31", "-99"), "-85<=x<=85"), (("--gap", "nan"), "not a finite number"),
    (("--interval", "inf"), "not a finite number"), (("--within", "nan"), "not a finite number"),
    (("--line", "A"), "--line is A,B"), (("--run", "latest"), "give --run and --lot together"),
])
def test_options_are_checked_in_words(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    (tmp_path / "h.csv").write_text(HOUSE, encoding="utf-8")
    got = run_survey(tmp_path / "o", str(tmp_path / "h.csv"), *words)
    assert got.exit_code == 2, got.output
    assert said in " ".join(got.output.split())
    assert not (tmp_path / "o").exists()


@pytest.mark.parametrize(("command", "words"), [("screen", ("r", "l.csv", "--within", "nan")),
                                                ("calibrate", ("r", "s.csv", "--range-m", "nan"))])
def test_numbers_of_other_commands_are_finite(command: str, words: tuple[str, ...]) -> None:
    got = CliRunner().invoke(cli, [command, *words])
    assert got.exit_code == 2
    assert "not a finite number" in got.output


def test_into_a_file_or_a_full_folder_is_refused_in_words(tmp_path: Path) -> None:
    (tmp_path / "h.csv").write_text(HOUSE, encoding="utf-8")
    for target in (tmp_path / "h.csv", tmp_path, tmp_path / "h.csv" / "below", tmp_path / ("x" * 300)):
        got = CliRunner().invoke(survey, [str(tmp_path / "h.csv"), "--gap", "9", "--into", str(target)])
        assert "E-RUN-" in str(got.exception), (target, got.exception, got.output)
    assert (tmp_path / "h.csv").read_text(encoding="utf-8") == HOUSE


def test_second_survey_of_an_earlier_date_is_refused(tmp_path: Path) -> None:
    (tmp_path / "h.csv").write_text(HOUSE, encoding="utf-8")
    (tmp_path / "two.csv").write_text(HOUSE.replace("2026-03-02", "2025-03-02"), encoding="utf-8")
    got = CliRunner().invoke(survey, [str(tmp_path / "h.csv"), "--second", str(tmp_path / "two.csv"), "--gap", "9",
                                      "--into", str(tmp_path / "o")])
    assert "E-SVY-044" in str(got.exception)


def test_a_date_in_the_future_reaches_no_product(tmp_path: Path) -> None:
    (tmp_path / "h.csv").write_text(HOUSE.replace("2026-03-02", "2931-01-01"), encoding="utf-8")
    got = CliRunner().invoke(survey, [str(tmp_path / "h.csv"), "--gap", "9", "--into", str(tmp_path / "o")])
    assert got.exit_code == 1
    told = json.loads((tmp_path / "o" / "summary.json").read_text(encoding="utf-8"))
    assert "2931" not in told["next_survey"]
    assert {p["code"] for p in told["problems"]} == {"E-SVY-069"}


def test_a_survey_before_the_pour_is_not_compared_with_the_run(tmp_path: Path) -> None:
    found = results()
    with run_folder.new_run(tmp_path / "outputs", found.area_name) as run:
        products.write_all(found, run.path)
    ids = found.lots["lot_id"].astype(str)
    lot = ids[(found.lots["state"] == "") & ~ids.duplicated(keep=False) & ids.str.isdigit()
              & (found.lots["pour_from"] > "1900")].iloc[0]
    (tmp_path / "h.csv").write_text(HOUSE.replace("2026-03-02", "1899-01-01"), encoding="utf-8")
    got = CliRunner().invoke(survey, [str(tmp_path / "h.csv"), "--run", "latest", "--lot", lot, "--outputs",
                                      str(tmp_path / "outputs"), "--gap", "9", "--unverified", "--into",
                                      str(tmp_path / "o")])
    assert got.exit_code == 1, (got.output, got.exception)
    told = json.loads((tmp_path / "o" / "summary.json").read_text(encoding="utf-8"))
    assert told["expected"]["answer"] == "cannot tell"
    assert told["expected"]["measured_mm"] is None
    assert "E-SVY-071" in [p["code"] for p in told["problems"]]


def test_more_readings_than_a_house_has_are_refused() -> None:
    rows = "\n".join(f"P{k},{k % 40},{k // 40},0.{k % 7}" for k in range(readings.MOST_READINGS + 1))
    with pytest.raises(LayerError, match="E-SVY-006"):
        read(f"point,x_ft,y_ft,elevation_in\n{rows}\n")
