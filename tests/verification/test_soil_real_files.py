"""Every real soil file of the open data, with each reader: read whole, or refused in the right words.

Counts: README of the soil data, and another program (map units, components, horizons per area). The suspicious linear
extensibility of the Bernard soils is in the published files: 0.2 % beside 48.6-52 % clay.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from riskmap import soil
from riskmap.common.errors import LayerError
from riskmap.common.settings import Area, SoilEntry, SoilSettings
from riskmap.layers import soil_ssurgo, soil_template
from riskmap.soil import component as components
from riskmap.soil import horizon

READERS = {"ssurgo": soil_ssurgo.read, "template": soil_template.read}
TEMPLATE = "AR041_subset_template_layout.gpkg"
NO_STORED_RATING = ["W-SOIL-010"]  # cointerp is not in the download

# file, reader -> polygons, map units, components, horizons, scale, codes
WHOLE = {
    ("AR041_2021.zip", "ssurgo"): (2106, 31, 101, 121, 20000, NO_STORED_RATING),
    ("AR041_2022.zip", "ssurgo"): (2106, 31, 101, 121, 20000, NO_STORED_RATING),
    (TEMPLATE, "template"): (188, 16, 55, 59, 20000, NO_STORED_RATING),
    ("IA073_aoi_2020.zip", "ssurgo"): (13, 5, 17, 67, 15840, []),
    ("IA015_aoi_2020.zip", "ssurgo"): (4, 4, 10, 39, 15840, []),
}
TABLES_ONLY = {
    "TX201_2021_tabular.zip": (103, 310, 478, 20000, "spatial/soilmu_a_tx201.shp"),
    "TX039_2021_tabular.zip": (46, 195, 210, 20000, "spatial/soilmu_a_tx039.shp"),
    "TX600_2021_tabular.zip": (112, 365, 444, 24000, "spatial/soilmu_a_tx600.shp"),
    "TX347_with_header_rows_tabular.zip": (141, 402, 662, 24000, "map-unit polygons (spatial/soilmu_a_*.shp"),
}
REFUSED = {
    (TEMPLATE, "ssurgo"): 'a database, not a zip. Set reader = "template"',
    ("sda_envelope_AR041.json", "ssurgo"): "a JSON answer, not a soil-survey download",
    ("sda_envelope_AR041.json", "template"): "not a GeoPackage or SQLite database. Name a template database",
} | {(name, "template"): 'Use reader = "ssurgo" for a zip' for name in (
    *(name for name, reader in WHOLE if reader == "ssurgo"), *TABLES_ONLY)}


def read(open_data, name, reader="ssurgo", need_polygons=True):
    entry = SoilEntry(reader=reader, path=name)
    area = Area(name="t", lots={"path": "l.csv"}, soil=entry, folder=open_data / "soil")
    return READERS[reader](entry, area, need_polygons=need_polygons)


def test_the_table_names_every_soil_file(open_data):
    known = {name for name, _ in (*WHOLE, *REFUSED)} | set(TABLES_ONLY)
    present = {p.name for p in (open_data / "soil").iterdir() if p.suffix in (".zip", ".gpkg", ".json", ".sqlite")}
    assert present == known


@pytest.mark.parametrize(("file", "expected"), WHOLE.items(), ids=lambda v: str(v[0]))
def test_read_whole(open_data, file, expected):
    tables, sources, problems = read(open_data, *file)
    assert (len(tables.polygons), len(tables.map_unit), len(tables.component), len(tables.horizon), tables.scale,
            [p.code for p in problems]) == expected
    assert set(tables.polygons["mukey"]) == set(tables.map_unit["mukey"])
    assert (tables.shrink_swell_stored is None) == (expected[-1] == NO_STORED_RATING)
    assert sum(s.rows for s in sources) == len(tables.polygons)
    for table, key in ((tables.map_unit, "mukey"), (tables.component, "component_id"), (tables.polygons, "mukey")):
        assert table[key].map(type).eq(str).all()
        assert not table[key].str.contains(r"\.|\s").any()


@pytest.mark.parametrize(("name", "expected"), TABLES_ONLY.items(), ids=lambda v: str(v)[:5])
def test_tables_without_polygons(open_data, name, expected):
    units, parts, layers, scale, missing = expected
    with pytest.raises(LayerError) as refused:
        read(open_data, name)
    assert str(refused.value).startswith(f"E-SOIL-005 {name}: missing: {missing}")
    assert "take it again, whole" in str(refused.value)
    tables, _, problems = read(open_data, name, need_polygons=False)
    assert (len(tables.map_unit), len(tables.component), len(tables.horizon), tables.scale) == (units, parts, layers,
                                                                                                scale)
    assert [p.code for p in problems] == NO_STORED_RATING
    assert set(tables.horizon["component_id"]) <= set(tables.component["component_id"])


@pytest.mark.parametrize(("file", "told"), REFUSED.items(), ids=lambda v: "-".join(v) if isinstance(v, tuple) else "")
def test_refused_in_the_right_words(open_data, file, told):
    with pytest.raises(LayerError) as refused:
        read(open_data, *file)
    assert str(refused.value).startswith(f"E-SOIL-081 {file[0]}: ")
    assert told in str(refused.value)


# ---------------------------------------------------------------- template against download
def averages(tables):
    """Return averages per map unit, profiles and layers, with no lot asked."""
    lot = gpd.GeoDataFrame({"lot_row": np.array([], np.int64), "state": pd.Series([], dtype=object)},
                           geometry=gpd.GeoSeries([], crs="EPSG:5070"), crs="EPSG:5070")
    found = soil.attach(lot, tables, SoilSettings(), "EPSG:5070")
    return found.map_unit.set_index("mukey").sort_index().drop(columns="area_ha"), found


def only(tables, mukeys):
    """Return the tables of some map units of a download, polygons left out."""
    component = tables.component[tables.component["mukey"].isin(mukeys)].reset_index(drop=True)
    layers = tables.horizon[tables.horizon["component_id"].isin(component["component_id"])].reset_index(drop=True)
    return type(tables)(tables.polygons.iloc[:0], tables.map_unit[tables.map_unit["mukey"].isin(mukeys)]
                        .reset_index(drop=True), component, layers, tables.scale)


def same_rows(one, two):
    by = list(one.columns)
    one, two = (frame.sort_values(by).reset_index(drop=True) for frame in (one, two))
    pd.testing.assert_frame_equal(one, two)


def test_template_gives_the_profiles_and_averages_of_the_download(open_data):
    template = read(open_data, TEMPLATE, "template")[0]
    whole = read(open_data, "AR041_2021.zip")[0]
    download = only(whole, template.map_unit["mukey"])
    for name in ("map_unit", "component", "horizon"):
        same_rows(getattr(template, name), getattr(download, name))
    (ours, found), (theirs, expected) = averages(template), averages(download)
    pd.testing.assert_frame_equal(ours, theirs)
    assert ours["lep_25_100_pct"].notna().sum() > 5
    pd.testing.assert_frame_equal(found.profile, expected.profile)
    pd.testing.assert_frame_equal(found.layer, expected.layer)
    shapes, mine = (set(zip(t.polygons["mukey"], t.polygons.geometry.normalize().to_wkb(), strict=True))
                    for t in (whole, template))
    assert mine <= shapes
    assert len(mine) == 188


@pytest.fixture(scope="module")
def variants(open_data, tmp_path_factory):
    """The real template rewritten with text keys, and as SQLite."""
    import shutil

    folder = tmp_path_factory.mktemp("variants")
    source = open_data / "soil" / TEMPLATE
    keys = ("lkey", "mukey", "cokey", "chkey", "comonthkey", "corestrictkey", "cosoilmoistkey")
    text = folder / "text_keys.gpkg"
    shutil.copy(source, text)
    polygons = gpd.read_file(source, layer="mupolygon")
    lite = folder / "plain.sqlite"
    polygons.assign(mukey=polygons["mukey"].astype(str)).to_file(lite, layer="mupolygon", driver="SQLite")
    with closing(sqlite3.connect(source)) as opened:
        names = [n for (n,) in opened.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
                 if not n.startswith(("gpkg_", "rtree_", "sqlite_", "mupolygon"))]
        stored = {n: pd.read_sql_query(f"SELECT * FROM {n}", opened, dtype=object) for n in names}
    for target, as_text in ((text, True), (lite, False)):
        with closing(sqlite3.connect(target)) as opened:
            for name, frame in stored.items():
                kept = frame.astype({k: str for k in keys if as_text and k in frame})
                kept.to_sql(name, opened, if_exists="replace", index=False)
            opened.commit()
    return {"text keys": text, "SQLite": lite}


@pytest.mark.parametrize("variant", ["text keys", "SQLite"])
def test_text_keys_and_sqlite_give_the_same_tables(open_data, variants, variant):
    with closing(sqlite3.connect(variants[variant])) as opened:
        stored_as = opened.execute("SELECT DISTINCT typeof(cokey) FROM component").fetchall()
    assert stored_as == [("text" if variant == "text keys" else "integer",)]
    path = variants[variant]
    entry = SoilEntry(reader="template", path=path)
    tables = soil_template.read(entry, Area(name="t", lots={"path": "l.csv"}, soil=entry))[0]
    original = read(open_data, TEMPLATE, "template")[0]
    for name in ("map_unit", "component", "horizon"):
        pd.testing.assert_frame_equal(getattr(tables, name), getattr(original, name))
    assert tables.polygons["mukey"].tolist() == original.polygons["mukey"].tolist()
    assert tables.polygons.geometry.geom_equals(original.polygons.geometry).all()


# ---------------------------------------------------------------- suspicious values
@pytest.mark.parametrize(("name", "suspicious"), [
    ("TX201_2021_tabular.zip", {("Bd", "Bernard")}), ("TX039_2021_tabular.zip", {("7", "Bernard")}),
    ("TX600_2021_tabular.zip", set()), ("TX347_with_header_rows_tabular.zip", set()), ("AR041_2021.zip", set()),
    ("IA073_aoi_2020.zip", set())])
def test_suspicious_extensibility_is_flagged_there_and_nowhere_else(open_data, name, suspicious):
    tables = read(open_data, name, need_polygons=False)[0]
    cleaned = horizon.clean(tables.horizon, tables.component, SoilSettings())
    component = tables.component.merge(tables.map_unit, on="mukey", validate="m:1")
    mask = cleaned.flags["lep_suspicious"]
    flagged = component[mask]
    assert set(zip(flagged["musym"], flagged["component_name"], strict=True)) == suspicious
    means = components.described(tables.component, cleaned)
    profiles = components.profiles(tables.component, cleaned, means["lep_0_150_pct"].to_numpy(float))
    units = components.map_units(tables.map_unit, tables.component, cleaned, means, profiles.of_component, [])
    assert set(tables.map_unit["musym"].to_numpy()[units.flags["lep_suspicious"]]) == {m for m, _ in suspicious}
    for number in np.unique(profiles.of_component[mask]):  # the range reaches what so much clay would give
        layer = profiles.layer[profiles.layer["profile_id"] == number]
        assert layer["lep_high_pct"].max() > 3 > 1 > layer["lep_pct"].max()
