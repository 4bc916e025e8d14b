"""A small invented area for the page of `riskmap open`: some of the example's lots, in one cell of its weather."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd
from changed_areas import two_widths

LAST = (2025, 6)  # of the older record of weather; the newer one has two months more
EVERY = 16  # of the lots of the cell: 47 are left, most of them on two clays


@dataclass(frozen=True)
class Delivery:
    """The files of a small area, and what the three users have besides.

    Attributes
    ----------
    given : list of Path
        Lots, soil survey, weather to June 2025.
    newer : Path
        Weather to August 2025.
    listing : Path
        Workbook of a screener: lots that are there, one that is written otherwise, one that is not there.
    ids : list of str
        Ids of all lots.
    """

    given: list[Path]
    newer: Path
    listing: Path
    ids: list[str]


def small(example: Path, folder: Path) -> Delivery:
    """Write the files of a small area into a folder and return them."""
    lots = gpd.read_file(example / "lots.gpkg", layer="lots")
    cells = gpd.read_file(example / "climate_cells.gpkg").to_crs(lots.crs)
    west = cells.geometry[cells["cell_id"] == "Z01"].iloc[0]
    lots = two_widths(lots[lots.within(west)].iloc[::EVERY])
    lots.to_file(folder / "lots.gpkg", layer="lots")
    shutil.copy(example / "soil_ZZ901.zip", folder)
    rain = pd.read_csv(example / "climate.csv")
    rain = rain[rain["cell_id"] == "Z01"].drop(columns="cell_id")
    old = (rain["year"] < LAST[0]) | (rain["month"] <= LAST[1])
    rain[old].to_csv(folder / "weather.csv", index=False)
    (folder / "newer").mkdir()
    rain.to_csv(folder / "newer" / "weather_to_august.csv", index=False)
    ids = lots["lot_id"].tolist()
    listing = folder / "for_sale.xlsx"
    pd.DataFrame({"Lot ID": [*ids[:5], f"{ids[5][:3]}-{ids[5][3:]}", "9999999"],
                  "Asking price": [210_000 + 1000 * k for k in range(7)]}).to_excel(listing, index=False)
    return Delivery([folder / name for name in ("lots.gpkg", "soil_ZZ901.zip", "weather.csv")],
                    folder / "newer" / "weather_to_august.csv", listing, ids)
