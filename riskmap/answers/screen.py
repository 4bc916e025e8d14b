"""A list in, the same rows out with columns added: what each row's lot is expected to do, or why that cannot be said.

Rows keep their order and their own cells as text. Nothing about people takes part: personal columns and postcodes are
not carried, a group column is used for the self-check only and never for a number.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.common import tables, units
from riskmap.common.errors import LayerError, SettingsError, counted, joined, shown, visible
from riskmap.common.problems import Problem, kept_by_refusal

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.common.results import Results

PLACE = {"lot_id": ("lot_id",), "lon": ("lon", "longitude"), "lat": ("lat", "latitude"),
         "geometry": ("geometry", "wkt")}
# compared with the name without blanks and marks
_POSTCODE = re.compile(r"zip\w*|(?:post|postal)(?:code)?\w*|census\w*|tract\w*|blockgroup\w*|geoid\w*", re.IGNORECASE)
# compared as above: what a list says of the foundation is set beside the number, which is that of a slab
_FOUNDATION = re.compile(r"foundation\w*", re.IGNORECASE)
# words that columns of ids are called by; compared within the name
_ID_NAME = re.compile(r"\bid\b|_id\b|\w+ID\b|(?i:parcel|apn|\bpin\b|account|listing|\blot\b)")
SMALLEST_GROUP = 10
MOST_ROWS = 1_000_000
AROUND_DEG = 0.02  # about 2 km: a coordinate a little outside the lots is no exchanged one
NUMBERS = ("expected_movement_mm", "long_run_mm", "bend_now_mm")
TEXTS = ("direction", "phase", "shrink_swell_class", "map_unit_name", "pour_from", "pour_to", "pour_date_basis",
         "reason_1", "reason_2", "reason_3", "reason_text", "data_quality", "neighbor_unit_name", "flags")


@dataclass(frozen=True)
class Listing:
    """A list as given: every cell as text, in file order."""

    name: str
    table: pd.DataFrame
    row: NDArray[np.int64]  # as the user's editor numbers it
    shapes: NDArray[np.object_] | None = None  # from KML and GeoJSON
    problems: list[Problem] = field(default_factory=list)
    left_out: tuple[str, ...] = ()  # columns that are not carried


@dataclass(frozen=True)
class ScreenReport:
    """The answer.

    Attributes
    ----------
    rows : DataFrame
        The list's own columns, then ours; file order.
    own : tuple of str
        Names of the list's own columns.
    counts : dict
        Rows by match status and by state.
    groups : DataFrame, optional
        The self-check, one row per group.
    problems : list of Problem
    places : dict of str
        Our name (lot_id, lon, lat, geometry) -> the list's column by which its rows were found.
    parts : DataFrame
        What the estimate of each row is made of: expected_movement_mm with its range, typical_lot_mm, part_*_mm.
    units : str
        `us` or `si`, of the sentences.

    Notes
    -----
    Two columns of `rows` have names that a DataFrame uses for itself: write `rows["rank"]` and `rows["flags"]`.
    """

    rows: pd.DataFrame
    own: tuple[str, ...]
    counts: dict[str, int]
    groups: pd.DataFrame | None
    problems: list[Problem]
    places: dict[str, str] = field(default_factory=dict)
    parts: pd.DataFrame = field(default_factory=pd.DataFrame)
    units: str = "us"

    @property
    def ties(self) -> str:
        """How many different values the order of the list has, in words; empty text without a number."""
        name = "long_run_mm"
        value = self.rows[f"{name}_riskmap" if f"{name}_riskmap" in self.rows else name].dropna()
        count = value.nunique()
        shared = " Rows of one value share a rank; their order is that of the list." if count < len(value) else ""
        return f"Long run: {counted(count, 'different value')} in {counted(len(value), 'row')} with a " \
               f"number.{shared}" if len(value) else ""

    @property
    def lines(self) -> list[str]:
        """How many rows were found and have a number, and how far their order can be trusted, for people."""
        counts = ", ".join(f"{value:,} {name.replace('_', ' ')}" for name, value in self.counts.items())
        return [counts, *([self.ties] if self.ties else [])]

    @property
    def reasons(self) -> list[str]:
        """One line per row: its reasons, or its state and why."""
        from riskmap.outputs import waterfall

        names = {name: f"{name}_riskmap" if f"{name}_riskmap" in self.rows else name
                 for name in ("state", "state_reason", "match_note")}
        first = self.own[0] if self.own else "matched_lot_id"
        out = []
        for record, parts in zip(self.rows[[first, *names.values()]].to_dict("records"),
                                 self.parts.to_dict("records"), strict=True):
            told = [record[names[name]] for name in names]
            words = "; ".join(part for part in told if part) if told[0] else waterfall.in_a_line(
                {str(name): value for name, value in parts.items()}, self.units)
            out.append(f"{visible(str(record[first]))}: {visible(str(words))}")
        return out

    @property
    def measures(self) -> tuple[str, ...]:
        """The list's own columns but the one of ids: ids are texts, also when they look like numbers."""
        return tuple(name for name in self.own if name != self.places.get("lot_id"))


# ---------------------------------------------------------------- the list
def read(path: Path, columns: dict[str, str]) -> Listing:
    """Read a list: CSV or XLSX with a parcel id or a coordinate, KML pins or GeoJSON shapes.

    Parameters
    ----------
    path : Path
    columns : dict
        Our name (lot_id, lon, lat, geometry) -> the file's column, where it is called otherwise.

    Raises
    ------
    LayerError
        No such file, another format, damaged, no usable column.
    """
    from riskmap.layers import lots_csv, workbook
    from riskmap.layers.lots_columns import is_personal

    name = path.name
    if not path.is_file():
        raise LayerError(f"E-SCR-001 {name}: no such file.")
    problems: list[Problem] = []
    kind = path.suffix.lower()
    if kind in (".kml", ".kmz", ".geojson", ".json"):
        return _shapes(path)
    with kept_by_refusal(problems):
        if kind == ".csv":
            table, heading, row = lots_csv.read_table(path, name, problems)
            table = table.set_axis(heading, axis=1)
        elif kind == ".xlsx":
            table, row = workbook.read_first_sheet(path, name, MOST_ROWS, problems)
        else:
            raise LayerError(f"E-SCR-002 {name}: '{kind}' is no list. Use .csv, .xlsx, .kml, .kmz or .geojson.")
        if len(table) > MOST_ROWS:
            raise LayerError(f"E-SCR-003 {name}: {len(table):,} rows; a list may have {MOST_ROWS:,}. Use an estimate.")
        repeated = [column for column in table.columns if list(table.columns).count(column) > 1]
        if repeated:
            raise LayerError(f"E-SCR-004 {name}: {_twice(repeated[0])}")
        for ours, theirs in columns.items():
            if ours not in PLACE or theirs not in table:
                raise LayerError(f"E-SCR-005 {name}: --column {ours}={theirs}: use one of {joined(PLACE)} and a column "
                                 f"of the list: {joined(table.columns, 40)}.")
        left_out = tuple(str(column) for column in table.columns
                         if is_personal(str(column)) or _POSTCODE.fullmatch(re.sub(r"[\W_]+", "", str(column))))
        if left_out:
            problems.append(Problem("W-SCR-006", name, rule="columns about people or postal areas: "
                                    f"{joined(left_out, 40)}.", remedy="They take no part in anything here.",
                                    action="Not read and not carried.", row=1))
        table = table.drop(columns=list(left_out))
        return Listing(name, table, row, None, problems, left_out)


def _twice(column: str) -> str:
    if column == "":
        return "several columns have no name. Give each a name in the first row, or remove them."
    return f"two columns have the name '{shown(column)}'. Rename one."


def _shapes(path: Path) -> Listing:
    """Read pins or polygons through the readers of lots; they keep ids and shapes only."""
    from riskmap.common import settings
    from riskmap.layers import lots

    area = settings.Area.model_validate({"name": "list", "lots": {"path": path.resolve()}, "soil": {"path": "none"}})
    frame, _, problems = lots.read(area.lots, area)
    shapes = frame.to_crs("EPSG:4326").geometry.to_numpy()
    return Listing(path.name, pd.DataFrame({"lot_id": frame["lot_id"].to_numpy()}), frame["source_row"].to_numpy(),
                   shapes, problems)


# ---------------------------------------------------------------- bands
def bands(path: Path | None) -> tuple[float, ...]:
    """Return the limits of the shown bands [mm]: ours, or those of a TOML file with the single key `movement_mm`.

    Raises
    ------
    SettingsError
        For anything else in the file: limits that depend on an area, a postcode, a soil or a group are refused.
    """
    if path is None:
        return tables.DEFLECTION_BANDS_MM
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError, RecursionError) as error:  # not UTF-8, no TOML, too many digits, too many brackets
        raise SettingsError(f"E-SCR-020 {path.name}: cannot be read: {shown(error)}.") from None
    others = sorted(set(content) - {"movement_mm"})
    if others:
        raise SettingsError(f"E-SCR-021 {path.name}: {joined(others)} is not accepted. The bands are the same for "
                            "every row: limits that differ by area, postcode, soil or group are refused. Keep only "
                            "movement_mm.")
    limits = content.get("movement_mm") or []
    good = isinstance(limits, list) and 1 <= len(limits) <= 10 and all(
        isinstance(v, int | float) and not isinstance(v, bool) and 0 < v <= 500 for v in limits)
    if not good or sorted(set(limits)) != limits:
        raise SettingsError(f"E-SCR-022 {path.name}: movement_mm must be 1 to 10 rising numbers above 0, in mm, such "
                            "as [5, 10, 20, 35].")
    return tuple(float(v) for v in limits)


# ---------------------------------------------------------------- the answer
def screen(results: Results, listing: Listing, *, system: str = "us", limits: tuple[float, ...] = (),
           columns: dict[str, str] | None = None, groups: str | None = None, within_m: float = 0.0) -> ScreenReport:
    """Answer every row of a list from a run.

    Parameters
    ----------
    results : Results
    listing : Listing
    system : str
        `us` adds columns in inches beside those in mm, `si` does not.
    limits : tuple of float
        Limits of the bands. [mm]
    columns : dict, optional
        As in `read`.
    groups : str, optional
        Column of the list for the self-check.
    within_m : float
        As of `lots.matching.match`. [m]

    Raises
    ------
    LayerError
        When the list has neither id, coordinate nor shape, or not the group column; when the distance is out of range.
    """
    own = tuple(str(column) for column in listing.table.columns)
    with kept_by_refusal(listing.problems):
        found_by = places(listing, columns or {})
        found = matched(results, listing, columns or {}, within_m)
        answer = _answer(results, found, system, limits or tables.DEFLECTION_BANDS_MM, _named_foundation(listing))
        if groups is not None and groups not in listing.table:
            raise LayerError(f"E-SCR-009 {listing.name}: --groups {shown(groups)}: the list has {joined(own, 40)}.")
    other = _other_foundation(listing, answer)
    answer = answer.rename(columns={name: f"{name}_riskmap" for name in answer if name in own})
    rows = pd.concat([listing.table.reset_index(drop=True), answer], axis=1)
    states = answer.loc[answer["state" if "state" not in own else "state_riskmap"] != "", :]
    name = "state" if "state" not in own else "state_riskmap"
    counts = {"rows": len(rows), "with_number": len(rows) - len(states),
              **{str(key): int(value) for key, value in states[name].value_counts().sort_index().items()}}
    checked = None if groups is None else self_check(listing.table[groups], answer, name)
    problems = listing.problems + _without_ids(results, listing, found_by) + other
    return ScreenReport(rows, own, counts, checked, problems, found_by, _parts(results, found), system)


def _parts(results: Results, found: pd.DataFrame) -> pd.DataFrame:
    """Return what the estimate of each row is made of; missing for a row without one."""
    from riskmap.outputs import waterfall

    names = [*(f"expected_movement_mm{end}" for end in ("", "_p10", "_p90")), *waterfall.LINE]
    lots = pd.DataFrame(results.lots.drop(columns=results.lots.geometry.name))[names]
    return lots.reindex(found["lot_row"].fillna(-1).astype("int64")).reset_index(drop=True)


def _foundation_column(listing: Listing) -> str | None:
    """Return the list's own column of foundations, None without one."""
    return next((str(name) for name in listing.table.columns
                 if _FOUNDATION.fullmatch(re.sub(r"[\W_]+", "", str(name)))), None)


def _named_foundation(listing: Listing) -> NDArray[np.object_]:
    """Return what the list says of every row that it gives another foundation than a slab; empty text elsewhere."""
    from riskmap.lots.foundation import OTHER_FOUNDATION, foundations

    column = _foundation_column(listing)
    if column is None:
        return np.full(len(listing.table), "", dtype=object)
    text = listing.table[column].astype("str").reset_index(drop=True)
    other = foundations(text)[0] & text.str.lower().str.contains(OTHER_FOUNDATION).to_numpy(dtype=bool)
    said = f"column {shown(column)} of the list says '" + text.map(shown) + "'"
    return np.where(other, said.to_numpy(dtype=object), "").astype(object)


def _other_foundation(listing: Listing, answer: pd.DataFrame) -> list[Problem]:
    """Say it in the note of rows with a number of which the list does not say that the foundation is a slab."""
    from riskmap.lots.foundation import foundations

    column = _foundation_column(listing)
    if column is None:
        return []
    text = listing.table[column].astype("str").reset_index(drop=True)
    other = foundations(text)[0] & (answer["state"] == "").to_numpy(dtype=bool)
    if not other.any():
        return []
    note = answer["match_note"].to_numpy(dtype=object)
    said = (f"column {shown(column)} of the list says '" + text.map(shown) + "'; the number is for a slab on the "
            "ground").to_numpy(dtype=object)
    answer["match_note"] = np.where(other, np.where(note == "", said, note + "; " + said), note)
    rows = listing.row[other]
    count = counted(int(other.sum()), "row names", "rows name")
    return [Problem("W-SCR-064", listing.name, rule=f"{count} a foundation that is not known to be a slab on the "
                    f"ground: {joined(text[other].unique())}.", remedy="Do not use the number of a house without such "
                    "a slab.", action="The number of the lot is shown, and the note of the row says so.",
                    row=int(rows[0]), column=shown(column))]


def _without_ids(results: Results, listing: Listing, found_by: dict[str, str]) -> list[Problem]:
    """Return what to say of a table without a column of ids: which column could be meant."""
    if "lot_id" in found_by or listing.shapes is not None:
        return []
    from riskmap.answers.matching import normal_id

    known = normal_id(results.lots["lot_id"].astype("str"))
    known = known[known != ""]
    others = [str(name) for name in listing.table.columns if name not in found_by.values()]
    fits = {name: int(normal_id(listing.table[name]).isin(known).sum()) for name in others}
    best = max(fits, key=lambda name: fits[name], default="")
    if best and fits[best]:
        column, share = best, f"{fits[best]:,} of {len(listing.table):,} cells of '{shown(best)}' are ids of lots. "
    else:
        column, share = next((name for name in others if _ID_NAME.search(name)), "COLUMN"), ""
    return [Problem("W-SCR-011", listing.name, rule=f"no lot_id column; matched by {joined(found_by.values())} only.",
                    remedy=f"{share}If a column holds the parcel id, say which: --column lot_id='{shown(column)}'.",
                    action="No id was compared.")]


def matched(results: Results, listing: Listing, columns: dict[str, str], within_m: float = 0.0) -> pd.DataFrame:
    """Return what `lots.matching.match` returns for the rows of a list."""
    from riskmap.answers import matching

    if not 0 <= within_m <= matching.MOST_WITHIN_M:
        raise LayerError(f"E-SCR-012 --within {within_m:g}: use 0 (inside only) to {matching.MOST_WITHIN_M:g} metres.")
    west, south, east, north = results.lots.total_bounds.tolist()
    around = (west - AROUND_DEG, south - AROUND_DEG, east + AROUND_DEG, north + AROUND_DEG)
    return matching.match(_requests(listing, columns), results.lots.to_crs("EPSG:5070"), within_m=within_m,
                          coverage=around)


def places(listing: Listing, columns: dict[str, str]) -> dict[str, str]:
    """Return which columns of a list say where its rows are: our name -> the list's; empty for pins and shapes."""
    if listing.shapes is not None:
        return {}
    lower = {str(column).strip().lower(): str(column) for column in listing.table.columns}
    columns_used = {ours: columns.get(ours) or next((lower[name] for name in names if name in lower), None)
                    for ours, names in PLACE.items()}
    return {ours: theirs for ours, theirs in columns_used.items() if theirs is not None}


def _requests(listing: Listing, columns: dict[str, str]) -> pd.DataFrame:
    """Return what each row gives to be found by; a name of a pin is no parcel id."""
    import geopandas as gpd

    if listing.shapes is not None:
        return gpd.GeoDataFrame({"lot_id": [""] * len(listing.table)}, geometry=listing.shapes, crs="EPSG:4326")
    cells: dict[str, Any] = {ours: listing.table[theirs].to_numpy()
                             for ours, theirs in places(listing, columns).items()}
    if not cells or ("lon" in cells) != ("lat" in cells):
        raise LayerError(f"E-SCR-010 {listing.name}: no column lot_id, no lon and lat, no geometry. The list has: "
                         f"{joined(listing.table.columns, 40)}. Say which: --column lot_id=PARCEL.")
    requests = pd.DataFrame(cells, index=pd.RangeIndex(len(listing.table)))
    if "geometry" in requests:
        import shapely

        requests["geometry"] = shapely.from_wkt(requests["geometry"].to_numpy(dtype=object), on_invalid="ignore")
    return requests


def _answer(results: Results, matched: pd.DataFrame, system: str, limits: tuple[float, ...],
            named: NDArray[np.object_]) -> pd.DataFrame:
    """Return what the run says of every row. `named`: what the list says of a foundation that is no slab, else empty.

    Such a row has the state `not_applicable` in place of the numbers, but for states that come before it.
    """
    place = matched["lot_row"].fillna(-1).to_numpy(np.int64)
    lots = pd.DataFrame(results.lots.drop(columns=results.lots.geometry.name))
    taken = lots.reindex(np.where(place >= 0, place, -1)).reset_index(drop=True)
    status = matched["match_status"].to_numpy(dtype=object)
    of_run = taken["state"].fillna("").to_numpy(dtype=object)
    order = list(tables.STATES)
    no_slab = (named != "") & (status == "matched") & np.isin(of_run, ["", *order[order.index("not_applicable") + 1:]])
    assumed = taken["flags"].fillna("").str.contains("foundation_type_assumed").to_numpy(dtype=bool)
    reason = np.where(no_slab, f"{tables.STATES['not_applicable']}: " + named + np.where(
        assumed, "; the lot file of the run names none", "; the lot file of the run names no other foundation"),
        taken["state_reason"].fillna("").to_numpy(dtype=object))
    taken.loc[no_slab, [name for name in taken if name.startswith(NUMBERS)]] = np.nan
    taken.loc[no_slab, ["direction", "phase", "reason_1", "reason_2", "reason_3", "reason_text"]] = ""
    state = np.where(status == "matched", np.where(no_slab, "not_applicable", of_run), status)
    out = pd.DataFrame({
        "match_status": status, "match_note": matched["match_note"].to_numpy(dtype=object),
        "matched_by": matched["matched_by"].to_numpy(dtype=object),
        "matched_lot_id": taken["lot_id"].fillna("").to_numpy(dtype=object),
        "state": state,
        "state_reason": np.where(status == "matched", reason,
                                 np.array([tables.STATES.get(str(s), "") for s in state], dtype=object)),
    })
    for name in NUMBERS:
        for part in ("", "_p10", "_p90"):
            value = taken[f"{name}{part}"].to_numpy(float)
            out[f"{name}{part}"] = value
            if system == "us":
                out[f"{name.removesuffix('_mm')}_in{part}"] = np.round(units.mm_to_inch(value), 1)
    for column in (column.name for column in tables.CALIBRATED if column.name in taken):
        value = taken[column].to_numpy(float)
        out[column] = value
        if system == "us":
            out[column.replace("_mm", "_in")] = np.round(units.mm_to_inch(value), 1)
    out["rank"] = _rank(out["long_run_mm"])
    out["band"] = _band(out["long_run_mm"].to_numpy(float), limits)
    for name in TEXTS:
        out[name] = taken[name].fillna("").astype("str").to_numpy(dtype=object)
    out["neighbor_unit_share"] = taken["neighbor_unit_share"].to_numpy(float)
    return out


def _band(value: NDArray[np.float64], limits: tuple[float, ...]) -> NDArray[np.object_]:
    """Return the band of the long-run number as `10-20 mm`; empty without a number."""
    edges = [f"under {limits[0]:g} mm", *(f"{a:g}-{b:g} mm" for a, b in pairwise(limits)),
             f"{limits[-1]:g} mm and more"]
    names = np.array([*edges, ""], dtype=object)
    return names[np.where(np.isfinite(value), np.searchsorted(limits, value, side="right"), len(edges))]


def _rank(value: pd.Series) -> NDArray[np.object_]:
    """Return the place of a number in falling order as text; rows of one value share it: `1 to 183`."""
    first, last = (value.rank(method=which, ascending=False).fillna(0).astype(int) for which in ("min", "max"))
    ranks = first.astype(str).where(first == last, first.astype(str) + " to " + last.astype(str))
    return ranks.where(value.notna(), "").to_numpy(dtype=object)


def in_order(rows: pd.DataFrame) -> pd.DataFrame:
    """Return rows by the long-run number, largest first; rows without a number last; ties in file order."""
    name = "long_run_mm" if "long_run_mm_riskmap" not in rows else \
        "long_run_mm_riskmap"
    order = np.argsort(-rows[name].to_numpy(float), kind="stable")  # nan stays at the end
    return rows.iloc[order]


def self_check(group: pd.Series, answer: pd.DataFrame, state: str) -> pd.DataFrame:
    """Return how results and data quality lie in groups that the user gives; groups under ten rows are not told.

    Only tells: no group enters a number, none is ranked. Rows are in the order in which the groups first appear.
    """
    text = group.astype("str").where(group.astype("str").str.strip() != "", "(empty)").reset_index(drop=True)
    frame = answer.assign(group=text.to_numpy())
    out = []
    for name, part in frame.groupby("group", sort=False):
        entry: dict[str, Any] = {"group": name, "rows": len(part)}
        if len(part) < SMALLEST_GROUP:
            entry["rows"] = None
            entry["note"] = f"fewer than {SMALLEST_GROUP} rows: not told"
        else:
            value = part["long_run_mm"].dropna().to_numpy(float)
            entry |= {"with_number_pct": 100 * float((part[state] == "").mean()),
                      "all_known_pct": 100 * float((part["data_quality"] == tables.ALL_KNOWN).mean()), "note": ""}
            if len(value) >= SMALLEST_GROUP:
                low, middle, high = np.percentile(value, [10, 50, 90])
                entry |= {"characteristic_p10_mm": low, "characteristic_p50_mm": middle, "characteristic_p90_mm": high}
            else:
                entry["note"] = f"fewer than {SMALLEST_GROUP} with a number: no percentiles"
        out.append(entry)
    names = ["group", "rows", "with_number_pct", "all_known_pct", "characteristic_p10_mm", "characteristic_p50_mm",
             "characteristic_p90_mm", "note"]
    return pd.DataFrame(out).reindex(columns=names).round(1)
