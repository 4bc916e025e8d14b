"""Reading monthly climate: tiny tables written here, good and bad."""

from __future__ import annotations

import gzip
import zipfile
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
from shapely.geometry import box

from riskmap.common.errors import LayerError
from riskmap.common.month_numbers import month_number
from riskmap.common.settings import ClimateEntry
from riskmap.layers import climate_monthly


@pytest.fixture
def area(tmp_path: Path) -> SimpleNamespace:
    return SimpleNamespace(folder=tmp_path, resolve=lambda path: tmp_path / path)


def rows(header: str, row: str, months: int = 24) -> str:
    """Return a CSV with `months` rows from 2001-01; `row` is filled with {m} = YYYY-MM, {y}, {n}."""
    lines = [row.format(m=f"{2001 + k // 12}-{k % 12 + 1:02d}", y=2001 + k // 12, n=k % 12 + 1) for k in range(months)]
    return "\n".join([header, *lines]) + "\n"


def write(area: SimpleNamespace, text: str, name: str = "climate.csv") -> ClimateEntry:
    (area.folder / name).write_text(text, encoding="utf-8")
    return ClimateEntry(reader="csv", path=Path(name), cell="0309", latitude_deg=33.5)


def codes(problems: list) -> list[str]:
    return [p.code for p in problems]


GOOD = rows("division,date,precip_in,tavg_f", "0309,{m},2.0,68.0")


def test_inches_and_fahrenheit_become_mm_and_celsius_and_leading_zeros_survive(area: SimpleNamespace) -> None:
    climate, sources, problems = climate_monthly.read(write(area, GOOD), area)
    first = climate.monthly.iloc[0]
    assert (first["cell_id"], first["month"]) == ("0309", month_number(2001, 1))
    assert first["precipitation_mm"] == pytest.approx(50.8)
    assert first["temperature_c"] == pytest.approx(20.0)
    assert climate.latitude_deg == {"0309": 33.5}
    assert len(climate.monthly) == 24
    assert problems == []
    assert (sources[0].role, sources[0].valid_date, sources[0].rows) == ("climate", "2001-01..2002-12", 24)


@pytest.mark.parametrize(("header", "row"), [
    ("fips,year,month,prcp_mm,tmean_c", "0309,{y},{n},50.8,20"),
    ("cell_id,month,precipitation_mm,temperature_c", "0309,{m},50.8,20"),
    ("CELL_ID,Date,PCP_MM,TEMP_C", "0309,{m}-15,50.8,20"),
    ("date,rain_in,tavg_f", "{m},2,68"),
])
def test_other_spellings_give_the_same_table(area: SimpleNamespace, header: str, row: str) -> None:
    climate, _, problems = climate_monthly.read(write(area, rows(header, row)), area)
    expected, _, _ = climate_monthly.read(write(area, GOOD), area)
    assert problems == []
    np.testing.assert_allclose(climate.monthly["precipitation_mm"], expected.monthly["precipitation_mm"])
    assert climate.monthly["month"].tolist() == expected.monthly["month"].tolist()


def test_gzip_and_byte_order_mark_are_read(area: SimpleNamespace) -> None:
    (area.folder / "c.csv.gz").write_bytes(gzip.compress(GOOD.encode("utf-8-sig")))
    entry = ClimateEntry(reader="csv", path=Path("c.csv.gz"), cell="0309", latitude_deg=33.5)
    assert len(climate_monthly.read(entry, area)[0].monthly) == 24


@pytest.mark.parametrize(("header", "remedy"), [
    ("division,date,precip,tavg_f", "rename it precip_in \\(inches\\) or precip_mm \\(millimetres\\)"),
    ("division,date,precip_in,tavg", "rename it tavg_f \\(Fahrenheit\\) or tavg_c \\(Celsius\\)"),
    ("division,date,precip_cm,tavg_f", "rename it precip_in"),
    ("division,date,snow_in,tavg_f", "add precip_in"),
    ("division,when,precip_in,tavg_f", "year and month"),
])
def test_column_without_unit_is_refused_with_the_remedy(area: SimpleNamespace, header: str, remedy: str) -> None:
    with pytest.raises(LayerError, match=remedy):
        climate_monthly.read(write(area, rows(header, "0309,{m},2.0,68.0")), area)


def test_two_rain_columns_are_refused(area: SimpleNamespace) -> None:
    text = rows("division,date,precip_in,precip_mm,tavg_f", "0309,{m},2,51,68")
    with pytest.raises(LayerError, match="keep one of them"):
        climate_monthly.read(write(area, text), area)


@pytest.mark.parametrize(("header", "row", "question"), [
    ("division,date,precip_in,tavg_f", "0309,{m},60,68", "millimetres given as inches"),
    ("division,date,precip_in,tavg_c", "0309,{m},2,68", "Fahrenheit given as Celsius"),
    ("division,date,precip_in,tavg_f", "0309,{m},2,18", "Celsius given as Fahrenheit"),
    ("division,date,precip_in,tavg_c", "0309,{m},2,293", "Kelvin given as Celsius\\? Subtract 273.15"),
    ("division,date,precip_in,tavg_f", "0309,{m},2,293", "Kelvin given as Fahrenheit\\? Subtract 273.15"),
    ("division,date,precip_in,tavg_k", "0309,{m},2,293", "E-CLI-061 .*Kelvin is not read. Subtract 273.15"),
])
def test_wrong_unit_is_refused_by_size(area: SimpleNamespace, header: str, row: str, question: str) -> None:
    with pytest.raises(LayerError, match=question):
        climate_monthly.read(write(area, rows(header, row)), area)


def test_inches_given_as_mm_are_reported(area: SimpleNamespace) -> None:
    _, _, problems = climate_monthly.read(write(area, rows("division,date,precip_mm,tavg_f", "0309,{m},2,68")), area)
    assert codes(problems) == ["W-CLI-038"]


def test_gap_of_one_month_keeps_a_row_without_value(area: SimpleNamespace) -> None:
    text = "".join(line for line in GOOD.splitlines(True) if "2001-07" not in line)
    climate, _, problems = climate_monthly.read(write(area, text), area)
    gap = climate.monthly[climate.monthly["month"] == month_number(2001, 7)]
    assert len(climate.monthly) == 24
    assert gap["precipitation_mm"].isna().all()
    assert codes(problems) == ["W-CLI-036"]
    assert problems[0].value == "0309 2001-07"


def test_missing_code_negative_and_text_become_gaps_each_reported(area: SimpleNamespace) -> None:
    text = GOOD.replace("2001-03,2.0", "2001-03,-9.99").replace("2001-05,2.0", "2001-05,-3").replace(
        "2001-09,2.0", "2001-09,wet")
    climate, _, problems = climate_monthly.read(write(area, text), area)
    assert climate.monthly["precipitation_mm"].isna().sum() == 3
    assert sorted(codes(problems)) == ["E-CLI-033", "E-CLI-037", "W-CLI-036", "W-CLI-036"]
    wet = next(p for p in problems if p.code == "E-CLI-033")
    assert (wet.row, wet.column, wet.value) == (10, "precip_in", "wet")


def test_months_without_data_after_the_record_are_no_gap(area: SimpleNamespace) -> None:
    text = GOOD.replace("2002-11,2.0,68.0", "2002-11,-9.99,-99.90").replace("2002-12,2.0,68.0", "2002-12,-9.99,-99.90")
    climate, _, problems = climate_monthly.read(write(area, text), area)
    assert climate.monthly["month"].max() == month_number(2002, 10)
    assert problems == []


@pytest.mark.parametrize(("again", "code", "value"), [("2.0", "W-CLI-035", 50.8), ("9.0", "E-CLI-035", np.nan)])
def test_month_given_twice(area: SimpleNamespace, again: str, code: str, value: float) -> None:
    climate, _, problems = climate_monthly.read(write(area, GOOD + f"0309,2001-02,{again},68.0\n"), area)
    assert code in codes(problems)
    assert len(climate.monthly) == 24
    np.testing.assert_allclose(climate.monthly["precipitation_mm"].iloc[1], value)


def test_unreadable_month_is_reported_with_its_row(area: SimpleNamespace) -> None:
    _, _, problems = climate_monthly.read(write(area, GOOD + "0309,2003-13,1,68\n"), area)
    assert [(p.code, p.row, p.value) for p in problems] == [("E-CLI-032", 26, "2003-13")]


def test_pet_without_declared_source_is_ignored_and_reported(area: SimpleNamespace) -> None:
    text = rows("division,date,precip_in,tavg_f,pet_in", "0309,{m},2,68,4")
    climate, _, problems = climate_monthly.read(write(area, text), area)
    assert climate.pet_source == ""
    assert climate.monthly["pet_mm"].isna().all()
    assert codes(problems) == ["W-CLI-034"]
    declared = write(area, text).model_copy(update={"pet_source": "Thornthwaite 1948"})
    climate, _, problems = climate_monthly.read(declared, area)
    assert climate.pet_source == "Thornthwaite 1948"
    np.testing.assert_allclose(climate.monthly["pet_mm"], 101.6)
    assert problems == []


def test_methods_of_pet_are_listed_and_another_one_is_refused(area: SimpleNamespace) -> None:
    text = rows("division,date,precip_in,tavg_f,pet_in", "0309,{m},2,68,4")
    _, _, problems = climate_monthly.read(write(area, text), area)
    assert "to its method: thornthwaite, hamon." in str(problems[0])
    for given in ("Penman-Monteith", "yes"):
        entry = write(area, text).model_copy(update={"pet_source": given})
        with pytest.raises(LayerError, match=rf'E-CLI-019 .*"{given}": is not a method.* takes thornthwaite, hamon\.'):
            climate_monthly.read(entry, area)
    hamon = write(area, text).model_copy(update={"pet_source": "Hamon (1961)"})
    assert climate_monthly.read(hamon, area)[0].pet_source == "Hamon (1961)"


def test_declared_pet_without_a_column_is_refused(area: SimpleNamespace) -> None:
    entry = write(area, GOOD).model_copy(update={"pet_source": "Thornthwaite"})
    with pytest.raises(LayerError, match="add pet_in"):
        climate_monthly.read(entry, area)


def test_one_of_many_cells_must_be_named(area: SimpleNamespace) -> None:
    entry = write(area, GOOD + "4103,2001-01,1,60\n")
    assert set(climate_monthly.read(entry, area)[0].monthly["cell_id"]) == {"0309"}
    with pytest.raises(LayerError, match="set `cell`"):
        climate_monthly.read(entry.model_copy(update={"cell": None}), area)
    with pytest.raises(LayerError, match="no cell '309'"):
        climate_monthly.read(entry.model_copy(update={"cell": "309"}), area)


def test_latitude_must_be_known(area: SimpleNamespace) -> None:
    with pytest.raises(LayerError, match="set latitude_deg"):
        climate_monthly.read(write(area, GOOD).model_copy(update={"latitude_deg": None}), area)
    entry = write(area, GOOD).model_copy(update={"latitude_deg": {"0309": 34.25}})
    assert climate_monthly.read(entry, area)[0].latitude_deg == {"0309": 34.25}


def test_latitude_comes_from_the_cell_polygon(area: SimpleNamespace) -> None:
    cells = gpd.GeoDataFrame({"code": ["0309", "0306"]}, geometry=[box(-92, 33, -91, 34), box(-92, 34, -91, 36)],
                             crs="EPSG:4326")
    cells.to_file(area.folder / "cells.geojson")
    entry = write(area, GOOD).model_copy(
        update={"cells": Path("cells.geojson"), "cells_key": "code", "latitude_deg": None, "cell": None})
    climate, sources, problems = climate_monthly.read(entry, area)
    assert climate.latitude_deg == pytest.approx({"0309": 33.5})
    assert list(climate.cells.columns) == ["cell_id", "geometry"]
    assert codes(problems) == ["W-CLI-031"]  # 0306 has no months
    assert [s.role for s in sources] == ["climate", "climate_cells"]
    with pytest.raises(LayerError, match="set cells_key to one of code"):
        climate_monthly.read(entry.model_copy(update={"cells_key": "name"}), area)


def test_numeric_cell_key_is_refused_because_zeros_are_lost(area: SimpleNamespace) -> None:
    gpd.GeoDataFrame({"code": [309]}, geometry=[box(-92, 33, -91, 34)], crs="EPSG:4326").to_file(
        area.folder / "cells.gpkg")
    entry = write(area, GOOD).model_copy(update={"cells": Path("cells.gpkg"), "cells_key": "code"})
    with pytest.raises(LayerError, match="leading zeros are lost"):
        climate_monthly.read(entry, area)


@pytest.mark.parametrize(("content", "message"), [
    ("", "cannot be read as CSV"),
    ("a,b\n", "no rows"),
    (rows("division,date,precip_in,tavg_f", "0309,{m},,"), "no month has a value"),
])
def test_empty_files_are_refused(area: SimpleNamespace, content: str, message: str) -> None:
    with pytest.raises(LayerError, match=message):
        climate_monthly.read(write(area, content), area)


def test_absent_file_is_named(area: SimpleNamespace) -> None:
    entry = ClimateEntry(reader="csv", path=Path("gone.csv"), cell="1", latitude_deg=30.0)
    with pytest.raises(LayerError, match=r"gone\.csv: no such file"):
        climate_monthly.read(entry, area)


# --------------------------------------------------------------------------------------------- fixed width
def fixed(key: str, element: str, values: list[float], year: int = 2001) -> str:
    return f"{key}{element}{year}" + "".join(f"{v:7.2f}" for v in values) + "   \n"


def noaa(area: SimpleNamespace, rain: str, warmth: str) -> ClimateEntry:
    (area.folder / "p.txt").write_text(rain)
    (area.folder / "t.txt").write_text(warmth)
    return ClimateEntry(reader="noaa_fixed_width", path={"precipitation": Path("p.txt"), "temperature": Path("t.txt")},
                        latitude_deg=33.5)


RAIN, WARMTH = [2.0] * 11 + [-9.99], [68.0] * 11 + [-99.90]


def test_division_file_is_read_and_missing_tail_left_out(area: SimpleNamespace) -> None:
    entry = noaa(area, fixed("0309", "01", RAIN), fixed("0309", "02", WARMTH))
    climate, sources, problems = climate_monthly.read(entry, area)
    assert climate.monthly["cell_id"].unique().tolist() == ["0309"]
    assert len(climate.monthly) == 11
    np.testing.assert_allclose(climate.monthly["precipitation_mm"], 50.8)
    np.testing.assert_allclose(climate.monthly["temperature_c"], 20.0)
    assert problems == []
    assert [s.valid_date for s in sources] == ["2001-01..2001-11"] * 2


def test_county_file_gets_federal_state_numbers(area: SimpleNamespace) -> None:
    """Texas is 41 in the files and 48 in polygon files; from the state list of the format."""
    entry = noaa(area, fixed("41113", "01", RAIN), fixed("41113", "02", WARMTH))
    assert climate_monthly.read(entry, area)[0].monthly["cell_id"].unique().tolist() == ["48113"]


def test_swapped_files_are_refused_and_both_named(area: SimpleNamespace) -> None:
    entry = noaa(area, fixed("0309", "02", WARMTH), fixed("0309", "01", RAIN))
    with pytest.raises(LayerError) as caught:
        climate_monthly.read(entry, area)
    assert "p.txt: contains mean temperature, but is given as precipitation" in str(caught.value)
    assert "t.txt: contains precipitation, but is given as mean temperature" in str(caught.value)


def test_palmer_file_is_refused_by_name(area: SimpleNamespace) -> None:
    with pytest.raises(LayerError, match="contains PDSI"):
        climate_monthly.read(noaa(area, fixed("0309", "05", RAIN), fixed("0309", "02", WARMTH)), area)


def test_field_that_is_no_number_is_reported_with_row_and_month(area: SimpleNamespace) -> None:
    broken = fixed("0309", "01", [2.0] * 12).replace("   2.00", "   x.00", 1)
    climate, _, problems = climate_monthly.read(noaa(area, broken, fixed("0309", "02", [68.0] * 12)), area)
    found = next(p for p in problems if p.code == "E-CLI-023")
    assert (found.row, found.column, found.value) == (1, "month 1", "x.00")
    assert np.isnan(climate.monthly["precipitation_mm"].iloc[0])


@pytest.mark.parametrize("rain", ["hello world\n", "", "0309012001   2.00\n41113012001   2.00\n"])
def test_other_text_is_refused(area: SimpleNamespace, rain: str) -> None:
    with pytest.raises(LayerError, match=r"p\.txt"):
        climate_monthly.read(noaa(area, rain, fixed("0309", "02", WARMTH)), area)


def test_paths_must_be_given_for_both(area: SimpleNamespace) -> None:
    with pytest.raises(LayerError, match="needs path ="):
        climate_monthly.read(ClimateEntry(reader="noaa_fixed_width", path=Path("p.txt")), area)


# ------------------------------------------------------------------------------------------ the table as a whole
def seasons(rain: str = "{rain:.2f}", warmth: str = "{warmth:.2f}", *, header: str = "date,precip_mm,tavg_c",
            years: int = 12, warmest: int = 7, annual_mm: float = 800.0) -> str:
    """Return a CSV with seasons: rain that scatters by 0.6 of its mean, temperature 8..28 degC."""
    rng = np.random.default_rng(3)
    lines = []
    for k in range(12 * years):
        wet = annual_mm / 12 * float(rng.gamma(1 / 0.36, 0.36))
        warm = 18 + 10 * np.cos(2 * np.pi * (k % 12 + 1 - warmest) / 12) + float(rng.normal(0, 1))
        lines.append(f"{2001 + k // 12}-{k % 12 + 1:02d}," + f"{rain},{warmth}".format(rain=wet, warmth=warm))
    return "\n".join([header, *lines]) + "\n"


def test_a_table_with_seasons_has_no_finding(area: SimpleNamespace) -> None:
    assert climate_monthly.read(write(area, seasons()), area)[2] == []


@pytest.mark.parametrize(("years", "row"), [("51-{n:02d}", '"51-01"'), ("Jan {y}", '"Jan 2001"')])
def test_dates_written_in_another_way_are_refused_in_their_own_words(area: SimpleNamespace, years: str,
                                                                     row: str) -> None:
    text = rows("division,date,precip_in,tavg_f", f"0309,{years},2.0,68.0")
    words = "two digits. Write all four digits" if row.startswith('"51') else "is not a month. Write YYYY-MM"
    with pytest.raises(LayerError, match=f"E-CLI-060 .*month of 24 of 24 rows cannot be read; row 2: {row}: .*{words}"):
        climate_monthly.read(write(area, text), area)


def test_years_of_two_digits_are_told_also_where_cells_are_polygons(area: SimpleNamespace) -> None:
    """It was said as "correct cells_key": no row was left, so no key was in common."""
    cells = gpd.GeoDataFrame({"cell_id": ["0309"]}, geometry=[box(-92, 33, -91, 34)], crs="EPSG:4326")
    cells.to_file(area.folder / "cells.gpkg")
    write(area, rows("cell_id,year,month,precip_in,tavg_f", "0309,51,{n},2.0,68.0"))
    entry = ClimateEntry(reader="csv", path=Path("climate.csv"), cells=Path("cells.gpkg"))
    with pytest.raises(LayerError, match=r"column year, month: .*the years have two digits"):
        climate_monthly.read(entry, area)


def test_month_13_is_one_row_lost(area: SimpleNamespace) -> None:
    text = rows("division,year,month,precip_in,tavg_f", "0309,{y},{n},2.0,68.0") + "0309,2002,13,2.0,68.0\n"
    _, _, problems = climate_monthly.read(write(area, text), area)
    assert [(p.code, p.row, p.value) for p in problems] == [("E-CLI-032", 26, "2002-13")]


@pytest.mark.parametrize(("annual_mm", "unit"), [(800 / 25.4, "inches"), (80.0, "centimetres"), (0.8, "metres")])
def test_rain_in_a_larger_unit_under_a_heading_of_mm_is_refused(area: SimpleNamespace, annual_mm: float,
                                                                unit: str) -> None:
    text = seasons("{rain:.4f}", annual_mm=annual_mm)
    with pytest.raises(LayerError, match=r"E-CLI-062 .*fall as evenly as in a humid climate") as caught:
        climate_monthly.read(write(area, text), area)
    assert "inches or centimetres given as millimetres?" in str(caught.value)


def test_a_desert_scatters_and_is_used(area: SimpleNamespace) -> None:
    lines = seasons(annual_mm=80.0).splitlines()
    text = "\n".join([lines[0], *(line if k % 4 == 0 else f"{line.split(',')[0]},0,{line.split(',')[2]}"
                                  for k, line in enumerate(lines[1:]))])
    climate, _, problems = climate_monthly.read(write(area, text), area)
    assert codes(problems) == ["W-CLI-038"]
    assert climate.monthly["precipitation_mm"].notna().all()


def test_swapped_columns_are_refused(area: SimpleNamespace) -> None:
    text = seasons("{warmth:.2f}", "{rain:.2f}", annual_mm=240.0)  # 20 mm a month pass as a temperature
    with pytest.raises(LayerError, match=r"E-CLI-064 .*are rain and temperature swapped"):
        climate_monthly.read(write(area, text), area)


def test_a_summer_of_the_other_hemisphere_is_refused(area: SimpleNamespace) -> None:
    with pytest.raises(LayerError, match=r"E-CLI-065 .*cell 0309: 33.5 degrees north .*winter of that hemisphere"):
        climate_monthly.read(write(area, seasons(warmest=1)), area)
    entry = write(area, seasons(warmest=1)).model_copy(update={"latitude_deg": -33.5})
    assert climate_monthly.read(entry, area)[2] == []


@pytest.mark.parametrize(("header", "mark"), [("date,precip_mm,tavg_c", "999"), ("date,precip_mm,tavg_c", "999.9"),
                                              ("date,precip_in,tavg_c", "99.99")])
def test_nines_that_mark_a_missing_value_are_no_rain(area: SimpleNamespace, header: str, mark: str) -> None:
    lines = seasons(header=header, annual_mm=800 if "mm" in header else 31).splitlines()
    lines[7] = f"2001-07,{mark},28"
    climate, _, problems = climate_monthly.read(write(area, "\n".join(lines)), area)
    assert next((p.code, p.row, p.value) for p in problems) == ("E-CLI-063", 8, mark)
    assert np.isnan(climate.monthly["precipitation_mm"].iloc[6])
    assert climate.monthly["temperature_c"].iloc[6] == 28


@pytest.mark.parametrize(("content", "kind", "remedy"), [
    (b"CDF\x01\x00\x00", "a NetCDF grid", "Average the grid over each climate cell"),
    (b"\x89HDF\r\n\x1a\n\x00", "a NetCDF-4 or HDF5 grid", "Kelvin minus 273.15"),
    (b"\x1f\x8b\x08\x00", "compressed", "ending .gz"),
    ("date,precip_in".encode("utf-16"), "text in UTF-16", "Save it as UTF-8"),
    (b"PK\x03\x04", "a zip", "Unpack it"),
])
def test_another_kind_of_file_is_named_with_the_way_out(area: SimpleNamespace, content: bytes, kind: str,
                                                        remedy: str) -> None:
    entry = write(area, "")
    (area.folder / "climate.csv").write_bytes(content)
    with pytest.raises(LayerError, match=f"E-CLI-066 climate.csv: is {kind}.*, and a CSV table is expected.*{remedy}"):
        climate_monthly.read(entry, area)


def test_a_workbook_is_named(area: SimpleNamespace) -> None:
    entry = write(area, "")
    with zipfile.ZipFile(area.folder / "climate.csv", "w") as made:
        made.writestr("xl/workbook.xml", "<x/>")
    with pytest.raises(LayerError, match=r"is a workbook, .*Save the sheet as a CSV table"):
        climate_monthly.read(entry, area)


def test_a_netcdf_grid_in_place_of_the_fixed_width_text_is_named(area: SimpleNamespace) -> None:
    entry = noaa(area, "", "")
    (area.folder / entry.path["precipitation"]).write_bytes(b"\x89HDF\r\n\x1a\n\xff\xfe")
    with pytest.raises(LayerError, match=r"E-CLI-020 .*is a NetCDF-4 or HDF5 grid; give the text file"):
        climate_monthly.read(entry, area)


def test_a_row_with_more_fields_is_told_with_its_number(area: SimpleNamespace) -> None:
    text = GOOD + "0309,2003-01,2.0,68.0,extra\n"
    with pytest.raises(LayerError, match=r"E-CLI-010 climate.csv: .*Expected 4 fields in line 26, saw 5. A row"):
        climate_monthly.read(write(area, text), area)
