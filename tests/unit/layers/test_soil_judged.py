"""A survey judged as a whole and row by row: wrong units are refused, contradictions are reported and not used."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
import test_soil_reader as download
import test_soil_template as template
from rasterio.transform import from_origin

from riskmap import soil
from riskmap.common import settings
from riskmap.common.errors import LayerError
from riskmap.layers import soil_judged, soil_key_raster, ssurgo_tables

# Four soils, three horizons each: sand, silt, clay, linear extensibility, bulk densities at 1/3 bar and oven dry
SOILS = {"1": (14, 34, 52, 10.0, 1.32, 1.74), "2": (33, 38, 29, 3.6, 1.42, 1.57), "3": (82, 11, 7, 0.6, 1.55, 1.57),
         "4": (18, 37, 45, 8.0, 1.36, 1.70)}
DEPTHS = ((0, 20), (20, 90), (90, 203))


def survey():
    """Two map units of two components each, as texts with a row number as the file counts it."""
    component = pd.DataFrame([[pct, name, "Series", unit, key] for pct, name, unit, key in (
        (85, "Dorvek", "100", "1"), (15, "Keldan", "100", "2"), (90, "Sarnit", "200", "3"),
        (10, "Ostrel", "200", "4"))], columns=["comppct_r", "compname", "compkind", "mukey", "cokey"])
    rows = [["B", "B", top, bottom, sand, silt, clay, third, dry, 0.8 * lep, lep, 1.2 * lep, 30, key, f"{key}{top}"]
            for key, (sand, silt, clay, lep, third, dry) in SOILS.items() for top, bottom in DEPTHS]
    tables = {table: pd.DataFrame(columns=list(layout[2]), dtype=object)
              for table, layout in ssurgo_tables.LAYOUT.items()}
    tables["component"] = component.astype(object).map(str)
    tables["chorizon"] = pd.DataFrame(rows, columns=list(ssurgo_tables.LAYOUT["chorizon"][2])).astype(object).map(str)
    tables["mapunit"] = pd.DataFrame([["A", "Clay", "7", "100"], ["B", "Sand", "7", "200"]],
                                     columns=["musym", "muname", "lkey", "mukey"])
    return tables


def judge(tables):
    problems = []
    return soil_judged.judged(ssurgo_tables.Part("a.zip", tables, None), problems).tables, problems


def changed(table, column, value, rows=slice(None)):
    """The survey with one column changed in some rows; `value` is a text or a function of the old number."""
    tables = survey()
    old = tables[table].loc[rows, column]
    tables[table].loc[rows, column] = old.map(lambda v: f"{value(float(v)):.6g}") if callable(value) else value
    return tables


def test_a_sound_survey_passes_unchanged():
    tables, problems = judge(survey())
    assert problems == []
    for name, frame in survey().items():
        pd.testing.assert_frame_equal(tables[name], frame)


# ---------------------------------------------------------------- the whole survey in another unit
def as_shares(tables, *columns):
    for column in columns:
        tables["chorizon"][column] = tables["chorizon"][column].map(lambda v: f"{float(v) / 100:.4f}")
    return tables


def blank(tables, *columns):
    tables["chorizon"][list(columns)] = None
    return tables


def scaled(column, factor, *more):
    tables = changed("chorizon", column, lambda v: v * factor)
    for other in more:
        tables["chorizon"][other] = tables["chorizon"][other].map(lambda v: f"{float(v) * factor:.6g}")
    return tables


TEXTURE, LEP = ("sandtotal_r", "silttotal_r", "claytotal_r"), ("lep_l", "lep_r", "lep_h")


@pytest.mark.parametrize(("tables", "told"), [
    (as_shares(survey(), *TEXTURE, *LEP), "E-SOIL-061 a.zip table chorizon .*sum to 1.00 in the middle of 12 horizons, "
     "and not to 100; the largest clay content is 0.52"),
    (blank(as_shares(survey(), *TEXTURE), *TEXTURE[:2]), "E-SOIL-061 .*the largest of 12 clay contents is 0.52"),
    (as_shares(survey(), *LEP), "E-SOIL-062 .*linear extensibility is 0.09 in the middle of 6 horizons with 30 % clay"),
    (scaled("dbthirdbar_r", 1000), "E-SOIL-063 .*bulk density is 1390 .*kg/m3 are given. Divide it by 1,000"),
    (scaled("dbovendry_r", 62.43), "E-SOIL-063 .*perhaps lb/ft3"),
    (scaled("hzdepb_r", 1 / 2.54, "hzdept_r"), "E-SOIL-064 .*end at a depth of 79.9.*inches are given"),
    (scaled("hzdepb_r", 0.01, "hzdept_r"), "E-SOIL-064 .*metres are given as centimetres"),
    (scaled("hzdepb_r", 10, "hzdept_r"), "E-SOIL-064 .*millimetres are given as centimetres"),
    (changed("component", "comppct_r", lambda v: v / 100), "E-SOIL-065 .*sum to 1.00 in the middle of 2 map units"),
], ids=str)
def test_a_survey_in_another_unit_is_refused_in_words(tables, told):
    with pytest.raises(LayerError, match=told):
        judge(tables)


def test_all_wrong_units_are_told_together():
    with pytest.raises(LayerError) as caught:
        judge(as_shares(scaled("dbthirdbar_r", 1000), *TEXTURE))
    assert [line.split()[0] for line in str(caught.value).splitlines()] == ["E-SOIL-061", "E-SOIL-063"]


def test_two_shallow_soils_are_used_with_a_caution_and_rock_explains_them():
    tables = scaled("hzdepb_r", 1 / 2.54, "hzdept_r")
    for name in ("component", "chorizon"):
        tables[name] = tables[name][tables[name]["cokey"].isin(["1", "2"])]
    _, problems = judge(tables)
    assert [(p.code, p.action) for p in problems] == [("W-SOIL-072", "Used as given.")]
    tables["corestrictions"] = pd.DataFrame([["Lithic bedrock", "Indurated", "80", key] for key in ("1", "2")],
                                            columns=["reskind", "reshard", "resdept_r", "cokey"])
    assert judge(tables)[1] == []


# ---------------------------------------------------------------- single values
@pytest.mark.parametrize(("column", "value", "rule"), [
    ("claytotal_r", "110", "0..100 percent"), ("claytotal_r", "-5", "0..100 percent"),
    ("lep_r", "31", "0..30 percent"), ("lep_r", "-1", "0..30 percent"), ("lep_h", "300", "0..30 percent"),
    ("dbthirdbar_r", "1320", "0.02..2.6 g/cm3"), ("dbovendry_r", "0", "0.02..2.6 g/cm3"),
    ("cec7_r", "401", "0..400 cmol"), ("hzdept_r", "-60", "-50..9999 cm"), ("sandtotal_r", "101", "0..100 percent")])
def test_a_value_outside_its_published_range_is_missing_and_told_with_its_row(column, value, rule):
    tables, problems = judge(changed("chorizon", column, value, rows=[4]))
    assert [(p.code, p.row, p.column, p.value) for p in problems] == [("E-SOIL-066", 5, column, value)]
    assert rule in problems[0].rule
    assert problems[0].file == "a.zip table chorizon"
    assert pd.isna(tables["chorizon"].loc[4, column])
    assert tables["chorizon"].drop(columns=column).equals(survey()["chorizon"].drop(columns=column))


def test_a_component_percentage_out_of_range_leaves_unknown_ground():
    tables, problems = judge(changed("component", "comppct_r", "-15", rows=[1]))
    assert [(p.code, p.row) for p in problems] == [("E-SOIL-066", 2)]
    assert tables["component"]["comppct_r"].isna().tolist() == [False, True, False, False]


def test_a_sum_that_is_not_100_takes_the_clay_and_nothing_else():
    tables, problems = judge(changed("chorizon", "claytotal_r", "70", rows=[1]))
    assert [(p.code, p.row, p.value) for p in problems] == [("E-SOIL-067", 2, "14 + 34 + 70 = 118")]
    assert pd.isna(tables["chorizon"].loc[1, "claytotal_r"])
    assert tables["chorizon"].loc[1, "lep_r"] == "10.0"


def test_one_horizon_in_shares_among_percents_is_not_used_at_all():
    given = survey()
    for column in (*TEXTURE, *LEP):
        given["chorizon"].loc[1, column] = f"{float(given['chorizon'].loc[1, column]) / 100:.4f}"
    tables, problems = judge(given)
    assert [(p.code, p.row) for p in problems] == [("E-SOIL-068", 2)]
    assert tables["chorizon"].loc[1, [*TEXTURE, *LEP, "dbthirdbar_r", "cec7_r"]].isna().all()
    assert tables["chorizon"].loc[1, ["hzdept_r", "hzdepb_r"]].tolist() == ["20", "90"]  # so that no layer fills it


def test_rounded_sums_pass():
    assert judge(changed("chorizon", "claytotal_r", "51", rows=[0]))[1] == []


def test_a_soil_that_grows_when_it_dries_is_told():
    _, problems = judge(changed("chorizon", "dbovendry_r", "1.2", rows=[0]))
    assert [(p.code, p.row, p.value) for p in problems] == [("W-SOIL-076", 1, "1.2 below 1.32")]


def test_components_far_above_100_percent_are_not_scaled():
    given = survey()
    again = given["component"].iloc[[0]].assign(cokey="9", compname="Dorvek")
    given["component"] = pd.concat([given["component"], again], ignore_index=True)
    tables, problems = judge(given)
    assert [(p.code, p.row, p.value) for p in problems] == [("E-SOIL-071", 1, "100: 185")]
    assert tables["component"]["comppct_r"].isna().tolist() == [True, True, False, False, True]
    assert judge(changed("component", "comppct_r", "20", rows=[1]))[1] == []  # 105: told and scaled later


# ---------------------------------------------------------------- keys
@pytest.mark.parametrize(("table", "key"), [("component", "cokey"), ("mapunit", "mukey"), ("chorizon", "chkey")])
def test_an_equal_row_again_is_used_once_and_told(table, key):
    given = survey()
    given[table] = pd.concat([given[table], given[table].iloc[[0]]], ignore_index=True)
    tables, problems = judge(given)
    assert [(p.code, p.row, p.column) for p in problems] == [("W-SOIL-069", 1, key)]
    assert f"(rows 1, {len(given[table])})" in problems[0].rule
    assert tables[table].equals(survey()[table])


@pytest.mark.parametrize(("table", "key", "column"), [("component", "cokey", "comppct_r"),
                                                      ("mapunit", "mukey", "muname"), ("chorizon", "chkey", "lep_r")])
def test_of_rows_that_contradict_each_other_none_is_used(table, key, column):
    given = survey()
    again = given[table].iloc[[0]].assign(**{column: "9"})
    given[table] = pd.concat([given[table], again], ignore_index=True)
    tables, problems = judge(given)
    assert [(p.code, p.row, p.column) for p in problems] == [("E-SOIL-070", 1, key)]
    if table == "chorizon":  # their depths stay, so that no layer above fills the place
        both = tables["chorizon"][tables["chorizon"]["chkey"] == "10"]
        assert both["hzdept_r"].tolist() == ["0", "0"]
        assert both[["lep_r", "claytotal_r", "dbthirdbar_r", "cec7_r"]].isna().all(axis=None)
    elif table == "component":
        assert tables["component"]["cokey"].tolist() == ["2", "3", "4"]
    else:
        assert tables["mapunit"]["mukey"].tolist() == ["200"]
        assert tables["component"]["cokey"].tolist() == ["3", "4"]


# ---------------------------------------------------------------- through the readers
def horizons(key, lep=7.5):
    """Rows of a download for one soil to 203 cm."""
    return [{"hzname": "B", "hzdept_r": top, "hzdepb_r": bottom, "lep_l": lep - 1, "lep_r": lep, "lep_h": lep + 1,
             "cokey": key} for top, bottom in DEPTHS]


def component(pct, key, name="Clay"):
    return {"comppct_r": pct, "compname": name, "compkind": "Series", "mukey": "100", "cokey": key}


def estimated(tables):
    """lot_soil and lot_profile of one lot in the middle of the survey's polygon."""
    lot = gpd.GeoDataFrame({"lot_row": [0], "state": [""]}, geometry=[shapely.box(-94.951, 30.05, -94.95, 30.051)],
                           crs="EPSG:4326").to_crs("EPSG:5070")
    return soil.attach(lot, tables, settings.SoilSettings(), "EPSG:5070")


def test_a_download_with_a_component_twice_gives_the_result_of_the_clean_one(tmp_path):
    """A crash before: the second row is an exact copy."""
    shapes = download.shapefile(tmp_path / "shapes")
    files = {name: download.content(comp=download.lines("comp", *rows),
                                    chorizon=download.lines("chorizon", *horizons("1"), *horizons("2", 2.0))) | shapes
             for name, rows in (("clean", [component(85, "1"), component(15, "2")]),
                                ("twice", [component(85, "1"), component(15, "2"), component(85, "1")]))}
    (clean, _, _), (twice, _, told) = (download.read(download.write(tmp_path / f"{name}.zip", content))
                                       for name, content in files.items())
    assert "W-SOIL-069" in download.codes(told)
    pd.testing.assert_frame_equal(estimated(clean).lot_profile, estimated(twice).lot_profile)


def test_a_download_whose_components_contradict_each_other_leaves_a_state(tmp_path):
    comp = download.lines("comp", component(85, "1"), component(15, "2"), component(40, "1"))
    files = download.content(comp=comp, chorizon=download.lines("chorizon", *horizons("1"), *horizons("2", 2.0)))
    tables, _, told = download.read(download.write(tmp_path / "a.zip",
                                                   files | download.shapefile(tmp_path / "shapes")))
    assert "E-SOIL-070" in download.codes(told)
    assert estimated(tables).lot_soil.loc[0, "soil_state"] == "not_enough_data"


def test_a_contradictory_horizon_is_not_filled_from_the_layer_above(tmp_path):
    rows = horizons("1")
    rows = [dict(row, chkey=str(k)) for k, row in enumerate(rows)] + [dict(rows[1], lep_r=2.0, lep_l=1.0, chkey="1")]
    names = {**download.COLUMNS["chorizon"][1], 171: "chkey"}
    text = "\n".join("|".join(str(row.get(names.get(i, ""), "")) for i in range(1, 172)) for row in rows) + "\n"
    files = download.content(comp=download.lines("comp", component(100, "1")), chorizon=text)
    tables, _, told = download.read(download.write(tmp_path / "a.zip",
                                                   files | download.shapefile(tmp_path / "shapes")))
    assert "E-SOIL-070" in download.codes(told)
    assert estimated(tables).lot_soil.loc[0, "soil_state"] == "not_enough_data"


def test_a_template_database_is_judged_by_the_same_rules(tmp_path):
    rows = {"component": [*template.ROWS["component"], template.ROWS["component"][0]],
            "chorizon": [("Bss", "B", 0, 90, 145.0, None, None, 6, 7.5, 8.9, 1)]}
    tables, _, told = template.read(template.database(tmp_path / "t.gpkg", rows=rows))
    assert sorted(p.code for p in told) == ["E-SOIL-066", "W-SOIL-069"]
    assert tables.component["component_id"].tolist() == ["1", "2"]
    assert tables.horizon["clay_pct"].isna().all()


def test_a_grid_of_keys_is_judged_by_the_same_rules(tmp_path):
    rows = {"component": [*template.ROWS["component"], (10, "Clay ", "Series", 100, 1)]}
    template.database(tmp_path / "t.gpkg", rows=rows)
    with rasterio.open(tmp_path / "keys.tif", "w", driver="GTiff", height=2, width=2, count=1, dtype="uint32",
                       crs="EPSG:5070", transform=from_origin(0, 60, 30, 30), nodata=0) as out:
        out.write(np.full((2, 2), 100, "uint32"), 1)
    entry = {"reader": "key_raster", "path": "t.gpkg", "raster": "keys.tif"}
    area = settings.Area(name="t", lots={"path": "l.csv"}, soil=entry, folder=tmp_path)
    tables, _, told = soil_key_raster.read(area.soil, area, lots=None)
    assert "E-SOIL-070" in [p.code for p in told]
    assert tables.component["component_id"].tolist() == ["2"]


def test_a_polygon_twice_with_its_map_unit_counts_once_and_is_told(tmp_path):
    box = shapely.box(-95, 30, -94.9, 30.1)
    turned = shapely.Polygon(box.exterior.coords[2:-1] + box.exterior.coords[:3])  # the same ring from another corner
    shapes = download.shapefile(tmp_path / "shapes", shapes=[box, turned])
    tables, _, told = download.read(download.write(tmp_path / "a.zip", download.content() | shapes))
    assert len(tables.polygons) == 1
    assert "W-SOIL-073" in download.codes(told)


# ---------------------------------------------------------------- small files that unpack to something else
@pytest.mark.parametrize("text", ["|" * 2_000_000, "a\n" * 1_500_000, "1|2|3\n" + "|" * 2_000_000 + "\n"],
                         ids=["one long line", "many short lines", "a long second line"])
def test_what_is_no_table_is_refused_before_it_is_parsed(tmp_path, monkeypatch, text):
    path = download.write(tmp_path / "a.zip", download.content(chorizon=text))
    monkeypatch.setattr(pd, "read_csv", lambda *_, **__: pytest.fail("parsed"))
    survey_, = ssurgo_tables.surveys(path, "a.zip")
    with pytest.raises(LayerError, match=r"E-SOIL-060 a.zip tabular/chorizon.txt: .*no table of a soil survey"):
        ssurgo_tables._table(survey_, "chorizon.txt", "chorizon", [f"c{k}" for k in range(171)])


def test_a_survey_of_which_nothing_is_left_gives_states(tmp_path):
    comp = download.lines("comp", component(85, "1"), component(40, "1"))
    files = download.content(comp=comp, chorizon=download.lines("chorizon", *horizons("1")))
    tables, _, _ = download.read(download.write(tmp_path / "a.zip", files | download.shapefile(tmp_path / "shapes")))
    assert tables.component.empty
    assert estimated(tables).lot_soil.loc[0, "soil_state"] == "not_enough_data"
