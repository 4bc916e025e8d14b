"""The files of a fetched soil survey: the layout of the published download, with only the columns that we need.

The column list below is what `layers` reads. `mstab.txt` and `mstabcol.txt` say which column is where, so the files
need not have all the columns of a published download.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.common.errors import LayerError

if TYPE_CHECKING:
    import geopandas as gpd

STEM = "soilmu_a_fetched"
RATING_RULE = "ENG - Dwellings W/O Basements"
RATING_SUB_RULE = "Shrink-Swell (LEP WTD_AVG 25-100cm or Bedrock)"


@dataclass(frozen=True)
class SurveyTable:
    """One table of the survey: name, file, columns in order, and where the service has its rows.

    `source` is the FROM part of the query, in which the table itself is T; `key` is the map unit key that selects rows.
    """

    name: str
    file: str
    columns: tuple[str, ...]
    source: str
    key: str
    only: str = ""  # a further condition, fixed text


_OF_COMPONENT = "INNER JOIN component AS C ON C.cokey = T.cokey"
TABLES = (
    SurveyTable("mapunit", "mapunit", ("musym", "muname", "mukind", "lkey", "mukey"), "mapunit AS T", "T.mukey"),
    SurveyTable("component", "comp", ("comppct_l", "comppct_r", "comppct_h", "compname", "compkind", "majcompflag",
                                      "taxclname", "taxorder", "mukey", "cokey"), "component AS T", "T.mukey"),
    SurveyTable("chorizon", "chorizon", (
        "hzname", "desgnmaster", "hzdept_r", "hzdepb_r", "sandtotal_r", "silttotal_r", "claytotal_l", "claytotal_r",
        "claytotal_h", "om_r", "dbthirdbar_r", "dbovendry_r", "ksat_r", "wthirdbar_r", "wfifteenbar_r", "lep_l",
        "lep_r", "lep_h", "ll_r", "pi_r", "cec7_r", "cokey", "chkey"),
        f"chorizon AS T {_OF_COMPONENT}", "C.mukey"),
    SurveyTable("corestrictions", "crstrcts", ("reskind", "reshard", "resdept_r", "cokey"),
                f"corestrictions AS T {_OF_COMPONENT}", "C.mukey"),
    SurveyTable("muaggatt", "muaggatt", ("engdwobdcd", "mukey"), "muaggatt AS T", "T.mukey"),
    SurveyTable("comonth", "cmonth", ("month", "cokey", "comonthkey"), f"comonth AS T {_OF_COMPONENT}", "C.mukey"),
    SurveyTable("cosoilmoist", "csmoist", ("soimoistdept_r", "soimoistdepb_r", "soimoiststat", "comonthkey"),
                "cosoilmoist AS T INNER JOIN comonth AS M ON M.comonthkey = T.comonthkey "
                "INNER JOIN component AS C ON C.cokey = M.cokey", "C.mukey"),
    SurveyTable("cointerp", "cinterp", ("cokey", "mrulename", "rulename", "ruledepth", "interphr"),
                f"cointerp AS T {_OF_COMPONENT}", "C.mukey",
                f"T.mrulename = '{RATING_RULE}' AND (T.ruledepth = 0 OR T.rulename = '{RATING_SUB_RULE}')"),
    SurveyTable("legend", "legend", ("areasymbol", "areaname", "projectscale", "lkey"),
                "legend AS T INNER JOIN mapunit AS U ON U.lkey = T.lkey", "U.mukey"),
    SurveyTable("sacatalog", "sacatlog", ("areasymbol", "areaname", "saversion", "saverest"),
                "sacatalog AS T INNER JOIN legend AS L ON L.areasymbol = T.areasymbol "
                "INNER JOIN mapunit AS U ON U.lkey = L.lkey", "U.mukey"),
)
Row = tuple[str | None, ...]


def table_text(rows: list[Row]) -> bytes:
    """Return rows as the published files write them: `|` between values, text in quotes, nothing for null."""
    lines = ["|".join("" if value is None else '"' + value.replace('"', '""') + '"' for value in row) for row in rows]
    return "".join(line + "\r\n" for line in lines).encode("utf-8")


def list_of_tables() -> bytes:
    """Return mstab.txt: table, two labels, description, file."""
    return table_text([(t.name, t.name, t.name, "", t.file) for t in TABLES])


def list_of_columns() -> bytes:
    """Return mstabcol.txt: table, position from 1, column."""
    return table_text([(t.name, str(k + 1), name) for t in TABLES for k, name in enumerate(t.columns)])


def write_polygons(polygons: gpd.GeoDataFrame, spatial: Path) -> list[Path]:
    """Write map unit polygons as a shapefile, EPSG:4326, fields MUSYM and MUKEY; return its parts.

    LayerError when they cannot be written.
    """
    import pyogrio

    spatial.mkdir(parents=True, exist_ok=True)
    try:
        pyogrio.write_dataframe(polygons, spatial / f"{STEM}.shp", driver="ESRI Shapefile", encoding="UTF-8")
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        raise LayerError(f"E-FET-022 {STEM}.shp: {len(polygons):,} polygons cannot be written: {error}. Free space or "
                         "choose another folder.") from error
    return sorted(spatial.glob(f"{STEM}.*"))
