"""Areas of some of the example's lots, with what a later run can differ in: weather, soil, lots, settings."""

from __future__ import annotations

import zipfile
from pathlib import Path

import geopandas as gpd
import pandas as pd

LOTS = slice(0, 1499, 30)


def write_area(example: Path, folder: Path, *, last: str, soil: Path | None = None, wetter: float = 0.0,
               lots: pd.DataFrame | None = None, movement: str = "draws = 40", beside: str = "") -> Path:
    """Write an area of some of the example's lots with weather up to a month, and change what is asked.

    `beside` is text with further sections; paths in it are relative to the folder.
    """
    folder.mkdir()
    text = (example / "area.toml").read_text(encoding="utf-8").replace('layer = "lots"\n', "", 1)
    text = text[: text.index("[drought]")]
    rain = pd.read_csv(example / "climate.csv", dtype={"cell_id": "str"})
    month = rain["year"].astype(str) + "-" + rain["month"].astype(str).str.zfill(2)
    name = next(column for column in rain if column.startswith("precip"))
    rain.loc[month.between("2022-01", "2024-06"), name] += wetter
    rain[month <= last].to_csv(folder / "climate.csv", index=False)
    frame = gpd.read_file(example / "lots.gpkg", layer="lots").iloc[LOTS] if lots is None else lots
    frame.to_file(folder / "lots.gpkg", layer="lots")
    for given in ("climate_cells.gpkg", "soil_ZZ901.zip"):
        path = soil if soil is not None and given.endswith(".zip") else example / given
        text = text.replace(f'"{given}"', f'"{path.as_posix()}"')
    (folder / "area.toml").write_text(f"{text}\n[movement]\n{movement}\n{beside}", encoding="utf-8")
    return folder / "area.toml"


def two_widths(lots: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return lots whose slabs have one of two widths, where they have one.

    Each width costs every draw a march of its own, which most of an estimate of few lots goes into. For tests in which
    nothing depends on how many widths there are.
    """
    width = lots["slab_width_ft"]
    return lots.assign(slab_width_ft=width.mask(width < 43, 40.0).mask(width >= 43, 46.0))


def refreshed_soil(example: Path, target: Path) -> Path:
    """Copy the example's soil download with a higher extensibility in every horizon that has one."""
    with zipfile.ZipFile(example / "soil_ZZ901.zip") as old, zipfile.ZipFile(target, "w") as new:
        for entry in old.infolist():
            content = old.read(entry)
            if entry.filename.endswith("chorizon.txt"):
                content = content.replace(b"|7.0|9.0|11.0|", b"|8.0|11.0|12.5|")
            new.writestr(entry, content)
    return target


def overlapping_soil(example: Path, target: Path) -> Path:
    """Copy the example's soil download with every third polygon of the map drawn 60 m larger."""
    folder = target.with_suffix("")
    with zipfile.ZipFile(example / "soil_ZZ901.zip") as old:
        old.extractall(folder)
    path = next(folder.rglob("soilmu_a_*.shp"))
    soils = gpd.read_file(path)
    flat = soils.geometry.to_crs("EPSG:5070")
    larger = [shape.buffer(60.0) if k % 3 == 0 else shape for k, shape in enumerate(flat)]
    soils.set_geometry(gpd.GeoSeries(larger, crs="EPSG:5070").to_crs(soils.crs)).to_file(path)
    with zipfile.ZipFile(target, "w") as new:
        for part in sorted(folder.rglob("*")):
            new.write(part, part.relative_to(folder).as_posix())
    return target


def edited_lots(example: Path) -> gpd.GeoDataFrame:
    """Other dates and slabs, one outline moved, one lot gone, one new, one no longer on a slab."""
    frame = gpd.read_file(example / "lots.gpkg", layer="lots").iloc[LOTS].reset_index(drop=True)
    frame.loc[0:5, "pour_date"] = "1971"
    frame.loc[frame.index[6], "slab_width_ft"] = 49.0
    frame.loc[7, "foundation_type"] = "crawl space"
    frame.loc[8, "lot_id"] = "NEW-1"
    frame.geometry = [shape.buffer(2.0) if k == 9 and shape is not None else shape
                      for k, shape in enumerate(frame.geometry)]
    return frame
