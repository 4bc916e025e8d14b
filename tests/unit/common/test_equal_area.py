"""The area's coordinate system shows areas as they are, or it is refused with one that does."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from shapely.geometry import box

from riskmap.common import equal_area, settings
from riskmap.common.errors import LayerError, SettingsError
from riskmap.run import check, flow

TEXAS = (np.array([-99.5, -97.0]), np.array([31.2, 30.0]))


@pytest.mark.parametrize(("system", "code", "words"), [
    ("EPSG:4326", "E-SET-021", "(WGS 84): its coordinates are degrees, and areas need metres."),
    ("EPSG:4269", "E-SET-021", "degrees"),
    ("EPSG:4978", "E-SET-021", "it is not a projected system."),
    ("EPSG:5703", "E-SET-021", "it is not a projected system."),
    ("EPSG:2277", "E-SET-022", "its coordinates are in US survey foot, and metres are needed."),
    ("EPSG:2222", "E-SET-022", "its coordinates are in foot, and metres are needed."),
    ("+proj=aea +lat_1=29.5 +lat_2=45.5 +units=km", "E-SET-022", "its coordinates are in kilometre"),
    ("EPSG:3857", "E-SET-023", "web mercator"),
    ("EPSG:99999", "E-SET-020", 'is "EPSG:99999", which names no known coordinate system.'),
    ("some system", "E-SET-020", "names no known coordinate system."),
    ("", "E-SET-020", "names no known coordinate system."),
    ("EPSG:5070\\u0000", "E-SET-020", "names no known coordinate system."),
])
def test_a_system_that_cannot_measure_areas_is_refused_by_its_definition(system: str, code: str, words: str,
                                                                         tmp_path: Path) -> None:
    text = f'[area]\nname = "a"\ncrs = "{system}"\n[lots]\npath = "l"\n[soil]\npath = "s"\n[movement]\nseed = -1\n'
    (tmp_path / "area.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        settings.load(tmp_path / "area.toml")
    told, seed = str(caught.value).splitlines()  # with every other finding
    assert told.startswith(f"{code} area.toml: 'crs' ")
    assert words in told
    assert 'Write "EPSG:5070" in the contiguous US, "EPSG:3338" in Alaska, elsewhere "+proj=laea' in told
    assert "seed" in seed


@pytest.mark.parametrize(("system", "lon", "lat", "words"), [
    ("EPSG:26915", *TEXAS, "(NAD83 / UTM zone 15N), which shows areas 0.85 % too large where lots lie (31.2 N"),
    ("+proj=merc +lat_ts=30", *TEXAS, "% too large"),
    ("EPSG:3395", *TEXAS, "too large"),
    ("EPSG:3395", np.array([25.0]), np.array([65.0]), "shows areas 5.6 times as large as they are where"),
    ("+proj=gnom +lat_0=-31 +lon_0=81", *TEXAS, "which has no place where lots lie"),
    ("EPSG:32750", np.array([150.0]), np.array([-33.0]), "too large"),
])
def test_a_system_that_shows_other_areas_at_the_lots_is_refused(system: str, lon, lat, words: str) -> None:
    line, _ = equal_area.at_lots(system, lon, lat)
    assert line.startswith(f"E-SET-024 area file: 'crs' is \"{system}\"")
    assert words in line
    proposed = line.split('Write crs = "')[1].removesuffix('".')
    assert equal_area.refusal(proposed) == ("", "")
    fits, stretched = equal_area.at_lots(proposed, lon, lat)
    assert (fits, stretched < equal_area.STRETCHED) == ("", True)


@pytest.mark.parametrize("system", ["EPSG:5070", "epsg:5070", "ESRI:102003", "EPSG:5070+5703", "EPSG:26914"])
def test_a_system_that_fits_is_taken(system: str) -> None:
    """UTM keeps areas to 0.08 % about its middle meridian."""
    assert equal_area.refusal(system) == ("", "")
    assert equal_area.at_lots(system, *TEXAS)[0] == ""


def test_areas_are_those_of_the_published_scale_factor() -> None:
    """UTM: 0.9996 squared on the middle meridian; an equal-area system: 1 anywhere, lengths off at its borders."""
    areas, lengths = equal_area.scales("EPSG:26914", np.array([-99.0]), np.array([31.0]))
    assert areas[0] == pytest.approx(0.9996**2, abs=1e-6)
    assert lengths[0] == pytest.approx([0.9996, 0.9996], abs=1e-6)
    lon, lat = (part.ravel() for part in np.meshgrid(np.arange(-124.0, -66.0, 4.0), np.arange(25.0, 50.0, 2.0)))
    areas, lengths = equal_area.scales("EPSG:5070", lon, lat)
    assert np.abs(areas - 1).max() < 1e-6
    assert 0.01 < np.abs(lengths - 1).max() < equal_area.STRETCHED / 1.9


@pytest.mark.parametrize(("lon", "lat", "proposed"), [
    ([-99.0, -80.0], [31.0, 45.0], "EPSG:5070"), ([-150.0], [61.0], "EPSG:3338"),
    ([-157.8], [21.3], "+proj=laea +lat_0=21.3 +lon_0=-157.8 +datum=WGS84 +units=m"),
    ([145.0], [-37.8], "+proj=laea +lat_0=-37.8 +lon_0=145.0 +datum=WGS84 +units=m"),
])
def test_the_proposal_is_the_usual_system_or_one_centred_on_the_lots(lon, lat, proposed: str) -> None:
    assert equal_area.proposal(np.array(lon), np.array(lat)) == proposed


def area_of(example: Path, folder: Path, crs: str, lots: gpd.GeoDataFrame) -> Path:
    text = (example / "area.toml").read_text(encoding="utf-8")
    text = text.replace('crs = "EPSG:5070"', f'crs = "{crs}"', 1).replace('layer = "lots"\n', "", 1)
    for name in ("soil_ZZ901.zip", "climate.csv", "climate_cells.gpkg", "drought_weekly.parquet"):
        text = text.replace(f'"{name}"', f'"{(example / name).as_posix()}"')
    lots.to_file(folder / "lots.gpkg", layer="lots")
    (folder / "area.toml").write_text(text.split("[[index]]")[0], encoding="utf-8")
    return folder / "area.toml"


def test_check_and_estimate_refuse_the_same_system_alike(example: Path, tmp_path: Path) -> None:
    lots = gpd.read_file(example / "lots.gpkg", layer="lots").iloc[:20]
    path = area_of(example, tmp_path, "EPSG:26911", lots)
    report = check.check_area(path)
    (line,) = report.refusals
    assert line.startswith("E-SET-024 area file: 'crs' is \"EPSG:26911\"")
    assert (report.exit_code, report.lots["read"]) == (2, 20)
    with pytest.raises(LayerError) as caught:
        flow.run(path, tmp_path / "outputs", workers=1)
    assert str(caught.value) == line
    assert not list((tmp_path / "outputs").glob("*"))


def test_a_lot_far_from_the_soil_map_does_not_decide(example: Path, tmp_path: Path) -> None:
    """A lot with a wrong coordinate gets a state of its own; the others lie where the system fits."""
    lots = gpd.read_file(example / "lots.gpkg", layer="lots").iloc[:20]
    elsewhere = gpd.GeoSeries([box(10, 50, 10.001, 50.001)], crs="EPSG:4326").to_crs(lots.crs)
    away = lots.iloc[[0]].set_geometry(elsewhere.to_numpy(), crs=lots.crs)
    zone = int((lots.to_crs("EPSG:4326").geometry.iloc[5].centroid.x + 180) // 6) + 1
    both = gpd.GeoDataFrame(gpd.pd.concat([lots, away], ignore_index=True), crs=lots.crs)
    report = check.check_area(area_of(example, tmp_path, f"EPSG:{26900 + zone}", both))
    assert [line for line in report.refusals if "E-SET" in line] == []


def test_lengths_that_are_off_are_told_and_the_run_goes_on(example: Path, tmp_path: Path) -> None:
    lots = gpd.read_file(example / "lots.gpkg", layer="lots").iloc[:20]
    report = check.check_area(area_of(example, tmp_path, "EPSG:3338", lots))  # Albers of Alaska, far from there
    (told,) = [problem for problem in report.problems if problem.code == "W-SET-025"]
    assert 'Write crs = "EPSG:5070".' in str(told)
    assert report.refusals == []
    usual = check.check_area(area_of(example, tmp_path, "EPSG:5070", lots))
    assert not [problem for problem in usual.problems if problem.code.startswith("W-SET")]
