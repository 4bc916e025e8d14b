"""`explain`, `verify` and `compare` as a user types them."""

from __future__ import annotations

import csv
import json
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from changed_areas import edited_lots, write_area
from click.testing import CliRunner, Result
from finished_runs import finished, with_manifest
from invented_results import results

from riskmap import api
from riskmap.answers import change_table, compare
from riskmap.cli.main import cli
from riskmap.common.errors import RunFolderError
from riskmap.run import flow
from riskmap.run import folder as run_folder


def call(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words], catch_exceptions=True)


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("outputs")
    finished(folder, results())
    return folder


@pytest.mark.parametrize(("units", "unit"), [("us", " in"), ("si", " mm")])
def test_explain_tells_number_range_reasons_and_cautions(outputs: Path, units: str, unit: str) -> None:
    done = call("explain", "latest", "0000040", "--units", units, "--outputs", outputs)
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()
    begins = ["Now: ", "Next 12 months: against the edge, the middle ", "Largest bending from now to October 2026: ",
              "Long run: ", "If a dry year came again: "]
    assert [line[: len(begin)] for line, begin in zip(lines[1:6], begins, strict=True)] == begins
    assert all(re.search(rf"\d{unit}\b", line) for line in lines[1:6])
    for words in ("The true figure may be half or double", "does not replace a visit", "gaps in the data on this lot",
                  "Why this lot's estimate differs from that of the typical lot here"):
        assert words in done.output
    other = {"us": r"\d mm\b", "si": r"\d in\b"}[units]  # a note may give both
    assert [line for line in lines if re.search(other, line) and not line.startswith("Note: ")] == []


def test_explain_tells_a_state_as_a_state(outputs: Path) -> None:
    lots = results().lots
    row = lots.index[lots["state"] == "not_enough_data"][0]
    done = call("explain", "latest", lots.loc[row, "lot_id"], "--outputs", outputs)
    assert done.exit_code == 1
    assert "No estimate: not_enough_data" in done.output
    assert "No estimate does not mean low movement" in done.output
    assert " in (" not in done.output


def test_explain_of_an_unknown_lot_names_similar_ones(outputs: Path) -> None:
    done = call("explain", "latest", "000004", "--outputs", outputs)
    assert isinstance(done.exception, RunFolderError)
    assert "E-RUN-013 '000004' is not among the 60 lots of the run. Similar: 0000040" in str(done.exception)


def test_explain_takes_an_id_as_a_list_may_write_it(outputs: Path) -> None:
    done = call("explain", "latest", "000-0040", "--outputs", outputs)
    assert done.exit_code == 0, done.exception
    assert done.output.startswith("'000-0040' is lot '0000040': parcel id compared without case, blanks and dashes.\n")
    assert done.output.split("\n", 2)[2] == call("explain", "latest", "0000040", "--outputs", outputs).output
    assert "'40' is lot '0000040': parcel id compared without leading zeros." in api.explain("latest", "40",
                                                                                           outputs=outputs)


def test_explain_of_an_id_that_fits_several_or_is_mistyped_names_them(tmp_path: Path) -> None:
    lots = results().lots
    lots.loc[[40, 41, 42], "lot_id"] = ["A-1007", "a1007 ", "B-77310"]
    finished(tmp_path, replace(results(), lots=lots))
    told = str(call("explain", "latest", "A1007", "--outputs", tmp_path).exception)
    assert told.endswith("is not among the 60 lots of the run. It fits several: A-1007, a1007 . Write one of them.")
    assert call("explain", "latest", "A-1007", "--outputs", tmp_path).exit_code == 0
    assert "Similar: B-77310." in str(call("explain", "latest", "b77130", "--outputs", tmp_path).exception)
    assert str(call("explain", "latest", "zzz", "--outputs", tmp_path).exception).endswith("lots of the run.")
    assert str(call("explain", "latest", "", "--outputs", tmp_path).exception).endswith("lots of the run.")


@pytest.mark.parametrize("name", ["nowhere", "../x"])
def test_runs_that_are_not_there_are_told(outputs: Path, name: str, tmp_path: Path,
                                          monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")  # a name is also a path from the working folder
    assert "E-RUN-014" in str(call("explain", name, "1", "--outputs", outputs).exception)
    assert "E-RUN-014" in str(call("verify", "latest", "--outputs", tmp_path).exception)


def test_previous_is_the_run_of_the_same_area_before_the_latest(tmp_path: Path) -> None:
    made = [bare_run(tmp_path, day, name) for day, name in ((1, "north"), (2, "north"), (3, "south"), (4, "north"))]
    assert run_folder.find("latest", tmp_path) == made[3]
    assert run_folder.find("previous", tmp_path) == made[1]
    bare_run(tmp_path, 5, "west")
    with pytest.raises(RunFolderError, match="E-RUN-018"):
        run_folder.find("previous", tmp_path)


def bare_run(outputs: Path, day: int, name: str, file: str = "lots.parquet", month: str = "") -> Path:
    """Write a run of an area with one small file and a manifest."""
    moment = datetime(2026, 1, day, tzinfo=UTC)
    with run_folder.new_run(outputs, name, moment) as run:
        if month:
            run.of_month(month)
        (run.path / file).write_text("x", encoding="utf-8")
        with_manifest(run.path, replace(results(), area_name=name), moment)
    return run.final


def test_previous_knows_areas_by_their_whole_name(tmp_path: Path) -> None:
    """Names without Latin letters all give the same folder name."""
    first = bare_run(tmp_path, 1, "東京")
    other, latest = bare_run(tmp_path, 2, "大阪"), bare_run(tmp_path, 3, "東京")
    assert {run.name.split("_")[0] for run in (first, other, latest)} == {"area"}
    assert run_folder.find("previous", tmp_path) == first
    shutil.rmtree(first)
    with pytest.raises(RunFolderError, match=r"E-RUN-018 .*東京"):
        run_folder.find("previous", tmp_path)


def test_previous_goes_by_the_time_of_the_run_and_not_by_the_name_of_its_folder(tmp_path: Path) -> None:
    made = [bare_run(tmp_path, day, "north") for day in (1, 2, 3)]
    renamed = made[0].rename(tmp_path / "zz-first-run_20990101T000000Z")
    assert run_folder.find("previous", tmp_path) == made[1]
    made[1].rename(tmp_path / "aa")
    assert run_folder.find("previous", tmp_path) == tmp_path / "aa"
    shutil.rmtree(tmp_path / "aa")
    bare_run(tmp_path / "elsewhere", 2, "north", "public.csv").rename(tmp_path / "north-public")
    assert run_folder.find("previous", tmp_path) == renamed, "tables for publication have no lot to compare"
    (renamed / "manifest.json").write_text("{}", encoding="utf-8")
    with pytest.raises(RunFolderError, match="E-RUN-018"):
        run_folder.find("previous", tmp_path)
    (made[2] / "manifest.json").write_text("{}", encoding="utf-8")
    with pytest.raises(RunFolderError, match=r"E-RUN-046 .*E-MAN-001"):
        run_folder.find("previous", tmp_path)


def test_previous_goes_by_the_moment_in_names_of_either_form(tmp_path: Path) -> None:
    """The month of the data comes first in a name: runs of one second are told apart by what follows it."""
    old = bare_run(tmp_path, 1, "north")
    made = [bare_run(tmp_path, 2, "north", month=month) for month in ("2025-12", "2025-11", "2025-10")]
    names = [run.name for run in made]
    assert names == ["north_2025-12_20260102T000000Z", "north_2025-11_20260102T000000Z-2",
                     "north_2025-10_20260102T000000Z-3"]
    assert run_folder.find("latest", tmp_path) == made[2]
    assert run_folder.find("previous", tmp_path) == made[1]
    shutil.rmtree(made[1])
    assert run_folder.find("previous", tmp_path) == made[0]
    shutil.rmtree(made[0])
    assert run_folder.find("previous", tmp_path) == old


def test_two_areas_are_not_compared(outputs: Path, tmp_path: Path) -> None:
    """Lots of equal identifier in two towns are not one lot that moved."""
    mine = finished(tmp_path / "a", replace(results(), area_name="東京"))
    other = run_folder.latest(outputs)
    for words in (("compare", mine, other), ("map", mine, "--against", other)):
        refused = call(*words, "--outputs", tmp_path / "a")
        assert "E-RUN-045" in str(refused.exception)
        assert "東京" in str(refused.exception)
    assert call("map", mine, "--against", mine, "--outputs", tmp_path / "a").exit_code == 0


@pytest.mark.parametrize("run", ["a/" * 40 + "run_that_is_not_there", "x" * 5000, "a\0b"])
def test_the_whole_name_of_a_run_that_is_not_there_is_shown(run: str, tmp_path: Path) -> None:
    with pytest.raises(RunFolderError, match="E-RUN-014") as refused:
        run_folder.find(run, tmp_path)
    assert run.replace("\0", "\\u0000") in str(refused.value)


def test_rounded_parts_still_add_up_and_stay_near() -> None:
    of_number = {column: compare.part_columns(short) for short, column in compare.NUMBERS.items()}
    every = [part for parts in of_number.values() for part in parts]
    exact = pd.DataFrame(np.random.default_rng(3).normal(0, 2, (500, len(every))), columns=every)
    exact.iloc[:100, 2:5] = 0.0
    for column, parts in of_number.items():
        exact[f"{column}_change"] = exact[parts].sum(axis=1)
    exact.iloc[-1] = np.nan
    told = change_table.rounded(exact)
    for column, parts in of_number.items():
        change = f"{column}_change"
        np.testing.assert_allclose(told[parts].sum(axis=1, min_count=1), told[change], atol=1e-9)
        assert (told[parts] - exact[parts]).abs().max().max() <= 0.01 + 1e-12
        assert (told[change] - exact[change]).abs().max() <= 0.005 + 1e-12
    assert (told.iloc[:100, 2:5] == 0).all().all()
    np.testing.assert_allclose(told, told.round(2), atol=1e-12)
    assert told.iloc[-1].isna().all()


def test_compare_writes_a_table_that_adds_up_and_verify_agrees(example: Path, tmp_path: Path,
                                                               monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")  # a pipe gets whole lines otherwise
    outputs = tmp_path / "outputs"
    first = flow.run(write_area(example, tmp_path / "a", last="2025-05"), outputs).folder
    second = flow.run(write_area(example, tmp_path / "b", last="2025-08", lots=edited_lots(example)), outputs).folder
    done = call("compare", first, second, "--outputs", outputs)
    assert done.exit_code == 1, done.output
    assert "weather of June to August 2025" in " ".join(done.output.split())
    assert re.search(r"new months of weather, and time passing +#{22}  \d", done.output), "a bar of the causes"
    assert " in on average" in done.output
    assert max(len(line) for line in done.stderr.splitlines()) <= 80
    assert " mm" in call("compare", first, second, "--outputs", outputs, "--units", "si").stderr
    assert (outputs / "latest").read_text(encoding="ascii").strip() == second.name, "a comparison is no run"
    table = min(outputs.glob("change-*/change.csv"))
    with table.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.DictReader(stream))
    changed = [row for row in rows if row["kind"] == "changed"]
    assert len(changed) > 20
    for row in changed:
        for short, column in compare.NUMBERS.items():
            parts = sum(float(row[name]) for name in compare.part_columns(short))
            assert abs(parts - float(row[f"{column}_change"])) < 1e-6
        assert row["why"].startswith("bending now ")
        assert row["why"].count("\n") == 0 < row["why"].count("; ")
        for name, value in row.items():
            decimals = 2 if "_part_" in name or name.endswith("_change") else 1
            assert "_mm" not in name or len(value.partition(".")[2]) <= decimals, (name, value)
    told = json.loads((table.parent / "change.json").read_text(encoding="utf-8"))
    assert told["counts"]["lots_now"] == len(rows) - told["counts"]["gone"]
    assert "Planning information" in told["caution"]
    assert " mm on average" in told["summary"][0]
    same = call("compare", second, second, "--outputs", outputs)
    assert same.exit_code == 0

    assert call("verify", second, "--outputs", outputs).exit_code == 0
    assert call("verify", second, "--outputs", outputs, "--area-folder", tmp_path / "a").exit_code == 1
    with (second / "lots.csv").open("a", encoding="utf-8") as stream:
        stream.write("x")
    broken = call("verify", second, "--outputs", outputs)
    assert broken.exit_code == 2
    assert "E-MAN-004 lots.csv: has changed since the run." in broken.output


def test_explain_numbers_rows_as_check_and_an_editor_do(tmp_path: Path) -> None:
    """A CSV with a heading and a blank row 4: its third lot is in row 5."""
    from riskmap.common.results import editor_row, row_steps
    from riskmap.common.settings import Area
    from riskmap.layers import lots
    from riskmap.outputs import lot_text

    text = "lot_id,lon,lat\na,-98,32\nb,-98,32\n,,\nc,-98,32\nd,-98,32\n"
    (tmp_path / "listings.csv").write_text(text, encoding="utf-8")
    area = Area.model_validate({"name": "a", "folder": tmp_path, "soil": {"path": "s.zip"},
                                "lots": {"path": "listings.csv"}})
    steps = row_steps(lots.read(area.lots, area)[0]["source_row"].to_numpy())
    assert steps == [[0, 2], [2, 5]]
    assert [editor_row(steps, k) for k in range(4)] == [2, 3, 5, 6]
    made = replace(results(), facts={"lot_rows": steps}, settings={"lots": {"path": "sub/listings.csv"}})
    assert lot_text.lines(made, 2)[0].startswith(f"Lot {made.lots['lot_id'][2]} (row 5 of listings.csv), ")
    assert "(lot 3 of listings.csv)" in lot_text.lines(replace(made, facts={}), 2)[0]


def test_no_lots_have_no_row() -> None:
    from riskmap.common.results import editor_row, row_steps

    assert row_steps(np.array([], dtype=np.int64)) == []
    assert editor_row([], 0) is None
