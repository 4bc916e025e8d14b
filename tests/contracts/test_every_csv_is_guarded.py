"""One guard for every CSV that is written: no cell and no heading that a spreadsheet would run as a formula."""

from __future__ import annotations

import ast
import csv
import io
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hostile_texts import TEXTS, spread
from invented_results import results

import riskmap
from riskmap.answers import change_table, screen_table
from riskmap.answers.brief import visits as briefing
from riskmap.answers.calibration import files, invented_surveys
from riskmap.answers.measured import comparing
from riskmap.answers.measured import files as measured_files
from riskmap.answers.survey import files as survey_files
from riskmap.answers.survey import typed
from riskmap.common.problems import Problem
from riskmap.outputs.files import csv_table, public_table
from riskmap.run import check

PACKAGE = Path(riskmap.__file__).parent
RUNS = ("=", "+", "-", "@", "\t", "\r", "\n", "\x00", "\uff1d", "\uff0b", "\uff0d", "\uff20")
CELLS = [text for text in TEXTS if text.strip()]


def lots(folder: Path) -> Path:
    return csv_table.write(spread(results(len(TEXTS))), folder)


def lots_raw_names(folder: Path) -> Path:
    return screen_table._csv(pd.DataFrame({text: CELLS for text in dict.fromkeys(CELLS)}), folder / "screened.csv")


def change(folder: Path) -> Path:
    table = pd.DataFrame({"lot_id": CELLS, "why": CELLS, "map_unit_name": CELLS, "now_part_soil_mm": 0.0,
                          "bend_now_mm_change": 0.0})
    return change_table.write(table, {}, (), [], {}, folder)[0]


def public(folder: Path) -> Path:
    public_table._csv(pd.DataFrame({"map_unit_name": CELLS, "lots": 10}), folder / "public.csv")
    return folder / "public.csv"


def comparisons(folder: Path) -> Path:
    (folder / "comparisons.csv").write_bytes(files._csv(pd.DataFrame({"lot_id": CELLS, "z": 0.5, "on": True})))
    return folder / "comparisons.csv"


def survey(folder: Path) -> Path:
    table = pd.DataFrame({"point": CELLS, "floor": CELLS, "level_mm": -1.5})
    (folder / "levels.csv").write_text(survey_files.csv_of(table, True, ("a caution",)), encoding="utf-8",
                                       errors="surrogatepass", newline="")
    return folder / "levels.csv"


def pages(folder: Path) -> Path:
    visits: list[Any] = [SimpleNamespace(row=k, status=text) for k, text in enumerate(CELLS)]
    made = [{"id": text, "state": text} for text in CELLS]
    briefing._index(folder / "pages.csv", visits, made, pd.DataFrame({"lot_row": [0], "cluster": [1], "order": [2]}))
    return folder / "pages.csv"


def readings(folder: Path) -> Path:
    typed.write([(text, "0", "-1.5", text) for text in CELLS], folder / "readings.csv", "us", "2026-01-31")
    return folder / "readings.csv"


def surveys(folder: Path) -> Path:
    count = len(CELLS)
    table = pd.DataFrame({"lot_id": CELLS, "kind": "single", "first_month": 24000, "second_month": -1})
    town: Any = SimpleNamespace(table=table)
    return invented_surveys.write(town, np.full(count, -3.0), folder / "surveys.csv", source=CELLS)


def measured(folder: Path) -> Path:
    rows = [comparing.Row(0.1, text, "timing", 0.5, 0.5, text, text, 30, "agrees", text) for text in CELLS]
    months = pd.DataFrame({"month": "2020-01", "month_number": 24240, "measured": 0.5, "ours": 0.5}, index=[0])
    measured_files.write(measured_files.MeasuredReport(rows, months, {}, []), folder)
    return folder / "comparisons.csv"


def findings(folder: Path) -> Path:
    report = check.Report("area", problems=[Problem("W-LOT-001", text, rule=text, remedy=text, action=text, row=k,
                                                    column=text, value=text) for k, text in enumerate(CELLS)])
    (folder / "findings.csv").write_bytes(report.as_csv().encode("utf-8-sig"))
    return folder / "findings.csv"


WRITERS: dict[str, Callable[[Path], Path]] = {
    "outputs/files/csv_table.py": lots, "answers/screen_table.py": lots_raw_names, "answers/change_table.py": change,
    "outputs/files/public_table.py": public, "answers/calibration/files.py": comparisons,
    "answers/survey/files.py": survey, "answers/survey/typed.py": readings, "answers/brief/visits.py": pages,
    "answers/calibration/invented_surveys.py": surveys, "answers/measured/files.py": measured,
    "run/check.py": findings}


@pytest.mark.parametrize("module", WRITERS)
def test_hostile_texts_run_in_no_csv(module: str, tmp_path: Path) -> None:
    text = WRITERS[module](tmp_path).read_bytes().decode("utf-8-sig")
    rows = list(csv.reader(io.StringIO(text.replace("\x00", "\\u0000"), newline="")))
    assert len(rows) in (len(CELLS) + 1, len(TEXTS) + 1), "a line end within a cell begins no row"
    found = {cell for row in rows for cell in row}
    for cell in found:
        if cell.startswith(RUNS):
            assert np.isfinite(float(cell)), (module, cell)  # a plain number, which the table may hold as a text
    for sign in ("=1+1", "\uff1d1+1", "@SUM(A1)"):
        assert f"'{sign}" in found, (module, sign)


def test_values_of_a_survey_file_stay_numbers(tmp_path: Path) -> None:
    rows = list(csv.DictReader(io.StringIO(surveys(tmp_path).read_text(encoding="utf-8"), newline="")))
    assert {row["dome_mm"] for row in rows} == {"-3.0"}


def test_every_writer_of_csv_is_among_them() -> None:
    writing = set()
    for path in sorted(PACKAGE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and (
                    node.func.attr in ("to_csv", "write_csv", "DictWriter")
                    or ast.unparse(node.func) == "csv.writer"):
                writing.add(path.relative_to(PACKAGE).as_posix())
    assert writing <= set(WRITERS)
    guarded = {path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py")
               if any(word in path.read_text(encoding="utf-8") for word in ("guarded(", "guarded_table(", "text_of("))}
    assert set(WRITERS) <= guarded


def test_headings_come_back() -> None:
    table = pd.DataFrame({"=1+1": ["\uff1d1+1", "-5"], "plain": [1, 2]})
    told = csv_table.guarded_table(table, numbers_stay=True)
    assert list(told.columns) == ["'=1+1", "plain"]
    assert told["'=1+1"].tolist() == ["'\uff1d1+1", "-5"]
    assert list(table.columns) == ["=1+1", "plain"]
