"""The estimate for publication: groups and squares of at least `k` lots, and nothing about a single lot.

It contains no lot identifier, no outline of a lot and no pour date. Groups are map unit x decade of the pour x state;
squares are 1 km in EPSG:5070. A group below `k` is merged with others of its state: first over the ages of its soil,
then over soils. What is still below `k` is left out, and only its number of lots is reported. Groups never overlap, so
none can be found as the difference of two. Rows with the same identifier count as one lot against `k`. Threshold of 10
and rounding to 2 mm: judgement.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap.common import tables, wording
from riskmap.common.errors import RunFolderError
from riskmap.outputs.files import csv_table, geopackage

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from riskmap.common.results import Results

GROUPS, CELLS, CELL_MAP, ABOUT = "public_groups.csv", "public_cells.csv", "public_cells.gpkg", "public.json"
LOT_PRODUCTS = ("lots.csv", "lots.gpkg", "lots.parquet", "problems.json", "map.html")
OTHER_SOILS, OTHER_AGES, NO_SOIL, NO_DECADE = "other soils", "other ages", "no map unit", "decade not known"
LEAST_K = 2
STEP_MM = 2.0
CELL_M, CELL_CRS = 1000.0, "EPSG:5070"
_TEXTS = ("lot_id", "state", "pour_from", "pour_to", "pour_date_basis", "map_unit_key", "map_unit_symbol",
          "map_unit_name")
SCORES = ("expected_movement_mm", "long_run_mm")


def _score_columns(name: str, words: str) -> tuple[tables.Column, ...]:
    head = f"{words}, rounded to {STEP_MM:g} mm: "
    return (
        tables.number(name, f"{head}median of the lots", "mm", 0, 2000),
        tables.number(f"{name}_p10", f"{head}the lots' own 10th percentile (range of the model runs), median of the "
                      "lots", "mm", 0, 2000),
        tables.number(f"{name}_p90", f"{head}the lots' own 90th percentile (range of the model runs), median of the "
                      "lots", "mm", 0, 2000),
        tables.number(f"{name}_lots_p10", f"{head}10th percentile over the lots", "mm", 0, 2000),
        tables.number(f"{name}_lots_p90", f"{head}90th percentile over the lots", "mm", 0, 2000),
    )


_NUMBERS = (
    *_score_columns(SCORES[0], "expected movement (largest bending within the next twelve months, since the pour)"),
    *_score_columns(SCORES[1], "long run (largest bending in the weather of the normal period)"))
GROUP_COLUMNS = (
    tables.text("map_unit_symbol", "symbol of the map unit with the largest share of the lot; empty when merged"),
    tables.text("map_unit_name", f"its name, or `{OTHER_SOILS}` or `{NO_SOIL}`"),
    tables.text("pour_decade", f"decade of the pour, `{OTHER_AGES}` or `{NO_DECADE}`"),
    tables.text("state", "why there is no estimate; empty when there is one"),
    tables.whole("lots", "rows of the lot file in the group", "", LEAST_K),
    *_NUMBERS,
)
CELL_COLUMNS = (
    tables.whole("east_km", f"west side of the square in {CELL_CRS}", "km"),
    tables.whole("north_km", f"south side of the square in {CELL_CRS}", "km"),
    tables.whole("lots", "rows of the lot file with an estimate whose middle lies in the square", "", LEAST_K),
    *_NUMBERS,
)


@dataclass(frozen=True)
class PublicTables:
    """What may be published.

    Attributes
    ----------
    groups : DataFrame
        `GROUP_COLUMNS`, one row per group.
    cells : GeoDataFrame
        `CELL_COLUMNS` and the square, in `CELL_CRS`.
    facts : dict
        The requested and the achieved k; the number of lots in groups, left out, and in squares.
    """

    groups: pd.DataFrame
    cells: gpd.GeoDataFrame
    facts: dict[str, Any]


def build(results: Results, k: int = 10) -> PublicTables:
    """Return the groups and squares of an estimate.

    Parameters
    ----------
    results : Results
    k : int
        Smallest number of different lots in a group or square; at least 2.

    Raises
    ------
    ValueError
        When k is below 2, because a single lot is not a group.
    """
    if k < LEAST_K:
        raise ValueError(f"k is {k}; a group needs at least {LEAST_K} lots")
    lots = _described(results.lots)
    groups, group_least, suppressed = _grouped(lots, k)
    cells, cell_least, in_cells = _celled(lots, results, k)
    least = [n for n in (group_least, cell_least) if n is not None]
    with_number = int((lots["state"] == "").sum())
    facts = {"k": k, "k_achieved": min(least) if least else None, "lots": len(lots),
             "lots_in_groups": len(lots) - suppressed, "lots_suppressed": suppressed,
             "lots_with_number": with_number, "lots_in_squares": in_cells,
             "lots_suppressed_in_squares": with_number - in_cells}
    return PublicTables(groups, cells, facts)


def write(results: Results, folder: Path, k: int = 10) -> Path:
    """Write the public tables into a folder of their own and return the path of the group table.

    Raises
    ------
    RunFolderError
        When the folder already contains a product with single lots, or a file could not be written.
    ValueError
        When k is below 2.
    """
    mixed = [name for name in LOT_PRODUCTS if (folder / name).exists()]
    if mixed:
        raise RunFolderError(f"E-RUN-080 {mixed[0]}: contains single lots; public tables go into a folder of their "
                             "own. Nothing was written.")
    public = build(results, k)
    import pandas as pd

    _csv(public.groups, folder / GROUPS)
    _csv(pd.DataFrame(public.cells.drop(columns="geometry")), folder / CELLS)
    _cell_map(public.cells, results.today, folder / CELL_MAP)
    text = json.dumps(_about(results, public), indent=1, ensure_ascii=False, allow_nan=False)
    (folder / ABOUT).write_text(text + "\n", encoding="utf-8", errors="backslashreplace", newline="\n")
    return folder / GROUPS


# ---------------------------------------------------------------- groups
def _described(lots: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return what groups are made from: soil, decade, state, which rows count as one lot, and the estimates."""
    import pandas as pd

    text = {name: lots[name].astype("str").where(lots[name].notna(), "") for name in _TEXTS}
    early, late = text["pour_from"].str[:3], text["pour_to"].str[:3]
    known = (early == late) & (early != "") & (text["pour_date_basis"] != "none")
    lot_id = text["lot_id"].str.strip().str.casefold()
    alone = pd.Series(np.arange(len(lots)), index=lots.index).astype("str").radd("row\x00")
    scores = [f"{score}{part}" for score in SCORES for part in ("", "_p10", "_p90")]
    return pd.DataFrame({
        "key": text["map_unit_key"], "map_unit_symbol": text["map_unit_symbol"],
        "map_unit_name": text["map_unit_name"].where(text["map_unit_key"] != "", NO_SOIL),
        "pour_decade": (early + "0s").where(known, NO_DECADE), "state": text["state"],
        "who": lot_id.where(lot_id != "", alone),
        **{score: pd.to_numeric(lots[score]).astype("float64") for score in scores},
    }).reset_index(drop=True)


def _grouped(lots: pd.DataFrame, k: int) -> tuple[pd.DataFrame, int | None, int]:
    """Return the groups, the smallest number of different lots in one, and how many rows are in no group."""
    import pandas as pd

    by = ["key", "map_unit_symbol", "map_unit_name", "pour_decade", "state"]
    left, done = lots.copy(), []
    merges: tuple[dict[str, str], ...] = (
        {}, {"pour_decade": OTHER_AGES}, {"key": "", "map_unit_symbol": "", "map_unit_name": OTHER_SOILS})
    for merge in merges:
        left = left.assign(**merge)
        enough = left.groupby(by)["who"].transform("nunique") >= k if len(left) else np.zeros(0, dtype=bool)
        done.append(left[enough])
        left = left[~enough]
    groups = pd.concat(done)
    table, least = _summed(groups, by)
    order = ["map_unit_name", "key", "pour_decade", "state"]
    table = table.sort_values(order, ignore_index=True)[[column.name for column in GROUP_COLUMNS]]
    return table, least, len(left)


def _summed(lots: pd.DataFrame, by: list[str]) -> tuple[pd.DataFrame, int | None]:
    """Return counts and rounded estimates per group, and the smallest number of different lots in one."""
    grouped = lots.groupby(by, sort=True)
    out = grouped.size().rename("lots").to_frame()
    for score in SCORES:
        for part in ("", "_p10", "_p90"):
            out[score + part] = _rounded(grouped[score + part].median())
        for part, share in (("_lots_p10", 0.1), ("_lots_p90", 0.9)):
            out[score + part] = _rounded(grouped[score].quantile(share))
    least = int(grouped["who"].nunique().min()) if len(out) else None
    return out.reset_index(), least


def _rounded(values: pd.Series) -> pd.Series:
    return (values / STEP_MM).round() * STEP_MM + 0.0


# ---------------------------------------------------------------- squares
def _celled(lots: pd.DataFrame, results: Results, k: int) -> tuple[gpd.GeoDataFrame, int | None, int]:
    """Return the squares, the smallest number of different lots in one, and how many rows lie in them."""
    import geopandas as gpd
    import shapely

    has_number = (lots["state"] == "").to_numpy() & ~(results.lots.geometry.isna() | results.lots.geometry.is_empty) \
        .to_numpy()
    point = results.lots.geometry[has_number].representative_point().to_crs(CELL_CRS)
    place = lots[has_number].assign(east_km=np.floor(point.x.to_numpy() / CELL_M).astype(np.int64),
                                    north_km=np.floor(point.y.to_numpy() / CELL_M).astype(np.int64))
    by = ["east_km", "north_km"]
    enough = place.groupby(by)["who"].transform("nunique") >= k if len(place) else np.zeros(0, dtype=bool)
    table, least = _summed(place[enough], by)
    table = table[[column.name for column in CELL_COLUMNS]]
    west, south = (table[name].to_numpy(dtype=np.float64) * CELL_M for name in by)
    square = shapely.box(west, south, west + CELL_M, south + CELL_M)
    return gpd.GeoDataFrame(table, geometry=gpd.GeoSeries(square, crs=CELL_CRS), crs=CELL_CRS), least, int(enough.sum())


# ---------------------------------------------------------------- files
def _csv(table: pd.DataFrame, path: Path) -> None:
    path.write_bytes(csv_table.text_of(table).encode("utf-8-sig", errors="backslashreplace"))


def _cell_map(cells: gpd.GeoDataFrame, today: str, path: Path) -> None:
    import pyogrio

    options = {"OGR_CURRENT_DATE": f"{today}-01T00:00:00.000Z"}  # equal results give equal files
    before = {key: pyogrio.get_gdal_config_option(key) for key in options}
    pyogrio.set_gdal_config_options(options)
    try:
        pyogrio.write_dataframe(cells, path, layer="cells", driver="GPKG", geometry_type="Polygon",
                                dataset_options={"VERSION": "1.3"}, layer_options={"GEOMETRY_NAME": "geom"})
        rows = int(pyogrio.read_info(path, layer="cells", force_feature_count=True)["features"])
    except (pyogrio.errors.DataSourceError, pyogrio.errors.DataLayerError) as error:
        raise geopackage.not_written(path, error) from error
    finally:
        pyogrio.set_gdal_config_options(before)
    if rows != len(cells):
        raise RunFolderError(f"E-RUN-005 {path.name}: contains {rows} of {len(cells)} rows. Nothing of this run is "
                             "kept.")


def _about(results: Results, public: PublicTables) -> dict[str, Any]:
    """Return what a reader of the tables must know: the rule, the counts, the cautions, the columns."""
    def described(columns: tuple[tables.Column, ...]) -> list[dict[str, str]]:
        return [{"name": c.name, "description": c.meaning, **({"unit": c.unit} if c.unit else {})} for c in columns]

    return {
        "title": f"{results.area_name}: movement by soil and age, and by square",
        "present_month": results.today, **public.facts,
        "rule": f"Every group and square contains at least {public.facts['k']} different lots. Smaller groups are "
                "merged with others of the same state, then left out; lots_suppressed counts what was left out. "
                f"Movements are rounded to {STEP_MM:g} mm. No group overlaps another.",
        "cautions": [wording.STANDING, wording.CAUTION, wording.NOT_SEEN, wording.CAUTION_LENDER],
        "credits": list(results.credits), "states": tables.STATES,
        "files": {GROUPS: described(GROUP_COLUMNS), CELLS: described(CELL_COLUMNS), CELL_MAP: described(CELL_COLUMNS)},
    }
