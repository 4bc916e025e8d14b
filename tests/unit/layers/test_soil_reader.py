"""The download reader on small downloads written here: what it accepts and how it refuses."""

from __future__ import annotations

import stat
import zipfile
from pathlib import Path

import geopandas as gpd
import pytest
import shapely

from riskmap.common.errors import LayerError
from riskmap.common.settings import Area, SoilEntry
from riskmap.layers import soil_ssurgo, ssurgo_names, ssurgo_tables

COLUMNS = {
    "mapunit": (24, {1: "musym", 2: "muname", 23: "lkey", 24: "mukey"}),
    "comp": (109, {2: "comppct_r", 4: "compname", 5: "compkind", 108: "mukey", 109: "cokey"}),
    "chorizon": (171, {1: "hzname", 3: "desgnmaster", 7: "hzdept_r", 10: "hzdepb_r", 61: "claytotal_r",
                       100: "lep_l", 101: "lep_r", 102: "lep_h", 127: "cec7_r", 170: "cokey"}),
    "crstrcts": (13, {1: "reskind", 2: "reshard", 4: "resdept_r", 12: "cokey"}),
    "csmoist": (9, {2: "soimoistdept_r", 7: "soimoiststat", 8: "comonthkey"}),
    "cmonth": (17, {2: "month", 16: "cokey", 17: "comonthkey"}),
    "muaggatt": (40, {23: "engdwobdcd", 40: "mukey"}),
    "legend": (14, {2: "areasymbol", 3: "areaname", 9: "projectscale", 14: "lkey"}),
    "sacatlog": (11, {1: "areasymbol", 2: "areaname", 4: "saverest"}),
    "cinterp": (19, {1: "cokey", 3: "mrulename", 6: "rulename", 7: "ruledepth", 12: "interphr"}),
}
MAIN, SUB = ssurgo_names.RATING_RULE, ssurgo_names.RATING_SUB_RULE


def lines(table, *rows):
    """Rows as published: text quoted, inner quotes doubled, empty where nothing is known, no header."""
    count, names = COLUMNS[table]
    out = []
    for row in rows:
        values = [row.get(names.get(i, ""), "") for i in range(1, count + 1)]
        out.append("|".join('"' + v.replace('"', '""') + '"' if isinstance(v, str) and v else str(v) for v in values))
    return "\n".join(out) + ("\n" if out else "")


def content(**changes):
    files = {
        "mapunit": lines("mapunit", {"musym": "A", "muname": 'Clay, "gilgai"\nphase | wet', "lkey": "7",
                                     "mukey": "100"}),
        "comp": lines("comp", {"comppct_r": 90, "compname": "Clay ", "compkind": "Series", "mukey": "100",
                               "cokey": "1"},
                      {"comppct_r": 10, "compname": "Water", "compkind": "Miscellaneous area", "mukey": "100",
                       "cokey": "2"}),
        "chorizon": lines("chorizon", {"hzname": "B", "desgnmaster": "B", "hzdept_r": 20, "hzdepb_r": 90, "lep_l": 6,
                                       "lep_r": 7.5, "lep_h": 8.9, "cec7_r": 28.5, "cokey": "1"},
                          {"hzname": "Oa", "desgnmaster": "O", "hzdept_r": 0, "hzdepb_r": 20, "cokey": "1"}),
        "crstrcts": "", "csmoist": "", "cmonth": "",
        "muaggatt": lines("muaggatt", {"engdwobdcd": "Very limited", "mukey": "100"}),
        "legend": lines("legend", {"areasymbol": "XX001", "areaname": "Made-up County", "projectscale": 12000,
                                   "lkey": "7"}),
        "sacatlog": lines("sacatlog", {"areasymbol": "XX001", "areaname": "Made-up County",
                                       "saverest": "09/13/2021 16:41:06"}),
        "cinterp": "",
    }
    files |= changes
    return {f"XX001/tabular/{name}.txt": text for name, text in files.items() if text is not None}


def shapefile(folder: Path, name="soilmu_a_xx001", shapes=None, mukey="100"):
    folder.mkdir(exist_ok=True)
    shapes = [shapely.box(-95, 30, -94.9, 30.1)] if shapes is None else shapes
    frame = gpd.GeoDataFrame({"MUKEY": [mukey] * len(shapes)}, geometry=shapes, crs="EPSG:4326")
    frame.to_file(folder / f"{name}.shp")
    return {f"XX001/spatial/{p.name}": p.read_bytes() for p in sorted(folder.iterdir()) if p.suffix != ".cpg"}


@pytest.fixture
def polygons(tmp_path):
    return shapefile(tmp_path / "shapes")


def write(path: Path, files):
    with zipfile.ZipFile(path, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return path


def read(*paths, scale=None, need_polygons=True):
    entry = SoilEntry(path=list(paths) if len(paths) > 1 else paths[0], scale=scale)
    area = Area(name="test", lots={"path": "lots.gpkg"}, soil=entry, folder=paths[0].parent)
    return soil_ssurgo.read(entry, area, need_polygons=need_polygons)


def codes(problems):
    return [p.code for p in problems]


def test_quotes_line_breaks_separators_blanks_and_empty_tables(tmp_path, polygons):
    tables, sources, _ = read(write(tmp_path / "a.zip", content() | polygons))
    assert tables.map_unit.loc[0, "muname"] == 'Clay, "gilgai"\nphase | wet'
    assert tables.map_unit.loc[0, "dwellings_rating"] == "Very limited"
    assert tables.component["component_name"].tolist() == ["Clay", "Water"]
    assert tables.component["rock_depth_cm"].isna().all()
    assert tables.horizon["horizon_master"].tolist() == ["B", "O"]
    assert tables.horizon["lep_pct"].isna().tolist() == [False, True]
    assert tables.horizon["cec_cmol_kg"].tolist() == pytest.approx([28.5, float("nan")], nan_ok=True)
    assert (tables.polygons["mukey"].tolist(), tables.polygons.crs.to_epsg()) == (["100"], 4326)
    assert (tables.scale, sources[0].valid_date, sources[0].title) == (12000, "2021-09-13", "XX001 Made-up County")


def test_download_without_the_optional_column_is_read_with_it_unknown(tmp_path, polygons):
    """The download's own list of columns has no cec7_r; a column that is needed is still asked for."""
    names = [n for n in ssurgo_tables.LAYOUT["chorizon"][2] if n != "cec7_r"]
    row = {"hzname": '"B"', "hzdept_r": "0", "hzdepb_r": "90", "lep_r": "7.5", "cokey": '"1"'}
    for left_out, told in (("", None), ("lep_r", "E-SOIL-006 .*columns missing: lep_r")):
        kept = [n for n in names if n != left_out]
        columns = "\n".join(f'"chorizon"|{k}|"{n}"' for k, n in enumerate(kept, 1))
        files = content(chorizon="|".join(row.get(n, "") for n in kept) + "\n", mstabcol=columns) | polygons
        path = write(tmp_path / f"a{left_out}.zip", files)
        if told:
            with pytest.raises(LayerError, match=told):
                read(path)
        else:
            horizon = read(path)[0].horizon
            assert horizon["lep_pct"].tolist() == [7.5]
            assert horizon["cec_cmol_kg"].isna().all()


def test_unpacked_folder_reads_the_same_as_the_zip(tmp_path, polygons):
    files = content() | polygons
    for name, data in files.items():
        target = tmp_path / "folder" / name
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data if isinstance(data, bytes) else data.encode())
    one, two = read(write(tmp_path / "a.zip", files))[0], read(tmp_path / "folder")[0]
    for name in ("map_unit", "component", "horizon"):
        assert getattr(one, name).equals(getattr(two, name))
    assert one.polygons.geometry.equals(two.polygons.geometry)


def test_every_missing_piece_of_every_download_is_named_at_once(tmp_path, polygons):
    spatial = {n: d for n, d in polygons.items() if not n.endswith((".shp", ".prj"))}
    bad = write(tmp_path / "a.zip", content(chorizon=None, comp=None) | spatial)
    with pytest.raises(LayerError) as error:
        read(bad, tmp_path / "none.zip")
    told = str(error.value)
    for piece in ("comp.txt", "chorizon.txt", "soilmu_a_xx001.shp", "soilmu_a_xx001.prj", "none.zip: not found"):
        assert piece in told


def test_missing_prj_alone_is_refused_never_assumed(tmp_path, polygons):
    files = content() | {n: d for n, d in polygons.items() if not n.endswith(".prj")}
    with pytest.raises(LayerError, match=r"missing: spatial/soilmu_a_xx001\.prj"):
        read(write(tmp_path / "a.zip", files))


def test_unreadable_prj_is_refused(tmp_path, polygons):
    files = content() | {n: (b"" if n.endswith(".prj") else d) for n, d in polygons.items()}
    with pytest.raises(LayerError, match="coordinate system"):
        read(write(tmp_path / "a.zip", files))


def test_tables_can_be_read_without_polygons(tmp_path):
    tables, _, _ = read(write(tmp_path / "a.zip", content()), need_polygons=False)
    assert len(tables.polygons) == 0
    with pytest.raises(LayerError, match="map-unit polygons"):
        read(write(tmp_path / "b.zip", content()))


@pytest.mark.parametrize("name", ["../evil.txt", "XX001/../../evil.txt", "/etc/evil.txt", "C:/evil.txt",
                                  "..\\evil.txt", "C:\\evil.txt"])
def test_names_that_leave_the_archive_are_refused(tmp_path, name):
    with pytest.raises(LayerError, match="E-SOIL-004"):
        read(write(tmp_path / "a.zip", content() | {name: "x"}), need_polygons=False)


def test_links_are_refused(tmp_path):
    path = write(tmp_path / "a.zip", content())
    with zipfile.ZipFile(path, "a") as archive:
        link = zipfile.ZipInfo("XX001/tabular/link.txt")
        link.external_attr = (stat.S_IFLNK | 0o777) << 16
        archive.writestr(link, "/etc/passwd")
    with pytest.raises(LayerError, match="links"):
        read(path, need_polygons=False)


def test_damaged_zip_and_unrelated_zip(tmp_path):
    (tmp_path / "a.zip").write_bytes(b"PK\x03\x04 cut short")
    with pytest.raises(LayerError, match="E-SOIL-003"):
        read(tmp_path / "a.zip")
    with pytest.raises(LayerError, match="E-SOIL-001"):
        read(write(tmp_path / "b.zip", {"photo.jpg": b"x"}))


def test_damaged_member_is_told_by_name(tmp_path):
    path = write(tmp_path / "a.zip", content())
    raw = path.read_bytes()
    path.write_bytes(raw.replace(b"Series", b"Serial", 1))  # stored without compression: the check sum breaks
    with pytest.raises(LayerError, match=r"E-SOIL-003 .*comp\.txt"):
        read(path, need_polygons=False)


def test_infinite_numbers_are_not_numbers(tmp_path):
    text = lines("comp", {"comppct_r": "inf", "mukey": "100", "cokey": "1"})
    tables, _, problems = read(write(tmp_path / "a.zip", content(comp=text)), need_polygons=False)
    assert tables.component["component_pct"].isna().all()
    assert "W-SOIL-017" in codes(problems)


def test_table_cut_short_is_refused(tmp_path):
    whole = content()["XX001/tabular/comp.txt"]
    with pytest.raises(LayerError, match=r"E-SOIL-00[89]"):
        read(write(tmp_path / "a.zip", content(comp=whole[: len(whole) - 40])), need_polygons=False)
    with pytest.raises(LayerError, match="E-SOIL-008"):
        read(write(tmp_path / "b.zip", content(mapunit='"A"' + "|" * 22 + '"7"|"100\n')), need_polygons=False)


def test_wrong_number_of_columns_is_refused(tmp_path):
    with pytest.raises(LayerError, match="3 columns found, 109 expected"):
        read(write(tmp_path / "a.zip", content(comp='90|"Clay"|"1"\n')), need_polygons=False)


def test_header_row_and_own_column_order_are_followed(tmp_path):
    text = ('"cokey"|"mukey"|"compname"|"compkind"|"comppct_r"\r\n"1"|"100"|"Clay \\"x\\""|"Series"|90\r\n')
    tables, _, _ = read(write(tmp_path / "a.zip", content(comp=text)), need_polygons=False)
    assert tables.component[["component_id", "mukey", "component_name", "component_pct"]].to_numpy().tolist() == [
        ["1", "100", 'Clay "x"', 90.0]]


def test_values_that_are_not_numbers_are_told_with_their_row(tmp_path):
    text = lines("comp", {"comppct_r": 90, "mukey": "100", "cokey": "1"},
                 {"comppct_r": "ten", "mukey": "100", "cokey": "2"})
    _, _, problems = read(write(tmp_path / "a.zip", content(comp=text)), need_polygons=False)
    told = next(p for p in problems if p.code == "W-SOIL-017")
    assert (told.row, told.column, told.value) == (2, "comppct_r", "ten")


def test_optional_tables_are_reported_not_fatal(tmp_path):
    tables, _, problems = read(write(tmp_path / "a.zip", content(cinterp=None, legend=None, csmoist=None)),
                               need_polygons=False)
    assert codes(problems).count("W-SOIL-010") == 3
    assert "W-SOIL-019" in codes(problems)
    assert (tables.shrink_swell_stored, tables.scale) == (None, None)


def test_scale_comes_from_the_download_then_from_the_area_file(tmp_path):
    with_scale, without = write(tmp_path / "a.zip", content()), write(tmp_path / "b.zip", content(legend=""))
    assert read(with_scale, scale=24000, need_polygons=False)[0].scale == 12000
    assert read(without, scale=24000, need_polygons=False)[0].scale == 24000


def test_rock_counts_bedrock_and_strong_cementation_only(tmp_path):
    rows = [("Natric", "Noncemented", 10), ("Fragipan", "Weakly cemented", 20), ("Lithic bedrock", "", 80),
            ("Petrocalcic", "", 60), ("Undefined", "Very strongly cemented", 70)]
    for keep, expected in (((0, 1), None), ((0, 1, 2), 80.0), ((2, 3, 4), 60.0), ((2, 4), 70.0)):
        text = lines("crstrcts", *({"reskind": k, "reshard": h, "resdept_r": d, "cokey": "1"}
                                   for k, h, d in (rows[i] for i in keep)))
        tables, _, _ = read(write(tmp_path / "a.zip", content(crstrcts=text)), need_polygons=False)
        depth = tables.component.loc[0, "rock_depth_cm"]
        assert depth == expected if expected else depth != depth


def test_water_table_is_the_shallowest_wet_layer_and_all_year_needs_twelve_months(tmp_path):
    months = lines("cmonth", *({"month": f"m{i}", "cokey": "1", "comonthkey": str(i)} for i in range(12)))
    wet = [{"soimoistdept_r": 40 + i, "soimoiststat": "Wet ", "comonthkey": str(i)} for i in range(12)]
    dry = [{"soimoistdept_r": 0, "soimoiststat": "Moist", "comonthkey": "3"}]
    for rows, expected in ((wet + dry, [40.0, 51.0]), (wet[:11] + dry, [40.0, None])):
        changed = content(cmonth=months, csmoist=lines("csmoist", *rows))
        row = read(write(tmp_path / "a.zip", changed), need_polygons=False)[0].component.iloc[0]
        assert row["water_table_cm"] == expected[0]
        assert row["water_table_all_year_cm"] == expected[1] or expected[1] is None
        assert expected[1] is not None or row["water_table_all_year_cm"] != row["water_table_all_year_cm"]


def test_stored_rating_absent_sub_rule_is_zero_but_no_sub_rules_at_all_is_unknown(tmp_path):
    main = [{"cokey": c, "mrulename": MAIN, "rulename": MAIN, "ruledepth": 0, "interphr": 0.9} for c in "12"]
    sub = [{"cokey": "1", "mrulename": MAIN, "rulename": SUB, "ruledepth": 1, "interphr": 0.302}]
    full = read(write(tmp_path / "a.zip", content(cinterp=lines("cinterp", *main, *sub))), need_polygons=False)[0]
    assert full.shrink_swell_stored.to_numpy().tolist() == [["1", 0.302], ["2", 0.0]]
    thin, _, problems = read(write(tmp_path / "b.zip", content(cinterp=lines("cinterp", *main))), need_polygons=False)
    assert thin.shrink_swell_stored is None
    assert "W-SOIL-020" in codes(problems)


def test_same_survey_twice_counts_once(tmp_path, polygons):
    one = write(tmp_path / "a.zip", content() | polygons)
    two = write(tmp_path / "b.zip", content() | polygons)
    tables, sources, problems = read(one, two)
    assert (len(tables.map_unit), len(tables.component), len(tables.horizon), len(tables.polygons)) == (1, 2, 2, 1)
    assert len(sources) == 2
    assert "W-SOIL-015" in codes(problems)


def test_component_keys_that_mean_something_else_are_refused(tmp_path):
    other = content(mapunit=lines("mapunit", {"musym": "B", "lkey": "7", "mukey": "200"}),
                    comp=lines("comp", {"comppct_r": 90, "mukey": "200", "cokey": "1"}))
    with pytest.raises(LayerError, match="same year"):
        read(write(tmp_path / "a.zip", content()), write(tmp_path / "b.zip", other), need_polygons=False)


def test_multiparts_are_split_and_numeric_keys_become_text(tmp_path):
    both = shapely.MultiPolygon([shapely.box(-95, 30, -94.9, 30.1), shapely.box(-94, 30, -93.9, 30.1)])
    tables, _, _ = read(write(tmp_path / "a.zip", content() | shapefile(tmp_path / "s", shapes=[both], mukey=100)))
    assert tables.polygons["mukey"].tolist() == ["100", "100"]
    assert set(tables.polygons.geom_type) == {"Polygon"}


def test_other_coordinate_system_is_brought_to_longitude_and_latitude(tmp_path):
    folder = tmp_path / "s"
    shapefile(folder)
    gpd.read_file(folder / "soilmu_a_xx001.shp").to_crs("EPSG:5070").to_file(folder / "soilmu_a_xx001.shp")
    files = {f"XX001/spatial/{p.name}": p.read_bytes() for p in folder.iterdir() if p.suffix != ".cpg"}
    tables, _, _ = read(write(tmp_path / "a.zip", content() | files))
    assert tables.polygons.total_bounds == pytest.approx([-95, 30, -94.9, 30.1], abs=1e-6)
