"""Read soil-survey downloads (SSURGO layout: zip as published or unpacked folder) into our names and units.

Column and file names come from the download's own `mstab.txt` and `mstabcol.txt`; the positions below are the
fallback (schema 2.3.3, identical in the 2020, 2021 and 2022 files that were measured). Every key is text.
Nothing is computed here except two look-ups that belong to the survey's layout: the depth to rock of a component
and its shallowest wet layer.
"""

from __future__ import annotations

import csv
import io
import re
import stat
import zipfile
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from riskmap.errors import LayerError, Problem, joined
from riskmap.layers import SoilTables, Source

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from riskmap.settings import Area, SoilEntry

PROVIDER = "United States Department of Agriculture, Natural Resources Conservation Service"
LICENCE = "United States government work, public domain"
RATING_RULE = "ENG - Dwellings W/O Basements"
RATING_SUB_RULE = "Shrink-Swell (LEP WTD_AVG 25-100cm or Bedrock)"
LARGEST_MEMBER_BYTES = 4 * 1024**3  # judgement: ten times the largest published table; guards against zip bombs

# Fallback: table -> (file, number of columns, {column: position from 1}). Measured on the published files.
_LAYOUT: dict[str, tuple[str, int, dict[str, int]]] = {
    "mapunit": ("mapunit", 24, {"musym": 1, "muname": 2, "lkey": 23, "mukey": 24}),
    "component": ("comp", 109, {"comppct_r": 2, "compname": 4, "compkind": 5, "mukey": 108, "cokey": 109}),
    "chorizon": ("chorizon", 171, {
        "hzname": 1, "desgnmaster": 3, "hzdept_r": 7, "hzdepb_r": 10, "claytotal_r": 61, "dbthirdbar_r": 73,
        "dbovendry_r": 79, "lep_l": 100, "lep_r": 101, "lep_h": 102, "cokey": 170}),
    "corestrictions": ("crstrcts", 13, {"reskind": 1, "reshard": 2, "resdept_r": 4, "cokey": 12}),
    "muaggatt": ("muaggatt", 40, {"engdwobdcd": 23, "mukey": 40}),
    "cosoilmoist": ("csmoist", 9, {"soimoistdept_r": 2, "soimoiststat": 7, "comonthkey": 8}),
    "comonth": ("cmonth", 17, {"month": 2, "cokey": 16, "comonthkey": 17}),
    "cointerp": ("cinterp", 19, {"cokey": 1, "mrulename": 3, "rulename": 6, "ruledepth": 7, "interphr": 12}),
    "legend": ("legend", 14, {"areasymbol": 2, "areaname": 3, "projectscale": 9, "lkey": 14}),
    "sacatalog": ("sacatlog", 11, {"areasymbol": 1, "areaname": 2, "saverest": 4}),
}
_REQUIRED = ("mapunit", "component", "chorizon", "corestrictions")
_MISSING_MEANS = {
    "muaggatt": "the stored rating for dwellings is unknown",
    "cosoilmoist": "the depth of the water table is unknown",
    "comonth": "the depth of the water table is unknown",
    "cointerp": "the survey's own shrink-swell rating cannot be compared with ours",
    "legend": "the mapping scale is unknown",
    "sacatalog": "the vintage of the survey is unknown",
}
_POLYGON_PARTS = (".shp", ".shx", ".dbf", ".prj")

# Rock: every kind of bedrock, and what is at least strongly cemented (the property behind the survey's own rating
# stops at a strongly or very strongly cemented restriction; soil-survey property 15177). Cemented kinds by name
# count also when no hardness is given. Fragipan, densic material, natric, salic and textural changes do not count.
_BEDROCK = re.compile(r"bedrock$")
_CEMENTED_KINDS = ("cemented horizon", "duripan", "ortstein", "petrocalcic", "petroferric", "petrogypsic")
_CEMENTED_HARDNESS = re.compile(r"^(?:very )?strongly cemented|^indurated")


def read(entry: SoilEntry, area: Area, *, need_polygons: bool = True) -> tuple[SoilTables, list[Source], list[Problem]]:
    """Read every download of `[soil]`.

    Parameters
    ----------
    entry : SoilEntry
        The `[soil]` entry; several paths are put together, the first one wins where a map unit occurs twice.
    area : Area
        For paths relative to the area file.
    need_polygons : bool
        False reads tables only; `polygons` is then empty.

    Returns
    -------
    tuple
        Tables (`horizon` has one more column, `horizon_master`; `component` has `rock_kind` and
        `water_table_all_year_cm`, the depth below which every month is wet), one `Source` per survey area, and
        the findings.

    Raises
    ------
    LayerError
        With every missing or unusable piece of every download.
    """
    paths = entry.path if isinstance(entry.path, list) else [entry.path]
    faults: list[str] = []
    problems: list[Problem] = []
    parts: list[_Part] = []
    for path in paths:
        try:
            for survey in _surveys(area.resolve(path), str(path)):
                parts.append(_read_survey(survey, need_polygons, problems))
        except LayerError as error:
            faults.append(str(error))
    if faults:
        raise LayerError("\n".join(faults))
    tables = _put_together(parts, entry, problems)
    return tables, [_source(part, entry) for part in parts], problems


# ---------------------------------------------------------------- what a download holds
@dataclass(frozen=True)
class _Survey:
    """One survey area in a download. `members` maps lower-case `tabular/comp.txt` to the stored name."""

    container: Path
    members: dict[str, str]
    shown: str

    @property
    def zipped(self) -> bool:
        return self.container.is_file()

    def content(self, name: str) -> bytes:
        stored = self.members[name]
        if not self.zipped:
            return (self.container / stored).read_bytes()
        try:
            with zipfile.ZipFile(self.container) as archive:
                return archive.read(stored)
        except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError) as error:  # also: encrypted
            raise LayerError(f"E-SOIL-003 {self.shown} {stored}: cannot be unpacked ({error}). Download it "
                             "again.") from None

    def gdal_path(self, name: str) -> str:
        stored = self.members[name]
        return f"/vsizip/{{{self.container}}}/{stored}" if self.zipped else str(self.container / stored)


def _surveys(path: Path, shown_path: str) -> list[_Survey]:
    """List the survey areas inside one zip or folder."""
    groups: dict[str, dict[str, str]] = {}
    for name in _names(path, shown_path):
        parts = PurePosixPath(name)
        in_known = parts.parent.name.lower() in ("tabular", "spatial")
        root = parts.parent.parent if in_known else parts.parent
        groups.setdefault(str(root), {})[parts.name.lower()] = name
    found = [_Survey(path, members, shown_path) for _, members in sorted(groups.items())
             if any(_LAYOUT[t][0] + ".txt" in members for t in _REQUIRED) or _polygon_stem(members)]
    if not found:
        raise LayerError(f"E-SOIL-001 {shown_path}: no soil-survey tables or polygons inside. Give the zip as it was "
                         "downloaded, or the folder that holds `tabular` and `spatial`.")
    return found


def _names(path: Path, shown_path: str) -> list[str]:
    if path.is_dir():
        return sorted(p.relative_to(path).as_posix() for p in path.rglob("*") if p.is_file())
    if not path.is_file():
        raise LayerError(f"E-SOIL-002 {shown_path}: not found. Check `path` under [soil]; it is relative to the "
                         "area file.")
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
    except (zipfile.BadZipFile, OSError) as error:
        raise LayerError(f"E-SOIL-003 {shown_path}: not a readable zip file ({error}). Download it again.") from None
    unsafe = [e.filename for e in entries if _unsafe(e)]
    if unsafe:
        raise LayerError(f"E-SOIL-004 {shown_path}: unsafe names inside the zip: {joined(unsafe)}. Names must stay "
                         "inside the archive and must not be links. Take the zip from the publisher.")
    return sorted(e.filename for e in entries if not e.is_dir())


def _unsafe(entry: zipfile.ZipInfo) -> bool:
    name = entry.orig_filename.replace("\\", "/")
    return (".." in name.split("/") or name.startswith("/") or ":" in name or "\x00" in name
            or "{" in name or "}" in name or stat.S_ISLNK(entry.external_attr >> 16)
            or entry.file_size > LARGEST_MEMBER_BYTES)


def _polygon_stem(members: Iterable[str]) -> str:
    """Return `soilmu_a_ar041` when any part of the map-unit polygons is there, else empty text."""
    stems = sorted({n.rpartition(".")[0] for n in members if re.match(r"(gsm)?soilmu_a_.*\.(shp|shx|dbf|prj)$", n)})
    return stems[0] if stems else ""


# ---------------------------------------------------------------- one survey area
@dataclass(frozen=True)
class _Part:
    survey: _Survey
    tables: dict[str, pd.DataFrame]
    polygons: gpd.GeoDataFrame | None


def _read_survey(survey: _Survey, need_polygons: bool, problems: list[Problem]) -> _Part:
    files, columns = _schema(survey)
    missing = [f"table {t} (tabular/{files[t]}.txt)" for t in _REQUIRED if f"{files[t]}.txt" not in survey.members]
    stem = _polygon_stem(survey.members)
    if need_polygons and not stem:
        missing.append("map-unit polygons (spatial/soilmu_a_*.shp with .shx, .dbf and .prj)")
    elif need_polygons:
        missing += [f"spatial/{stem}{e}" for e in _POLYGON_PARTS if stem + e not in survey.members]
    if missing:
        raise LayerError(f"E-SOIL-005 {survey.shown}: missing: {', '.join(missing)}. The download is incomplete; "
                         "take it again, whole.")
    tables = {}
    for table in _LAYOUT:
        if f"{files[table]}.txt" in survey.members:
            tables[table] = _table(survey, files[table] + ".txt", table, columns.get(table, []))
        else:
            problems.append(Problem("W-SOIL-010", survey.shown, f"table {table} is not in the download:",
                                    "take the full download to have it;", _MISSING_MEANS[table] + "."))
    return _Part(survey, tables, _polygons(survey, stem, problems) if need_polygons else None)


def _schema(survey: _Survey) -> tuple[dict[str, str], dict[str, list[str]]]:
    """Return file names and column names in order, from the download where it tells them."""
    files = {table: layout[0] for table, layout in _LAYOUT.items()}
    columns = {table: _fallback_columns(table) for table in _LAYOUT}
    if "mstab.txt" in survey.members:
        rows = _rows(survey.content("mstab.txt"))
        files |= {r[0]: r[4].lower() for r in rows if len(r) >= 5 and r[0] in files and r[4]}
    if "mstabcol.txt" in survey.members:
        found: dict[str, dict[int, str]] = {}
        for row in _rows(survey.content("mstabcol.txt")):
            if len(row) >= 3 and row[0] in columns and row[1].isdigit():
                found.setdefault(row[0], {})[int(row[1])] = row[2].lower()
        columns |= {t: [names[i] for i in sorted(names)] for t, names in found.items()}
    return files, columns


def _fallback_columns(table: str) -> list[str]:
    _, count, known = _LAYOUT[table]
    by_position = {position: name for name, position in known.items()}
    return [by_position.get(i, f"column_{i}") for i in range(1, count + 1)]


def _text(raw: bytes) -> str:
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")  # what the publisher's Access export writes


def _rows(raw: bytes) -> list[list[str]]:
    text = _text(raw)
    escape = "\\" if re.match(r'"?V1"?\|', text) else None
    reader = csv.reader(io.StringIO(text, newline=""), delimiter="|", escapechar=escape)
    try:
        return [[value.strip() for value in row] for row in reader]
    except csv.Error as error:
        raise LayerError(f"E-SOIL-008 list of tables and columns is broken ({error}). Download it again.") from None


def _first_row(text: str) -> list[str]:
    import pandas as pd

    row = pd.read_csv(io.StringIO(text), sep="|", header=None, nrows=1, dtype=str, keep_default_na=False)
    return [str(value).strip() for value in row.iloc[0]]


def _table(survey: _Survey, member: str, table: str, columns: list[str]) -> pd.DataFrame:
    """Read the wanted columns of one table as text; empty values are missing."""
    import pandas as pd

    wanted = list(_LAYOUT[table][2])
    raw = survey.content(member)
    where = f"{survey.shown} tabular/{member}"
    if raw.strip() in (b"", b'""'):
        return pd.DataFrame(columns=wanted, dtype=object)
    text = _text(raw)
    try:
        first = _first_row(text)
    except pd.errors.ParserError as error:
        raise LayerError(f"E-SOIL-008 {where}: broken table: {str(error).strip()}. Download it again.") from None
    columns, header = _header(first, columns)
    absent = [c for c in wanted if c not in columns]
    if absent:
        raise LayerError(f"E-SOIL-006 {where}: columns missing: {joined(absent)}. Use the download's own mstabcol.txt "
                         "or a download of schema 2.")
    if len(first) != len(columns) and table in _REQUIRED:
        raise LayerError(f"E-SOIL-007 {where}: {len(first)} columns found, {len(columns)} expected ({table}). Keep "
                         "mstabcol.txt of the same download beside the tables.")
    try:
        frame = pd.read_csv(io.StringIO(text), sep="|", header=None, names=columns, usecols=wanted, dtype=str,
                            skiprows=int(header), keep_default_na=False, na_values=[""], index_col=False,
                            escapechar="\\" if header else None)
    except pd.errors.ParserError as error:
        raise LayerError(f"E-SOIL-008 {where}: broken table: {str(error).strip()}. Download it again.") from None
    frame = frame[wanted].apply(lambda c: c.astype(object).where(c.notna(), None).str.strip())
    frame = frame.where(frame.notna() & (frame != ""), None)
    key = "cokey" if "cokey" in wanted else "mukey"
    if table in _REQUIRED and frame[key].isna().any():
        rows = frame.index[frame[key].isna()] + 1 + int(header)
        raise LayerError(f"E-SOIL-009 {where}: {len(rows)} rows without {key} (row {rows[0]}): the file is cut short "
                         "or damaged. Download it again.")
    return frame


def _header(first: list[str], columns: list[str]) -> tuple[list[str], bool]:
    """Return the column names in file order and whether the first row is a header.

    Files re-saved by statistics programs start with the names, or with V1, V2... where the names were unknown.
    """
    first = [v.lower() for v in first]
    known = sum(v in columns for v in first)
    if known >= max(2, len(first) // 2):
        return first, True
    numbered = sum(bool(re.fullmatch(r"v\d+", v)) for v in first)
    return columns, numbered == len(first)


def _polygons(survey: _Survey, stem: str, problems: list[Problem]) -> gpd.GeoDataFrame:
    """Read map-unit polygons: single parts, key as text, EPSG:4326; never dissolved."""
    import pyogrio

    where = f"{survey.shown} spatial/{stem}.shp"
    try:
        frame = pyogrio.read_dataframe(survey.gdal_path(stem + ".shp"))
    except Exception as error:  # pyogrio passes on whatever the driver raises
        raise LayerError(f"E-SOIL-011 {where}: cannot be read ({error}). Download it again.") from None
    frame = frame.rename(columns={c: str(c).lower() for c in frame.columns if c != "geometry"})
    if "mukey" not in frame:
        raise LayerError(f"E-SOIL-012 {where}: no column MUKEY. Use the map-unit polygons as published.")
    if frame.crs is None:
        raise LayerError(f"E-SOIL-013 {where}: the .prj file holds no readable coordinate system. Take the download "
                         "again; a system is never assumed.")
    frame["mukey"] = _key(frame["mukey"])
    blank = frame.geometry.isna() | frame.geometry.is_empty | frame["mukey"].isna()
    if blank.any():
        problems.append(Problem("W-SOIL-014", where, f"{int(blank.sum())} polygons without shape or MUKEY;",
                                "report them to the publisher;", "they are left out.", int(blank.idxmax()) + 1))
    return frame.loc[~blank, ["mukey", "geometry"]].explode(ignore_index=True).to_crs("EPSG:4326")


def _key(values: pd.Series) -> pd.Series:
    import pandas as pd

    if pd.api.types.is_numeric_dtype(values):
        values = values.astype("Int64").astype("string")
    values = values.astype(object)
    return values.where(values.notna(), None).str.strip().replace("", None)


# ---------------------------------------------------------------- putting downloads together
def _put_together(parts: list[_Part], entry: SoilEntry, problems: list[Problem]) -> SoilTables:
    import pandas as pd

    kept = _first_wins(parts, problems)
    every = {table: pd.concat([t[table] for t in kept if table in t], ignore_index=True)
             if any(table in t for t in kept) else _none(table) for table in _LAYOUT}
    component = _component(every, problems)
    return SoilTables(
        polygons=_all_polygons(parts),
        map_unit=_map_unit(every),
        component=component,
        horizon=_horizon(every, problems),
        scale=_scale(every, entry, problems),
        shrink_swell_stored=_stored_rating(kept, problems),
    )


def _none(table: str) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=list(_LAYOUT[table][2]), dtype=object)


def _first_wins(parts: list[_Part], problems: list[Problem]) -> list[dict[str, pd.DataFrame]]:
    """Drop from later downloads what an earlier one already holds: component keys change at every refresh."""
    units: set[str] = set()
    components: set[str] = set()
    kept = []
    for part in parts:
        tables = dict(part.tables)
        mukeys = tables["mapunit"]["mukey"]
        repeated = set(mukeys) & units
        if repeated:
            problems.append(Problem("W-SOIL-015", part.survey.shown, f"{len(repeated)} map units are already in an "
                                    f"earlier download ({joined(sorted(repeated), 4)});", "name each survey once;",
                                    "the tables of the earlier download are used."))
            for table in ("mapunit", "component", "muaggatt"):
                if table in tables:
                    tables[table] = tables[table][~tables[table]["mukey"].isin(repeated)]
            for table in ("chorizon", "corestrictions", "comonth", "cointerp"):
                if table in tables:
                    tables[table] = tables[table][tables[table]["cokey"].isin(tables["component"]["cokey"])]
        clash = set(tables["component"]["cokey"]) & components
        if clash:
            raise LayerError(f"E-SOIL-016 {part.survey.shown}: {len(clash)} component keys also stand for other "
                             "components of an earlier download. Use downloads of the same year.")
        units |= set(mukeys)
        components |= set(tables["component"]["cokey"])
        kept.append(tables)
    return kept


def _all_polygons(parts: list[_Part]) -> gpd.GeoDataFrame:
    import geopandas as gpd
    import pandas as pd

    frames = [p.polygons for p in parts if p.polygons is not None]
    if not frames:
        return gpd.GeoDataFrame({"mukey": pd.Series(dtype=object)}, geometry=gpd.GeoSeries([], crs="EPSG:4326"))
    whole = gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), geometry="geometry", crs="EPSG:4326")
    if len(frames) > 1:  # the same polygon in two downloads would count twice
        twice = pd.DataFrame({"k": whole["mukey"], "g": whole.geometry.normalize().to_wkb()}).duplicated()
        whole = whole[~twice].reset_index(drop=True)
    return whole


def _map_unit(every: dict[str, pd.DataFrame]) -> pd.DataFrame:
    unit = every["mapunit"].drop_duplicates("mukey")
    rating = every["muaggatt"].drop_duplicates("mukey").set_index("mukey")["engdwobdcd"]
    out = unit[["mukey", "musym", "muname"]].assign(dwellings_rating=unit["mukey"].map(rating))
    return out.fillna("").reset_index(drop=True)


def _component(every: dict[str, pd.DataFrame], problems: list[Problem]) -> pd.DataFrame:
    import pandas as pd

    c = every["component"]
    rock = _rock(every["corestrictions"], problems)
    wet = _water_table(every["cosoilmoist"], every["comonth"], problems)
    return pd.DataFrame({
        "component_id": c["cokey"], "mukey": c["mukey"], "component_name": c["compname"].fillna(""),
        "component_pct": _number(c, "comppct_r", "component", problems), "component_kind": c["compkind"].fillna(""),
        "rock_depth_cm": c["cokey"].map(rock["depth"]).astype(float),
        "rock_kind": c["cokey"].map(rock["kind"]).astype(object).fillna(""),
        "water_table_cm": c["cokey"].map(wet["any"]).astype(float),
        "water_table_all_year_cm": c["cokey"].map(wet["all"]).astype(float),
    }).reset_index(drop=True)


def _rock(restriction: pd.DataFrame, problems: list[Problem]) -> pd.DataFrame:
    """Return the shallowest rock per component: all bedrock kinds and what is at least strongly cemented."""
    kind = restriction["reskind"].fillna("").str.lower()
    hard = restriction["reshard"].fillna("").str.lower()
    is_rock = kind.str.contains(_BEDROCK) | kind.isin(_CEMENTED_KINDS) | hard.str.contains(_CEMENTED_HARDNESS)
    depth = _number(restriction, "resdept_r", "corestrictions", problems)
    frame = restriction.assign(depth=depth, kind=kind)[is_rock & depth.notna()]
    return frame.sort_values(["cokey", "depth", "kind"]).drop_duplicates("cokey").set_index("cokey")[["depth", "kind"]]


def _water_table(moist: pd.DataFrame, month: pd.DataFrame, problems: list[Problem]) -> pd.DataFrame:
    """Return per component the shallowest wet layer of any month, and of the driest month when all twelve are wet."""
    import pandas as pd

    depth = _number(moist, "soimoistdept_r", "cosoilmoist", problems)
    wet = moist.assign(depth=depth)[moist["soimoiststat"].fillna("").str.lower().eq("wet") & depth.notna()]
    wet = wet.merge(month.drop_duplicates("comonthkey"), on="comonthkey", how="inner")
    by_month = wet.groupby(["cokey", "month"], sort=True)["depth"].min().reset_index()
    each = by_month.groupby("cokey")["depth"]
    return pd.DataFrame({"any": each.min(), "all": each.max().where(each.size() >= 12)})


def _horizon(every: dict[str, pd.DataFrame], problems: list[Problem]) -> pd.DataFrame:
    import pandas as pd

    h = every["chorizon"]
    numbers = {"top_cm": "hzdept_r", "bottom_cm": "hzdepb_r", "lep_low_pct": "lep_l", "lep_pct": "lep_r",
               "lep_high_pct": "lep_h", "clay_pct": "claytotal_r", "db_third_bar": "dbthirdbar_r",
               "db_oven_dry": "dbovendry_r"}
    return pd.DataFrame({
        "component_id": h["cokey"], "horizon_name": h["hzname"].fillna(""),
        **{ours: _number(h, theirs, "chorizon", problems) for ours, theirs in numbers.items()},
        "horizon_master": h["desgnmaster"].fillna(""),
    }).reset_index(drop=True)


def _number(frame: pd.DataFrame, column: str, table: str, problems: list[Problem]) -> pd.Series:
    import pandas as pd

    values = pd.to_numeric(frame[column], errors="coerce").astype(float)
    values = values.where(values.abs() < float("inf"))
    bad = values.isna() & frame[column].notna()
    if bad.any():
        first = frame.index[bad][0]
        problems.append(Problem("W-SOIL-017", f"soil survey, table {table}",
                                f"{int(bad.sum())} values are not numbers;", "correct them in the download;",
                                "read as missing.", int(first) + 1, column, str(frame.loc[first, column])))
    return values


def _scale(every: dict[str, pd.DataFrame], entry: SoilEntry, problems: list[Problem]) -> int | None:
    """Return the mapping scale: of the legends that the map units belong to, the coarsest; else the area file's."""
    legend = every["legend"]
    used = legend[legend["lkey"].isin(every["mapunit"]["lkey"])]
    recorded = sorted({int(v) for v in _number(used, "projectscale", "legend", problems).dropna() if v >= 1000})
    if len(recorded) > 1:
        problems.append(Problem("W-SOIL-018", "soil survey, table legend", "surveys of different mapping scales:",
                                "estimate them as separate areas to keep the finer one;",
                                f"1:{recorded[-1]} is used for all.", None, "projectscale", joined(recorded)))
    if recorded:
        return recorded[-1]
    if entry.scale is None:
        problems.append(Problem("W-SOIL-019", "soil survey, table legend", "no mapping scale is recorded;",
                                "set `scale` under [soil];", "the width of soil lines is not given."))
    return entry.scale


def _stored_rating(kept: list[dict[str, pd.DataFrame]], problems: list[Problem]) -> pd.DataFrame | None:
    """Return the survey's own shrink-swell rating per component; an absent sub-rule row means 0.

    None when no download holds sub-rules, for then an absent row says nothing.
    """
    import pandas as pd

    found = []
    for tables in kept:
        rows = tables.get("cointerp")
        if rows is None:
            continue
        rows = rows[rows["mrulename"] == RATING_RULE]
        if not (pd.to_numeric(rows["ruledepth"], errors="coerce") > 0).any():
            continue
        sub = rows[rows["rulename"] == RATING_SUB_RULE].drop_duplicates("cokey").set_index("cokey")
        rated = rows["cokey"].drop_duplicates()
        value = pd.to_numeric(rated.map(sub["interphr"]), errors="coerce").fillna(0.0).astype(float)
        found.append(pd.DataFrame({"component_id": rated.to_numpy(), "rating": value.to_numpy()}))
    if not found and any("cointerp" in tables for tables in kept):
        problems.append(Problem("W-SOIL-020", "soil survey, table cointerp", "holds no sub-rules;",
                                "take the download as published to compare;", _MISSING_MEANS["cointerp"] + "."))
    return pd.concat(found, ignore_index=True) if found else None


def _source(part: _Part, entry: SoilEntry) -> Source:
    catalog = part.tables.get("sacatalog", _none("sacatalog"))
    symbol = catalog["areasymbol"].fillna("").astype(str)
    catalog = catalog[symbol.str.fullmatch(r"[A-Z]{2}\d{3}|US")]
    names = [f"{s} {n or ''}".strip() for s, n in zip(catalog["areasymbol"], catalog["areaname"], strict=True)]
    dates = sorted(d for d in (_day(v) for v in catalog["saverest"]) if d)
    valid = "" if not dates else dates[0] if dates[0] == dates[-1] else f"{dates[0]}..{dates[-1]}"
    rows = len(part.polygons) if part.polygons is not None else len(part.tables["mapunit"])
    return Source("soil", Path(part.survey.shown), entry.title or joined(names), entry.provider or PROVIDER,
                  entry.licence or LICENCE, entry.credit, entry.valid_date or valid, rows)


def _day(value: object) -> str:
    """Return YYYY-MM-DD for the survey's MM/DD/YYYY; empty text for anything else."""
    found = re.match(r"(\d{1,2})/(\d{1,2})/(\d{4})", str(value))
    return f"{found[3]}-{int(found[1]):02d}-{int(found[2]):02d}" if found else ""
