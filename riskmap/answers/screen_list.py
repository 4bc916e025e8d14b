"""The list to screen: reading it with every column, what identifies its rows, and which column may be the parcel id."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.common.errors import LayerError, counted, joined, shown
from riskmap.common.problems import Problem, kept_by_refusal

if TYPE_CHECKING:
    import geopandas as gpd
    from numpy.typing import NDArray

    from riskmap.common.results import Results

PLACE = {"lot_id": ("lot_id",), "lon": ("lon", "longitude"), "lat": ("lat", "latitude"),
         "geometry": ("geometry", "wkt")}
ADDRESS = "address"  # of a list: by its heading where the run has labels to compare with, else by --column
# Lot ID, LotID and lot-id are lot_id: one name, written in other ways
_WRITTEN_OTHERWISE = re.compile(r"lot[ _-]?id", re.IGNORECASE)
# compared with the name without blanks and marks
_POSTAL = re.compile(r"zip\w*|(?:post|postal)(?:code)?\w*|census\w*|tract\w*|blockgroup\w*|geoid\w*", re.IGNORECASE)
# words in the names of id columns; any part of the name may match
_ID_NAME = re.compile(r"\bid\b|_id\b|\w+ID\b|(?i:parcel|apn|\bpin\b|account|listing|\blot\b)")
MOST_ROWS = 1_000_000
AROUND_DEG = 0.02  # about 2 km: a coordinate a little outside the lots is not an exchanged one


@dataclass(frozen=True)
class Listing:
    """A list as it was given: every cell as text, in file order.

    Attributes
    ----------
    name : str
    table : DataFrame
        Every column of the list in its place. Those about people are empty.
    row : int array
        The number of each row as the user's editor shows it.
    shapes : object array, optional
        Of lists in KML and GeoJSON.
    problems : list of Problem
    emptied : tuple of str
        Columns about people.
    formulas : dict of str
        Column -> its first cell with a formula. Such a column is returned, but nothing may read it.
    """

    name: str
    table: pd.DataFrame
    row: NDArray[np.int64]
    shapes: NDArray[np.object_] | None = None
    problems: list[Problem] = field(default_factory=list)
    emptied: tuple[str, ...] = ()
    formulas: dict[str, str] = field(default_factory=dict)

    def readable(self, column: str) -> None:
        """Raise LayerError where a column has a formula: its stored value may be out of date."""
        if column in self.formulas:
            raise LayerError(f"E-SCR-008 {self.name} cell {self.formulas[column]}: a formula, in a column that is "
                             "read. Paste the values only.")


def is_postal(column: str) -> bool:
    """Return whether a column name says that the column is a postal or census area."""
    return _POSTAL.fullmatch(re.sub(r"[\W_]+", "", column)) is not None


# ---------------------------------------------------------------- reading
def read(path: Path, columns: dict[str, str], also: tuple[str, ...] = ()) -> Listing:
    """Read a list: CSV or XLSX with a parcel id or a coordinate, KML pins or GeoJSON shapes.

    Parameters
    ----------
    path : Path
    columns : dict
        Our name (lot_id, address, lon, lat, geometry) -> the file's column, where the file uses another name. Empty
        text: no column is it, not even one with this very name.
    also : tuple of str
        Further names that `columns` may have: columns that the caller prints and that find no lot.

    Raises
    ------
    LayerError
        When the file does not exist, is damaged or has another format, or a column cannot be used.
    """
    from riskmap.layers import lots_csv, workbook

    name = path.name
    if not path.is_file():
        raise LayerError(f"E-SCR-001 {name}: no such file.")
    problems: list[Problem] = []
    kind = path.suffix.lower()
    if kind in (".kml", ".kmz", ".geojson", ".json"):
        return _shapes(path)
    wanted = {theirs.strip().lower() for theirs in columns.values() if theirs} or {
        name for names in PLACE.values() for name in names}
    formulas: dict[str, str] = {}
    with kept_by_refusal(problems):
        if kind == ".csv":
            table, heading, row = lots_csv.read_table(path, name, problems, wanted)
            table = table.set_axis(heading, axis=1)
        elif kind == ".xlsx":
            sheet = workbook.read_first_sheet(path, name, MOST_ROWS, problems, wanted)
            table, row, formulas = sheet.table, sheet.row, sheet.formulas
        else:
            raise LayerError(f"E-SCR-002 {name}: '{kind}' is not a list. Use .csv, .xlsx, .kml, .kmz or .geojson.")
        if len(table) > MOST_ROWS:
            raise LayerError(f"E-SCR-003 {name}: {len(table):,} rows; a list may have {MOST_ROWS:,}. Use an estimate.")
        repeated = [column for column in table.columns if list(table.columns).count(column) > 1]
        if repeated:
            raise LayerError(f"E-SCR-004 {name}: {_twice(repeated[0])}")
        _check_columns(name, columns, table, also)
        table, emptied = _without_people(name, table, problems)
        listing = Listing(name, table, row, None, problems, emptied,
                          {column: cell for column, cell in formulas.items() if column not in emptied})
        for column in (*places(listing, columns).values(), *filter(None, columns.values())):
            listing.readable(column)
        if listing.formulas:
            problems.append(Problem(
                "W-SCR-066", name, rule=f"{counted(len(listing.formulas), 'column has', 'columns have')} formulas: "
                f"{joined(listing.formulas)}.", remedy="Paste the values if you want them back.",
                action="The text of each formula comes back; nothing here reads these columns."))
        return listing


def _check_columns(name: str, columns: dict[str, str], table: pd.DataFrame, also: tuple[str, ...]) -> None:
    from riskmap.layers.lots_columns import is_personal

    for ours, theirs in columns.items():
        known = (*PLACE, ADDRESS, *also)
        if ours not in known or (theirs and theirs not in table):
            raise LayerError(f"E-SCR-005 {name}: --column {ours}={theirs}: use one of {joined(known, 20)} and a column "
                             f"of the list: {joined(table.columns, 40)}.")
        if is_personal(theirs) or is_postal(theirs):
            raise LayerError(f"E-SCR-005 {name}: --column {ours}={theirs}: no lot is found by a column about people or "
                             "a postal area. Name a column with the parcel id or the coordinate.")


def _without_people(name: str, table: pd.DataFrame, problems: list[Problem]) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return the table with its columns about people emptied, and the names of those columns."""
    from riskmap.layers.lots_columns import is_personal

    emptied = tuple(str(column) for column in table.columns if is_personal(str(column)))
    if emptied:
        problems.append(Problem("W-SCR-006", name, rule=f"columns about people: {joined(emptied, 40)}.",
                                remedy="Nothing to do. They take no part in anything here.",
                                action="They come back as empty columns.", row=1))
        table = table.assign(**dict.fromkeys(emptied, ""))
    return table, emptied


def _twice(column: str) -> str:
    if column == "":
        return "several columns have no name. Give each a name in the heading, or remove them."
    return f"two columns have the name '{shown(column)}'. Rename one."


def _shapes(path: Path) -> Listing:
    """Read pins or polygons through the readers of lots; pins come with their names, GeoJSON with all properties."""
    from riskmap.layers.lots_columns import NoIdentifier, is_personal

    try:
        frame, problems = _rows_of(path, {})
    except NoIdentifier as error:  # rows are found by their shape alone, so any column will do
        named = next((name for name in error.columns if not is_personal(name)), None)
        if named is None:
            raise
        frame, problems = _rows_of(path, {"lot_id": named})
        problems = [one for one in problems if one.column not in ("lot_id", named)]
    shapes, row = frame.to_crs("EPSG:4326").geometry.to_numpy(), frame["source_row"].to_numpy()
    table = pd.DataFrame({"lot_id": frame["lot_id"].to_numpy()})
    if path.suffix.lower() in (".geojson", ".json"):
        table = _properties(path, row)
    table, emptied = _without_people(path.name, table, problems)
    return Listing(path.name, table, row, shapes, problems, emptied)


def _rows_of(path: Path, columns: dict[str, str]) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Return pins or polygons as the reader of lots gives them, with its findings."""
    from riskmap.common import settings
    from riskmap.layers import lots

    area = settings.Area.model_validate({"name": "list", "lots": {"path": path.resolve(), "columns": columns},
                                         "soil": {"path": "none"}})
    frame, _, problems = lots.read(area.lots, area)
    return frame, problems


def _properties(path: Path, row: NDArray[np.int64]) -> pd.DataFrame:
    """Return the properties of the features of a GeoJSON that has been read already, each as text."""
    features = json.loads(path.read_text(encoding="utf-8-sig"))["features"]
    properties = [features[number - 1].get("properties") or {} for number in row.tolist()]
    names = list(dict.fromkeys(name for one in properties for name in one))
    return pd.DataFrame({name: [_property(one.get(name)) for one in properties] for name in names},
                        index=pd.RangeIndex(len(row)), dtype=str)


def _property(value: Any) -> str:
    return value if isinstance(value, str) else "" if value is None else json.dumps(value, ensure_ascii=False)


# ---------------------------------------------------------------- what rows are found by
def places(listing: Listing, columns: dict[str, str], labels: bool = False) -> dict[str, str]:
    """Return which columns of a list say where its rows are: our name -> the list's; empty for pins and shapes.

    `columns` are as in `read`. `labels`: whether the run has labels, with which addresses are compared; a column of
    addresses counts only then.
    """
    if listing.shapes is not None:
        return {}
    lower = {str(column).strip().lower(): str(column) for column in listing.table.columns}
    if "lot_id" not in lower:
        same = [name for name in lower if _WRITTEN_OTHERWISE.fullmatch(name)]
        lower |= {"lot_id": lower[same[0]]} if len(same) == 1 else {}
    columns_used = {ours: next((lower[name] for name in names if name in lower), None) for ours, names in PLACE.items()}
    if labels:
        own = lower.get(ADDRESS)
        columns_used[ADDRESS] = own if own not in listing.formulas else None
    columns_used |= {ours: theirs for ours, theirs in columns.items() if ours in columns_used}
    return {ours: theirs for ours, theirs in columns_used.items() if theirs}


def matched(results: Results, listing: Listing, columns: dict[str, str], within_m: float = 0.0,
            system: str = "si") -> pd.DataFrame:
    """Return what `matching.match` returns for the rows of a list. `system` gives the units of distances in the notes.

    Raises
    ------
    LayerError
        When the list has no id, coordinate or shape, or the distance is out of range.
    """
    from riskmap.answers import matching

    if not 0 <= within_m <= matching.MOST_WITHIN_M:
        raise LayerError(f"E-SCR-012 --within {within_m:g}: use 0 (inside only) to {matching.MOST_WITHIN_M:g} metres.")
    west, south, east, north = results.lots.total_bounds.tolist()
    around = (west - AROUND_DEG, south - AROUND_DEG, east + AROUND_DEG, north + AROUND_DEG)
    return matching.match(_requests(results, listing, columns), results.lots.to_crs("EPSG:5070"), within_m=within_m,
                          coverage=around, system=system, labels=results.labels)


def _requests(results: Results, listing: Listing, columns: dict[str, str]) -> pd.DataFrame:
    """Return by what each row can be found; the name of a pin is not a parcel id."""
    import geopandas as gpd

    if listing.shapes is not None:
        return gpd.GeoDataFrame({"lot_id": [""] * len(listing.table)}, geometry=listing.shapes, crs="EPSG:4326")
    cells: dict[str, Any] = {ours: listing.table[theirs].to_numpy()
                             for ours, theirs in places(listing, columns, results.labels is not None).items()}
    if not cells:
        need_labels(results, columns)
    if not cells or ("lon" in cells) != ("lat" in cells):
        column, fits = likely_id(results, listing, columns)
        proposal = f"{fits:,} of {len(listing.table):,} cells of '{shown(column)}' are ids of lots. " if fits else ""
        raise LayerError(f"E-SCR-010 {listing.name}: no column lot_id, no lon and lat, no geometry. "
                         f"{_of_addresses(results)}The list has: "
                         f"{joined(listing.table.columns, 40)}. {proposal}Say which column contains the parcel id: "
                         f"--column lot_id='{shown(column or 'PARCEL')}'.")
    requests = pd.DataFrame(cells, index=pd.RangeIndex(len(listing.table)))
    if "geometry" in requests:
        import shapely

        requests["geometry"] = shapely.from_wkt(requests["geometry"].to_numpy(dtype=object), on_invalid="ignore")
    return requests


def _of_addresses(results: Results) -> str:
    """Return how addresses can be compared, where the list has no column of them that is named."""
    return "No column address either. " if results.labels is not None else ""


def need_labels(results: Results, columns: dict[str, str]) -> None:
    """Raise LayerError where addresses are to be compared and the run has no labels to compare them with."""
    if columns.get(ADDRESS) and results.labels is None:
        raise LayerError(f"E-SCR-014 --column {ADDRESS}={columns[ADDRESS]}: this run has no labels to compare "
                         "addresses with. Write label = \"SITUS_ADDR\" (the lot file's column of addresses) under "
                         "[lots] and run the estimate again.")


# ---------------------------------------------------------------- a column of ids that is not named
def likely_id(results: Results, listing: Listing, columns: dict[str, str]) -> tuple[str, int]:
    """Return the column that could contain the parcel id, and how many of its cells are ids of lots.

    If no column has such a cell, it is the first column with a name that id columns have, or else empty text. Columns
    that already identify rows, those about people and those of postal areas are skipped.
    """
    taken = {*places(listing, columns, labels=True).values(), *listing.emptied, *listing.formulas}
    others = [str(name) for name in listing.table.columns if name not in taken and not is_postal(str(name))]
    fits = _ids_in(results, listing, others)
    best = max(fits, key=lambda name: fits[name], default="")
    if best and fits[best]:
        return best, fits[best]
    return next((name for name in others if _ID_NAME.search(name)), ""), 0


def _ids_in(results: Results, listing: Listing, names: Sequence[str]) -> dict[str, int]:
    """Return how many cells of some columns are ids of lots."""
    from riskmap.answers.matching import normal_id

    known = normal_id(results.lots["lot_id"].astype("str"))
    known = known[known != ""]
    return {name: int(normal_id(listing.table[name]).isin(known).sum()) for name in names}


def propose_id(results: Results, listing: Listing, columns: dict[str, str]) -> list[Problem]:
    """Return a hint where a column that is not named, or not the one of ids, fits the lots better."""
    if listing.shapes is not None or columns.get("lot_id") == "":  # the user says that there is none
        return []
    found_by = places(listing, columns, results.labels is not None)
    column, fits = likely_id(results, listing, columns)
    count = len(listing.table)
    share = f"{fits:,} of {count:,} cells of '{shown(column)}' are ids of lots. " if fits else ""
    if "lot_id" not in found_by:
        return [Problem("W-SCR-011", listing.name, rule="no lot_id column; rows are found by "
                        f"{joined(found_by.values())} only.", remedy=f"{share}If a column contains the parcel "
                        f"id, say which: --column lot_id='{shown(column or 'COLUMN')}'.", action="No id was compared.")]
    own = _ids_in(results, listing, [found_by["lot_id"]])[found_by["lot_id"]]
    if fits <= own:
        return []
    return [Problem("W-SCR-013", listing.name, rule=f"{own:,} of {count:,} cells of '{shown(found_by['lot_id'])}' are "
                    f"ids of lots.", remedy=f"{share}If that column contains the parcel id, write --column "
                    f"lot_id='{shown(column)}'.", action=f"'{shown(found_by['lot_id'])}' was compared.")]


# ---------------------------------------------------------------- the columns, for somebody who says what they are
@dataclass(frozen=True)
class ListColumn:
    """One column of a list.

    Attributes
    ----------
    name : str
    values : tuple of str
        Its first different values, at most five.
    means : str
        Our name (lot_id, address, lon, lat, geometry) when rows are found by it, else empty.
    ids : int
        Number of its cells that are ids of lots.
    """

    name: str
    values: tuple[str, ...]
    means: str
    ids: int


def columns_of(results: Results, listing: Listing, columns: dict[str, str]) -> tuple[ListColumn, ...]:
    """Return the columns by which rows may be found, in the order of the list; empty for pins and shapes.

    Columns about people, postal areas and formulas are left out, because no lot is found by them.
    """
    from riskmap.run.new_area.guesses import Column

    if listing.shapes is not None:
        return ()
    names = [str(name) for name in listing.table.columns
             if name not in listing.emptied and name not in listing.formulas and not is_postal(str(name))]
    ids = _ids_in(results, listing, names)
    means = {theirs: ours for ours, theirs in places(listing, columns, results.labels is not None).items()}
    return tuple(ListColumn(name, Column.of(name, listing.table[name]).values, means.get(name, ""), ids[name])
                 for name in names)
