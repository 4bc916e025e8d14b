"""Judge weekly maps as a whole. A map whose classes cannot be known does not count for its week, and never as "no
drought".

In: the features of every file with dates and classes. Out: the same without the maps that cannot be used, each reported
with file, feature and value. `drought_weekly` reads the classes; this module decides what an absent class, a class -1,
coordinates that are not degrees, another region, an impossible date, or two maps of one week mean.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from riskmap.common.errors import LayerError
from riskmap.common.problems import Problem

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    Box = tuple[float, float, float, float]

NONE, MINUS_ONE, UNKNOWN = -1, -2, -3  # the word None, the number -1, nothing at all
FIRST_WEEK = "2000-01-04"  # first map of the Drought Monitor (published archive)
# judgement: when half of the maps or more have a class -1, the product uses it for no drought
CODE_FOR_NONE_SHARE = 0.5
SAME_SHARE = 1e-3  # share of the common ground: maps that differ by less are one map, stored twice (judgement)
NOT_USED = "The map of {week} is not used: the week counts as one without a map, not as one without drought."


@dataclass(frozen=True)
class File:
    """One file of weekly maps: features as valid_date, category, geometry and _row, and the dates of its maps."""

    shown: Path
    polygons: gpd.GeoDataFrame
    weeks: tuple[str, ...]
    column: str  # the column of the class, as the file calls it

    def with_polygons(self, polygons: gpd.GeoDataFrame) -> File:
        """Return the file with other features."""
        return replace(self, polygons=polygons)

    def without(self, weeks: set[str]) -> File:
        """Return the file without the maps of some weeks."""
        weeks_left = tuple(week for week in self.weeks if week not in weeks)
        return replace(self, polygons=self.polygons[self.polygons["valid_date"].isin(weeks_left)], weeks=weeks_left)


def judged(files: list[File], bounds: Box | None, national_deg: float, problems: list[Problem]) -> list[File]:
    """Return the files without the maps that cannot be used, and only features with a class 0-4.

    Parameters
    ----------
    files : list of File
    bounds : (west, south, east, north) or None
        Where the lots may lie, degrees.
    national_deg : float
        A map whose polygons span fewer degrees of longitude is a cut-out: it says nothing about ground outside its own
        box.
    problems : list of Problem
        Findings are added to it.

    Raises
    ------
    LayerError
        When no map remains; the error has the findings.
    """
    findings: list[Problem] = []
    code_for_none = _code_for_none(files, findings)
    out = []
    for file in files:
        shape = file.polygons.geometry
        drawn = ~(shape.isna() | shape.is_empty)
        lost = set(_too_early(file, findings))
        for wrong in (_unknown(file, drawn, code_for_none, findings), _no_degrees(file, drawn, findings)):
            lost |= wrong
        file = file.without(lost)
        file = file.without(_elsewhere(file, bounds, national_deg, findings))
        out.append(file.with_polygons(file.polygons[file.polygons["category"] >= 0]))
    return _left(out, findings, problems)


def each_week_once(files: list[File], bounds: Box | None, problems: list[Problem]) -> list[File]:
    """Return the files with each week in only one of them; maps that contradict each other are all left out.

    Raises
    ------
    LayerError
        When no map remains; the error has the findings.
    """
    findings: list[Problem] = []
    first: dict[str, File] = {}
    clash: set[str] = set()
    again: list[set[str]] = []
    for file in files:
        again.append(set())
        for week in file.weeks:
            owner = first.setdefault(week, file)
            if owner is file:
                continue
            again[-1].add(week)
            rule, remedy = "each week should be given once.", f"Remove it or {owner.shown.name}."
            if _same(owner, file, week, bounds):
                findings.append(Problem("W-DRT-013", str(file.shown), rule=rule, remedy=remedy,
                                        action=f"The map in {owner.shown.name} is used; both agree where both have "
                                        "polygons.", value=week))
            else:
                clash.add(week)
                findings.append(Problem("E-DRT-067", str(file.shown), rule="the map differs from that in "
                                        f"{owner.shown.name}; " + rule, remedy=remedy, action="Neither is used. " +
                                        NOT_USED.format(week=week), value=week))
    return _left([file.without(clash | other) for file, other in zip(files, again, strict=True)], findings, problems)


def _left(files: list[File], findings: list[Problem], problems: list[Problem]) -> list[File]:
    """Return the files that have a map; LayerError when none has one."""
    usable = [file for file in files if file.weeks]
    if not usable:
        raise LayerError("\n".join([*map(str, findings), "E-DRT-066 weekly maps: no map is left that can be used. "
                                    "Correct them, or take [drought] out of the area file."]))
    problems += findings
    return usable


# ---------------------------------------------------------------- what makes a map unusable
def _code_for_none(files: list[File], findings: list[Problem]) -> bool:
    """Return whether -1 is the maps' way to write no drought, because most of them contain it."""
    with_code = Counter[str]()
    for file in files:
        for _, group in file.polygons.groupby("valid_date"):
            with_code[file.shown.name if bool((group["category"] == MINUS_ONE).any()) else ""] += 1
    total = with_code.total()
    coded = total - with_code[""]
    if not coded or coded < CODE_FOR_NONE_SHARE * total:
        return False
    name = next(name for name in with_code if name)
    findings.append(Problem("W-DRT-061", "weekly maps", rule=f"class -1 is in {coded:,} of {total:,} maps with "
                            f"polygons, first in {name}.", remedy="Write None for no drought.",
                            action="It is read as no drought.", value="-1"))
    return True


def _unknown(file: File, drawn: pd.Series, code_for_none: bool, findings: list[Problem]) -> set[str]:
    """Return the weeks with a polygon that has no class, or the class -1 where other maps have none."""
    kinds = file.polygons["category"]
    bad = drawn & ((kinds == UNKNOWN) | ((kinds == MINUS_ONE) & (not code_for_none)))
    rows = file.polygons[bad]
    findings += [Problem("E-DRT-060", str(file.shown), rule="a polygon has no class." if kind == UNKNOWN else
                         "a polygon has the class -1, and most other maps have none.", remedy="Give its class: D0-D4 "
                         "or 0-4, or None for no drought.", action=NOT_USED.format(week=week), row=int(row),
                         column=file.column, value="" if kind == UNKNOWN else "-1")
                 for row, week, kind in zip(rows["_row"], rows["valid_date"], rows["category"], strict=True)]
    return set(rows["valid_date"])


def _no_degrees(file: File, drawn: pd.Series, findings: list[Problem]) -> set[str]:
    """Return the weeks with a polygon beyond the poles or twice round the earth: metres were declared as degrees."""
    box = file.polygons.geometry.bounds.to_numpy(float)
    inside = (np.abs(box[:, [1, 3]]) <= 90.0 + 1e-6).all(axis=1) & (np.abs(box[:, [0, 2]]) <= 360.0).all(axis=1)
    rows = file.polygons[drawn.to_numpy(bool) & ~inside]
    weeks = rows.drop_duplicates("valid_date")
    place = weeks.geometry.bounds
    findings += [Problem("E-DRT-063", str(file.shown), rule="coordinates must lie on the earth: the file is in another "
                         "coordinate system than it declares.", remedy="Save it again with the system it was drawn in.",
                         action=NOT_USED.format(week=week), row=int(row), column="geometry", value=f"{x:.6g}, {y:.6g}")
                 for row, week, x, y in zip(weeks["_row"], weeks["valid_date"], place["minx"], place["miny"],
                                            strict=True)]
    return set(weeks["valid_date"])


def _elsewhere(file: File, bounds: Box | None, national_deg: float, findings: list[Problem]) -> set[str]:
    """Return the weeks whose cut-out map does not reach the soil map and climate cells of the area."""
    if bounds is None or file.polygons.empty:
        return set()
    box = file.polygons.geometry.bounds.groupby(file.polygons["valid_date"]).agg(
        {"minx": "min", "miny": "min", "maxx": "max", "maxy": "max"})
    west, south, east, north = bounds
    far = ((box["minx"] > east) | (box["maxx"] < west) | (box["miny"] > north) | (box["maxy"] < south)) \
        & (box["maxx"] - box["minx"] < national_deg)
    findings += [Problem("E-DRT-064", str(file.shown), rule=f"the map lies elsewhere: within {b.minx:.2f}.."
                         f"{b.maxx:.2f} degrees east and {b.miny:.2f}..{b.maxy:.2f} north; the area within {west:.2f}.."
                         f"{east:.2f} and {south:.2f}..{north:.2f}.",
                         remedy="Give the national map, or that of this region.",
                         action=NOT_USED.format(week=b.Index), value=str(b.Index)) for b in box[far].itertuples()]
    return set(box.index[far])


def _too_early(file: File, findings: list[Problem]) -> list[str]:
    early = [week for week in file.weeks if week < FIRST_WEEK]
    findings += [Problem("E-DRT-065", str(file.shown), rule=f"there are no weekly maps before {FIRST_WEEK}.",
                         remedy="Correct the date.", action=NOT_USED.format(week=week), value=week) for week in early]
    return early


def _same(one: File, two: File, week: str, bounds: Box | None) -> bool:
    """Return whether two maps of a week agree on the ground that both of them, and the area, cover.

    For each class, the area that it and all worse classes cover is compared. So a nested map agrees with the same map
    cut apart, and a cut-out with the national map from which it was cut.
    """
    import shapely

    maps = [file.polygons[file.polygons["valid_date"] == week] for file in (one, two)]
    boxes = [shapely.box(*frame.total_bounds) for frame in maps if len(frame)]
    if len(boxes) < 2:
        return not boxes  # two empty maps say the same; one without any class contradicts one that has some
    common = shapely.intersection_all([*boxes, *([shapely.box(*bounds)] if bounds else [])])
    limit = SAME_SHARE * shapely.area(common)
    if not limit:
        return True
    parts = [frame.explode(ignore_index=True) for frame in maps]
    for k in range(5):
        covered = [shapely.union_all(shapely.clip_by_rect(
            np.asarray(frame.geometry)[frame["category"] >= k], *common.bounds)) for frame in parts]
        if shapely.area(shapely.symmetric_difference(*covered)) > limit:
            return False
    return True
