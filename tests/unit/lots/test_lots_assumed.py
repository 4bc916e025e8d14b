"""What a lot file does not say is reported once, with what is assumed instead and the column that may contain it."""

from __future__ import annotations

from pathlib import Path

import pytest

from riskmap.lots import assumptions
from riskmap.run import check

PLACES = ((-98.0, 32.0), (-98.01, 32.0), (-98.02, 32.0), (-98.03, 32.0), (-98.04, 32.0))


def report(folder: Path, heading: str, rows: list[str], mapping: str = "") -> check.Report:
    body = "".join(f"{k},{lon},{lat},{row}\n" for k, ((lon, lat), row) in enumerate(zip(PLACES, rows, strict=False)))
    (folder / "lots.csv").write_text(f"lot_id,lon,lat,{heading}\n{body}", encoding="utf-8")
    (folder / "area.toml").write_text(f'[area]\nname = "a"\ntoday = "2022-12"\n[lots]\npath = "lots.csv"\n'
                                      f'columns = {{ {mapping} }}\n[soil]\npath = "no.zip"\n', encoding="utf-8")
    return check.check_area(folder / "area.toml")


def told(found: check.Report) -> dict[str, str]:
    return {p.code: str(p) for p in found.problems if p.code.startswith("W-LOT-04")}


def test_a_file_without_dates_foundations_and_sizes_is_told_with_columns_that_look_like_them(tmp_path: Path) -> None:
    found = report(tmp_path, "YR_BUILT,Foundation,owner_built", ["1985,Pier,x", "1990,Slab,y", "2001,Slab,z"])
    lines = told(found)
    assert set(lines) == {"W-LOT-041", "W-LOT-042", "W-LOT-043", "W-LOT-045"}
    assert "3 of 3 lots to be estimated have neither a pour date nor a foundation type" in lines["W-LOT-045"]
    assert '[lots.columns] land_use = "..."' in lines["W-LOT-045"]
    assert "no lot to be estimated has a pour date" in lines["W-LOT-041"]
    assert "1950-01..2022-11 is assumed for all 3" in lines["W-LOT-041"]
    assert 'YR_BUILT. If it is, map it: [lots.columns] pour_date = "YR_BUILT".' in lines["W-LOT-041"]
    assert "a slab on the ground is assumed for all 3" in lines["W-LOT-042"]
    assert '[lots.columns] foundation_type = "Foundation".' in lines["W-LOT-042"]
    assert "a width of 12 m (39 ft) is assumed for all 3" in lines["W-LOT-043"]
    assert '[lots.columns] slab_width_ft = "..."' in lines["W-LOT-043"]
    assert found.without_pour_date == 3
    assert "3 lots read, 3 to be estimated (3 of them without a pour date; some may still lack" in found.text()


def test_mapped_they_are_silent_and_piers_have_a_state(tmp_path: Path) -> None:
    found = report(tmp_path, "YR_BUILT,Foundation,W", ["1985,Pier,30", "1990,Slab,30", "2001,Slab,30"],
                   'pour_date = "YR_BUILT", foundation_type = "Foundation", slab_width_ft = "W"')
    assert told(found) == {}
    assert found.lots == {"read": 3, "usable": 2, "not_applicable": 1}
    assert "2 to be estimated (some may still lack soil or weather)\n  1 not a slab-on-ground house" in found.text()


def test_dates_lacking_in_some_rows_are_counted_with_the_first_rows_and_only_for_lots_to_be_estimated(
        tmp_path: Path) -> None:
    found = report(tmp_path, "YR_BUILT,foundation_type", [",pier", ",slab", "0,slab", "2001,slab", ",slab"],
                   'pour_date = "YR_BUILT"')
    line = told(found)["W-LOT-041"]
    assert "3 of 4 lots to be estimated have no pour date that can be used (rows 3, 4, 6): 1950-01..2022-11" in line
    assert "Fill in column YR_BUILT (pour_date)" in line
    assert "W-LOT-042" not in told(found)
    assert "4 to be estimated (3 of them without a pour date;" in found.text()


def test_a_mapped_column_without_any_usable_value_is_to_be_looked_at(tmp_path: Path) -> None:
    found = report(tmp_path, "SQFT,pour_date", ["2541,1985", "1800,1990"], 'slab_width_ft = "SQFT"')
    assert "Look at column SQFT (slab_width_ft): is it the right one?" in told(found)["W-LOT-043"]


def test_years_before_slabs_were_common_are_told(tmp_path: Path) -> None:
    found = report(tmp_path, "pour_date", ["1889", "1949", "1950", "1990"])
    line = told(found)["W-LOT-044"]
    assert "2 of 4 dated lots to be estimated were poured before 1950, the earliest by 1889 in row 2;" in line
    assert "W-LOT-044" not in told(report(tmp_path, "pour_date", ["1950", "1990"]))


def test_the_month_of_a_young_slab_is_asked_for(tmp_path: Path) -> None:
    found = report(tmp_path, "pour_date", ["2020", "2021-04", "1999", "2019"])
    line = told(found)["W-LOT-046"]
    assert "2 of 4 dated lots to be estimated are younger than 7 years, and the month of their pour is not kn" in line
    assert "W-LOT-046" not in told(report(tmp_path, "pour_date", ["1990", "2021-04", "2020-06-15"]))


@pytest.mark.parametrize(("column", "names", "best"), [
    ("pour_date", ["BUILT_UP", "Act Yr Blt"], "Act Yr Blt"), ("pour_date", ["STYLE", "AREA"], ""),
    ("pour_date", ["YEAR_BUILT"], "YEAR_BUILT"), ("foundation_type", ["FNDN_CD", "roof"], "FNDN_CD"),
    ("slab_width_ft", ["LOT_WIDTH"], ""), ("slab_width_ft", ["Slab Width"], "Slab Width")])
def test_names_are_proposed_by_their_parts_alone(column: str, names: list[str], best: str) -> None:
    assert assumptions.looks_like(column, names) == best


def test_columns_about_people_and_effective_years_are_never_proposed(tmp_path: Path) -> None:
    found = report(tmp_path, "owner_built,EFF_YR_BLT", ["1985,1990", "1986,1991"])
    assert "owner_built" not in told(found)["W-LOT-041"]
    assert "EFF_YR_BLT" not in told(found)["W-LOT-041"]
    assert 'pour_date = "..."' in told(found)["W-LOT-041"]


def test_an_estimate_tells_them_too(example: Path) -> None:
    from riskmap.common import settings
    from riskmap.run import flow
    from riskmap.run.store import Store

    area = settings.load(example / "area.toml")
    ready, _ = flow._ready(area, flow._Clock(None), Store(None), lambda _: True)
    assert {"W-LOT-041", "W-LOT-042", "W-LOT-043"} <= {p.code for p in ready.problems}
