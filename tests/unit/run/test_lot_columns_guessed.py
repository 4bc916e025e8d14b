"""Which columns of county exports are taken, by their names and their values; all names and values are invented."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from each_case import check_each

from riskmap.layers import lots_columns
from riskmap.run.new_area import lot_columns

ROWS = 200
RNG = np.random.default_rng(5)
YEARS = [str(year) for year in RNG.integers(1955, 2020, ROWS)]
NUMBERS = [f"{n:06d}" for n in RNG.permutation(900_000)[:ROWS] + 100]


def each(*values: str) -> list[str]:
    return [values[k % len(values)] for k in range(ROWS)]


# heading, values, what it is taken for ("" nothing, "# x" written as a comment), why
CASES = [
    ("PARCEL_NUM", [f"R{n}" for n in NUMBERS], "lot_id", "unique, and a name of an id"),
    ("GIS_PIN", NUMBERS, "lot_id", "unique digits with their zeros"),
    ("YEAR_BUILT", YEARS, "pour_date", "its name, and years"),
    ("YR_BLT", each("1972", "0", "1988", ""), "pour_date", "0 and empty are no year, and do not count"),
    ("AYB", YEARS, "pour_date", "actual year built, as appraisers cut it"),
    ("ACT_YR_BLT", [f"{year}.0" for year in YEARS], "pour_date", "years stored as real numbers"),
    ("DATE_BUILT", each("1984-06-01", "1991-11-30"), "pour_date", "dates that are read"),
    ("EFF_YR_BLT", YEARS, "", "an effective year is no year of building"),
    ("EYB", YEARS, "", "effective year built, as appraisers cut it"),
    ("YR_BLT_EFF", YEARS, "", "an effective year, the word behind"),
    ("EFFECTIVE_YEAR_BUILT", YEARS, "", "an effective year in full"),
    ("YR_REMODELED", YEARS, "", "a year, and not of building"),
    ("TAX_YEAR", each("2025"), "", "a year, and not of building"),
    ("BUILT_AREA", each("1850", "1912", "1978"), "", "areas that look like years"),
    ("BUILT_DT", each("6/1/1984", "11/30/1991"), "# pour_date", "the order of day and month is not known"),
    ("BUILTIN_GARAGE", each("0", "1"), "", "no date in it"),
    ("FOUNDATION", each("SLAB", "CRAWL SPACE", "PIER AND BEAM", ""), "foundation_type", "words of foundations"),
    ("FNDTN_CD", each("1", "2", "4"), "# foundation_type", "codes would all be read as no slab"),
    ("FOUND_DESC", each("Concrete slab", "Basement - full"), "foundation_type", "words of foundations"),
    ("FOUNDATION_AREA", each("1850", "1400"), "", "an area"),
    ("LAND_USE_DESC", each("SINGLE FAMILY RESIDENCE", "VACANT LAND"), "land_use", "words"),
    ("LAND_USE_CD", each("101", "900"), "", "codes without words"),
    ("SLAB_WIDTH_FT", each("32", "41.5", ""), "slab_width_ft", "a length with its unit"),
    ("SLAB_WIDTH", each("32", "41.5"), "# slab_width_ft", "no unit in its name"),
    ("BLDG_WIDTH_FT", each("1850", "2100"), "# slab_width_ft", "areas under the name of a width"),
    ("SLAB_LENGTH_M", each("14.5", "16"), "slab_length_m", "a length with its unit"),
    ("BEAM_DEPTH_IN", each("24", "30"), "beam_depth_in", "a depth with its unit"),
    ("POST_TENSION", each("Y", "N", ""), "post_tensioned", "yes and no"),
    ("LIVING_AREA_SQFT", each("1850", "2100"), "", "an area"),
    ("OWNER_NAME", [f"PERSON {n}" for n in NUMBERS], "", "about people, though unique"),
    ("TAXPAYER", [f"T{n}" for n in NUMBERS], "", "about people, though unique"),
    ("NAME", [f"PERSON {n}" for n in NUMBERS], "", "may be a person's name, though unique"),
    ("SITUS_ADDR", [f"{n} INVENTED ST" for n in NUMBERS], "", "an address, though unique"),
    ("SHAPE_AREA", [f"{int(n) / 7:.4f}" for n in NUMBERS], "", "a measure, though unique"),
    ("OBJECTID", [str(k) for k in range(ROWS)], "", "a row number; the parcel number is there"),
]
WITHOUT_ID = {"PARCEL_NUM", "GIS_PIN"}


def taken_for(heading: str, values: list[str]) -> tuple[str, str]:
    """Return what a column is taken for beside a parcel number, and the reason that is given."""
    table = pd.DataFrame({heading: values} if heading in WITHOUT_ID else {
        "PARCEL_ID": [f"P{k:04d}" for k in range(ROWS)], heading: values}, dtype=str)
    names, _ = lots_columns.every_column(list(table.columns), None, "t")  # type: ignore[arg-type]
    found = [one for one in lot_columns.guess(table[list(names)], {}).guesses if json.loads(one.value) == heading]
    assert len(found) <= 1
    return (f"{'' if found[0].written else '# '}{found[0].key}", found[0].reason) if found else ("", "")


def test_columns_of_county_exports() -> None:
    assert len(CASES) >= 30

    def check(case: tuple[str, list[str], str, str]) -> None:
        heading, values, expected, why = case
        taken, reason = taken_for(heading, values)
        print(f"{heading:22} {', '.join(values[:2])[:26]:28} {taken or '-':18} {why}")
        assert taken == expected, reason
        assert not taken or reason.startswith(("guessed: ", "not taken: "))

    check_each(CASES, check, lambda case: case[0])


def test_no_effective_year_no_area_and_no_person_is_ever_taken() -> None:
    """Also alone, where nothing better is there."""
    for heading, values, expected, _ in CASES:
        if expected == "" and heading not in ("OBJECTID",):
            table = pd.DataFrame({heading: values}, dtype=str)
            names, _ = lots_columns.every_column([heading], None, "t")  # type: ignore[arg-type]
            assert lot_columns.guess(table[list(names)], {}).taken == {}, heading


# ---------------------------------------------------------------- the id
def columns(**given: list[str]) -> lot_columns.Columns:
    return lot_columns.guess(pd.DataFrame(given, dtype=str), {})


def lot_id(found: lot_columns.Columns):  # type: ignore[no-untyped-def]
    return next(one for one in found.guesses if one.key == "lot_id")


def test_the_reason_of_an_id_counts_its_rows() -> None:
    values = [f"P{k:04d}" for k in range(ROWS - 3)] + ["P0000", "", ""]
    found = lot_id(columns(PARCEL_NUM=values, OBJECTID=[str(k) for k in range(ROWS)]))
    assert found.value == '"PARCEL_NUM"'
    assert found.reason == "guessed: unique in 196 of 200 rows"
    assert found.sure


@pytest.mark.parametrize(("unique", "sure"), [(0.96, True), (0.94, False)])
def test_an_id_is_sure_from_95_percent(unique: float, sure: bool) -> None:
    count = int(unique * ROWS)
    found = columns(APN=[f"A{k}" for k in range(count)] + [""] * (ROWS - count))
    assert lot_id(found).sure is sure
    assert found.id_share == pytest.approx(unique)


def test_ties_go_to_the_name_and_a_row_number_comes_last() -> None:
    numbers = [str(k) for k in range(ROWS)]
    codes = [f"{k:05d}" for k in RNG.permutation(90_000)[:ROWS]]
    assert lot_id(columns(OBJECTID=numbers, GLOBALID=codes, APN=codes)).value == '"APN"'
    assert lot_id(columns(OBJECTID=numbers, MAPCODE=codes)).value == '"MAPCODE"'
    alone = lot_id(columns(OBJECTID=numbers, COLOUR=each("red", "blue")))
    assert (alone.value, alone.sure) == ('"OBJECTID"', False)
    assert "another export counts again" in alone.reason


def test_a_parcel_number_of_flats_goes_before_a_row_number() -> None:
    """Several flats on a parcel: unique in 90 % of the rows only, so somebody has to look."""
    values = [f"P{k:04d}" for k in range(180)] + each("P9990", "P9991")[:20]
    found = lot_id(columns(OBJECTID=[str(k) for k in range(ROWS)], PARCEL=values))
    assert (found.value, found.sure) == ('"PARCEL"', False)


def test_lost_zeros_are_said() -> None:
    lost = [str(int(value) * (9 if k % 9 == 0 else 99)) for k, value in enumerate(NUMBERS)]
    assert "leading zeros may be lost" in lot_id(columns(ACCOUNT=lost)).reason
    assert "zeros" not in lot_id(columns(ACCOUNT=NUMBERS)).reason  # they are there
    assert "zeros" not in lot_id(columns(ACCOUNT=[str(k + 9900) for k in range(ROWS)])).reason  # a running number
    powers = [f"{k / 1000 + 1:.3f}E+12" for k in range(ROWS)]
    assert "powers of ten" in lot_id(columns(APN=powers)).reason
    assert not lot_id(columns(APN=powers)).sure


def test_nothing_identifies() -> None:
    found = columns(STREET=each("Oak", "Elm"), ZONE=each("R1", "R2"))
    assert found.taken == {}
    assert (found.id_share, found.id_named, found.signals) == (0.0, False, 0)


# ---------------------------------------------------------------- shares with which nobody has to look
def test_a_year_is_sure_from_90_percent() -> None:
    for wrong, sure in ((19, True), (21, False)):
        found = columns(APN=NUMBERS, YEAR_BUILT=["soon"] * wrong + YEARS[wrong:])
        guess = next(one for one in found.guesses if one.key == "pour_date")
        assert (guess.written, guess.sure) == (True, sure)


def test_foundation_words_are_sure_from_90_percent_and_else_not_taken() -> None:
    for strange, taken in ((19, True), (21, False)):
        found = columns(APN=NUMBERS, FOUNDATION=["see card"] * strange + ["slab"] * (ROWS - strange))
        guess = next(one for one in found.guesses if one.key == "foundation_type")
        assert (guess.written, guess.sure) == (taken, taken)


def test_of_two_columns_the_one_with_the_values_is_taken() -> None:
    found = columns(APN=NUMBERS, YEARBUILT_TXT=each("about 1950"), YR_BUILT=YEARS)
    assert found.taken["pour_date"] == "YR_BUILT"


def test_our_own_names_stay_what_they_are() -> None:
    found = columns(lot_id=NUMBERS, pour_date=YEARS, pour_date_basis=each("plat", "year built"), lon=each("1"))
    assert found.taken == {"lot_id": "lot_id", "pour_date": "pour_date", "pour_date_basis": "pour_date_basis"}


def test_the_reader_takes_every_line_that_is_written(tmp_path: Path) -> None:
    """What is guessed is no mapping that the reader of the lot file refuses."""
    from riskmap.run import check

    kept = [case for case in CASES if case[2] and not case[2].startswith("#") and case[0] not in WITHOUT_ID]
    for heading, values, ours, _ in kept:
        table = pd.DataFrame({"PARCEL_ID": [f"P{k}" for k in range(ROWS)], heading: values,
                              "lon": "-98.6", "lat": "37.9"})
        table.to_csv(tmp_path / "lots.csv", index=False)
        report = check.check_file(tmp_path / "lots.csv", "lots", {"lot_id": "PARCEL_ID", ours: heading})
        assert report.refusals == [], heading
