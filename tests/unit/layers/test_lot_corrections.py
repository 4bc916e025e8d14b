"""Corrections: applied, reported, refused with a reason, never silently, and shown by the next comparison."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from riskmap import lots as cleaning
from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem
from riskmap.common.settings import Area
from riskmap.layers import lots

LOTS = ("lot_id,lon,lat,pour_date,pour_date_early,pour_date_late,slab_width_ft,foundation_type\n"
        "007,-98.0,32.0,1985,,,30,slab\n2,-98.1,32.0,,1980,1990,,slab\n3,-98.2,32.0,1999,,,40,slab\n"
        "4,-98.3,32.0,1999,,,,slab\n4,-98.4,32.0,1999,,,,slab\n")


def read(folder: Path, corrections: str) -> tuple[object, list[Problem], Area]:
    (folder / "lots.csv").write_text(LOTS, encoding="utf-8")
    (folder / "fix.csv").write_text(corrections, encoding="utf-8")
    area = Area.model_validate({"name": "a", "folder": folder, "soil": {"path": "s.zip"},
                                "lots": {"path": "lots.csv", "corrections": "fix.csv"}})
    raw, sources, problems = lots.read(area.lots, area)
    assert [source.role for source in sources] == ["lots", "lots_corrections"]
    return raw, problems, area


def test_values_are_corrected_told_and_flagged(tmp_path: Path) -> None:
    raw, problems, area = read(tmp_path, "lot_id,column,value,reason,date\n"
                               "007,slab_width_ft,50,measured on site,2025-03-01\n"
                               "2,pour_date,1975-06,inspection record of the slab,\n"
                               "3,foundation_type,pier and beam,seen on site,2025-01-01\n")
    assert raw["slab_width_m"].tolist()[0] == pytest.approx(15.24)  # type: ignore[index]
    assert raw["pour_date"].tolist()[1] == "1975-06"  # type: ignore[index]
    assert [p.code for p in problems] == ["W-LOT-036"] * 3
    (width,) = [str(p) for p in problems if p.row == 2]
    assert width.startswith('W-LOT-036 fix.csv row 2 column slab_width_ft: "50": slab_width_ft of lot 007 was 9.144')
    table, _ = cleaning.clean(raw, area.lot_settings, area.crs, 12 * 2025 + 9, "lots.csv")  # type: ignore[arg-type]
    assert ["corrected" in flags.split(";") for flags in table["flags"]] == [True, True, True, False, False]
    assert table["state"].tolist()[2] == "not_applicable"
    assert table["pour_early_month"].tolist()[1] == table["pour_late_month"].tolist()[1] == 12 * 1975 + 5
    assert len(table) == 5


def test_an_outline_is_corrected(tmp_path: Path) -> None:
    raw, problems, _ = read(tmp_path, 'lot_id,column,value,reason\n3,geometry,"POLYGON ((-98.2 32, -98.1999 32, '
                                      '-98.1999 32.0001, -98.2 32))",plat\n')
    assert raw.geometry.iloc[2].geom_type == "Polygon"  # type: ignore[attr-defined]
    assert [p.code for p in problems] == ["W-LOT-036"]


def test_of_several_the_latest_date_holds_and_the_others_are_told(tmp_path: Path) -> None:
    raw, problems, _ = read(tmp_path, "lot_id,column,value,reason,date\n3,pour_date,1971,a,2025-05-01\n"
                                      "3,pour_date,1972,b,2024-05-01\n3,pour_date,1973,c,\n")
    assert raw["pour_date"].tolist()[2] == "1971"  # type: ignore[index]
    assert sorted(p.code for p in problems) == ["W-LOT-034", "W-LOT-034", "W-LOT-036"]


@pytest.mark.parametrize(("date", "words"), [("2024-05-01", "has the same date, 2024-05-01,"), ("", "no date either")])
def test_two_corrections_of_one_date_are_not_said_to_be_later(date: str, words: str, tmp_path: Path) -> None:
    raw, problems, _ = read(tmp_path, f"lot_id,column,value,reason,date\n3,pour_date,1971,a,{date}\n"
                                      f"3,pour_date,1972,b,{date}\n4,row,x,y,\n")
    assert raw["pour_date"].tolist()[2] == "1972"  # type: ignore[index]
    (told,) = [str(p) for p in problems if p.code == "W-LOT-068"]
    assert "rows 2 and 3 correct pour_date of this lot to '1971' and '1972'" in told
    assert words in told
    assert "later correction" not in " ".join(map(str, problems))


def test_one_correction_written_twice_is_no_contradiction(tmp_path: Path) -> None:
    _, problems, _ = read(tmp_path, "lot_id,column,value,reason,date\n3,pour_date,1971,a,\n3,pour_date,1971,b,\n")
    assert [p.code for p in problems] == ["W-LOT-034", "W-LOT-036"]
    assert "row 3 has the same correction" in problems[0].rule


@pytest.mark.parametrize(("line", "code"), [
    ("nope,pour_date,1971,a,", "E-LOT-033"), ("4,pour_date,1971,a,", "E-LOT-033"), ("3,owner,x,a,", "E-LOT-032"),
    ("3,pour_date,1971,,", "E-LOT-032"), (",pour_date,1971,a,", "E-LOT-032"),
    ("3,pour_date,1971,a,5/1/25", "E-LOT-032"), ("3,slab_width_ft,wide,a,", "E-LOT-035"),
    ("3,slab_width_ft,inf,a,", "E-LOT-035"), ("3,geometry,here,a,", "E-LOT-035")])
def test_what_cannot_be_applied_is_told_and_changes_nothing(line: str, code: str, tmp_path: Path) -> None:
    raw, problems, _ = read(tmp_path, f"lot_id,column,value,reason,date\n{line}\n")
    assert [p.code for p in problems] == [code]
    assert problems[0].row == 2
    assert not np.asarray(raw["corrected"]).any()  # type: ignore[index]


@pytest.mark.parametrize(("content", "told"), [("lot_id,column\n1,2\n", "E-LOT-031 fix.csv: no column value, reason"),
                                               (None, "E-LOT-030")])
def test_files_that_are_no_corrections(content: str | None, told: str, tmp_path: Path) -> None:
    if content is None:
        (tmp_path / "lots.csv").write_text(LOTS, encoding="utf-8")
        area = Area.model_validate({"name": "a", "folder": tmp_path, "soil": {"path": "s.zip"},
                                    "lots": {"path": "lots.csv", "corrections": "fix.csv"}})
        with pytest.raises(LayerError, match=told):
            lots.read(area.lots, area)
    else:
        with pytest.raises(LayerError, match=told):
            read(tmp_path, content)


def test_names_of_people_are_let_go(tmp_path: Path) -> None:
    _, problems, _ = read(tmp_path, "lot_id,column,value,reason,owner\n3,pour_date,1971,plat,CANARY\n")
    assert "CANARY" not in "".join(map(str, problems))
    assert {p.code for p in problems} == {"W-LOT-003", "W-LOT-036"}


def test_a_row_tells_lots_of_one_identifier_apart(tmp_path: Path) -> None:
    raw, problems, _ = read(tmp_path, "lot_id,row,column,value,reason\n4,6,pour_date,1971,record\n"
                                      "4,5,pour_date,1972,record\n3,4,pour_date,1973,record\n3,,pour_date,1974,record\n")
    assert raw["pour_date"].tolist()[2:] == ["1974", "1972", "1971"]  # type: ignore[index]
    assert sorted(p.code for p in problems) == ["W-LOT-036", "W-LOT-036", "W-LOT-036", "W-LOT-068"]


def test_of_several_lots_the_rows_to_choose_from_are_told(tmp_path: Path) -> None:
    _, problems, _ = read(tmp_path, "lot_id,row,column,value,reason\n4,,pour_date,1971,a\n4,2,pour_date,1971,a\n"
                                    "4,0,pour_date,1971,a\n")
    assert [p.code for p in problems] == ["E-LOT-032", "E-LOT-033", "E-LOT-033"]
    assert problems[0].column == "row"
    assert "Say which in a column `row`: one of 5, 6." in str(problems[1])
    assert "no lot has this identifier in row 2." in str(problems[2])


def test_a_point_was_a_point(tmp_path: Path) -> None:
    _, problems, _ = read(tmp_path, 'lot_id,column,value,reason\n3,geometry,POINT (-98.21 32),map\n')
    assert "was another point; reason: map. Correction applied." in str(problems[0])
    assert "None needed" not in str(problems[0])
