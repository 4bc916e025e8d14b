"""The tables inside a soil-survey download: which survey areas it contains, their column names, and their rows as text.

Column and file names come from the download's own `mstab.txt` and `mstabcol.txt`; the positions below are only the
fallback. `ssurgo_names` says what the tables mean.
"""

from __future__ import annotations

import csv
import io
import re
import zipfile
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from riskmap.common.errors import LayerError, joined, said_by
from riskmap.common.problems import Problem
from riskmap.layers import archive

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

# Fallback: table -> (file, number of columns, {column: position from 1}). Measured on the published files.
LAYOUT: dict[str, tuple[str, int, dict[str, int]]] = {
    "mapunit": ("mapunit", 24, {"musym": 1, "muname": 2, "lkey": 23, "mukey": 24}),
    "component": ("comp", 109, {"comppct_r": 2, "compname": 4, "compkind": 5, "mukey": 108, "cokey": 109}),
    "chorizon": ("chorizon", 171, {
        "hzname": 1, "desgnmaster": 3, "hzdept_r": 7, "hzdepb_r": 10, "sandtotal_r": 34, "silttotal_r": 52,
        "claytotal_r": 61, "dbthirdbar_r": 73, "dbovendry_r": 79, "lep_l": 100, "lep_r": 101, "lep_h": 102,
        "cec7_r": 127, "cokey": 170, "chkey": 171}),
    "corestrictions": ("crstrcts", 13, {"reskind": 1, "reshard": 2, "resdept_r": 4, "cokey": 12}),
    "muaggatt": ("muaggatt", 40, {"engdwobdcd": 23, "mukey": 40}),
    "cosoilmoist": ("csmoist", 9, {"soimoistdept_r": 2, "soimoiststat": 7, "comonthkey": 8}),
    "comonth": ("cmonth", 17, {"month": 2, "cokey": 16, "comonthkey": 17}),
    "cointerp": ("cinterp", 19, {"cokey": 1, "mrulename": 3, "rulename": 6, "ruledepth": 7, "interphr": 12}),
    "legend": ("legend", 14, {"areasymbol": 2, "areaname": 3, "projectscale": 9, "lkey": 14}),
    "sacatalog": ("sacatlog", 11, {"areasymbol": 1, "areaname": 2, "saverest": 4}),
}
REQUIRED = ("mapunit", "component", "chorizon", "corestrictions")
# Columns that may be absent; then their values are unknown. Sand, silt and the key only serve to judge the table.
OPTIONAL = {"chorizon": ("cec7_r", "sandtotal_r", "silttotal_r", "chkey")}
MOST_COLUMNS = 1000  # judgement: the widest table of the layout has 171 (measured)
# judgement: the longest line of the tables that are read has 3,492 (measured, 8 downloads)
LONGEST_LINE_BYTES = 1_000_000
MOST_SHORT_LINES = 1_000_000  # judgement: a state has fewer horizons; in a longer table, lines must have their columns
MISSING_MEANS = {
    "muaggatt": "the stored rating for dwellings is unknown",
    "cosoilmoist": "the depth of the water table is unknown",
    "comonth": "the depth of the water table is unknown",
    "cointerp": "the survey's own shrink-swell rating cannot be compared with ours",
    "legend": "the mapping scale is unknown",
    "sacatalog": "the vintage of the survey is unknown",
}
_POLYGON_PARTS = (".shp", ".shx", ".dbf", ".prj")


# ---------------------------------------------------------------- what a download contains
@dataclass(frozen=True)
class SurveyArea:
    """One survey area in a download. `members` maps lower-case `tabular/comp.txt` to the stored name."""

    container: Path
    members: dict[str, str]
    shown: str

    @property
    def zipped(self) -> bool:
        """True when the download is a zip, false for a folder."""
        return self.container.is_file()

    def content(self, name: str) -> bytes:
        """Return the bytes of a member; LayerError when it cannot be unpacked."""
        stored = self.members[name]
        if not self.zipped:
            return (self.container / stored).read_bytes()
        try:
            with zipfile.ZipFile(self.container) as opened:
                return archive.content(opened, opened.getinfo(stored))
        # also raised for an encrypted member
        except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError) as error:
            raise LayerError(f"E-SOIL-003 {self.shown} {stored}: cannot be unpacked ({error}). Download it "
                             "again.") from None

    def gdal_path(self, name: str) -> str:
        """Return the path at which a member can be read without unpacking."""
        stored = self.members[name]
        return f"/vsizip/{{{self.container}}}/{stored}" if self.zipped else str(self.container / stored)


def surveys(path: Path, shown_path: str) -> list[SurveyArea]:
    """List the survey areas inside one zip or folder."""
    groups: dict[str, dict[str, str]] = {}
    for name in _names(path, shown_path):
        parts = PurePosixPath(name)
        in_known = parts.parent.name.lower() in ("tabular", "spatial")
        root = parts.parent.parent if in_known else parts.parent
        groups.setdefault(str(root), {})[parts.name.lower()] = name
    areas = [SurveyArea(path, members, shown_path) for _, members in sorted(groups.items())
             if any(LAYOUT[t][0] + ".txt" in members for t in REQUIRED) or _polygon_stem(members)]
    if not areas:
        raise LayerError(f"E-SOIL-001 {shown_path}: no soil-survey tables or polygons inside. Give the zip as it was "
                         "downloaded, or the folder that contains `tabular` and `spatial`.")
    return areas


def _names(path: Path, shown_path: str) -> list[str]:
    if path.is_dir():
        return sorted(p.relative_to(path).as_posix() for p in path.rglob("*") if p.is_file())
    if not path.is_file():
        raise LayerError(f"E-SOIL-002 {shown_path}: not found. Check `path` under [soil]; it is relative to the "
                         "area file.")
    _refuse_other_kinds(path, shown_path)
    entries = archive.entries(path, shown_path, unreadable="E-SOIL-003", unsafe="E-SOIL-004")
    return sorted(entry.filename for entry in entries)


def _refuse_other_kinds(path: Path, shown_path: str) -> None:
    with path.open("rb") as opened:
        start = opened.read(16)
    if start.startswith(b"SQLite format 3"):
        raise LayerError(f"E-SOIL-081 {shown_path}: a database, not a zip. Set reader = \"template\" under [soil].")
    if start.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] in (b"{", b"["):
        raise LayerError(f"E-SOIL-081 {shown_path}: a JSON answer, not a soil-survey download. Give the zip as it was "
                         "downloaded.")


def _polygon_stem(members: Iterable[str]) -> str:
    """Return `soilmu_a_ar041` when any part of the map-unit polygons is there, otherwise empty text."""
    stems = sorted({n.rpartition(".")[0] for n in members if re.match(r"(gsm)?soilmu_a_.*\.(shp|shx|dbf|prj)$", n)})
    return stems[0] if stems else ""


# ---------------------------------------------------------------- one survey area
@dataclass(frozen=True)
class Part:
    """What was read of one survey area: tables by their survey name, every value as text."""

    shown: str  # the download as written in the area file
    tables: dict[str, pd.DataFrame]
    polygons: gpd.GeoDataFrame | None
    opened: Path | None = None  # where it was read


def read_survey(survey: SurveyArea, need_polygons: bool, problems: list[Problem]) -> Part:
    """Read tables and polygons of one survey area; LayerError names everything that is missing."""
    files, columns = _schema(survey)
    stem = _polygon_stem(survey.members)
    if missing := _missing(survey, files, need_polygons):
        raise LayerError(f"E-SOIL-005 {survey.shown}: missing: {', '.join(missing)}. The download is incomplete; "
                         "take it again, whole.")
    tables = {}
    for table in LAYOUT:
        if f"{files[table]}.txt" in survey.members:
            tables[table] = _table(survey, files[table] + ".txt", table, columns.get(table, []))
        else:
            problems.append(Problem("W-SOIL-010", survey.shown, rule=f"table {table} is not in the download.",
                                    remedy="Take the full download to have it.",
                                    action=f"Without it {MISSING_MEANS[table]}."))
    return Part(survey.shown, tables, _polygons(survey, stem, problems) if need_polygons else None,
                survey.container)


def _missing(survey: SurveyArea, files: dict[str, str], need_polygons: bool) -> list[str]:
    missing = [f"table {t} (tabular/{files[t]}.txt)" for t in REQUIRED if f"{files[t]}.txt" not in survey.members]
    stem = _polygon_stem(survey.members)
    if need_polygons and not stem:
        missing.append("map-unit polygons (spatial/soilmu_a_*.shp with .shx, .dbf and .prj)")
    elif need_polygons:
        missing += [f"spatial/{stem}{e}" for e in _POLYGON_PARTS if stem + e not in survey.members]
    return missing


@dataclass(frozen=True)
class Outline:
    """What a survey area says of itself without its rows.

    Attributes
    ----------
    symbol : str
        Of the survey area, such as `AR041`; empty where the tables do not say.
    saved : str
        Day on which the publisher saved its tables, YYYY-MM-DD; empty where the tables do not say.
    missing : list of str
        Pieces without which it cannot be read.
    polygons : str
        Path at which the map-unit polygons can be read; empty without them.
    scale_told : bool
        Whether its legend records a mapping scale.
    """

    symbol: str
    saved: str
    missing: list[str]
    polygons: str
    scale_told: bool


def outline(survey: SurveyArea) -> Outline:
    """Return what a survey area says of itself; LayerError when a part of it cannot be unpacked."""
    files, columns = _schema(survey)
    told: dict[str, list[dict[str, str]]] = {}
    for table in ("sacatalog", "legend"):
        member = f"{files[table]}.txt"
        rows = _rows(survey.content(member)) if member in survey.members else []
        told[table] = [dict(zip(columns[table], row, strict=False)) for row in rows]
    areas = [row for row in told["sacatalog"] if re.fullmatch(r"[A-Z]{2}\d{3}|US", row.get("areasymbol", "").strip())]
    days = [re.match(r"(\d{1,2})/(\d{1,2})/(\d{4})", row.get("saverest", "")) for row in areas]
    saved = max((f"{day[3]}-{int(day[1]):02d}-{int(day[2]):02d}" for day in days if day), default="")
    stem = _polygon_stem(survey.members)
    shapes = survey.gdal_path(stem + ".shp") if stem and stem + ".shp" in survey.members else ""
    scales = [row.get("projectscale", "").strip() for row in told["legend"]]
    return Outline(" ".join(sorted({row["areasymbol"].strip() for row in areas})), saved,
                   _missing(survey, files, need_polygons=True), shapes, any(text.isdigit() for text in scales))


def _schema(survey: SurveyArea) -> tuple[dict[str, str], dict[str, list[str]]]:
    """Return file names and column names in order, from the download if it gives them."""
    files = {table: layout[0] for table, layout in LAYOUT.items()}
    columns = {table: _fallback_columns(table) for table in LAYOUT}
    if "mstab.txt" in survey.members:
        rows = _rows(survey.content("mstab.txt"))
        files |= {r[0]: r[4].lower() for r in rows if len(r) >= 5 and r[0] in files and r[4]}
    if "mstabcol.txt" in survey.members:
        names_of: dict[str, dict[int, str]] = {}
        for row in _rows(survey.content("mstabcol.txt")):
            if len(row) >= 3 and row[0] in columns and row[1].isdigit():
                names_of.setdefault(row[0], {})[int(row[1])] = row[2].lower()
        columns |= {t: [names[i] for i in sorted(names)] for t, names in names_of.items()}
    return files, columns


def _fallback_columns(table: str) -> list[str]:
    _, count, known = LAYOUT[table]
    by_position = {position: name for name, position in known.items()}
    return [by_position.get(i, f"column_{i}") for i in range(1, count + 1)]


def decoded(raw: bytes) -> str:
    """Return text in UTF-8, or else in cp1252, which the publisher's Access export writes."""
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def _rows(raw: bytes) -> list[list[str]]:
    text = decoded(raw)
    escape = "\\" if re.match(r'"?V1"?\|', text) else None
    reader = csv.reader(io.StringIO(text, newline=""), delimiter="|", escapechar=escape)
    try:
        return [[value.strip() for value in row] for row in reader]
    except csv.Error as error:
        raise LayerError(f"E-SOIL-008 list of tables and columns is broken ({error}). Download it again.") from None


def _refuse_no_table(raw: bytes, columns: int, where: str) -> None:
    """Refuse what does not look like any table of a survey, before a parser makes gigabytes of it.

    A small zip can contain a line of 80 million separators, or as many lines of one character. A cell that is read
    takes 100 times the memory of a separator.
    """
    import numpy as np

    ends = np.append(np.flatnonzero(np.frombuffer(raw, dtype=np.uint8) == ord("\n")), len(raw))
    longest = int(np.diff(ends, prepend=-1).max())
    first = raw.count(b"|", 0, int(ends[0])) + 1
    if longest > LONGEST_LINE_BYTES or first > MOST_COLUMNS:
        raise LayerError(f"E-SOIL-060 {where}: the first line has {first:,} columns and the longest line {longest:,} "
                         f"characters; the widest table of a survey has 171 columns. The file is damaged or no table "
                         "of a soil survey. Download it again.")
    if len(ends) > MOST_SHORT_LINES and raw.count(b"|") < len(ends) * (columns - 1) // 2:
        raise LayerError(f"E-SOIL-060 {where}: most of its {len(ends):,} lines lack their {columns} columns. The file "
                         "is damaged or no table of a soil survey. Download it again.")


def _first_row(text: bytes) -> list[str]:
    import pandas as pd

    row = pd.read_csv(io.BytesIO(text), sep="|", header=None, nrows=1, dtype=str, keep_default_na=False)
    return [str(value).strip() for value in row.iloc[0]]


def _table(survey: SurveyArea, member: str, table: str, columns: list[str]) -> pd.DataFrame:
    """Read the wanted columns of one table as text; empty values are missing."""
    import pandas as pd

    layout = list(LAYOUT[table][2])
    raw = survey.content(member)
    where = f"{survey.shown} tabular/{member}"
    if raw.strip() in (b"", b'""'):
        return pd.DataFrame(columns=layout, dtype=object)
    _refuse_no_table(raw, len(columns), where)
    text = decoded(raw).encode()
    try:
        first = _first_row(text)
    except pd.errors.ParserError as error:
        raise LayerError(f"E-SOIL-008 {where}: broken table: {said_by(error)}. Download it again.") from None
    columns, header = _header(first, columns)
    absent = absent_columns(table, columns)
    if absent:
        raise LayerError(f"E-SOIL-006 {where}: columns missing: {joined(absent)}. Use the download's own mstabcol.txt "
                         "or a download of schema 2.")
    if len(first) != len(columns) and table in REQUIRED:
        raise LayerError(f"E-SOIL-007 {where}: {len(first)} columns found, {len(columns)} expected ({table}). Keep "
                         "mstabcol.txt of the same download beside the tables.")
    try:
        frame = pd.read_csv(io.BytesIO(text), sep="|", header=None, names=columns, dtype=str,
                            usecols=[c for c in layout if c in columns], skiprows=int(header),
                            keep_default_na=False, na_values=[""], index_col=False,
                            escapechar="\\" if header else None)
    except pd.errors.ParserError as error:
        raise LayerError(f"E-SOIL-008 {where}: broken table: {said_by(error)}. Download it again.") from None
    frame = frame.reindex(columns=layout).apply(lambda c: c.astype(object).where(c.notna(), None).str.strip())
    frame = frame.where(frame.notna() & (frame != ""), None)
    frame.index += int(header)  # a row's number in the file is its index + 1
    key = "cokey" if "cokey" in layout else "mukey"
    if table in REQUIRED and frame[key].isna().any():
        rows = frame.index[frame[key].isna()] + 1
        raise LayerError(f"E-SOIL-009 {where}: {len(rows)} rows without {key} (row {rows[0]}): the file is cut short "
                         "or damaged. Download it again.")
    return frame


def absent_columns(table: str, columns: Iterable[str]) -> list[str]:
    """Return the columns that a table must have and does not have."""
    present = {*columns, *OPTIONAL.get(table, ())}
    return [c for c in LAYOUT[table][2] if c not in present]


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


def _polygons(survey: SurveyArea, stem: str, problems: list[Problem]) -> gpd.GeoDataFrame:
    """Read map-unit polygons; never dissolved."""
    import pyogrio

    where = f"{survey.shown} spatial/{stem}.shp"
    try:
        frame = pyogrio.read_dataframe(survey.gdal_path(stem + ".shp"))
    except Exception as error:  # pyogrio passes on whatever the driver raises
        raise LayerError(f"E-SOIL-011 {where}: cannot be read ({error}). Download it again.") from None
    return cleaned_polygons(frame, where, problems)


def cleaned_polygons(frame: gpd.GeoDataFrame, where: str, problems: list[Problem]) -> gpd.GeoDataFrame:
    """Return map-unit polygons as single parts, key as text, EPSG:4326; LayerError without key or system."""
    frame = frame.rename(columns={c: str(c).lower() for c in frame.columns if c != "geometry"})
    if "mukey" not in frame:
        raise LayerError(f"E-SOIL-012 {where}: no column MUKEY. Use the map-unit polygons as published.")
    if frame.crs is None:
        raise LayerError(f"E-SOIL-013 {where}: no readable coordinate system (.prj file or database). Take the "
                         "download again; a system is never assumed.")
    frame["mukey"] = key(frame["mukey"])
    blank = frame.geometry.isna() | frame.geometry.is_empty | frame["mukey"].isna()
    if blank.any():
        problems.append(Problem("W-SOIL-014", where, rule=f"{int(blank.sum())} polygons without shape or MUKEY.",
                                remedy="Report them to the publisher.", action="They are left out.",
                                row=int(blank.idxmax()) + 1))
    return frame.loc[~blank, ["mukey", "geometry"]].explode(ignore_index=True).to_crs("EPSG:4326")


def key(values: pd.Series) -> pd.Series:
    """Return keys as stripped text, None where empty, whatever type they were stored in."""
    import pandas as pd

    if pd.api.types.is_numeric_dtype(values):
        values = values.astype("Int64").astype("string")
    values = values.astype(object)
    return values.where(values.notna(), None).str.strip().replace("", None)
