"""A calibration given to other commands: columns next to the model's, what pages say, and what is refused."""

from __future__ import annotations

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pypdf
import pytest
from click.testing import CliRunner
from invented_surveys import run_of, town_of, write_csv

import riskmap
from riskmap.answers import screen, screen_table, screen_words
from riskmap.answers.brief import content
from riskmap.answers.calibration import apply, calibrate, card, card_page, chart, files, model_file, sides, trials
from riskmap.answers.calibration.calibrate import Calibration
from riskmap.answers.calibration.model_file import FactorEntry
from riskmap.cli.main import cli
from riskmap.common import tables
from riskmap.common.errors import LayerError
from riskmap.common.results import Results
from riskmap.common.wording import STANDING
from riskmap.outputs import calibrated, lot_text, telling
from riskmap.outputs.map import data_block, web_map

NAMES = [column.name for column in tables.CALIBRATED]
ENDS = ("_p10", "", "_p90")


@pytest.fixture(scope="module")
def run(calibration_run: Path) -> Results:
    return run_of(calibration_run)


@pytest.fixture(scope="module")
def town(calibration_run: Path) -> trials.Town:
    return town_of(calibration_run, 1)


@pytest.fixture(scope="module")
def done(run: Results, town: trials.Town, tmp_path_factory: pytest.TempPathFactory) -> Calibration:
    """Invented houses that bend 1.4 times as much as modelled."""
    path = write_csv(town, trials.of_known_factor(town, 1.4, 0), tmp_path_factory.mktemp("s") / "surveys.csv")
    return calibrate.calibrate(run, path)


@pytest.fixture(scope="module")
def file(done: Calibration, run: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("c")
    files.write(done, run, folder)
    return folder / "calibration.json"


@pytest.fixture(scope="module")
def beside(run: Results, done: Calibration) -> Results:
    return apply.beside(run, done.model)


@pytest.fixture(scope="module")
def outputs(calibration_run: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Copy of the outputs, to which runs may be added."""
    return shutil.copytree(calibration_run, tmp_path_factory.mktemp("o") / "outputs", symlinks=True)


# ---------------------------------------------------------------- columns
def test_the_columns_of_the_model_stay_and_nine_stand_beside(run: Results, beside: Results) -> None:
    assert len(NAMES) == 9
    assert "calibrated_long_run_mm" in NAMES
    pd.testing.assert_frame_equal(pd.DataFrame(beside.lots.drop(columns=NAMES)), pd.DataFrame(run.lots))
    known = (run.lots["state"] == "").to_numpy()
    for name in tables.CALIBRATED_NUMBERS:
        low, middle, high = (beside.lots[f"calibrated_{name}{end}"].to_numpy() for end in ENDS)
        assert (np.isfinite(middle) == known).all()
        assert ((low <= middle) & (middle <= high))[known].all()
        np.testing.assert_array_equal(middle[known], np.round(middle[known], 1))
    assert beside.lots["calibrated_long_run_mm"].sum() > 1.1 * run.lots["long_run_mm"].sum()


def test_a_second_calibration_takes_the_place_of_the_first(beside: Results, done: Calibration) -> None:
    again = apply.beside(beside, done.model)
    pd.testing.assert_frame_equal(pd.DataFrame(again.lots), pd.DataFrame(beside.lots))


def test_another_area_is_told_beside_every_number(run: Results, done: Calibration) -> None:
    other = apply.beside(replace(run, area_name="South side"), done.model)
    assert other.problems[-1].code == "W-CAL-214"
    assert "nothing in this area was compared with a measurement" in calibrated.standing(other)


def test_an_estimate_with_a_calibration_is_the_same_as_one_put_to_it_later(
        outputs: Path, calibration_run: Path, file: Path, tmp_path: Path) -> None:
    area = calibration_run.parent / "area" / "area.toml"
    done = riskmap.estimate(area, outputs, workers=1, calibration=file)
    made = gpd.read_parquet(done.folder / "lots.parquet")
    later = riskmap.export(calibration_run / run_name(calibration_run), ["parquet", "csv"], calibration=file,
                           into=tmp_path / "e").folder
    pd.testing.assert_frame_equal(pd.DataFrame(made), pd.DataFrame(gpd.read_parquet(later / "lots.parquet")))
    read = riskmap.read(done, outputs)
    assert set(NAMES) <= set(read.lots)
    assert read.facts["calibration"]["standing"] == calibrated.standing(read) != STANDING
    for folder in (done.folder, later):
        fields = json.loads((folder / "columns.json").read_text(encoding="utf-8"))["fields"]
        told = {field["name"]: field for field in fields}
        assert set(NAMES) <= set(told)
        assert told["calibrated_long_run_mm"]["unit"] == "mm"
        assert told["calibrated_long_run_mm"]["description"].endswith("calibrated against level surveys")
    with pytest.raises(LayerError, match="E-CAL-215 the second run is calibrated and the first is not"):
        riskmap.compare(calibration_run / run_name(calibration_run), done, outputs=outputs)
    told = riskmap.compare(calibration_run / run_name(calibration_run), done, calibration=file, outputs=outputs)
    written = json.loads((told.folder / "change.json").read_text(encoding="utf-8"))
    assert written["standing"] == calibrated.standing(read)
    change = told.answer.lots
    assert (change["calibrated_long_run_mm_change"].dropna() == 0).all()
    assert change["calibrated_long_run_mm_before"].notna().sum() == (read.lots["state"] == "").sum()


def run_name(outputs: Path) -> str:
    return next(path.name for path in sorted(outputs.iterdir()) if (path / "lots.parquet").is_file())


def test_sides_with_two_calibrations_are_refused(run: Results, beside: Results) -> None:
    other = replace(beside, facts={**beside.facts, "calibration": {"sha256": "0", "standing": ""}})
    with pytest.raises(LayerError, match="E-CAL-215 the two runs were estimated with two different calibrations"):
        sides.same_calibration(beside, other)
    sides.same_calibration(run, run)
    sides.same_calibration(beside, beside)
    table = pd.DataFrame({"lot_row_before": [0, -1], "lot_row_after": [0, 0]})
    assert sides.with_calibrated(table, run, run) is table
    change = sides.with_calibrated(table, beside, beside)["calibrated_bend_now_mm_change"]
    assert change.isna().tolist() == [False, True]


def test_what_cannot_take_a_calibration_is_refused_before_any_work(
        outputs: Path, calibration_run: Path, file: Path, tmp_path: Path) -> None:
    area = calibration_run.parent / "area" / "area.toml"
    model = json.loads(file.read_text(encoding="utf-8"))
    for change, code in (({"code": "another"}, "E-CAL-213"), ({"settings_sha256": "0" * 64}, "E-CAL-212")):
        (tmp_path / "m.json").write_text(json.dumps({**model, "run": {**model["run"], **change}}), encoding="utf-8")
        with pytest.raises(LayerError, match=code):
            riskmap.estimate(area, tmp_path / "none", calibration=tmp_path / "m.json")
    with pytest.raises(LayerError, match="E-CAL-216 tables for publication"):
        riskmap.estimate(area, tmp_path / "none", calibration=file, public_k=10)
    assert not (tmp_path / "none").exists()


def test_the_former_name_of_the_option_says_the_new_one(outputs: Path) -> None:
    said = CliRunner().invoke(cli, ["calibrate", "latest", "--model", "c.json", "--outputs", str(outputs)])
    assert said.exit_code == 2
    assert "--model is now called --calibration: riskmap calibrate RUN --calibration c.json" in said.output
    for command in ("estimate", "map", "brief", "screen", "export", "compare", "calibrate"):
        told = CliRunner().invoke(cli, [command, "--help"]).output
        assert "--calibration FILE" in told, command
        assert "--model" not in told, command


# ---------------------------------------------------------------- pages
def test_a_page_shows_the_calibrated_figure_and_the_model_in_brackets(beside: Results, run: Results) -> None:
    place = int(np.flatnonzero((run.lots["state"] == "").to_numpy())[0])
    row = beside.lots.iloc[place].to_dict()
    for system in ("us", "si"):
        told = telling.answers(row, run.today, system)
        for question, column in (("expected", "expected_movement_mm"), ("long_run", "long_run_mm")):
            figure = (f"{telling.shown(row[f'calibrated_{column}'], system)} calibrated "
                      f"({telling.shown(row[column], system)} as modelled); range ")
            low, high = (telling.shown(row[f"calibrated_{column}{end}"], system) for end in ("_p10", "_p90"))
            assert f"{figure}{low.split()[0]} to {high.split()[0]}" in told[question][1]
        assert told["next"][1].endswith(", as modelled")
        assert told["whatif"][1].endswith(", as modelled")
    text = "\n".join(lot_text.lines(beside, place, "si"))
    assert text.count(" calibrated (") == 4  # today's bending stands under Now and beside the expected movement
    assert STANDING not in text
    assert calibrated.standing(beside) in text
    assert " calibrated (" not in "\n".join(lot_text.lines(run, place, "si"))
    page = content.lot_page(beside, place, "si", None, {"run": "r", "manifest": "m"})
    bars = {answer["question"]: answer["mm"] for answer in page["answers"]}
    assert bars["now"] == [row[f"calibrated_bend_now_mm{end}"] for end in ENDS]
    assert bars["next"] == [row[f"change_next_mm{end}"] for end in ENDS]
    assert page["bars"]["high_mm"] >= beside.lots["calibrated_expected_movement_mm_p90"].max()


@pytest.mark.parametrize(("modelled", "value", "direction", "told"), [
    (36.0, 46.0, "middle_high", "middle high by 46 mm calibrated (36 mm as modelled)"),
    (-8.0, -12.0, "edge_high", "edge high by 12 mm calibrated (8 mm as modelled)"),
    (2.0, -4.0, "middle_high", "edge high by 4 mm calibrated (middle high by 2 mm as modelled)"),
    (4.0, 0.3, "middle_high", "level calibrated (middle high by 4 mm as modelled)"),
    (0.3, 4.0, "near_level", "middle high by 4 mm calibrated (near level as modelled)"),
    (2.0, 4.0, "near_level", "middle high by 4 mm calibrated (near level, middle high by 2 mm as modelled)"),
])
def test_the_side_is_said_twice_only_where_it_differs(modelled: float, value: float, direction: str, told: str) -> None:
    row = {"direction": direction, "bend_now_mm": modelled,
           **{f"calibrated_{name}{end}": value + 20 * k for name in tables.CALIBRATED_NUMBERS
              for k, end in zip((-1, 0, 1), ENDS, strict=True)}}
    assert telling.now(row, "si").startswith(f"{told}; range ")


def test_a_calibrated_lot_takes_no_more_sheets(run: Results, calibration_run: Path, file: Path, tmp_path: Path) -> None:
    """The answers are longer than those of the model alone."""
    ids = run.lots.loc[run.lots["state"] == "", "lot_id"].iloc[[0, 1, 2, -1]].tolist()
    told = {}
    for name, given in (("both", file), ("model", None)):
        folder = riskmap.brief(calibration_run / run_name(calibration_run), lots=ids, calibration=given, paper="a4",
                               into=tmp_path / name).folder
        told[name] = [page.extract_text() for page in pypdf.PdfReader(folder / "lots.pdf").pages]
    assert len(told["both"]) == len(told["model"]) == len(ids)
    assert all("as modelled" in text for text in told["both"])
    assert not any("as modelled" in text for text in told["model"])


def test_the_map_has_the_calibrated_columns_and_says_so(beside: Results, run: Results) -> None:
    assert set(NAMES) <= set(data_block.shared_steps(beside.lots))
    assert not set(NAMES) & set(data_block.shared_steps(run.lots))
    about = web_map.about(beside, "us")
    assert about["cautions"]["standing"] == calibrated.standing(beside)
    assert any("the panel shows the calibrated figures first" in line for line in about["lines"])
    assert about["axis_mm"][1] >= beside.lots["calibrated_expected_movement_mm_p90"].max()
    assert len(web_map.page(beside)) > len(web_map.page(run))


def test_screening_has_both_and_keeps_the_order_of_the_model(beside: Results, run: Results, tmp_path: Path) -> None:
    ids = run.lots.loc[run.lots["state"] == "", "lot_id"].head(5).tolist()
    path = tmp_path / "l.csv"
    path.write_text("lot_id\n" + "\n".join(ids) + "\n", encoding="utf-8")
    both, model = (screen.screen(found, screen.read(path, {})) for found in (beside, run))
    rows = both.rows.set_index("lot_id")
    assert both.rows["rank"].tolist() == model.rows["rank"].tolist()
    lots = beside.lots.set_index("lot_id").loc[ids]
    for name in NAMES:
        assert rows[name].tolist() == lots[name].tolist()
        np.testing.assert_allclose(rows[name.replace("_mm", "_in")], rows[name] / 25.4, atol=0.051)
    shown = screen_words.summary(both)
    assert [column.label for column in shown[4:8]] == ["long run, in, calibrated", "(as modelled, in)", "low", "high"]
    first = [column.values.iloc[0] for column in shown]
    for place, name in ((4, "calibrated_long_run_in"), (5, "long_run_in"), (6, "calibrated_long_run_in_p10"),
                        (7, "calibrated_long_run_in_p90")):
        assert first[place] == rows.loc[first[1], name], name
    assert len(screen_words.summary(model)) == 12 == len(shown) - 2
    screen_table.write(both, {"list": "l.csv", "run": "r", "today": beside.today, "manifest": "m"}, tmp_path)
    readme, page = ((tmp_path / name).read_text(encoding="utf-8") for name in ("README.txt", "screened.html"))
    assert calibrated.ORDER in readme
    assert calibrated.ORDER in page
    assert calibrated.standing(beside) in readme


# ---------------------------------------------------------------- the card
def test_the_card_opens_with_the_answer_and_its_range(done: Calibration, run: Results) -> None:
    first = done.lines[0]
    found = re.fullmatch(r"Houses surveyed here bend about (\d\.\d) times as much as modelled "
                         r"\((\d\.\d) to (\d\.\d)\); "
                         r"the error of surveys that were left out fell from (\d+\.\d) to (\d+\.\d) mm\.", first)
    assert found, first
    factor, low, high, before, after = map(float, found.groups())
    assert low <= 1.4 <= high
    assert low < factor < high
    assert after < before
    text = card.text(done.model)
    assert text.split("\n\n")[1] == first
    assert text.startswith(f"# Calibration of {done.model.run.area}, {run.today}\n")


def test_the_chart_has_equal_scales_units_and_every_survey(done: Calibration) -> None:
    page = card_page.page(done.model, done.comparisons)
    drawing = chart.svg(done.comparisons)
    assert drawing in page
    assert done.lines[0] in page
    shown = chart.drawn(done.comparisons)
    assert drawing.count("<circle") == len(shown) + 1
    for words in ("Expected, mm", "Measured, mm", "as modelled", "calibrated", "measured = expected"):
        assert f">{words}</text>" in drawing
    ends = re.search(r"M(\d+) (\d+)L(\d+) (\d+)", drawing)  # the line of equal values is a true diagonal
    assert ends
    x1, y1, x2, y2 = map(int, ends.groups())
    assert x2 - x1 == y1 - y2 > 0
    level = pd.DataFrame({"status": ["compared"], "kind": ["single"], "expected_mm": [20.0], "left_out_mm": [30.0],
                          "measured_mm": [30.0]})
    after = re.findall(r'cx="([\d.]+)" cy="([\d.]+)"', chart.svg(level))[0]  # equal: the point lies on the diagonal
    assert float(after[0]) - x1 == pytest.approx(y1 - float(after[1]), abs=0.11)
    assert chart.svg(level.drop(columns="left_out_mm")) == ""
    assert "<script" not in page


def test_a_calibration_of_another_run_has_no_chart(done: Calibration) -> None:
    page = card_page.page(done.model, pd.DataFrame(), ("South side", "2025-09"))
    assert "<svg" not in page
    assert "<b>South side, 2025-09</b>" in page


def test_what_changes_cannot_tell_is_said_first(done: Calibration) -> None:
    model = done.model.model_copy(update={"factors": [
        FactorEntry(of="change", rows=60, factor=1.05, low=0.52, high=1.58, calibrated=0.9),
        FactorEntry(of="bending_from_changes", rows=60, factor=1.1, low=0.41, high=1.62, calibrated=1.1)]})
    first, second, third = card.answer(model)
    assert first.startswith("Houses surveyed here may bend 0.4 to 1.6 times as much as modelled: changes between two "
                            "dates do not show how far a slab bends in all.")
    assert second.startswith("The changes were about 1.1 times as large as modelled (0.5 to 1.6); the error of ")
    assert third == "Each pair of figures is an 80 % range."


def test_an_off_calibration_says_why_in_words(run: Results, town: trials.Town, tmp_path: Path) -> None:
    few = town.part((town.table["house"] < 12).to_numpy())
    made = calibrate.calibrate(run, write_csv(few, trials.of_known_factor(few, 1.4, 0), tmp_path / "s.csv"))
    assert made.lines[0] == ("No estimate is changed: the calibration is off. 12 houses can be compared, at least 30 "
                             "are needed. Survey more houses.")
    assert model_file.parse(model_file.text_of(made.model).encode(), "m.json").factors == []
    with pytest.raises(LayerError, match="E-CAL-210"):
        apply.beside(run, made.model)
