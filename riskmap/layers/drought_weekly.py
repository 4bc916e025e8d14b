"""Read weekly drought categories: one map per week, as polygons of the classes D0-D4.

In: `[drought]`: one file, a list of files or a folder (shapefile zip as published, GeoJSON, GeoPackage, GeoParquet).
Out: `DroughtTables` in EPSG:4326; classes never overlap and geometry is valid. `weeks` lists every map that was read,
even one without any polygon, which means no drought anywhere. A map with an unknown part (`drought_judged`) does not
count for its week, and never as "no drought". Format facts: one feature per class present, an absent class is missing;
classes of the published files do not overlap, those of some other products are nested.
"""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import tables
from riskmap.common.constants import DROUGHT_CREDIT
from riskmap.common.errors import LayerError, joined
from riskmap.common.inputs import DroughtTables, Source
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.layers import drought_judged
from riskmap.layers.polygon_file import ALLOWED, read_polygons

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.settings import Area, DroughtEntry

CLASS_COLUMNS = ("dm", "dm_class", "usdm_class", "category")
DATE_COLUMNS = ("map_date", "valid_date", "date", "mapdate")
NO_CLASS_TEXT = ("", "nan", "<na>", "null")
NESTED_SHARE = 0.01  # judgement: published maps have no overlap at all (measured, 20 weeks), nested ones nearly all
NATIONAL_WIDTH_DEG = 40.0  # judgement: national maps span 50 degrees of longitude or more, a state less
_DATE = re.compile(r"(?<!\d)((?:19|20)\d{2})-?(0[1-9]|1[0-2])-?(0[1-9]|[12]\d|3[01])(?!\d)")


def read(entry: DroughtEntry, area: Area, *, bounds: tuple[float, float, float, float] | None = None) \
        -> tuple[DroughtTables, list[Source], list[Problem]]:
    """Read every weekly map of an area.

    Parameters
    ----------
    entry : DroughtEntry
        `[drought]` of the area file.
    area : Area
        It gives the folder that paths are relative to.
    bounds : (west, south, east, north), optional
        Keep only this part of each map, in degrees; this saves memory with many weeks. `extent` is then limited to it.

    Raises
    ------
    LayerError
        The error lists every file that cannot be used: unreadable, no coordinate system, no date, an unknown class.
    """
    problems: list[Problem] = []
    files: list[drought_judged.File] = []
    sources, failures = [], []
    for path, shown_path in _files(entry, area):
        try:
            frame = read_polygons(path, shown_path, entry.layer)
            files.append(_one_file(frame, shown_path, entry.date))
        except LayerError as error:
            failures.append(str(error))
            continue
        sources.append(Source("drought", shown_path, entry.title, entry.provider, entry.licence,
                              entry.credit or DROUGHT_CREDIT, _span(files[-1].weeks), len(frame), path))
    if failures:
        raise LayerError("\n".join(failures))
    with kept_by_refusal(problems):
        files = drought_judged.judged(files, bounds, NATIONAL_WIDTH_DEG, problems)
        files = [file.with_polygons(_usable(file.polygons, file.shown, problems)) for file in files]
        files = drought_judged.each_week_once(files, bounds, problems)
        maps, weeks = _together(files)
        if bounds is not None:
            maps = _clipped(maps, bounds)
        polygons = _without_overlap(maps, problems)
        return DroughtTables(polygons, weeks, _extent(files, bounds, problems)), sources, problems


def _files(entry: DroughtEntry, area: Area) -> list[tuple[Path, Path]]:
    """Return every file as (real path, path as the user wrote it); folders are opened, and files sorted by name."""
    listed = []
    for shown_path in entry.path if isinstance(entry.path, list) else [entry.path]:
        path = area.resolve(shown_path)
        if path.is_dir():
            inside = sorted(p for p in path.iterdir() if p.suffix.lower() in ALLOWED)
            if not inside:
                raise LayerError(f"E-DRT-001 {shown_path}: the folder contains no weekly map; "
                                 f"formats read are {joined(sorted(ALLOWED))}.")
            listed += [(p, shown_path / p.name) for p in inside]
        else:
            listed.append((path, shown_path))
    return listed


def _one_file(frame: gpd.GeoDataFrame, shown_path: Path, given_date: str | None) -> drought_judged.File:
    """Return the features of one file as valid_date, category, geometry, _row, and the dates of its maps."""
    dates = _dates(frame, shown_path, given_date)
    weeks = tuple(sorted(set(dates))) or (_date_outside(shown_path, given_date),)
    category = _categories(frame, shown_path)
    polygons = frame[["geometry"]].assign(valid_date=dates, category=category, _row=frame["_row"])
    return drought_judged.File(shown_path, polygons, weeks, _column(frame, CLASS_COLUMNS) or "")


def map_dates(classes: pd.DataFrame, shown_path: Path) -> tuple[str, ...]:
    """Return the dates of the weekly maps whose attributes these are, YYYY-MM-DD; no date where none is given.

    Raises
    ------
    LayerError
        When there is no column of drought classes, or it contains something else.
    """
    frame = classes.assign(_row=np.arange(1, len(classes) + 1))
    _categories(frame, shown_path)
    if not frame.empty and _column(frame, DATE_COLUMNS) is not None:
        return tuple(sorted(set(_dates(frame, shown_path, None))))
    match = _DATE.search(shown_path.name)
    return ("-".join(match.groups()),) if match else ()


def _column(frame: pd.DataFrame, names: tuple[str, ...]) -> str | None:
    lowered = {str(name).lower(): str(name) for name in frame.columns}
    return next((lowered[name] for name in names if name in lowered), None)


def _categories(frame: pd.DataFrame, shown_path: Path) -> NDArray[np.int64]:
    """Return the class of each feature; below 0 `drought_judged.NONE`, `MINUS_ONE` or `UNKNOWN`."""
    name = _column(frame, CLASS_COLUMNS)
    if name is None:
        if frame.empty:
            return np.empty(0, dtype=np.int64)
        raise LayerError(f"E-DRT-002 {shown_path}: no class column; expected one of DM, {joined(CLASS_COLUMNS[1:])} "
                         f"with D0-D4 or 0-4; it has {joined(c for c in frame.columns if c != '_row')}.")
    text = frame[name].astype("string").fillna("").str.strip().str.lower().str.replace(r"\.0+$", "", regex=True)
    known = {**{str(k): k for k in range(5)}, **{f"d{k}": k for k in range(5)}, "none": drought_judged.NONE,
             "-1": drought_judged.MINUS_ONE, **dict.fromkeys(NO_CLASS_TEXT, drought_judged.UNKNOWN)}
    category = text.map(known)
    if category.isna().any():
        bad = frame.loc[category.isna()].iloc[0]
        raise LayerError(f"E-DRT-003 {shown_path} row {bad['_row']} column {name}: \"{bad[name]}\": is not a drought "
                         "class; use D0-D4 or 0-4, and None or -1 for no drought.")
    return category.to_numpy(dtype=np.int64)


def _dates(frame: pd.DataFrame, shown_path: Path, given_date: str | None) -> list[str]:
    """Return the valid date of each feature, YYYY-MM-DD: from an attribute, or the file name, or the area file."""
    name = _column(frame, DATE_COLUMNS)
    if frame.empty:
        return []
    if name is None:
        return [_date_outside(shown_path, given_date)] * len(frame)
    text = frame[name].astype("string").fillna("")
    parts = text.str.extract(_DATE)
    if parts.isna().any(axis=None):
        bad = frame.loc[parts.isna().any(axis=1)].iloc[0]
        raise LayerError(f"E-DRT-004 {shown_path} row {bad['_row']} column {name}: \"{bad[name]}\": is not a date; "
                         "use YYYY-MM-DD or YYYYMMDD.")
    return list(parts[0] + "-" + parts[1] + "-" + parts[2])


def _date_outside(shown_path: Path, given_date: str | None) -> str:
    match = _DATE.search(shown_path.name) or _DATE.fullmatch(given_date or "")
    if match is None:
        raise LayerError(f"E-DRT-005 {shown_path}: no valid date in an attribute ({joined(DATE_COLUMNS)}) or in the "
                         "file name; rename the file to USDM_YYYYMMDD or set `date = \"YYYY-MM-DD\"` under [drought].")
    return "-".join(match.groups())


def _usable(frame: gpd.GeoDataFrame, shown_path: Path, problems: list[Problem]) -> gpd.GeoDataFrame:
    """Return features with valid polygons; repaired and empty ones are reported."""
    import shapely

    shapes = np.asarray(frame.geometry)
    empty = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    for row, date in zip(frame["_row"][empty], frame["valid_date"][empty], strict=True):
        problems.append(Problem("W-DRT-011", str(shown_path), rule="a feature needs a polygon.",
                                remedy="Check the file.", action=f"Feature left out of the map of {date}.",
                                row=int(row), column="geometry"))
    broken = ~empty & ~shapely.is_valid(shapes)
    fixed = shapes.copy()
    fixed[broken] = shapely.make_valid(shapes[broken], method="structure", keep_collapsed=False)
    for position in np.flatnonzero(broken):
        change = fixed[position].area / max(abs(shapes[position].area), 1e-12) - 1
        problems.append(Problem("W-DRT-012", str(shown_path), rule="a polygon must not cross itself.",
                                remedy="None needed; some maps are published this way.",
                                action=f"Repaired; its area in square degrees changed by {100 * change:+.2f} %.",
                                row=int(frame["_row"].iloc[position]), column="geometry",
                                value=f"D{frame['category'].iloc[position]} of {frame['valid_date'].iloc[position]}"))
    return frame.set_geometry(fixed, crs=frame.crs).loc[~empty]


def _together(files: list[drought_judged.File]) -> tuple[gpd.GeoDataFrame, tuple[str, ...]]:
    """Return all maps in one table, and their weeks."""
    frames = [file.polygons[["valid_date", "category", "geometry"]] for file in files]
    maps = pd.concat([frame for frame in frames if len(frame)] or [frames[0].iloc[:0]])
    maps = maps.astype({"valid_date": object, "category": np.int64})
    weeks = tuple(sorted({week for file in files for week in file.weeks}))
    return maps.sort_values(["valid_date", "category"], kind="stable", ignore_index=True), weeks


def _clipped(maps: gpd.GeoDataFrame, bounds: tuple[float, float, float, float]) -> gpd.GeoDataFrame:
    import shapely

    cut = shapely.make_valid(shapely.clip_by_rect(np.asarray(maps.geometry), *bounds), method="structure",
                             keep_collapsed=False)
    return maps.set_geometry(cut, crs=maps.crs)[~shapely.is_empty(cut)].reset_index(drop=True)


def _without_overlap(maps: gpd.GeoDataFrame, problems: list[Problem]) -> gpd.GeoDataFrame:
    """Return maps whose classes do not overlap: in a nested map each class keeps what no worse class covers."""
    import geopandas as gpd
    import shapely

    maps = maps.sort_values("valid_date", kind="stable", ignore_index=True)
    # Polygons of all weeks at once, in NumPy: a table of geometries for each of hundreds of weeks takes seconds.
    week, category = maps["valid_date"].to_numpy(), maps["category"].to_numpy()
    shapes, row = shapely.get_parts(np.asarray(maps.geometry), return_index=True)
    edges = np.flatnonzero(np.r_[True, week[1:] != week[:-1], True]) if len(maps) else np.empty(0, np.intp)
    pieces, cut = [], False
    for first, end in pairwise(edges):
        of_week = slice(*np.searchsorted(row, (first, end)))
        group = maps.iloc[first:end]
        if overlap := _nested(shapes[of_week], category[row[of_week]]):
            problems.append(Problem("W-DRT-014", f"weekly map {week[first]}", rule="classes must not overlap.",
                                    remedy="Nothing to do; this product draws each class together with all worse ones.",
                                    action=f"Worse classes cut out of milder ones ({overlap}).",
                                    value=str(week[first])))
            group, cut = _differences(group), True
        pieces.append(group)
    if cut:
        maps = pd.concat(pieces, ignore_index=True)
    tables.check(tables.DROUGHT_WEEKLY, maps)
    return gpd.GeoDataFrame(maps, geometry="geometry", crs=maps.crs)


def _nested(shapes: NDArray[np.object_], category: NDArray[np.int64]) -> str:
    """Return `D0 with D1 100 %` for the first pair of neighbouring classes that overlap, otherwise empty text.

    `shapes` and `category` are the single polygons of one week and their classes, both (n_polygon,).
    """
    import shapely

    present = np.unique(category)
    for mild, worse in pairwise(present):
        below, above = shapes[category == mild], shapes[category == worse]
        pair_above, pair_below = shapely.STRtree(below).query(above, predicate="intersects")
        shared = shapely.area(shapely.intersection(above[pair_above], below[pair_below])).sum()
        share = shared / max(shapely.area(above).sum(), 1e-12)
        if share > NESTED_SHARE:
            return f"D{mild} covers {100 * min(share, 1):.0f} % of D{worse}"
    return ""


def _differences(group: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    import shapely

    shapes, category = np.asarray(group.geometry), group["category"].to_numpy()
    cut = shapes.copy()
    for mild in np.unique(category)[:-1]:
        cut[category == mild] = shapely.difference(shapes[category == mild],
                                                   shapely.union_all(shapes[category > mild]))
    return group.set_geometry(cut, crs=group.crs)[~shapely.is_empty(cut)]


def _extent(files: list[drought_judged.File], bounds: tuple[float, float, float, float] | None,
            problems: list[Problem]) -> gpd.GeoSeries | None:
    """Return what the maps cover when it is less than the nation. Outside it, `None` could also mean `not drawn`.

    A file knows nothing of its own frame, so a file whose polygons are all within `NATIONAL_WIDTH_DEG` degrees of
    longitude is taken to be a cut-out, and the box around its polygons to be its frame.
    """
    import geopandas as gpd
    from shapely.geometry import box

    boxes = [file.polygons.total_bounds for file in files if len(file.polygons)]
    narrow = [b for b in boxes if b[2] - b[0] < NATIONAL_WIDTH_DEG]
    frame_box = box(*bounds) if bounds is not None else None
    if narrow:
        low, high = np.min(narrow, axis=0)[:2], np.max(narrow, axis=0)[2:]
        cut_out = box(*low, *high)
        frame_box = cut_out if frame_box is None else frame_box.intersection(cut_out)
        problems.append(Problem("W-DRT-015", "weekly maps", rule="maps should cover the nation.",
                                remedy="Give the national files as published.",
                                action=f"Categories are known only within {low[0]:.2f}..{high[0]:.2f} degrees east, "
                                f"{low[1]:.2f}..{high[1]:.2f} north."))
    return None if frame_box is None else gpd.GeoSeries([frame_box], crs="EPSG:4326")


def _span(weeks: tuple[str, ...]) -> str:
    return weeks[0] if len(weeks) == 1 else f"{weeks[0]}..{weeks[-1]}"
