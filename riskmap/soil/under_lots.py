"""The soil under every lot: shares of map units, profiles with weights, and what the survey leaves open."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from riskmap.common import tables
from riskmap.common.errors import joined
from riskmap.common.problems import Problem
from riskmap.common.units import M2_PER_HECTARE
from riskmap.soil.lot_profile import line_weights, lot_map_unit_table, lot_profile_table, with_line_doubt
from riskmap.soil.lot_soil import lot_soil_table

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    from numpy.typing import NDArray

    from riskmap.common.inputs import SoilTables
    from riskmap.common.settings import SoilSettings
    from riskmap.soil.component import MapUnits
    from riskmap.soil.overlay import SoilPolygons

RATING_TOLERANCE = 0.0015  # the survey stores three decimals


@dataclass(frozen=True)
class SoilAttached:
    """The result of the soil stage.

    Attributes
    ----------
    lot_soil : DataFrame
        `tables.LOT_SOIL`, one row per lot, in the order of the lots; with `soil_state` and `soil_state_reason`
        (outside_coverage, not_enough_data or empty text); averages are empty where there is a soil state.
    lot_map_unit : DataFrame
        `tables.LOT_MAP_UNIT`; shares of a lot sum to its mapped part.
    lot_profile : DataFrame
        `tables.LOT_PROFILE`; only lots without a state before or after this stage. The weights are area shares; near a
        soil boundary, the profiles of the unit beyond it are included (`lines.doubt_weight`).
    profile : DataFrame
        profile_id, component_name, rock_depth_m, water_table_m, water_table_all_year_m (inf where there is none),
        lep_source (lep, bulk_density, clay), flags. Profiles are numbered in the order of mean LEP over 0-150 cm, then
        of content.
    layer : DataFrame
        profile_id, top_m, bottom_m, lep_low_pct, lep_pct, lep_high_pct: contiguous from 0, sorted, cut at rock, not
        extended below the survey's last horizon.
    map_unit : DataFrame
        Per mukey: lep_25_100_pct, lep_0_150_pct, shrink_swell_rating, shrink_swell_class, covered_pct, area_ha.
    problems : list of Problem
        Findings about the survey.
    line : GeoDataFrame, optional
        Boundaries between map units near the lots (`results.Results.soil_lines`).
    """

    lot_soil: pd.DataFrame
    lot_map_unit: pd.DataFrame
    lot_profile: pd.DataFrame
    profile: pd.DataFrame
    layer: pd.DataFrame
    map_unit: pd.DataFrame
    problems: list[Problem] = field(default_factory=list)
    line: gpd.GeoDataFrame | None = None


@dataclass(frozen=True)
class SurveyFacts:
    """The tables of a survey, prepared once for any number of lots.

    Attributes
    ----------
    named : DataFrame
        `tables.MAP_UNIT`, including the units that have polygons but no record.
    units : MapUnits
        Summary, profile weights and cautions of each.
    profile, layer : DataFrame
        As in `SoilAttached`.
    problems : list of Problem
    """

    named: pd.DataFrame
    units: MapUnits
    profile: pd.DataFrame
    layer: pd.DataFrame
    problems: list[Problem]


def describe(soil: SoilTables, settings: SoilSettings, mukeys: NDArray[np.object_]) -> SurveyFacts:
    """Return what the tables of a survey say, independent of the lots.

    Parameters
    ----------
    soil : SoilTables
        The survey as read; its polygons are not used.
    settings : SoilSettings
    mukeys : array of str
        Map units that have polygons, each once, in ascending order.
    """
    from riskmap.soil import component as components
    from riskmap.soil import horizon

    problems: list[Problem] = []
    component = soil.component.reset_index(drop=True)
    cleaned = horizon.clean(soil.horizon, component, settings)
    means = components.described(component, cleaned)
    profiles = components.profiles(component, cleaned, means["lep_0_150_pct"].to_numpy(float))
    named = _with_unnamed(soil.map_unit, mukeys, problems)
    units = components.map_units(named, component, cleaned, means, profiles.of_component, problems)
    _report(component, cleaned.flags, soil, means, problems)
    return SurveyFacts(named, units, profiles.profile, profiles.layer, problems)


def attach(lot: gpd.GeoDataFrame, soil: SoilTables, settings: SoilSettings, crs: str) -> SoilAttached:
    """Give every lot its map units, profiles and soil facts.

    Parameters
    ----------
    lot : GeoDataFrame
        lot_row, state and geometry (polygon, multipolygon, empty or None) in `crs`.
    soil : SoilTables
        The survey as read.
    settings : SoilSettings
        Smallest covered and mapped percentages; limits for suspicious values.
    crs : str
        Equal-area projected system for shares and distances.

    Raises
    ------
    TableError
        When a result breaks its contract in `tables.py`.
    """
    from riskmap.soil import lines, lines_to_draw, overlay

    polygons = overlay.prepare(soil.polygons, crs)
    facts = describe(soil, settings, polygons.mukeys)
    every_line = lines.soil_lines(polygons)
    nearest = lines.nearest(middle(lot.geometry.to_numpy()), polygons, every_line)
    lot_soil, lot_map_unit, lot_profile = of_lots(lot, soil, facts, polygons, nearest, settings)
    position = _positions(facts.named, polygons)
    return SoilAttached(
        lot_soil, lot_map_unit, lot_profile, facts.profile, facts.layer,
        facts.units.summary.assign(area_ha=_area_ha(polygons, position, len(facts.named))), facts.problems,
        lines_to_draw.near_lots(lot.geometry.to_numpy(), every_line, polygons, facts.named, crs),
    )


def of_lots(lot: gpd.GeoDataFrame, soil: SoilTables, facts: SurveyFacts, polygons: SoilPolygons,
            nearest: tuple[NDArray[np.float64], NDArray[np.int64]], settings: SoilSettings) \
        -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return `lot_soil`, `lot_map_unit` and `lot_profile` of `SoilAttached` for lots on some polygons of the survey.

    Parameters
    ----------
    lot : GeoDataFrame
        As for `attach`; `lot_row` may begin anywhere.
    soil : SoilTables
        Its scale and kind are used.
    facts : SurveyFacts
        Facts on the whole survey.
    polygons : SoilPolygons
        At least the polygons on which the lots lie, in the coordinate system of the lots.
    nearest : tuple of arrays, shape (n_lot,)
        The result of `lines.nearest` for the centre of each lot.
    settings : SoilSettings
    """
    from riskmap.soil import lines, overlay

    named, units = facts.named, facts.units
    row = lot["lot_row"].to_numpy(np.int64)
    shares = overlay.shares(lot.geometry.to_numpy(), polygons)
    position = _positions(named, polygons)
    share = lines.neighbor_share(nearest[0], soil.scale)
    lot_soil = lot_soil_table(lot, soil, settings, named, units, shares, position, (*nearest, share))
    lot_map_unit = lot_map_unit_table(row, shares, polygons)
    usable = (lot_soil["soil_state"] == "").to_numpy(bool) & (lot["state"].fillna("") == "").to_numpy(bool)
    lot_profile = lot_profile_table(lot_map_unit, units, row[usable])
    if settings.line_doubt:
        lot_profile = with_line_doubt(lot_profile, line_weights(shares, nearest[1], share, row, polygons, units), units)
    return (tables.check(tables.LOT_SOIL, lot_soil), tables.check(tables.LOT_MAP_UNIT, lot_map_unit),
            tables.check(tables.LOT_PROFILE, lot_profile))


def _with_unnamed(map_unit: pd.DataFrame, mukeys: NDArray[np.object_], problems: list[Problem]) -> pd.DataFrame:
    """Add the map units that have polygons but no record, so that their ground counts as mapped but not described."""
    import pandas as pd

    extra = sorted(set(mukeys) - set(map_unit["mukey"]))
    if not extra:
        return map_unit.reset_index(drop=True)
    problems.append(Problem("W-SOIL-031", "soil survey, map-unit polygons", rule=f"{len(extra)} map units have "
                            f"polygons and no tables ({joined(extra, 4)}).", remedy="Use polygons and tables of one "
                            "download.", action="Their ground counts as not described.", column="mukey"))
    blank = pd.DataFrame({"mukey": extra}).reindex(columns=map_unit.columns, fill_value="")
    return pd.concat([map_unit, blank], ignore_index=True)


def _positions(named: pd.DataFrame, polygons: SoilPolygons) -> NDArray[np.int64]:
    """Return the row of the map-unit table for each unit of the polygons."""
    import pandas as pd

    return pd.Index(named["mukey"]).get_indexer(pd.Index(polygons.mukeys)).astype(np.int64)


def _report(component: pd.DataFrame, flags: dict[str, NDArray[np.bool_]], soil: SoilTables, means: pd.DataFrame,
            problems: list[Problem]) -> None:
    """Report once per kind what was found in the horizons, and whether the survey's own rating agrees."""
    names = component["component_name"].to_numpy(dtype=object)
    for name, mask in sorted(flags.items()):
        if mask.any():
            where = joined(dict.fromkeys(names[mask]), 4)
            problems.append(Problem("W-SOIL-032", "soil survey, table chorizon", rule=f"{name}: {int(mask.sum())} "
                                    f"components ({where}).", remedy="See soil_flags of the lots.",
                                    action="Repaired or left unrated by fixed rules, never taken as zero."))
    if soil.shrink_swell_stored is None:
        return
    stored = soil.shrink_swell_stored.drop_duplicates("component_id").set_index("component_id")["rating"]
    gap = (component["component_id"].map(stored).astype(float) - means["shrink_swell_rating"]).abs()
    off = (gap > RATING_TOLERANCE).to_numpy(bool)
    if off.any():
        problems.append(Problem("W-SOIL-033", "soil survey, table cointerp", rule="the survey's own shrink-swell "
                                f"rating of {int(off.sum())} components differs from the one computed from its "
                                f"horizons ({joined(dict.fromkeys(names[off]), 4)}).", remedy="Look at these horizons.",
                                action="The computed one is used."))


def middle(geometry: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return the centroid of each lot, or a point inside where the centroid lies outside; None without a shape."""
    import shapely

    point = shapely.centroid(geometry)
    outside = ~shapely.intersects(geometry, point)
    point[outside] = shapely.point_on_surface(geometry[outside])
    point[shapely.is_missing(point) | shapely.is_empty(point)] = None
    return point


def _area_ha(polygons: SoilPolygons, position: NDArray[np.int64], n: int) -> NDArray[np.float64]:
    import shapely

    area = np.bincount(position[polygons.unit], shapely.area(polygons.geometry), n)
    return np.where(area > 0, area / M2_PER_HECTARE, np.nan)
