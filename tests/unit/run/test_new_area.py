"""From files to an area file: which file serves as which layer, what is written, and when nobody has to look."""

from __future__ import annotations

import shutil
import tomllib
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin
from shapely import LineString, Point, box

from riskmap.common import settings
from riskmap.common.errors import LayerError, RunFolderError
from riskmap.download.area import Fetched
from riskmap.run.new_area import beside, flow
from riskmap.run.new_area.choice import order_of
from riskmap.run.new_area.flow import NewArea
from riskmap.run.new_area.guesses import Guess
from riskmap.run.new_area.weather_cells import Box

METRES = "EPSG:26914"  # the example town's
CORNER = (536_000.0, 4_195_500.0)


def lots(count: int = 40, *, id_name: str = "PARCEL_NUM", size: float = 30.0, gap: float = 2.0,
         **columns: object) -> gpd.GeoDataFrame:
    """Return squares in rows of ten in the example town, with ids and years of building."""
    x = CORNER[0] + (size + gap) * (np.arange(count) % 10)
    y = CORNER[1] + (size + gap) * (np.arange(count) // 10)
    table = {id_name: [f"P{k:04d}" for k in range(count)], "YEAR_BUILT": 1980 + np.arange(count) % 30, **columns}
    return gpd.GeoDataFrame(table, geometry=shapely.box(x, y, x + size, y + size), crs=METRES)


@pytest.fixture
def data(tmp_path: Path, example: Path) -> Path:
    """A folder with lots, the example's soil, and one cell of its weather."""
    folder = tmp_path / "data"
    folder.mkdir()
    lots().to_file(folder / "parcels.gpkg")
    shutil.copy(example / "soil_ZZ901.zip", folder / "soil.zip")
    weather = pd.read_csv(example / "climate.csv")
    weather[weather["cell_id"] == "Z01"].to_csv(folder / "weather.csv", index=False)
    return folder


def made(data: Path, *more: Path) -> NewArea:
    return flow.run([data, *more], data.parent / "area")


def line(new: NewArea, key: str, section: str = "") -> Guess:
    return next(one for one in new.guesses if one.key == key and section in ("", one.section))


def left(new: NewArea) -> dict[str, str]:
    return {one.name.split("/")[-1]: one.reason for one in new.left}


# ---------------------------------------------------------------- the whole
def test_a_folder_becomes_a_complete_area_file(data: Path) -> None:
    new = made(data)
    assert (new.complete, new.exit_code, new.open_points) == (True, 0, [])
    area = settings.load(new.path)
    assert area.name == "parcels"
    assert area.lots.columns == {"lot_id": "PARCEL_NUM", "pour_date": "YEAR_BUILT"}
    assert (area.soil.reader, area.resolve(area.soil.path).resolve()) == ("ssurgo", (data / "soil.zip").resolve())
    assert (area.climate.reader, area.climate.cell) == ("csv", "Z01")
    assert area.climate.latitude_deg == pytest.approx(37.9, abs=0.1)
    assert new.findings.lots["usable"] == 40
    assert line(new, "lot_id").reason == "guessed: unique in 40 of 40 rows"
    assert 'lot_id = "PARCEL_NUM"  # guessed: unique in 40 of 40 rows\n' in new.path.read_text(encoding="utf-8")
    west, south, east, north = new.box
    assert (-98.60 < west < east < -98.58, 37.90 < south < north < 37.92) == (True, True)


def test_every_guessed_line_has_its_reason(data: Path) -> None:
    new = made(data)
    for text in new.path.read_text(encoding="utf-8").splitlines():
        if "=" in text and not text.startswith("#") and not text.startswith("path = "):
            assert "  # " in text, text
    assert all(one.reason or one.key == "path" for one in new.guesses)


def test_the_text_ends_with_what_check_says_and_the_next_command(data: Path) -> None:
    new = made(data)
    text = new.text()
    assert new.findings.text() in text
    assert text.endswith(f"The area file is complete. Next: riskmap estimate {new.path.as_posix()}")
    assert "riskmap fetch drought --from" in text  # not given, and not needed


def test_the_same_files_give_the_same_text(data: Path) -> None:
    first = made(data).path.read_bytes()
    again = made(data)  # the same content: nothing is overwritten
    assert again.path.read_bytes() == first


def test_an_area_file_that_is_there_is_not_overwritten(data: Path) -> None:
    new = made(data)
    mine = new.path.read_text(encoding="utf-8") + "# mine\n"
    new.path.write_text(mine, encoding="utf-8")
    with pytest.raises(RunFolderError, match=r"^E-NEW-008 .*area\.toml: this file is there already.*--replace"):
        made(data)
    assert new.path.read_text(encoding="utf-8") == mine
    replaced = flow.run([data], new.path.parent, replace=True)
    assert "# mine" not in replaced.path.read_text(encoding="utf-8")
    assert "in place of the file that was there" in replaced.text()
    assert "in place of" not in new.text()
    assert flow.run([data], data.parent / "another").complete


def test_the_area_file_may_lie_among_the_files(data: Path) -> None:
    new = flow.run([data], data)
    assert new.complete
    assert settings.load(new.path).lots.path == Path("parcels.gpkg")
    assert flow.run([data], data).left[0].reason == "riskmap writes here"


# ---------------------------------------------------------------- what is missing
def test_each_missing_layer_is_listed_with_the_way_to_get_it(data: Path) -> None:
    (data / "soil.zip").unlink()
    (data / "weather.csv").unlink()
    new = made(data)
    assert (new.complete, new.exit_code) == (False, 1)
    told = "\n".join(new.open_points)
    assert "Add --fetch. Or: riskmap fetch area LOTS --into around" in told
    assert "-98." not in told  # no command that would send the bare box of the lots
    assert "riskmap fetch climate --cells counties --into climate_here" in told
    written = new.path.read_text(encoding="utf-8")
    assert "# Missing: No soil survey of the lots was recognised." in written
    assert tomllib.loads(written)["lots"]["path"] == "../data/parcels.gpkg"
    assert f"Edit {new.path.as_posix()}, then: riskmap check {new.path.as_posix()}" in new.text()


def test_without_lots_the_rest_is_written(data: Path) -> None:
    (data / "parcels.gpkg").unlink()
    new = made(data)
    assert new.exit_code == 1
    assert "No file of lots was recognised." in new.open_points[0]
    assert tomllib.loads(new.path.read_text(encoding="utf-8"))["soil"]["reader"] == "ssurgo"


def test_only_what_is_missing_is_fetched(data: Path, tmp_path: Path) -> None:
    """`tests/unit/run/test_new_fetch.py` has the rest, with a stand-in of the services."""
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    shutil.move(data / "soil.zip", elsewhere / "soil.zip")
    asked = []

    def more(around: Box, layers: frozenset[str]) -> Fetched:
        asked.append((around, layers))
        path = (elsewhere / "soil.zip").as_posix()
        return Fetched(said=["soil survey: one"], sections=f'[soil]\npath = "{path}"\n',
                       lacking={"drought": ["E-FET-020 no maps."]})

    new = flow.run([data], tmp_path / "area", more=more)
    assert asked == [(new.box, {"soil", "drought"})]
    assert line(new, "path", "soil") == Guess("soil", "path", '"../elsewhere/soil.zip"',
                                              "fetched: soil survey: one")
    assert line(new, "path", "climate").reason == ""
    assert [one.section for one in new.guesses] == sorted((one.section for one in new.guesses), key=order_of)
    assert new.open_points == [
        "No weekly drought maps were recognised; they are not needed. The fetch failed: E-FET-020 no maps. Or: riskmap "
        "fetch drought --from YYYY-MM-DD --to YYYY-MM-DD --into drought_weeks. They show the latest weeks."]
    assert new.findings.refusals == []


# ---------------------------------------------------------------- lots among other shapes
def test_buildings_and_context_get_their_sections(data: Path) -> None:
    table = lots()
    houses = table.geometry.buffer(-9)
    gpd.GeoDataFrame({"HEIGHT": [6] * 40, "BLDG_ID": range(40)}, geometry=houses, crs=METRES).to_file(
        data / "footprints.geojson")
    middle = [LineString([CORNER, (CORNER[0] + 400, CORNER[1])])]
    gpd.GeoDataFrame({"FULLNAME": ["Invented Ave"]}, geometry=middle, crs=METRES).to_file(data / "roads.gpkg")
    gpd.GeoDataFrame({"Name": ["A school"]}, geometry=[Point(CORNER)], crs=METRES).to_file(data / "schools.gpkg")
    district = box(CORNER[0] - 100, CORNER[1] - 100, CORNER[0] + 500, CORNER[1] + 500)
    gpd.GeoDataFrame({"SUBDIVISION": ["Invented Hills"]}, geometry=[district], crs=METRES).to_file(data / "subs.gpkg")
    gpd.GeoDataFrame({"KIND": ["pipe"]}, geometry=middle, crs=METRES).to_file(data / "pipes.gpkg")
    new = made(data)
    assert new.complete
    assert line(new, "path", "lots").value == '"../data/parcels.gpkg"'
    said = left(new)
    assert said == {"pipes.gpkg": "lines without a column of names"}
    area = settings.load(new.path)
    assert area.buildings is not None
    assert (area.buildings.path, area.buildings.valid_date) == (Path("../data/footprints.geojson"), "")
    assert line(new, "path", "buildings").reason == (
        "recognised: 40 polygons, mostly inside the lots and much smaller; the size of a slab follows from them where "
        "the lot file has none")
    assert '# valid_date = "YYYY-MM-DD"  # not known: write the day' in new.path.read_text(encoding="utf-8")
    assert [(one.name, one.path.name, one.label) for one in area.context] == [
        ("roads", "roads.gpkg", "FULLNAME"), ("schools", "schools.gpkg", "Name"), ("subs", "subs.gpkg", "SUBDIVISION")]
    assert new.findings.refusals == []


def test_one_zip_with_lots_buildings_and_roads(data: Path, tmp_path: Path) -> None:
    """As a county packs everything: each shapefile is a layer, and the lots are named by theirs."""
    parts = tmp_path / "parts"
    parts.mkdir()
    lots().to_file(parts / "Parcels.shp")
    gpd.GeoDataFrame({"BLDG_ID": range(40)}, geometry=lots().geometry.buffer(-9), crs=METRES).to_file(
        parts / "Buildings.shp")
    gpd.GeoDataFrame({"FULLNAME": ["Invented Ave"]}, geometry=[LineString([CORNER, (CORNER[0] + 9, CORNER[1])])],
                     crs=METRES).to_file(parts / "Roads.shp")
    (data / "parcels.gpkg").unlink()
    with zipfile.ZipFile(data / "county.zip", "w") as packed:
        for part in sorted(parts.iterdir()):
            packed.write(part, f"county/{part.name}")
    new = made(data)
    assert new.complete, new.open_points
    assert (line(new, "path", "lots").value, line(new, "layer").value) == ('"../data/county.zip"', '"Parcels"')
    assert left(new) == {}
    area = settings.load(new.path)
    assert area.buildings is not None
    assert (area.buildings.path.name, area.buildings.layer) == ("county.zip", "Buildings")
    ((name, layer, label),) = [(one.name, one.layer, one.label) for one in area.context]
    assert (name, layer, label) == ("Roads", "Roads", "FULLNAME")


def test_lots_in_large_areas_are_no_buildings(data: Path) -> None:
    """A subdivision holds many lots; a lot holds about one building."""
    blocks = [box(CORNER[0] - 5, CORNER[1] + 64 * k - 5, CORNER[0] + 330, CORNER[1] + 64 * k + 60) for k in range(2)]
    gpd.GeoDataFrame({"ZONE_ID": ["1", "2"]}, geometry=blocks, crs=METRES).to_file(data / "zones.gpkg")
    new = made(data)
    assert line(new, "path", "lots").value == '"../data/parcels.gpkg"'
    assert settings.load(new.path).buildings is None


def test_counties_are_no_lots(data: Path) -> None:
    """An id and a name, and far too large."""
    counties = [box(-99 + k, 37, -98 + k, 38) for k in range(3)]
    gpd.GeoDataFrame({"GEOID": ["99001", "99003", "99005"], "NAME": ["A", "B", "C"]}, geometry=counties,
                     crs="EPSG:4326").to_file(data / "counties.gpkg")
    new = made(data)
    assert new.complete, new.open_points
    assert [one.path.name for one in settings.load(new.path).context] == ["counties.gpkg"]
    (data / "parcels.gpkg").unlink()
    assert "No file of lots was recognised." in flow.run([data], data.parent / "b").open_points[0]


def test_two_files_of_buildings_are_to_be_confirmed(data: Path) -> None:
    houses = gpd.GeoDataFrame({"H": [6] * 40}, geometry=lots().geometry.buffer(-9), crs=METRES)
    for name in ("a", "b"):
        houses.to_file(data / f"{name}.gpkg")
    new = made(data)
    assert new.exit_code == 1
    assert line(new, "path", "buildings").value == '"../data/a.gpkg"'
    assert new.open_points[0].startswith("[buildings] path: recognised: 40 polygons")
    assert new.open_points[0].endswith("to be confirmed: there is also data/b.gpkg.")
    assert left(new)["b.gpkg"].startswith("another file with buildings; data/a.gpkg is written")


def test_layers_of_context_have_names_of_their_own(data: Path) -> None:
    middle = [LineString([CORNER, (CORNER[0] + 400, CORNER[1])])]
    for folder in ("north", "south"):
        (data / folder).mkdir()
        gpd.GeoDataFrame({"NAME": ["Invented Ave"]}, geometry=middle, crs=METRES).to_file(data / folder / "roads.gpkg")
    gpd.GeoDataFrame({"NAME": ["x"]}, geometry=middle).to_parquet(data / "bare.parquet")
    frame = gpd.GeoDataFrame({"NAME": ["x"]}, geometry=middle, crs=METRES)
    for k in range(beside.MOST_LAYERS):
        frame.to_file(data / f"z{k:02d}.gpkg")
    new = made(data)
    area = settings.load(new.path)
    assert [one.name for one in area.context][:3] == ["roads", "roads 2", "z00"]
    assert len(area.context) == beside.MOST_LAYERS
    assert sum(reason == f"a map shows at most {beside.MOST_LAYERS} layers of context" for reason in
               left(new).values()) == 2
    assert left(new)["bare.parquet"] == ("1 line without a coordinate system; name it with crs in a section of its "
                                         "own")
    assert new.findings.refusals == []


def test_two_lot_files_are_to_be_confirmed(data: Path) -> None:
    lots(30, id_name="APN", FOUNDATION="slab").to_file(data / "other.gpkg")
    new = made(data)
    chosen = line(new, "path", "lots")
    assert (chosen.value, chosen.sure) == ('"../data/other.gpkg"', False)  # it speaks of more
    assert "to be confirmed: there is also data/parcels.gpkg" in chosen.reason
    assert new.exit_code == 1


def test_a_list_of_lots_is_no_second_lot_file(data: Path) -> None:
    pd.DataFrame({"listing": ["a", "b"], "parcel": ["P0001", "P0007"], "lon": -98.6, "lat": 37.9}).to_csv(
        data / "visits.csv", index=False)
    new = made(data)
    assert new.complete
    assert left(new)["visits.csv"] == "a list of 2 rows with ids of the lots, for `screen` or `brief`"


def test_a_file_without_a_system_is_to_be_completed(data: Path) -> None:
    (data / "parcels.gpkg").unlink()
    lots().set_crs(None, allow_override=True).to_file(data / "parcels.shp")
    new = made(data)
    assert new.exit_code == 1
    assert not line(new, "crs").written
    assert any("[lots] crs = " in point for point in new.open_points)
    assert new.box is None


def test_a_title_and_a_layer_of_several(data: Path) -> None:
    (data / "parcels.gpkg").unlink()
    lots().to_file(data / "North_side.gpkg", layer="lots")
    lots(3)[["geometry"]].to_file(data / "North_side.gpkg", layer="marks")
    new = made(data)
    assert line(new, "layer").value == '"lots"'
    assert line(new, "name").value == '"North side"'
    assert new.complete


def test_far_from_the_usual_system_another_one_is_written(data: Path) -> None:
    (data / "parcels.gpkg").unlink()
    frame = lots().to_crs("EPSG:4326")
    frame.geometry = frame.geometry.translate(98.6 + 138.6, -37.9 - 34.9)  # to Adelaide
    frame.to_file(data / "parcels.gpkg")
    new = made(data)
    assert line(new, "crs", "area").value.startswith('"+proj=laea +lat_0=-3')
    assert "does not touch the lots" in left(new)["soil.zip"]


# ---------------------------------------------------------------- soil
def test_of_two_downloads_of_one_survey_the_newest_is_to_be_confirmed(open_data: Path, tmp_path: Path) -> None:
    table = lots().to_crs("EPSG:4326")
    table.geometry = table.geometry.translate(98.59 - 91.2, 33.8 - 37.9)
    table.to_file(tmp_path / "parcels.gpkg")
    soil = open_data / "soil"
    given = [tmp_path / "parcels.gpkg", *(soil / f"{name}.zip" for name in (
        "AR041_2021", "AR041_2022", "IA073_aoi_2020", "TX201_2021_tabular"))]
    new = flow.run(given, tmp_path / "area")
    path = line(new, "path", "soil")
    assert "AR041_2022.zip" in path.value
    assert "AR041_2021" not in path.value
    assert not path.sure
    said = left(new)
    assert said["AR041_2021.zip"] == "an older download of the same survey area"
    assert said["IA073_aoi_2020.zip"] == "a soil survey that does not touch the lots"
    assert "soilmu_a_tx201.shp" in said["TX201_2021_tabular.zip"]


def test_a_database_serves_where_no_download_does(open_data: Path, tmp_path: Path) -> None:
    table = lots().to_crs("EPSG:4326")
    table.geometry = table.geometry.translate(98.59 - 91.4, 33.6 - 37.9)
    table.to_file(tmp_path / "parcels.gpkg")
    database = open_data / "soil" / "AR041_subset_template_layout.gpkg"
    new = flow.run([tmp_path / "parcels.gpkg", database], tmp_path / "area")
    assert line(new, "reader", "soil").value == '"template"'
    both = flow.run([tmp_path / "parcels.gpkg", database, open_data / "soil" / "AR041_2021.zip"], tmp_path / "both")
    assert line(both, "reader", "soil").value == '"ssurgo"'
    assert not line(both, "path", "soil").sure


def test_a_key_grid_needs_the_tables_of_a_survey(data: Path) -> None:
    with zipfile.ZipFile(data / "soil.zip") as packed, zipfile.ZipFile(data / "tables.zip", "w") as out:
        for name in packed.namelist():
            if "spatial" not in name:
                out.writestr(name, packed.read(name))
    (data / "soil.zip").unlink()
    west, _, _, north = lots().total_bounds
    with rasterio.open(data / "mukey.tif", "w", driver="GTiff", height=20, width=20, count=1, dtype="uint32",
                       crs=METRES, transform=from_origin(west, north, 30, 30)) as out:
        out.write(np.full((1, 20, 20), 900_101, dtype="uint32"))
    new = made(data)
    assert line(new, "reader", "soil").value == '"key_raster"'
    assert line(new, "raster").value == '"../data/mukey.tif"'
    (data / "tables.zip").unlink()
    assert "needs the tables of a survey" in left(flow.run([data], data.parent / "b"))["mukey.tif"]


# ---------------------------------------------------------------- the user says which file is the lots
def test_the_file_of_lots_can_be_said(data: Path) -> None:
    """Neither file has an id with the name of one, so neither is taken; each can be said to be the lots."""
    lots(id_name="REF_NR").drop(columns="YEAR_BUILT").to_file(data / "parcels.gpkg")
    lots(16, id_name="ZREF").drop(columns="YEAR_BUILT").to_file(data / "zoning.gpkg")
    asked = made(data)
    assert "Or say which of your files it is (--lots NAME)." in asked.open_points[0]
    assert [(one.name, one.about, one.used) for one in asked.lots_files] == [
        ("data/parcels.gpkg", "40 polygons", False), ("data/zoning.gpkg", "16 polygons", False)]
    said = flow.run([data], data.parent / "b", lots="data/parcels.gpkg")
    assert said.complete
    assert line(said, "lot_id").value == '"REF_NR"'
    assert line(said, "path", "lots").reason.endswith("; the lots, as you said")
    assert [one.used for one in said.lots_files] == [True, False]  # it can be said again
    assert flow.run([data], data.parent / "c", lots="data/zoning.gpkg").findings.lots["read"] == 16
    wrong = flow.run([data], data.parent / "d", lots="nothing.gpkg")
    assert not wrong.complete
    assert "not taken, although you said it" in wrong.path.read_text(encoding="utf-8")


def test_of_two_files_that_may_be_the_lots_one_can_be_confirmed(data: Path) -> None:
    lots(30).to_file(data / "z_older.gpkg")
    asked = made(data)
    assert any("to be confirmed" in point for point in asked.open_points)
    assert [one.used for one in asked.lots_files] == [True, False]
    said = flow.run([data], data.parent / "b", lots="data/z_older.gpkg")
    assert said.complete
    assert said.findings.lots["read"] == 30


def test_a_file_whose_id_has_gaps_is_said_and_then_its_column(data: Path) -> None:
    table = lots(id_name="REF_NR").drop(columns="YEAR_BUILT")
    table["REF_NR"] = table["REF_NR"].where(np.arange(40) % 3 == 0, "")
    table.to_file(data / "parcels.gpkg")
    asked = flow.run([data], data.parent / "b", lots="data/parcels.gpkg")
    assert any("No column identifies the lots. Say which one does" in point for point in asked.open_points)
    assert [one.name for one in asked.columns] == ["REF_NR"]
    said = flow.run([data], data.parent / "c", lots="data/parcels.gpkg", columns={"lot_id": "REF_NR"})
    assert said.complete
    assert said.findings.lots["read"] == 40
    lots()[["geometry"]].to_file(data / "parcels.gpkg")
    nothing = flow.run([data], data.parent / "d", lots="data/parcels.gpkg")
    assert any("The file has no column that can; export it again with an id" in one for one in nothing.open_points)


def test_a_table_of_lots_with_a_title_becomes_an_area(data: Path) -> None:
    (data / "parcels.gpkg").unlink()
    middle = lots().to_crs("EPSG:4326").geometry.representative_point()
    rows = "".join(f"P{k:04d};1980;{x:.6f};{y:.6f}\n" for k, (x, y) in enumerate(zip(middle.x, middle.y, strict=True)))
    (data / "county.csv").write_text(f"Export of the county\n\nParcel;YearBuilt;Long;Lat\n{rows}", encoding="utf-8")
    new = made(data)
    assert new.complete, new.open_points
    assert (line(new, "lot_id").value, line(new, "lon").value) == ('"Parcel"', '"Long"')
    assert new.findings.lots["usable"] == 40
    above = next(one for one in new.findings.problems if one.code == "W-SCR-065")
    assert above.action.startswith("Row 3 is read as the heading")


# ---------------------------------------------------------------- the user says the coordinate system
def test_the_system_of_the_lots_can_be_said(data: Path) -> None:
    """Nine zones of UTM fit these coordinates; only one places them on the soil survey, and even that one is asked."""
    lots().to_file(data / "plots.shp")
    (data / "parcels.gpkg").unlink()
    (data / "plots.prj").unlink()
    asked = made(data)
    assert not asked.complete
    fitting = [one.code for one in asked.systems]
    assert METRES in fitting
    assert len(fitting) <= 3  # that place of the survey alone
    assert not any(one.used for one in asked.systems)
    assert f'crs = "{fitting[0]}"' in asked.open_points[0]
    said = flow.run([data], data.parent / "b", crs=METRES)
    assert said.complete
    assert line(said, "crs", "lots").reason == "as you said: EPSG:26914, NAD83 / UTM zone 14N"
    assert line(said, "latitude_deg").value == line(made_of_geopackage(data), "latitude_deg").value
    assert [one.code for one in said.systems if one.used] == [METRES]
    wrong = flow.run([data], data.parent / "c", crs="EPSG:0")
    assert any("coordinate system of the lots is not known" in one for one in wrong.open_points)
    assert "'EPSG:0' is not understood" in line(wrong, "crs", "lots").reason


def made_of_geopackage(data: Path) -> NewArea:
    """The same lots in a file that names its system."""
    for path in data.glob("plots.*"):
        path.rename(data.parent / path.name)
    lots().to_file(data / "parcels.gpkg")
    new = flow.run([data], data.parent / "geopackage", crs="EPSG:26915")
    assert "not taken, although you said it: the file names its own" in line(new, "crs", "lots").reason
    (data / "parcels.gpkg").unlink()
    for path in data.parent.glob("plots.*"):
        path.rename(data / path.name)
    return new


# ---------------------------------------------------------------- weather
def test_several_cells_need_their_outlines(data: Path, example: Path) -> None:
    shutil.copy(example / "climate.csv", data / "weather.csv")
    new = made(data)
    assert not line(new, "cell").written
    assert "Z01, Z02" in line(new, "cell").reason
    assert any("which cell of the weather" in point for point in new.open_points)
    shutil.copy(example / "climate_cells.gpkg", data / "outlines.gpkg")
    with_cells = flow.run([data], data.parent / "b")
    assert with_cells.complete
    assert line(with_cells, "cells_key").value == '"cell_id"'
    assert line(with_cells, "cells").value == '"../data/outlines.gpkg"'


def test_the_cell_of_the_weather_can_be_said(data: Path, example: Path) -> None:
    weather = pd.read_csv(example / "climate.csv")
    place = {"Z01": (37.9, -98.6), "Z02": (40.0, -98.6)}  # the example's lots lie at 37.9 N
    weather["lat"], weather["lon"] = zip(*weather["cell_id"].map(place), strict=True)
    weather.sort_values("cell_id", ascending=False).to_csv(data / "weather.csv", index=False)
    asked = made(data)
    assert [(one.key, one.name, one.about) for one in asked.cells] == [
        ("cell", "Z01", "37.90 N, 98.60 W"), ("cell", "Z02", "40.00 N, 98.60 W")]  # the nearest first
    degree = 111.2  # km, of latitude
    assert asked.cells[1].away_km == pytest.approx((40 - 37.9) * degree, abs=3)
    assert not asked.complete  # it is asked all the same
    said = flow.run([data], data.parent / "b", cells=["Z02"])
    assert said.complete
    assert (line(said, "cell").value, line(said, "cell").reason) == ('"Z02"', "as you said")
    assert said.cells == asked.cells  # it can be said again
    assert tomllib.loads(said.path.read_text(encoding="utf-8"))["climate"]["cell"] == "Z02"
    for k, wrong in enumerate((["Z03"], ["Z01", "Z02"], [""])):
        new = flow.run([data], data.parent / f"c{k}", cells=wrong)
        assert any("which cell of the weather" in point for point in new.open_points), wrong
        reasons = [guess.reason for guess in new.guesses if guess.key == "cell" and not guess.written]
        assert sum("not taken, although you said it: it is not the one answer among Z01, Z02" in one
                   for one in reasons) == len(wrong)


def test_a_cell_that_nobody_asks_for_is_not_taken_and_that_is_said(data: Path) -> None:
    new = flow.run([data], data.parent / "b", cells=["elsewhere"])
    assert new.complete
    assert tomllib.loads(new.path.read_text(encoding="utf-8"))["climate"]["cell"] == "Z01"
    assert '# cell = "elsewhere"  # not taken, although you said it: no cell has to be named' in new.path.read_text(
        encoding="utf-8")


def test_public_numbers_of_cells_are_said_with_their_state(data: Path) -> None:
    rows = pd.read_csv(data / "weather.csv", dtype=str)
    for heading, names, about in (("division", ("4103", "9999"), ["Texas, division 3", ""]),
                                  ("fips", ("48439", "05041"), ["Arkansas, county 41", "Texas, county 439"]),
                                  ("cell_id", ("4103", "4104"), ["", ""])):  # numbers of their own
        pd.concat([rows.assign(cell_id=name) for name in names]).rename(columns={"cell_id": heading}).to_csv(
            data / "weather.csv", index=False)
        new = flow.run([data], data.parent / heading)
        assert [one.about for one in new.cells] == about, heading
        assert all(one.away_km is None for one in new.cells)


def test_the_months_beside_days_have_a_cell_of_their_own(data: Path) -> None:
    months = pd.read_csv(data / "weather.csv")
    pd.concat([months.assign(cell_id=name) for name in ("Z01", "Z02")]).to_csv(data / "weather.csv", index=False)
    days = pd.DataFrame({"STATION": "USC1", "DATE": pd.date_range("2015-01-01", "2020-12-31").strftime("%Y-%m-%d"),
                         "PRCP": "0", "TMAX": "200", "TMIN": "100", "LATITUDE": "37.9", "LONGITUDE": "-98.6"})
    pd.concat([days, days.assign(STATION="USC2", LONGITUDE="-98.5")]).to_csv(data / "days.csv", index=False)
    asked = made(data)
    assert [(one.key, one.name) for one in asked.cells if one.key == "monthly_cell"] == [
        ("monthly_cell", "Z01"), ("monthly_cell", "Z02")]
    assert {one.name: one.about for one in asked.cells if one.key == "cell"} == {
        "USC1": "37.90 N, 98.60 W", "USC2": "37.90 N, 98.50 W"}
    said = flow.run([data], data.parent / "b", cells=["USC2", "Z01"])
    assert (line(said, "cell").value, line(said, "monthly_cell").value) == ('"USC2"', '"Z01"')
    assert not any("which cell" in point for point in said.open_points)


def fixed_width(element: str, value: float) -> str:
    return "".join(f"9901{element}{year}" + "".join(f"{value + month:7.2f}" for month in range(12)) + "\n"
                   for year in range(1990, 2021))


def test_both_national_files_make_a_record(data: Path) -> None:
    (data / "weather.csv").unlink()
    (data / "climdiv-pcpndv-v1.0.0-20240107").write_text(fixed_width("01", 1.0), encoding="ascii")
    one = made(data)
    assert any("mean temperature is missing" in point for point in one.open_points)
    (data / "climdiv-tmpcdv-v1.0.0-20240107").write_text(fixed_width("02", 40.0), encoding="ascii")
    new = flow.run([data], data.parent / "b")
    assert line(new, "reader", "climate").value == '"noaa_fixed_width"'
    area = settings.load(new.path)
    assert {key: path.name for key, path in area.climate.path.items()} == {
        "precipitation": "climdiv-pcpndv-v1.0.0-20240107", "temperature": "climdiv-tmpcdv-v1.0.0-20240107"}
    assert area.climate.cell == "9901"


def days(folder: Path, name: str, latitude: float) -> Path:
    date = pd.date_range("1999-01-01", "2022-12-31")
    season = np.cos(2 * np.pi * (date.day_of_year.to_numpy() - 200) / 365)
    pd.DataFrame({"STATION": name, "DATE": date.strftime("%Y-%m-%d"), "LATITUDE": latitude, "LONGITUDE": -98.59,
                  "PRCP": np.where(np.arange(len(date)) % 5 == 0, "100", "0"),
                  "TMAX": (200 + 120 * season).astype(int), "TMIN": (80 + 120 * season).astype(int)}).to_csv(
        folder / f"{name}.csv", index=False)
    return folder / f"{name}.csv"


def test_days_with_the_months_beside_them(data: Path) -> None:
    days(data, "ZZ000000001", 37.9)
    new = made(data)
    assert new.complete, new.open_points
    area = settings.load(new.path)
    assert (area.climate.reader, area.climate.monthly_reader, area.climate.monthly_cell) == ("daily", "csv", "Z01")
    assert area.climate.cell == "ZZ000000001"
    assert area.climate.latitude_deg is None  # the station's file has it


def test_of_several_stations_the_nearest_is_to_be_confirmed(data: Path) -> None:
    days(data, "ZZ000000009", 39.9)
    days(data, "ZZ000000001", 37.8)
    chosen = made(data)
    assert line(chosen, "cell").value == '"ZZ000000001"'
    assert not line(chosen, "reader", "climate").sure


@pytest.mark.parametrize("name", ["a.csv", "z.csv"])  # before and behind weather.csv
def test_of_several_records_the_one_that_goes_on_longest_is_to_be_confirmed(data: Path, name: str) -> None:
    weather = pd.read_csv(data / "weather.csv")
    weather[weather["year"] < 2020].to_csv(data / name, index=False)
    chosen = made(data)
    assert line(chosen, "path", "climate").value == '"../data/weather.csv"'
    reason = line(chosen, "reader", "climate").reason
    assert reason.endswith(f"to be confirmed: there is also data/{name}; this one goes on longest, to 2025-08")
    assert not line(chosen, "reader", "climate").sure


def test_of_two_files_of_one_station_the_newest_is_to_be_confirmed(data: Path) -> None:
    station = days(data, "ZZ000000001", 37.9)
    pd.read_csv(station, dtype=str).iloc[:-100].to_csv(data / "a.csv", index=False)
    chosen = made(data)
    assert line(chosen, "path", "climate").value == '"../data/ZZ000000001.csv"'
    assert line(chosen, "reader", "climate").reason.endswith("this one goes on longest, to 2022-12")


def test_a_far_station_is_to_be_confirmed(data: Path) -> None:
    days(data, "ZZ000000001", 38.9)
    new = made(data)
    assert not line(new, "reader", "climate").sure
    assert "the station is 11" in line(new, "reader", "climate").reason  # 111 km for a degree of latitude
    assert new.exit_code == 1


def test_weather_without_units_is_an_open_point(data: Path) -> None:
    weather = pd.read_csv(data / "weather.csv").rename(columns={"precip_in": "precip"})
    weather.to_csv(data / "weather.csv", index=False)
    new = made(data)
    assert new.exit_code == 1
    assert any("precip names no unit" in point for point in new.open_points)


# ---------------------------------------------------------------- weekly maps and grids
def week(folder: Path, day: str, **columns: object) -> None:
    gpd.GeoDataFrame({"DM": [0, 1], **columns}, geometry=[box(-125, 30, -100, 45), box(-100, 30, -70, 45)],
                     crs="EPSG:4326").to_file(folder / f"USDM_{day}.geojson")


def test_many_weekly_maps_are_named_by_their_folder(data: Path) -> None:
    weeks = data / "weeks"
    weeks.mkdir()
    for k in range(9):
        week(weeks, f"2025{k + 1:02d}07")
    new = made(data)
    assert new.complete, new.open_points
    assert line(new, "path", "drought").value == '"../data/weeks"'
    assert "9 weeks from 2025-01-07 to 2025-09-07" in line(new, "path", "drought").reason
    for k in range(7):
        (weeks / f"USDM_2025{k + 1:02d}07.geojson").unlink()
    few = flow.run([data], data.parent / "b")
    assert line(few, "path", "drought").value == \
        '["../data/weeks/USDM_20250807.geojson", "../data/weeks/USDM_20250907.geojson"]'


def test_the_same_week_twice_is_to_be_confirmed(data: Path) -> None:
    week(data, "20250107")
    week(data, "again_20250107")
    new = made(data)
    assert not line(new, "path", "drought").sure
    assert "its weeks are in another file" in " ".join(left(new).values())


def test_a_weekly_map_without_a_date_is_an_open_point(data: Path) -> None:
    week(data, "undated")
    new = made(data)
    assert not line(new, "date").written
    assert any("date of the weekly map" in point for point in new.open_points)


def test_index_grids_that_say_too_little_are_left(data: Path, example: Path) -> None:
    shutil.copy(example / "spei_6.tif", data / "spei_6.tif")
    with rasterio.open(data / "scores.tif", "w", driver="GTiff", height=4, width=4, count=2, dtype="float32",
                       crs="EPSG:4326", transform=from_origin(-99, 38, 0.1, 0.1)) as out:
        out.write(np.ones((2, 4, 4), dtype="float32"))
    new = made(data)
    assert new.complete
    (index,) = settings.load(new.path).index
    assert (index.name, index.accumulation_months, index.first_month) == ("spei", 6, "2025-01")
    assert "add an [[index]] section" in left(new)["scores.tif"]


# ---------------------------------------------------------------- hostile names
def test_hostile_names_stay_texts(data: Path) -> None:
    (data / "parcels.gpkg").unlink()
    odd = 'PIN"\n[soil]\npath = "x'
    lots(id_name=odd).to_file(data / 'a "b" #c.geojson')
    new = made(data)
    area = settings.load(new.path)
    assert area.lots.path.name == 'a "b" #c.geojson'
    assert area.lots.columns["lot_id"] == odd
    assert area.resolve(area.soil.path).name == "soil.zip"


def test_a_long_list_of_other_files_is_cut(data: Path) -> None:
    for k in range(60):
        (data / f"note_{k:02d}.md").write_text("x", encoding="utf-8")
    new = made(data)
    assert len(new.left) == 60
    assert "... and 20 more" in new.text()
    assert "# - ... and 20 more\n" in new.path.read_text(encoding="utf-8")


def test_nothing_recognised_writes_nothing(tmp_path: Path) -> None:
    (tmp_path / "d").mkdir()
    (tmp_path / "d" / "notes.md").write_text("x", encoding="utf-8")
    with pytest.raises(LayerError, match=r"^E-NEW-007 .*: none of these files is a layer") as refused:
        flow.run([tmp_path / "d"], tmp_path / "area")
    assert "d/notes.md: a text" in str(refused.value)
    assert not (tmp_path / "area").exists()


def test_what_the_user_says_of_a_column_takes_the_place_of_the_guess(data: Path) -> None:
    first = made(data)
    assert line(first, "lot_id").value == '"PARCEL_NUM"'
    said = flow.run([data], data.parent / "area", replace=True, columns={"lot_id": "YEAR_BUILT"})
    assert (line(said, "lot_id").value, line(said, "lot_id").reason) == ('"YEAR_BUILT"', "as you said")
    assert [guess.key for guess in said.guesses if guess.section == "lots.columns"] == ["lot_id"]  # no longer the year
    assert tomllib.loads(said.path.read_text(encoding="utf-8"))["lots"]["columns"] == {"lot_id": "YEAR_BUILT"}
    wrong = flow.run([data], data.parent / "area", replace=True, columns={"lot_id": "NOWHERE"})
    assert any("NOWHERE" in text for text in wrong.findings.refusals)
    assert not wrong.complete


def test_a_column_is_left_out_that_was_guessed_also_one_with_our_own_name(data: Path) -> None:
    lots(LAND_USE=["vacant land" if k < 9 else "residential" for k in range(40)]).to_file(data / "parcels.gpkg")
    first = made(data)
    assert line(first, "land_use").value == '"LAND_USE"'
    assert first.findings.lots["no_house_known"] == 9  # the vacant lots
    said = flow.run([data], data.parent / "area", replace=True, columns={"land_use": "", "pour_date": ""})
    assert line(said, "land_use").reason == line(said, "pour_date").reason == "no column is used for it, as you said"
    written = tomllib.loads(said.path.read_text(encoding="utf-8"))["lots"]["columns"]
    assert (written["land_use"], written["pour_date"]) == ("", "")
    assert said.findings.refusals == first.findings.refusals
    assert "no_house_known" not in said.findings.lots  # nothing says vacant any more
    none = flow.run([data], data.parent / "area", replace=True, columns={"lot_id": ""})
    assert "No column identifies the lots." in none.open_points[0]
    assert not none.complete


def test_the_columns_of_the_lot_file_are_shown_with_five_values_and_none_about_people(tmp_path: Path,
                                                                                      data: Path) -> None:
    lots(OWNER_NAME="somebody", ZONE=[f"z{k % 7}" for k in range(40)]).to_file(data / "parcels.gpkg")
    shown = {column.name: column.values for column in made(data).columns}
    assert set(shown) == {"PARCEL_NUM", "YEAR_BUILT", "ZONE"}
    assert shown["ZONE"] == ("z0", "z1", "z2", "z3", "z4")
