"""Read monthly rain and mean temperature per climate cell.

In: `[climate]`: a CSV table, or the fixed-width text of NOAA divisions or counties; optionally polygons of the cells.
Out: `ClimateTables` in mm and degC. A month that is missing inside a record remains as a row without a value and is
reported; months before and after a record are not invented. Units are never guessed: the column name gives them.
"""

from __future__ import annotations

import re
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from riskmap.common import month_numbers, tables, units
from riskmap.common.errors import LayerError, joined, said_by, shown
from riskmap.common.inputs import ClimateTables, Source
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.layers import climate_judged, file_kinds, noaa_fixed_width
from riskmap.layers.polygon_file import read_polygons

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.settings import Area, ClimateEntry

KEY_COLUMNS = ("cell_id", "cell", "division", "climdiv", "county", "county_fips", "fips", "geoid", "station")
MISSING_TEXT = ("", "na", "nan", "null", "none")
MISSING_CODES = (-99.9, -99.99, -999.0, -9999.0)  # for any quantity; rain may also have -9.99, a temperature may not

# Numbers made of nines that are unlikely for any month of rain, by unit (judgement; larger ones are out of range
# anyway)
MARKS = {"mm": (999.0, 999.9, 999.99), "in": (99.9, 99.99)}

# Methods of a declared evapotranspiration. The monthly bucket was measured with Thornthwaite; Hamon is of the same
# kind, from temperature and day length (judgement). Values under these names are still checked against Thornthwaite.
PET_METHODS = ("thornthwaite", "hamon")


@dataclass(frozen=True)
class _Quantity:
    """One measured column: our name, the names it may have, its units and an example of a correct name."""

    column: str
    pattern: re.Pattern[str]
    units: tuple[str, ...]
    remedy: str
    missing_codes: tuple[float, ...] = MISSING_CODES


_RAIN = _Quantity("precipitation_mm", re.compile(r"(?:precip|precipitation|prcp|pcp|pcpn|ppt|rain|rainfall)(?:_(.+))?"),
                  ("in", "mm"), "rename it precip_in (inches) or precip_mm (millimetres)", (*MISSING_CODES, -9.99))
_WARMTH = _Quantity("temperature_c", re.compile(r"(?:tavg|tmean|tmp|temp|temperature)(?:_(?:avg|mean))?(?:_(.+))?"),
                    ("f", "c"), "rename it tavg_f (Fahrenheit) or tavg_c (Celsius)")
_PET = _Quantity("pet_mm", re.compile(r"(?:pet|pe|et0)(?:_(.+))?"), ("in", "mm"),
                 "rename it pet_in (inches) or pet_mm (millimetres)")


def read(entry: ClimateEntry, area: Area) -> tuple[ClimateTables, list[Source], list[Problem]]:
    """Read the monthly climate of an area.

    Parameters
    ----------
    entry : ClimateEntry
        `[climate]` of the area file.
    area : Area
        It gives the folder that paths are relative to.

    Raises
    ------
    LayerError
        When pet_source is none of `PET_METHODS`.
        When a file cannot be read, a column is missing or has no unit, rain and temperature are swapped, values can
        only come from a wrong unit or another hemisphere, no month can be read, or the latitude of a cell is not known.
    """
    problems: list[Problem] = []
    with kept_by_refusal(problems):
        _check_pet_source(entry)
        cells = cells_of(entry, area)
        monthly, sources = (_csv if entry.reader == "csv" else _noaa)(entry, area, problems)
        monthly = _wanted_cells(monthly, cells, entry, problems)
        monthly = _months_in_a_row(monthly, str(_shown(entry)), problems)
        latitude = latitude_of(sorted(monthly["cell_id"].unique()), cells, entry)
        climate_judged.check_units(monthly, latitude, str(_shown(entry)), problems)
        monthly = climate_judged.within_range(monthly, str(_shown(entry)), problems)
    if cells is not None and entry.cells is not None:
        sources.append(Source("climate_cells", entry.cells, entry.title, entry.provider, entry.licence, entry.credit,
                              "", len(cells)))
    pet_source = entry.pet_source if monthly["pet_mm"].notna().any() else ""
    monthly = tables.check(tables.CLIMATE_MONTHLY, monthly)
    return ClimateTables(monthly, latitude, cells, pet_source), sources, problems


def check_table(entry: ClimateEntry, area: Area, problems: list[Problem]) -> Source:
    """Read a table of months with all its cells, and say what it is; their latitude is not known and not asked for.

    Raises
    ------
    LayerError
        As `read` raises it, except where cells or latitude are the reason.
    """
    monthly, sources = _csv(entry, area, problems)
    monthly = _months_in_a_row(monthly, str(entry.path), problems)
    nowhere = dict.fromkeys(monthly["cell_id"].unique(), np.nan)
    climate_judged.check_units(monthly, nowhere, str(entry.path), problems)
    climate_judged.within_range(monthly, str(entry.path), problems)
    return sources[0]


def _shown(entry: ClimateEntry) -> Path:
    """Return the path that messages name."""
    return next(iter(entry.path.values())) if isinstance(entry.path, dict) else entry.path


# ------------------------------------------------------------------------------------------------------ cells
def cells_of(entry: ClimateEntry, area: Area) -> gpd.GeoDataFrame | None:
    """Return the cell polygons as cell_id, geometry in EPSG:4326; None when one cell is named for all lots."""
    if entry.cells is None:
        return None
    frame = read_polygons(area.resolve(entry.cells), entry.cells)
    if entry.cells_key not in frame:
        raise LayerError(f"E-CLI-002 {entry.cells}: no column '{entry.cells_key}'; set cells_key to one of "
                         f"{joined(c for c in frame.columns if c not in ('_row', 'geometry'))}.")
    key = frame[entry.cells_key]
    if not (key.dtype == object or pd.api.types.is_string_dtype(key)):
        raise LayerError(f"E-CLI-003 {entry.cells} column {entry.cells_key}: contains numbers, so leading zeros are "
                         "lost; save the key as text.")
    cells = frame[["geometry"]].assign(cell_id=key.astype(str).str.strip())
    cells = cells.assign(geometry=cells.geometry.make_valid())
    cells = cells[~cells.geometry.is_empty & cells.geometry.notna() & (cells["cell_id"] != "")]
    if cells["cell_id"].duplicated().any():
        cells = cells.dissolve("cell_id", as_index=False)
    return cells[["cell_id", "geometry"]].reset_index(drop=True)


def _wanted_cells(monthly: pd.DataFrame, cells: gpd.GeoDataFrame | None, entry: ClimateEntry,
                  problems: list[Problem]) -> pd.DataFrame:
    """Return the rows of cells that have a polygon, or of the single cell that the area names."""
    names = sorted(monthly["cell_id"].unique())
    if cells is None:
        name = entry.cell or (names[0] if len(names) == 1 else None)
        if name is None:
            raise LayerError(f"E-CLI-004 {_shown(entry)}: contains {len(names)} cells ({joined(names)}); set `cell` to "
                             "the one of this area, or `cells` to their polygons.")
        if name not in names:
            raise LayerError(f"E-CLI-005 {_shown(entry)}: no cell '{name}'; it has {joined(names)}.")
        return monthly[monthly["cell_id"] == name]
    mapped = set(cells["cell_id"])
    rows = monthly[monthly["cell_id"].isin(mapped)]
    if rows.empty:
        raise LayerError(f"E-CLI-006 {_shown(entry)}: its cells ({joined(names, 4)}) and the polygons of {entry.cells} "
                         f"({joined(sorted(mapped), 4)}) have no key in common; correct cells_key.")
    if absent := sorted(mapped - set(names)):
        problems.append(Problem("W-CLI-031", str(entry.cells), rule=f"every cell needs monthly rows; {len(absent)} "
                                "have none.", remedy="Add their months if lots lie there.",
                                action="Lots in these cells get no climate.", column=entry.cells_key,
                                value=joined(absent, 3)))
    return rows


def latitude_of(names: list[str], cells: gpd.GeoDataFrame | None, entry: ClimateEntry) -> dict[str, float]:
    """Return the latitude of each cell: from the area file where it is given, else the centroid of its polygon."""
    import shapely

    of_area_file = entry.latitude_deg
    known: dict[str, float] = {}
    if cells is not None:
        known = dict(zip(cells["cell_id"], shapely.get_y(shapely.centroid(np.asarray(cells.geometry))), strict=True))
    if isinstance(of_area_file, dict):
        known |= of_area_file
    elif of_area_file is not None:
        known |= dict.fromkeys(names, of_area_file)
    if lacking := [name for name in names if name not in known]:
        raise LayerError(f"E-CLI-007 [climate]: latitude of cell {joined(lacking)} is not known; set latitude_deg, "
                         "or cells to a file of polygons.")
    if wrong := [name for name in names if not -90 <= known[name] <= 90]:
        raise LayerError(f"E-CLI-008 [climate]: latitude {known[wrong[0]]} of cell {wrong[0]} must lie within "
                         "-90..90 degrees.")
    return {name: float(known[name]) for name in names}


# -------------------------------------------------------------------------------------------------------- CSV
def _csv(entry: ClimateEntry, area: Area, problems: list[Problem]) -> tuple[pd.DataFrame, list[Source]]:
    """Return cell_id, month, precipitation_mm, temperature_c, pet_mm, _row of a CSV file (plain or .gz)."""
    if isinstance(entry.path, dict):
        raise LayerError("E-CLI-009 [climate]: reader \"csv\" takes one path; rain and temperature are in one table.")
    text = text_table(area.resolve(entry.path), entry.path)
    lowered = {c.lower(): c for c in text.columns}
    frame = pd.DataFrame({"cell_id": _key(text, entry), "_row": np.arange(2, len(text) + 2)})
    frame["month"] = _month(text, lowered, entry, problems)
    for quantity in (_RAIN, _WARMTH):
        frame[quantity.column] = _measured(text, quantity, entry, problems)
    frame["pet_mm"] = _pet(text, entry, problems)
    source = Source("climate", entry.path, entry.title, entry.provider, entry.licence, entry.credit,
                    entry.valid_date or _span(frame["month"]), len(frame))
    return frame[frame["month"].notna()].astype({"month": np.int64}), [source]


def text_table(path: Path, shown_path: Path) -> pd.DataFrame:
    """Return a CSV table, plain or .gz, as stripped texts; LayerError when it is not one."""
    if not path.is_file():
        raise LayerError(f"E-CLI-001 {shown_path}: no such file; correct the path under [climate].")
    kind = file_kinds.kind(path)
    if kind and not (path.suffix == ".gz" and "gzip" in kind):
        raise LayerError(f"E-CLI-066 {shown_path}: is {kind}, and a CSV table is expected. {file_kinds.remedy(kind)}")
    try:
        text = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig", skip_blank_lines=False)
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError, OSError, EOFError,
            zlib.error) as error:
        raise LayerError(f"E-CLI-010 {shown_path}: cannot be read as CSV: {said_by(error)}. A row may have more fields "
                         "than the heading, or a quote is not closed.") from None
    if text.empty:
        raise LayerError(f"E-CLI-081 {shown_path}: has no rows below its header.")
    text.columns = [str(c).strip() for c in text.columns]
    return text.apply(lambda column: column.str.strip())


def _key(text: pd.DataFrame, entry: ClimateEntry) -> pd.Series:
    lowered = {c.lower(): c for c in text.columns}
    name = next((lowered[k] for k in (entry.cells_key.lower(), *KEY_COLUMNS) if k in lowered), None)
    if name is not None:
        return text[name]
    if entry.cells is None:
        return pd.Series(entry.cell or "area", index=text.index)
    raise LayerError(f"E-CLI-011 {entry.path}: no column with the cell; expected {entry.cells_key} or one of "
                     f"{joined(KEY_COLUMNS, 20)}; it has {joined(text.columns, 20)}.")


def _month(text: pd.DataFrame, lowered: dict[str, str], entry: ClimateEntry, problems: list[Problem]) -> pd.Series:
    """Return month numbers. A row whose month cannot be read is reported and gets none."""
    column, written = written_months(text, lowered)
    if not column:
        raise LayerError(f"E-CLI-012 {entry.path}: no month; expected columns year and month, or month as YYYY-MM, or "
                         f"date; it has {joined(text.columns, 20)}.")
    number = months_as_numbers(written)
    outside = number.notna() & ~number.between(tables.FIRST_MONTH, tables.LAST_MONTH)
    number = number.mask(outside)
    _refuse_other_dates(number, written, column, entry)
    problems += [Problem("E-CLI-032", str(entry.path), rule="a month must be YYYY-MM.", remedy="Correct the row.",
                         action="Row left out; its month is a gap.", row=int(row) + 2, column=column,
                         value=written.iloc[row])
                 for row in np.flatnonzero(number.isna())]
    return number


def written_months(text: pd.DataFrame, lowered: dict[str, str]) -> tuple[str, pd.Series]:
    """Return the column or columns with the month and its texts, as YYYY-MM or a date; without them, empty text.

    `lowered` has each column under its name in small letters.
    """
    if "year" in lowered and "month" in lowered:
        return (f"{lowered['year']}, {lowered['month']}",
                text[lowered["year"]] + "-" + text[lowered["month"]].str.zfill(2))
    name = next((lowered[c] for c in ("month", "date", "yearmonth") if c in lowered), "")
    return name, text[name] if name else pd.Series("", index=text.index)


def months_as_numbers(written: pd.Series) -> pd.Series:
    """Return the month number of each text that is YYYY-MM, YYYYMM or a date; the others get none."""
    parts = written.str.extract(r"^(\d{4})-?(0[1-9]|1[0-2])(?:-?\d{2})?$").astype("Int64")
    number: pd.Series = 12 * parts[0] + parts[1] - 1
    return number


def _refuse_other_dates(number: pd.Series, written: pd.Series, column: str, entry: ClimateEntry) -> None:
    """Refuse a table that writes months in another way: if most rows have no month that can be read."""
    lost = np.flatnonzero(number.isna())
    if len(lost) <= len(number) / 2:
        return
    short = written.iloc[lost].str.fullmatch(r"\d{2}-(?:0[1-9]|1[0-2])(?:-\d{2})?")
    first = int(lost[0])
    said = ("the years have two digits. Write all four digits, as in 1951; a century is never assumed"
            if short.mean() > 0.5 else "is not a month. Write YYYY-MM, or a year of four digits and a month 1 to 12")
    raise LayerError(f"E-CLI-060 {entry.path} column {column}: the month of {len(lost):,} of {len(number):,} rows "
                     f"cannot be read; row {first + 2}: \"{shown(written.iloc[first])}\": {said}.")


def _find(text: pd.DataFrame, quantity: _Quantity) -> list[tuple[str, str | None]]:
    """Return (column, unit or None) of every column that has one of the quantity's names."""
    matches = [(c, quantity.pattern.fullmatch(c.lower())) for c in text.columns]
    return [(c, m.group(1)) for c, m in matches if m and (m.group(1) is None or "_" not in m.group(1))]


def rain_and_warmth(text: pd.DataFrame) -> tuple[list[tuple[str, str | None]], list[tuple[str, str | None]]]:
    """Return (column, unit or None) of every column that goes by a name of rain, and of mean temperature."""
    return _find(text, _RAIN), _find(text, _WARMTH)


def _measured(text: pd.DataFrame, quantity: _Quantity, entry: ClimateEntry, problems: list[Problem]) -> pd.Series:
    """Return the quantity in our unit.

    Raises
    ------
    LayerError
        When no column contains it, its unit is not in the name, or more than one column contains it.
    """
    columns = _find(text, quantity)
    with_unit = [(c, unit) for c, unit in columns if unit in quantity.units]
    if len(with_unit) == 1:
        column, unit = with_unit[0]
        return _numbers(text[column], column, str(unit), quantity.missing_codes, entry, problems)
    if with_unit:
        raise LayerError(f"E-CLI-013 {entry.path}: columns {joined(c for c, _ in with_unit)} give the same quantity; "
                         "keep one of them.")
    if columns and columns[0][1] in ("k", "kelvin", "degk"):
        raise LayerError(f"E-CLI-061 {entry.path} column {columns[0][0]}: Kelvin is not read. Subtract 273.15 and "
                         "rename the column tavg_c (Celsius).")
    if columns:
        raise LayerError(f"E-CLI-014 {entry.path} column {columns[0][0]}: has no unit in its name; {quantity.remedy}.")
    remedy = quantity.remedy.replace("rename it", "add")
    raise LayerError(f"E-CLI-015 {entry.path}: no column {quantity.column}; {remedy}; "
                     f"it has {joined(text.columns, 20)}.")


def _numbers(column: pd.Series, name: str, unit: str, missing_codes: tuple[float, ...], entry: ClimateEntry,
             problems: list[Problem]) -> pd.Series:
    missing = column.str.lower().isin(MISSING_TEXT)
    values = pd.to_numeric(column.mask(missing), errors="coerce").astype(float)
    values = values.where(np.isfinite(values))
    coded = values.isin(missing_codes)
    marks = MARKS.get(unit, ()) if missing_codes == _RAIN.missing_codes else ()
    marked = values.isin(marks)
    problems += [Problem("E-CLI-063", str(entry.path), rule="is how some files write a missing value.",
                         remedy="Leave the cell empty; if it is a measurement, write it with other decimals.",
                         action="Value treated as missing.", row=int(row) + 2, column=name, value=column.iloc[row])
                 for row in np.flatnonzero(marked)]
    problems += [Problem("E-CLI-033", str(entry.path), rule="a value must be a number.", remedy="Correct the row.",
                         action="Value treated as missing.", row=int(row) + 2, column=name, value=column.iloc[row])
                 for row in np.flatnonzero(values.isna() & ~missing)]
    return pd.Series(units.BY_SUFFIX[unit][1](values.mask(coded | marked).to_numpy()), index=column.index)


def _check_pet_source(entry: ClimateEntry) -> None:
    """Refuse a method with which the driver was not measured. A year or a remark may follow the name."""
    source = entry.pet_source.strip().lower()
    if source and not source.startswith(PET_METHODS):
        raise LayerError(f"E-CLI-019 [climate] pet_source: \"{shown(entry.pet_source)}\": is not a method that the "
                         f"monthly bucket takes; it takes {joined(PET_METHODS)}. Leave pet_source out and "
                         "evapotranspiration is computed from temperature; that of a reference surface "
                         "(Penman-Monteith, Hargreaves) is about 1.7 times larger and would keep the ground too dry.")


def _pet(text: pd.DataFrame, entry: ClimateEntry, problems: list[Problem]) -> pd.Series:
    """Return declared potential evapotranspiration; a column without a declared source is reported and ignored."""
    columns = _find(text, _PET)
    if columns and not entry.pet_source:
        problems.append(Problem("W-CLI-034", str(entry.path), rule="evapotranspiration is used only with a declared "
                                "method.", remedy="Set pet_source under [climate] to its method: "
                                f"{joined(PET_METHODS)}.", action="Column ignored; computed from temperature instead "
                                "(Thornthwaite).", column=columns[0][0]))
    if not entry.pet_source:
        return pd.Series(np.nan, index=text.index)
    return _measured(text, _PET, entry, problems)


# ------------------------------------------------------------------------------------------------ fixed width
def _noaa(entry: ClimateEntry, area: Area, problems: list[Problem]) -> tuple[pd.DataFrame, list[Source]]:
    """Return cell_id, month, precipitation_mm, temperature_c, pet_mm, _row of two NOAA files."""
    if not isinstance(entry.path, dict) or set(entry.path) != {"precipitation", "temperature"}:
        raise LayerError("E-CLI-016 [climate]: reader \"noaa_fixed_width\" needs path = "
                         "{precipitation = \"...\", temperature = \"...\"}.")
    parts, sources, failures = [], [], []
    for role, element, column in (("precipitation", noaa_fixed_width.PRECIPITATION, "precipitation_mm"),
                                  ("temperature", noaa_fixed_width.TEMPERATURE, "temperature_c")):
        shown_path = entry.path[role]
        try:
            part, findings = noaa_fixed_width.read(area.resolve(shown_path), shown_path, element)
        except LayerError as error:
            failures.append(str(error))
            continue
        problems += findings
        parts.append(_single(part, "value", str(shown_path), problems).rename(columns={"value": column}))
        span = _span(part.loc[part["value"].notna(), "month"])
        sources.append(Source("climate", shown_path, entry.title, entry.provider, entry.licence, entry.credit,
                              entry.valid_date or span, len(part) // 12, area.resolve(shown_path)))
    if failures:
        raise LayerError("\n".join(failures))
    merged = parts[0].merge(parts[1].drop(columns="_row"), on=["cell_id", "month"], how="outer")
    return merged.assign(pet_mm=np.nan), sources


# ----------------------------------------------------------------------------------------------------- checks
def _single(frame: pd.DataFrame, columns: str | list[str], file: str, problems: list[Problem]) -> pd.DataFrame:
    """Return one row per cell and month; rows that contradict each other are all left out."""
    columns = [columns] if isinstance(columns, str) else columns
    again = frame.duplicated(["cell_id", "month"], keep=False)
    if not again.any():
        return frame
    groups = frame[again].groupby(["cell_id", "month"], sort=True)
    same = (groups[columns].nunique(dropna=False) <= 1).all(axis=1)
    rows = groups["_row"].agg(list)
    for cell, month, listed, agree in zip(same.index.get_level_values(0), same.index.get_level_values(1), rows, same,
                                          strict=True):
        action = "The first is used." if agree else "None of them is used; the month is a gap."
        problems.append(Problem("W-CLI-035" if agree else "E-CLI-035", file,
                                rule="each cell and month must appear once.",
                                remedy=f"Remove all but one of rows {joined(listed)}.", action=action,
                                row=int(listed[0]), value=f"{cell} {month_numbers.month_name(int(month))}"))
    single = frame.drop_duplicates(["cell_id", "month"]).copy()
    contradicted = pd.MultiIndex.from_frame(single[["cell_id", "month"]]).isin(same.index[~same])
    single.loc[contradicted, columns] = np.nan
    return single


def _months_in_a_row(monthly: pd.DataFrame, file: str, problems: list[Problem]) -> pd.DataFrame:
    """Return every month from a cell's first to its last; missing ones have no values, and gaps are reported."""
    values = ["precipitation_mm", "temperature_c", "pet_mm"]
    single = _single(monthly, values, file, problems)
    known = single[single[["precipitation_mm", "temperature_c"]].notna().any(axis=1)]
    if known.empty:
        raise LayerError(f"E-CLI-017 {file}: no month has a value; check the file.")
    span = known.groupby("cell_id", sort=True)["month"].agg(["min", "max"])
    length = (span["max"] - span["min"] + 1).to_numpy()
    start = np.repeat(np.cumsum(length) - length, length)
    every = pd.DataFrame({"cell_id": np.repeat(span.index.to_numpy(), length),
                          "month": np.repeat(span["min"].to_numpy(), length) + np.arange(length.sum()) - start})
    dense = every.merge(single[["cell_id", "month", *values]], on=["cell_id", "month"], how="left")
    problems += _gaps(dense, file)
    return dense


def _gaps(dense: pd.DataFrame, file: str) -> list[Problem]:
    """Return one finding per run of months without rain or without temperature."""
    no_rain, no_warmth = dense["precipitation_mm"].isna(), dense["temperature_c"].isna()
    label = np.select([no_rain & no_warmth, no_rain, no_warmth],
                      ["precipitation and temperature", "precipitation", "temperature"], "")
    lost = dense.assign(column=label)[no_rain | no_warmth]
    run = ((lost["month"].diff() != 1) | (lost["cell_id"] != lost["cell_id"].shift())
           | (lost["column"] != lost["column"].shift())).cumsum()
    gaps = lost.groupby(run).agg({"cell_id": "first", "column": "first", "month": ["first", "last"]})
    return [Problem("W-CLI-036", file, rule="months must follow each other without a gap.",
                    remedy="Add the months if you have them.", action=f"{last - first + 1} months kept without value; "
                    "bridged later with an index, the weekly map or the usual season, and flagged.",
                    column=str(column), value=f"{cell} {_span(pd.Series([first, last]))}")
            for cell, column, first, last in gaps.to_numpy()]


def _span(months: pd.Series) -> str:
    months = months.dropna()
    if months.empty:
        return ""
    first, last = month_numbers.month_name(int(months.min())), month_numbers.month_name(int(months.max()))
    return first if first == last else f"{first}..{last}"
