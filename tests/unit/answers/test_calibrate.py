"""Calibration: the survey table, blocks, weights, the model file and its hostile versions, the command."""

from __future__ import annotations

import json
import re
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from invented_surveys import rows_of, run_of, town_of, write_csv

from riskmap.answers.calibration import (
    apply,
    blocks,
    calibrate,
    crossval,
    files,
    model_file,
    physical,
    predict,
    surveys,
    trials,
)
from riskmap.answers.calibration.physical import Rows
from riskmap.cli.main import cli
from riskmap.common import month_numbers, settings
from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem
from riskmap.common.results import Results
from riskmap.common.wording import STANDING
from riskmap.movement import draws as random
from riskmap.movement import draws_of_lots, kernels

HEAD = "lot_id,first_date,second_date,change_mm,dome_mm,reading_sd_mm,source,block,exclude\n"


@pytest.fixture(scope="module")
def run(calibration_run: Path) -> Results:
    return run_of(calibration_run)


@pytest.fixture(scope="module")
def town(calibration_run: Path) -> trials.Town:
    return town_of(calibration_run, 20)


@pytest.fixture(scope="module")
def survey_file(town: trials.Town, tmp_path_factory: pytest.TempPathFactory) -> Path:
    values = trials.invent(town, 0, 0)
    values[2] = 290.0  # an outlier
    names = np.where(town.table["house"] % 2 == 0, "Ada Example", "=Bo")
    return write_csv(town, values, tmp_path_factory.mktemp("s") / "surveys.csv", source=names, owner_name="X",
                     postcode="1", census_tract="2", colour="red")


@pytest.fixture(scope="module")
def made(calibration_run: Path, survey_file: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    folder = tmp_path_factory.mktemp("c") / "out"
    return call(calibration_run, survey_file, folder), folder


def call(outputs: Path, file: Path, folder: Path) -> Result:
    return CliRunner().invoke(cli, ["calibrate", "latest", str(file), "--outputs", str(outputs), "--into", str(folder),
                                    "--workers", "1"])


# ---------------------------------------------------------------- what every draw expects
def test_draws_are_those_of_the_run(run: Results) -> None:
    """Medians over the model runs are the run's numbers, now and in a past month."""
    assert run.inputs is not None
    assert run.history is not None
    area = settings.Area.model_validate(run.settings)
    archetype, month = run.inputs.lot_archetype, month_numbers.parse_month(run.today) - 7
    for group in draws_of_lots.groups(run.inputs, np.unique(archetype[archetype >= 0]), area, earliest=month):
        for told, when in ((run.lots["bend_now_mm"].to_numpy(), group.now), (None, month)):
            value = np.median(draws_of_lots.picked(group, 1000 * group.at(when)), axis=1)
            for place, number in enumerate(group.archetype_ids.tolist()):
                lot = int(np.flatnonzero(archetype == number)[0])
                past = run.history.deflection_mm[run.history.series[lot]][-8] if told is None else told[lot]
                assert value[place] == pytest.approx(past, abs=0.06) or np.isnan(past)
        assert np.isnan(group.at(month - 1)).all()


def test_common_part_leaves_out_what_belongs_to_a_lot() -> None:
    area = settings.MovementSettings()
    made = random.make(area)
    own = made.extensibility - made.extensibility.mean()
    values = np.array([40 * made.restraint, 40 * made.restraint + 10 * own, np.full(made.count, 3.0)])
    told = predict.smooth(values, np.array([[0.0], [4.0], [9.0]]) + 0 * values, made)
    np.testing.assert_allclose(told.common[0], values[0], atol=0.01)
    np.testing.assert_allclose(told.common[1], values[0], atol=0.2)
    np.testing.assert_allclose(told.scatter, [0, np.hypot(10 * own.std(), 2), 3], rtol=0.2, atol=0.02)


# ---------------------------------------------------------------- weights, blocks, scales
def flat_rows(values: np.ndarray, single: bool = False) -> Rows:
    n = values.size
    return Rows(values, np.full(n, 2.0), np.full(n, single), np.arange(n), 1e4 * np.arange(n), np.zeros(n))


def test_weights_by_hand() -> None:
    """Two draws, one house, no scatter: exp(-(y - f)^2 / (2 sd^2)) with the discrepancy's zero term the largest."""
    common = np.array([[0.0, 1e-9]])
    rows = flat_rows(np.array([1.0]))
    made = physical.fit(rows, predict.Expected(common, np.zeros(1)), 500.0)
    np.testing.assert_allclose(made.weight, 0.5)
    far = physical.fit(flat_rows(np.full(9, 30.0)), predict.Expected(np.tile(np.linspace(0, 30, 200), (9, 1)),
                                                                       np.ones(9)), 500.0)
    assert far.ess == pytest.approx(physical.LEAST_ESS, rel=1e-3)
    assert far.ess_untempered < far.ess
    assert far.exponent < 1
    assert far.weight[-1] == far.weight.max()
    assert np.interp(0.5, np.cumsum(far.weight), np.linspace(0, 30, 200)) > 25


def test_single_surveys_count_less_than_changes() -> None:
    expected = predict.Expected(np.tile(np.linspace(0, 30, 200), (9, 1)), np.ones(9))
    ess = [physical.fit(flat_rows(np.full(9, 15.0), single), expected, 500.0).ess_untempered
           for single in (False, True)]
    assert ess[0] < ess[1]


def test_weighted_quantiles_with_even_weights_are_quantiles() -> None:
    values = np.random.default_rng(1).normal(size=(3, 400))
    told = physical.quantiles(values, np.full(400, 1 / 400))
    np.testing.assert_allclose(told, np.percentile(values, (10, 50, 90), axis=1, method="hazen"), atol=1e-9)


def test_splits_keep_block_house_and_neighbourhood_apart() -> None:
    rng = np.random.default_rng(2)
    x, y = rng.uniform(0, 3000, (2, 120))
    house = [str(k // 2) for k in range(120)]  # two rows a house, here even at two places
    seen = np.zeros(120, dtype=int)
    for fitted, out in blocks.blocked(blocks.by_place(x, y, 500.0), house, x, y, 400.0):
        seen[out] += 1
        away = np.hypot(x[fitted][:, None] - x[out], y[fitted][:, None] - y[out])
        assert away.min() >= 400.0
        assert not {house[k] for k in fitted} & {house[k] for k in out}
    assert (seen == 1).all()
    moved = blocks.by_place(x[:10], y[:10], 500.0)
    assert moved == blocks.by_place(x, y, 500.0)[:10]  # company changes no block


def test_scale_of_the_range_by_hand() -> None:
    assert crossval.scale_of(np.arange(1, 10) / 10 + 0.5) == pytest.approx(1.3)  # rank 8 of 9
    assert crossval.scale_of(np.zeros(9)) == crossval.SCALE_LIMITS[0]
    rows = flat_rows(np.array([10.0, 10.0]))
    told = crossval.Ranges(np.zeros(2), np.array([1.0, 1.0]), np.array([5.0, 50.0]))
    noise = crossval.NORMAL_P90 * 2.0
    np.testing.assert_allclose(crossval.scores(rows, told), np.sqrt(100 - noise**2) / np.array([5.0, 50.0]))
    assert crossval.coverage(crossval.scores(rows, told)) == 0.5


# ---------------------------------------------------------------- the table
@pytest.mark.parametrize(("line", "code", "column"), [
    (",2024-03,,,5,,a,,", "E-CAL-010", "lot_id"), ("nope,2024-03,,,5,,a,,", "E-CAL-011", "lot_id"),
    ("{lot},March 2024,,,5,,a,,", "E-CAL-020", "first_date"),
    ("{lot},2024-03,2024-03,1,,,a,,", "E-CAL-021", "second_date"),
    ("{lot},2031-01,,,5,,a,,", "E-CAL-022", "first_date or second_date"),
    ("{lot},1931-01,,,5,,a,,", "E-CAL-023", "first_date"), ("{lot},2024-03,,,nan,,a,,", "E-CAL-030", "dome_mm"),
    ('{lot},2024-03,,,"3,5",,a,,', "E-CAL-030", "dome_mm"), ("{lot},2024-03,,,1e9,,a,,", "E-CAL-030", "dome_mm"),
    ("{lot},2024-03,,,400,,a,,", "E-CAL-031", "dome_mm"), ("{lot},2024-03,,3,,,a,,", "E-CAL-032", "dome_mm"),
    ("{lot},2023-03,2024-03,,4,,a,,", "E-CAL-032", "change_mm"),
    ("{lot},2024-03,,,5,0,a,,", "E-CAL-033", "reading_sd_mm"),
    ("{lot},2024-03,,,5,,a,,piers", "W-CAL-014", "exclude"), ("{none},2024-03,,,5,,a,,", "E-CAL-013", "lot_id"),
])
def test_rows_that_cannot_be_used_are_told_and_kept(run: Results, tmp_path: Path, line: str, code: str, column: str) \
        -> None:
    lots = run.lots
    line = line.format(lot=rows_of(run)["lot_id"][0], none=lots.loc[lots["state"] != "", "lot_id"].iloc[0])
    path = tmp_path / "s.csv"
    path.write_text(HEAD + line + "\n", encoding="utf-8")
    told = calibrate.calibrate(run, path)
    problem = next(p for p in told.problems if p.code != "W-CAL-052")
    assert (problem.code, problem.row, problem.column) == (code, 2, column)
    assert told.comparisons[["status", "why"]].to_numpy().tolist() == [["not_used", code]]
    assert problem.remedy
    assert [r.code for r in told.model.refused][:1] == ["E-CAL-100"]


def test_a_refusal_carries_the_findings_made_until_then(run: Results, tmp_path: Path,
                                                         monkeypatch: pytest.MonkeyPatch) -> None:
    """Those of the file, those of its lots, and those that the refusal had of its own, in this order."""
    own = Problem("E-CAL-211", "run", rule="not computed again.", remedy="", action="")

    def refuse(*_: object, **__: object) -> None:
        error = LayerError("E-CAL-211 the run cannot be computed again.")
        error.problems = [own]
        raise error

    path = tmp_path / "s.csv"
    lot = rows_of(run)["lot_id"][0]
    path.write_text(HEAD + f"{lot},2024-03,,,,,,,\nno such lot,2024-03,,,5,,,,\n", encoding="utf-8")
    told = calibrate.calibrate(run, path).problems
    assert [(p.code, p.row) for p in told] == [("E-CAL-032", 2), ("E-CAL-011", 3)]
    monkeypatch.setattr(predict, "of_rows", refuse)
    with pytest.raises(LayerError, match="E-CAL-211") as refusal:
        calibrate.calibrate(run, path)
    assert refusal.value.problems == [*told, own]


def test_a_lot_without_a_pour_date_is_told_as_such(run: Results, tmp_path: Path) -> None:
    lots = run.lots.copy()
    known = lots.loc[(lots["state"] == "") & (lots["pour_from"] > "1985"), "lot_id"].iloc[0]
    lots.loc[lots["lot_id"] == known, ["pour_date_basis", "pour_from"]] = "none", "1950-01"
    path = tmp_path / "s.csv"
    path.write_text(HEAD + f"{known},1982-01,,,5,,,,\n{known},1972-01,,,5,,,,\n", encoding="utf-8")
    said: list[str] = []
    undated = calibrate.calibrate(replace(run, lots=lots), path, warn=said.append)
    rule = next(p for p in undated.problems if p.row == 2)
    assert rule.code == "E-CAL-024"
    late = lots.loc[lots["lot_id"] == known, "pour_to"].iloc[0]
    assert rule.rule == f"the pour date of this lot is not known (1950-01..{late})."
    assert undated.comparisons["why"].tolist() == ["E-CAL-024", "E-CAL-023"]  # before the record a date does not help
    dated = calibrate.calibrate(run, path)
    assert set(dated.comparisons["why"]) == {"E-CAL-023"}
    assert said == ["The rows reach at most 1 house in 1 block; a calibration needs 30 houses in 5 blocks and stays "
                    "off. They are compared; nothing is tested by leaving blocks out."]


@pytest.mark.parametrize(("content", "code"), [
    ("", "E-CAL-003"), ("lot_id,first_date\nA,2024-01\n", "E-CAL-004"), ("lot_id,lot_id,first_date,dome_mm\n1,1,1,1\n",
                                                                            "E-CAL-005"),
    ("lot_id,first_date,dome_mm,dome_in\n1,1,1,1\n", "E-CAL-005"),
    ("lot_id,first_date,dome_mm\nA,2024-01,3,5\n", "E-CAL-006"),
    ("lot_id,first_date,dome_mm\n" + "a" * 300 + ",2024-01,3\n", "E-CAL-080"),
    ("lot_id,first_date,dome_mm\n" + "A,2024-01,3\n" * 2001, "E-CAL-007"),
])
def test_files_that_are_no_table(tmp_path: Path, content: str, code: str) -> None:
    path = tmp_path / "s.csv"
    path.write_text(content, encoding="utf-8")
    with pytest.raises(LayerError, match=code):
        surveys.read(path)
    path.write_bytes(b"\xff\xfe\x00lot_id")
    with pytest.raises(LayerError, match="E-CAL-00"):
        surveys.read(path)


def test_inches_duplicates_blocks_and_sources(tmp_path: Path) -> None:
    path = tmp_path / "s.csv"
    path.write_text("lot_id,first_date,second_date,change_in,reading_sd_in,source,block\nA,2023-01,2024-01,1,0.1,Jo,n\n"
                    "A,2023-01,2024-01,2,,Al,n\nB,2023-01,2024-01-15,0.5,,Jo,n\nB,2023-02,2024-01,0.5,,Jo,s\n",
                    encoding="utf-8")
    table, problems = surveys.read(path)
    assert table["value_mm"].tolist() == pytest.approx([25.4, 50.8, 12.7, 12.7])
    assert table["reading_sd_mm"].tolist() == pytest.approx([2.54, *[2.54 * np.sqrt(2)] * 3])
    assert table["source"].tolist() == ["source 1", "source 2", "source 1", "source 1"]
    assert table["why"].tolist() == ["E-CAL-063", "E-CAL-063", "E-CAL-041", "E-CAL-041"]
    assert [(p.code, p.row) for p in problems] == [("W-CAL-052", None), ("E-CAL-063", 2), ("E-CAL-063", 3),
                                                   ("E-CAL-041", 4), ("E-CAL-041", 5)]
    assert "Names become source 1, source 2" in problems[0].action
    path.write_text("lot_id,first_date,second_date,change_in\nA,2023-01,2024-01,1\nA,2023-01,2024-01,1.1\n",
                    encoding="utf-8")
    assert surveys.read(path)[0]["why"].tolist() == ["", "E-CAL-040"]  # the same within the reading errors: the first


def test_rows_of_a_house_that_contradict_each_other_bar_the_house(tmp_path: Path) -> None:
    """By hand: 10 and 14 mm are a change of 4, known to 2.54 sqrt(2) = 3.6 as the change itself is, together 5.1 mm.

    A says 4; B says -16, 20 mm or 3.9 standard deviations away; the changes of C add up to 10 and not 15, 5 mm or 0.8.
    """
    path = tmp_path / "s.csv"
    path.write_text(HEAD + "A,2023-01,,,10,,,,\nB,2023-01,,,10,,,,\nA,2024-01,,,14,,,,\nB,2024-01,,,14,,,,\n"
                    "A,2023-01,2024-01,4,,,,,\nB,2023-01,2024-01,-16,,,,,\nC,2022-01,2023-01,5,,,,,\n"
                    "C,2023-01,2024-01,5,,,,,\nC,2022-01,2024-01,15,,,,,\n", encoding="utf-8")
    table, problems = surveys.read(path)
    assert table["why"].tolist() == ["", "E-CAL-063", "", "E-CAL-063", "", "E-CAL-063", "", "", ""]
    assert [p.row for p in problems] == [3, 5, 7]
    assert "rows 3, 5, 7 of this house" in problems[0].rule
    assert surveys.read(path)[0].equals(table)


def test_units_that_rows_deny_or_that_a_source_seems_to_have(tmp_path: Path) -> None:
    path = tmp_path / "s.csv"
    rows = "".join(f"L{k},2024-01,,,0.{k},,tiny,,\n" for k in range(1, 7))
    path.write_text(HEAD.strip() + ",unit\nA,2024-01,,,20,,x,,,mm\nB,2024-01,,,0.8,,x,,,in\n"
                    "C,2024-01,,,1,,x,,,Inches\n" + rows, encoding="utf-8")
    table, problems = surveys.read(path)
    assert table["why"].tolist() == ["", "E-CAL-065", "E-CAL-065", *["E-CAL-066"] * 6]
    assert [p.code for p in problems if p.row == 3] == ["E-CAL-065"]
    path.write_text(HEAD + rows.replace("0.6", "4.0"), encoding="utf-8")
    assert set(surveys.read(path)[0]["why"]) == {""}


def test_a_date_that_cannot_be_bars_the_house(run: Results, tmp_path: Path) -> None:
    lots = run.lots
    known = lots.loc[(lots["state"] == "") & (lots["pour_from"] > "1985") & (lots["pour_date_basis"] != "none"),
                     "lot_id"].iloc[:2].tolist()
    path = tmp_path / "s.csv"
    now = int(run.today[:4])
    path.write_text(HEAD + f"{known[0]},1984-01,,,5,,,,\n{known[0]},{now - 1}-01,,,5,,,,\n"
                    f"{known[1]},{now + 5}-01,,,5,,,,\n{known[1]},{now - 1}-01,,,5,,,,\n", encoding="utf-8")
    made = calibrate.calibrate(run, path, latest=12 * (now + 1))
    assert made.comparisons["why"].tolist() == ["E-CAL-023", "E-CAL-064", "E-CAL-067", "E-CAL-064"]
    newer = calibrate.calibrate(run, path, latest=12 * (now + 9))  # newer than the run: that row only
    assert newer.comparisons["why"].tolist() == ["E-CAL-023", "E-CAL-064", "E-CAL-022", ""]


def test_an_id_copied_from_a_table_of_the_run_is_found(run: Results, tmp_path: Path) -> None:
    lots = run.lots.copy()
    place = lots.index[lots["state"] == ""][0]
    lots.loc[place, "lot_id"] = "=1+1"
    path = tmp_path / "s.csv"
    path.write_text(HEAD + "'=1+1,2024-03,,,5,,,,\n", encoding="utf-8")
    table, _ = surveys.match(surveys.read(path)[0], replace(run, lots=lots), "s.csv")
    assert table["lot_row"].tolist() == [lots.index.get_loc(place)]


# ---------------------------------------------------------------- the command
def test_the_command_writes_model_card_and_table(made: tuple[Result, Path], town: trials.Town) -> None:
    done, folder = made
    assert done.exit_code == 0, (done.output, done.exception)
    assert sorted(p.name for p in folder.iterdir()) == ["calibration.html", "calibration.json", "calibration.md",
                                                          "comparisons.csv", "lots_calibrated.csv", "problems.json"]
    model = model_file.read(folder / "calibration.json")
    assert model.physical.on
    assert model.counts.rows == len(town.table)
    assert model.physical.blocked_error_mm is not None
    assert len(model.weights.weight) == 200
    table = pd.read_csv(folder / "comparisons.csv", dtype={"lot_id": str})
    assert table["row"].tolist() == list(range(2, len(town.table) + 2))
    aside = table[table["status"] == "set_aside"]
    assert 4 in aside["row"].tolist()  # the third row of the table
    assert {o.row for o in model.quarantined} == set(aside["row"])
    card = (folder / "calibration.md").read_text(encoding="utf-8")
    assert "row 4" in card
    assert "left out by block" in card
    assert STANDING not in card


def test_people_reach_no_file(made: tuple[Result, Path]) -> None:
    done, folder = made
    told = done.output + "".join(p.read_text(encoding="utf-8") for p in folder.iterdir())
    told = re.sub(r"url\(data:[^)]*\)", "", told)  # the typeface of the page, in letters by chance
    assert "Ada" not in told
    assert "=Bo" not in told
    listed = json.loads((folder / "problems.json").read_text(encoding="utf-8"))
    assert [p["code"] for p in listed][:3] == ["W-CAL-050", "W-CAL-051", "W-CAL-052"]
    assert all(name in listed[0]["rule"] for name in ("owner_name", "postcode", "census_tract"))


def test_no_word_of_a_verdict(made: tuple[Result, Path]) -> None:
    from contracts.test_wording import text_of, words_of

    done, folder = made
    for path in folder.iterdir():
        assert words_of(text_of(path)) == [], path.name
    assert words_of(done.output) == []


def test_the_same_surveys_give_the_same_files(made: tuple[Result, Path], calibration_run: Path, survey_file: Path,
                                              tmp_path: Path) -> None:
    call(calibration_run, survey_file, tmp_path / "again")
    for path in made[1].iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name


def test_few_houses_are_compared_and_change_nothing(town: trials.Town, calibration_run: Path, tmp_path: Path) \
        -> None:
    few = town.part((town.table["house"] < 12).to_numpy())
    path = write_csv(few, trials.invent(few, 1, 0), tmp_path / "s.csv")
    done = call(calibration_run, path, tmp_path / "o")
    assert done.exit_code == 1
    assert "The rows reach at most 12 houses in " in done.stderr.splitlines()[0]
    assert not (tmp_path / "o" / "lots_calibrated.csv").exists()
    card = (tmp_path / "o" / "calibration.md").read_text(encoding="utf-8")
    assert "E-CAL-100: 12 houses" in card
    assert STANDING in card
    with pytest.raises(LayerError, match="E-CAL-210"):
        apply.to_run(run_of(calibration_run), model_file.read(tmp_path / "o" / "calibration.json"))


# ---------------------------------------------------------------- applying it
def test_even_weights_give_the_numbers_of_the_run(made: tuple[Result, Path], run: Results) -> None:
    content = json.loads((made[1] / "calibration.json").read_text(encoding="utf-8"))
    content["weights"] |= {"weight": [1 / 200] * 200, "effective_sample_size": 200.0, "discrepancy_share": 0.0}
    content["physical"]["range_scale"] = 1.0
    content["statistical"]["on"] = False
    table = apply.to_run(run, model_file.Model.model_validate(content))
    for name in apply.NUMBERS:
        for end in ("", "_p10", "_p90"):
            np.testing.assert_allclose(table[f"calibrated_{name}{end}"], table[f"{name}{end}"], atol=1e-9)
    assert len(table) == len(run.lots)
    assert (table["calibrated_expected_movement_mm"].isna() == (run.lots["state"] != "").to_numpy()).all()


def test_other_settings_are_refused(made: tuple[Result, Path], run: Results) -> None:
    model = model_file.read(made[1] / "calibration.json")
    other = {**run.settings, "movement": {**run.settings["movement"], "seed": 1}}
    with pytest.raises(LayerError, match="E-CAL-212"):
        apply.to_run(replace(run, settings=other), model)
    kept = {**run.settings, "movement": {**run.settings["movement"], "history_months": 0}}
    assert apply.settings_digest(settings.Area.model_validate(kept)) == model.run.settings_sha256


def put(outputs: Path, folder: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["calibrate", "latest", *words, "--outputs", str(outputs), "--into", str(folder)])


def test_a_calibration_made_before_gives_the_same_lots(made: tuple[Result, Path], calibration_run: Path,
                                                      tmp_path: Path) -> None:
    done = put(calibration_run, tmp_path / "o", "--calibration", str(made[1] / "calibration.json"))
    assert done.exit_code == 0, (done.output, done.exception)
    assert sorted(p.name for p in (tmp_path / "o").iterdir()) == ["calibration.html", "calibration.json",
                                                                  "calibration.md", "lots_calibrated.csv",
                                                                  "problems.json"]
    for name in ("calibration.json", "lots_calibrated.csv"):
        assert (tmp_path / "o" / name).read_bytes() == (made[1] / name).read_bytes()
    assert json.loads((tmp_path / "o" / "problems.json").read_text(encoding="utf-8")) == []
    assert "No survey was compared with it" in (tmp_path / "o" / "calibration.md").read_text(encoding="utf-8")


def test_another_area_is_told(made: tuple[Result, Path], run: Results, tmp_path: Path) -> None:
    model = model_file.read(made[1] / "calibration.json")
    found = files.write_applied(model, replace(run, area_name="South side"), tmp_path, workers=1)
    assert [(p.code, p.value) for p in found.problems] == [("W-CAL-214", "South side")]
    assert model.run.area in found.problems[0].rule
    assert f"**South side, {run.today}**" in (tmp_path / "calibration.md").read_text(encoding="utf-8")


@pytest.mark.parametrize(("words", "code"), [
    ((), "E-CAL-081"), (("{surveys}", "--calibration", "{model}"), "E-CAL-081"),
    (("--calibration", "{other}"), "E-CAL-213"), (("--calibration", "{off}"), "E-CAL-210"),
    (("--calibration", "{surveys}"), "E-CAL-202"), (("--calibration", "none"), "E-CAL-200")])
def test_what_cannot_be_put_to_a_run_leaves_nothing(words: tuple[str, ...], code: str, made: tuple[Result, Path],
                                                    calibration_run: Path, survey_file: Path, tmp_path: Path) -> None:
    content = json.loads((made[1] / "calibration.json").read_text(encoding="utf-8"))
    content["run"]["code"] = "another"
    other, off = tmp_path / "other.json", tmp_path / "off.json"
    other.write_text(json.dumps(content), encoding="utf-8")
    content["physical"]["on"] = content["statistical"]["on"] = False
    content["weights"]["weight"] = []
    off.write_text(json.dumps(content), encoding="utf-8")
    given = {"surveys": survey_file, "model": made[1] / "calibration.json", "other": other, "off": off}
    done = put(calibration_run, tmp_path / "o", *(word.format(**given) for word in words))
    assert isinstance(done.exception, LayerError)
    assert str(done.exception).startswith(code)
    assert not (tmp_path / "o").exists()


def test_calibrated_numbers_lie_nearer_to_the_truth(made: tuple[Result, Path], town: trials.Town) -> None:
    table = pd.read_csv(made[1] / "lots_calibrated.csv")
    single = (town.table["kind"] == "single").to_numpy()
    rows = town.table["lot_row"].to_numpy()[single]
    truth = town.truth_mm[single, 0].mean(axis=1)
    off = [np.sqrt(np.mean((table[name].to_numpy()[rows] - truth) ** 2))
           for name in ("bend_now_mm", "calibrated_bend_now_mm")]
    assert off[1] < off[0]


# ---------------------------------------------------------------- hostile files
def changed(content: dict[str, Any], path: str, value: object) -> bytes:
    place = content = json.loads(json.dumps(content))
    *keys, last = path.split(".")
    for key in keys:
        place = place[key]
    place[last] = value
    return json.dumps(content).encode()


@pytest.mark.parametrize(("path", "value"), [
    ("physical.range_scale", "2"), ("physical.range_scale", True), ("physical.range_scale", 1e300),
    ("physical.range_scale", float("nan")), ("physical.range_scale", float("inf")), ("physical.range_scale", None),
    ("weights.weight", [1.0]), ("weights.weight", "A" * 1000), ("weights.weight", [0.5] * 200), ("weights.weight", []),
    ("weights.effective_sample_size", 150.0),
    ("weights.weight", [-1.0, 2.0]), ("weights.weight", [[1.0]]), ("counts.houses", 12), ("counts.blocks", 4),
    ("counts.rows", -1), ("counts.rows", 10**40), ("coefficients_mm", [1e9] * 8), ("coefficients_mm", [0.0] * 9),
    ("terms", ["__class__"] * 8), ("terms", ["eval(1)"] * 8), ("run.area", "__import__('os').system('x')"),
    ("run.area", "<script>"), ("run.area", "../../etc"), ("run.area", "x" * 65), ("riskmap", "{{7*7}}"),
    ("run.settings_sha256", "0"), ("refused", [{"code": "E-CAL-100", "layer": "physical", "text": "=cmd()"}]),
    ("refused", [{"code": "E-CAL-104", "layer": "physical", "text": "no gain"}]), ("version", 1), ("version", True),
    ("format", "pickle"), ("penalty", {"__reduce__": 1}), ("extra", 1), ("__class__", "os"),
])
def test_hostile_values_are_refused(made: tuple[Result, Path], path: str, value: object) -> None:
    content = json.loads((made[1] / "calibration.json").read_text(encoding="utf-8"))
    assert model_file.parse(json.dumps(content).encode(), "m.json").physical.on
    with pytest.raises(LayerError, match=r"E-CAL-20[2-5] m\.json"):
        model_file.parse(changed(content, path, value), "m.json")


@pytest.mark.parametrize("raw", [
    b"", b"\x80\x04\x95", b"\xff\xfe", b"null", b"[]", b"7", b"[" * 500_000, b'{"a":' * 100_000, b'"' * 900_001,
    b'"\\"' * 300_000, b'{"format": "riskmap-calibration", "format": "riskmap-calibration"}', b"9" * 900_000,
    b'{"format": "riskmap-calibration", "version": 1e999}', b"cos\nsystem\n(S'ls'\ntR.", b"!!python/object:os.system",
])
def test_hostile_files_are_refused_at_once(raw: bytes) -> None:
    began = time.perf_counter()
    with pytest.raises(LayerError, match=r"E-CAL-20[2-5] m\.json"):
        model_file.parse(raw, "m.json")
    assert time.perf_counter() - began < 5.0


def test_files_too_large_or_not_there(tmp_path: Path) -> None:
    (tmp_path / "large.json").write_bytes(b" " * (model_file.MOST_BYTES + 1))
    for name, code in (("large.json", "E-CAL-201"), ("none.json", "E-CAL-200"), (".", "E-CAL-200")):
        with pytest.raises(LayerError, match=code):
            model_file.read(tmp_path / name)


def test_quantities_that_are_applied_are_those_of_the_engine() -> None:
    assert kernels.QUANTITIES[kernels.NOW] == "bend_now"
    assert kernels.QUANTITIES[kernels.REPLAY:kernels.REPLAY + kernels.REPLAYS] == ("replay_0", "replay_1", "replay_2")
