"""Lots that the user chooses for rows of a list: what is open, what is taken, what is not and why."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from finished_runs import finished
from hostile_texts import TEXTS
from invented_results import results

from riskmap import api
from riskmap.answers import screen_choices
from riskmap.cli.main import cli
from riskmap.common.errors import LayerError, RiskmapError
from riskmap.common.results import Results


@pytest.fixture(scope="module")
def found() -> Results:
    """A run in which the lots 3 and 4 have one id and are not equal."""
    made = results()
    lots = made.lots.copy()
    lots["lot_id"] = [f"L{k:03d}" for k in range(len(lots))]
    lots.loc[4, "lot_id"] = "L003"
    return replace(made, lots=lots)


@pytest.fixture(scope="module")
def run(found: Results, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return finished(tmp_path_factory.mktemp("choices"), found)


def a_list(folder: Path, *rows: str) -> Path:
    path = folder / "list.csv"
    path.write_text("\n".join(["name,lot_id", *rows]) + "\n", encoding="utf-8")
    return path


def choices(folder: Path, *rows: str, heading: str = "row,listed_as,chosen_lot_id") -> Path:
    path = folder / "c.csv"
    path.write_text("\n".join([heading, *rows]) + "\n", encoding="utf-8")
    return path


def test_rows_without_a_lot_are_open_with_what_they_may_mean(run: Path, tmp_path: Path) -> None:
    made = api.screen(run, a_list(tmp_path, "a,L001", "b,L003", "c,none"), into=tmp_path / "s")
    told = api.answered_list(made.folder)
    assert [(row.row, row.listed_as, row.status, row.candidates, row.chosen) for row in told.open_rows] == [
        (3, "L003", "ambiguous", ("L003 (lot_row 3)", "L003 (lot_row 4)"), ""), (4, "none", "unmatched", (), "")]
    assert (told.listing, told.run, told.open_count, told.counts["rows"]) == ("list.csv", run.name, 2, 3)
    assert told.cautions[0].startswith("Use this list only")
    with (made.folder / "choices.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["row"], row["candidates"], row["chosen_lot_id"]) for row in rows] == [
        ("3", "L003 (lot_row 3) ; L003 (lot_row 4)", ""), ("4", "", "")]


def test_a_list_whose_rows_all_fit_has_no_file_of_choices(run: Path, tmp_path: Path) -> None:
    made = api.screen(run, a_list(tmp_path, "a,L001"), into=tmp_path / "s")
    assert not (made.folder / "choices.csv").exists()
    assert api.answered_list(made.folder).open_rows == ()


@pytest.mark.parametrize("chosen", [3, 4])
def test_the_lot_that_was_chosen_answers_the_row(chosen: int, run: Path, found: Results, tmp_path: Path) -> None:
    listing = a_list(tmp_path, "a,L001", "b,L003", "c,none")
    file = choices(tmp_path, f"3,L003,L003 (lot_row {chosen})", "4,none,L002")
    made = api.screen(run, listing, choices=file, into=tmp_path / "s")
    rows = made.answer.rows
    assert rows["match_status"].tolist() == ["matched"] * 3
    assert rows["matched_by"].tolist() == ["parcel id", "your choice", "your choice"]
    assert rows["match_note"].tolist()[1:] == ["you chose this lot among 2 lots that the row fits",
                                               "you chose this lot; the row itself fits none"]
    lots = found.lots.iloc[[1, chosen, 2]]
    told = rows["long_run_mm"].to_numpy(float)
    expected = np.where(lots["state"] == "", lots["long_run_mm"].to_numpy(float).round(1), np.nan)
    np.testing.assert_allclose(told, expected, atol=0.051)
    open_rows = api.answered_list(made.folder).open_rows
    assert [row.chosen for row in open_rows] == [f"L003 (lot_row {chosen})", "L002"]  # both can be chosen again
    assert open_rows[0].candidates == ("L003 (lot_row 3)", "L003 (lot_row 4)")
    again = api.screen(run, listing, choices=made.folder / "choices.csv", into=tmp_path / "again")
    pd.testing.assert_frame_equal(again.answer.rows, rows)  # the file that comes back says the same
    assert made.answer.problems == [] or "W-SCR-071" not in str(made.answer.problems)


@pytest.mark.parametrize(("choice", "said"), [
    ("9,x,L001", "the list has no such row"), ("3,other,L001", "the list has another name for this row than listed_as"),
    ("3,L003,nowhere", "the chosen id is not among the lots"), ("3,L003,L003", "several lots have the chosen id"),
    ("3,L003,L003 (lot_row 5)", "the chosen id is not among the lots"),
    ("3,L003,L003 (lot_row 999999)", "the chosen id is not among the lots")])
def test_a_choice_that_is_not_certain_is_not_taken(choice: str, said: str, run: Path, tmp_path: Path) -> None:
    listing = a_list(tmp_path, "a,L001", "b,L003", "c,none")
    made = api.screen(run, listing, choices=choices(tmp_path, choice), into=tmp_path / "s")
    assert made.answer.rows["match_status"].tolist() == ["matched", "ambiguous", "unmatched"]
    assert [problem.rule for problem in made.answer.problems if problem.code == "W-SCR-071"] == [
        f"1 choice (row {choice.split(',')[0]} of the list): {said}."]


def test_another_lot_than_the_row_names_is_told(run: Path, tmp_path: Path) -> None:
    listing, file = a_list(tmp_path, "a,L001", "b,L003"), choices(tmp_path, "2,L001,L002", "3,L003,L001")
    made = api.screen(run, listing, choices=file, into=tmp_path / "s")
    assert made.answer.rows["matched_lot_id"].tolist() == ["L002", "L001"]
    assert made.answer.rows["match_note"].tolist() == ["you chose this lot; the row itself fits 1 other lot",
                                                       "you chose this lot; the row itself fits 2 other lots"]


def test_a_spreadsheet_that_takes_the_zeros_away_does_no_harm(found: Results, tmp_path: Path) -> None:
    lots = found.lots.copy()
    lots["lot_id"] = [f"00{k}7" for k in range(len(lots))]
    run = finished(tmp_path / "zeros", replace(found, lots=lots))
    made = api.screen(run, a_list(tmp_path, "a,none"), choices=choices(tmp_path, "2,17", heading="row,chosen_lot_id"),
                      into=tmp_path / "s")
    assert made.answer.rows["matched_lot_id"].tolist() == ["0017"]


@pytest.mark.parametrize(("text", "said"), [
    ("lot_id\nL001\n", "are needed"), ("row,chosen_lot_id\nx,L001\n", "rows 2"),
    ("row,chosen_lot_id\n2,L001\n2,L002\n", "rows 2, 3"), ("row,row,chosen_lot_id\n2,2,L001\n", "are needed")])
def test_a_file_that_is_none_of_choices_is_refused(text: str, said: str, run: Path, tmp_path: Path) -> None:
    (tmp_path / "c.csv").write_text(text, encoding="utf-8")
    with pytest.raises(LayerError, match=rf"^E-SCR-015 .*{said}"):
        api.screen(run, a_list(tmp_path, "a,L001"), choices=tmp_path / "c.csv", into=tmp_path / "s")
    assert not (tmp_path / "s").exists()
    with pytest.raises(LayerError, match=r"^E-SCR-015 gone\.csv: no such file"):
        screen_choices.read(tmp_path / "gone.csv")


def test_ids_that_a_spreadsheet_would_run_are_chosen_as_they_are(found: Results, tmp_path: Path) -> None:
    texts = [text for text in dict.fromkeys(TEXTS) if text.strip() and text == text.strip()
             and not set(text) & set("\x00\r\n")][:len(found.lots)]
    lots = found.lots.copy()
    lots["lot_id"] = [*texts, *(f"L{k}" for k in range(len(lots) - len(texts)))]
    run = finished(tmp_path / "hostile", replace(found, lots=lots))
    listing = a_list(tmp_path, "a,none")
    runs = [text for text in texts if text[0] in "=+-@"]
    assert len(runs) >= 2
    for k, text in enumerate(runs):
        file = api.choose_lots([(2, "none", text)], tmp_path / f"c{k}.csv")
        made = api.screen(run, listing, choices=file, into=tmp_path / f"s{k}")
        assert made.answer.rows["matched_lot_id"].tolist() == [text]


def test_the_command_takes_the_same_file(run: Path, tmp_path: Path) -> None:
    listing, file = a_list(tmp_path, "b,L003"), choices(tmp_path, "2,L003,L003 (lot_row 3)")
    done = CliRunner().invoke(cli, ["screen", str(run), str(listing), "--choices", str(file), "--into",
                                    str(tmp_path / "s")])
    assert done.exit_code in (0, 1), done.output
    told = json.loads((tmp_path / "s" / "screened.json").read_text(encoding="utf-8"))
    assert told["open_rows"][0]["status"] == "matched"


@pytest.mark.parametrize("content", ["", "{", "[]", "{\"list\": 1}"])
def test_a_damaged_answer_is_refused(content: str, tmp_path: Path) -> None:
    (tmp_path / "screened.json").write_text(content, encoding="utf-8")
    with pytest.raises(RiskmapError, match=r"^E-SCR-016"):
        api.answered_list(tmp_path)
