"""Stage 3: the soil under each lot.

In: `tables.LOT` with geometry, and the soil survey (map units, components, horizons, polygons).
Out: `SoilAttached`: soil facts per lot, area shares per lot and map unit, probabilities per lot and profile, and
the profiles with their layers. Ground without a described profile is counted, never taken as zero.
Method: notebooks/method.md, section 2.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from riskmap import tables
from riskmap.errors import Problem, joined
from riskmap.results import NO_NUMBER
from riskmap.units import M2_PER_HECTARE

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd
    from numpy.typing import NDArray

    from riskmap.layers import SoilTables
    from riskmap.settings import SoilSettings
    from riskmap.soil.component import MapUnits
    from riskmap.soil.overlay import Shares, SoilPolygons

RATING_TOLERANCE = 0.0015  # the survey stores three decimals
WEIGHT_DIGITS = 9  # weights that differ only by round-off must not depend on the order of lots


@dataclass(frozen=True)
class SoilAttached:
    """What the soil stage hands on.

    Attributes
    ----------
    lot_soil : DataFrame
        `tables.LOT_SOIL`, one row per lot, in the order of the lots; with `soil_state` and `soil_state_reason`
        (outside_coverage, not_enough_data or empty text); averages are empty where there is a soil state.
    lot_map_unit : DataFrame
        `tables.LOT_MAP_UNIT`; shares of a lot sum to its mapped part.
    lot_profile : DataFrame
        `tables.LOT_PROFILE`; only lots without a state before or after this stage. Area shares, and near a soil line
        also the profiles of the unit beyond it (`lines.doubt_weight`).
    profile : DataFrame
        profile_id, component_name, rock_depth_m, water_table_m, water_table_all_year_m (inf where none), lep_source
        (lep, bulk_density, clay), flags. Numbered by mean LEP over 0-150 cm, then by content.
    layer : DataFrame
        profile_id, top_m, bottom_m, lep_low_pct, lep_pct, lep_high_pct: contiguous from 0, sorted, cut at rock, not
        extended below the survey's last horizon.
    map_unit : DataFrame
        Per mukey: lep_25_100_pct, lep_0_150_pct, shrink_swell_rating, shrink_swell_class, covered_pct, area_ha.
    problems : list of Problem
        Findings about the survey.
    line : GeoDataFrame, optional
        Lines between map units near the lots (`results.Results.soil_lines`).
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
class Described:
    """A survey's tables made ready once for any number of lots.

    Attributes
    ----------
    named : DataFrame
        `tables.MAP_UNIT`, also the units that have polygons and no record.
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


def describe(soil: SoilTables, settings: SoilSettings, mukeys: NDArray[np.object_]) -> Described:
    """Return what the tables of a survey say, whatever the lots.

    Parameters
    ----------
    soil : SoilTables
        The survey as read; its polygons are not looked at.
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
    return Described(named, units, profiles.profile, profiles.layer, problems)


def attach(lot: gpd.GeoDataFrame, soil: SoilTables, settings: SoilSettings, crs: str) -> SoilAttached:
    """Give every lot its map units, profiles and soil facts.

    Parameters
    ----------
    lot : GeoDataFrame
        lot_row, state and geometry (polygon, multipolygon, empty or None) in `crs`.
    soil : SoilTables
        The survey as read.
    settings : SoilSettings
        Least covered and mapped percentages; limits for suspicious values.
    crs : str
        Equal-area projected system for shares and distances.

    Raises
    ------
    TableError
        When a result breaks its contract in `tables.py`.
    """
    from riskmap.soil import lines, near, overlay

    polygons = overlay.prepare(soil.polygons, crs)
    told = describe(soil, settings, polygons.mukeys)
    every_line = lines.soil_lines(polygons)
    nearest = lines.nearest(middle(lot.geometry.to_numpy()), polygons, every_line)
    lot_soil, lot_map_unit, lot_profile = of_lots(lot, soil, told, polygons, nearest, settings)
    position = _positions(told.named, polygons)
    return SoilAttached(
        lot_soil, lot_map_unit, lot_profile, told.profile, told.layer,
        told.units.summary.assign(area_ha=_area_ha(polygons, position, len(told.named))), told.problems,
        near.near_lots(lot.geometry.to_numpy(), every_line, polygons, told.named, crs),
    )


def of_lots(lot: gpd.GeoDataFrame, soil: SoilTables, told: Described, polygons: SoilPolygons,
            nearest: tuple[NDArray[np.float64], NDArray[np.int64]], settings: SoilSettings) \
        -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return `lot_soil`, `lot_map_unit` and `lot_profile` of `SoilAttached` for lots on some polygons of the survey.

    Parameters
    ----------
    lot : GeoDataFrame
        As for `attach`; `lot_row` may begin anywhere.
    soil : SoilTables
        For its scale and kind.
    told : Described
        Of the whole survey.
    polygons : SoilPolygons
        At least those that the lots lie on, in the system of the lots.
    nearest : tuple of arrays, shape (n_lot,)
        Of each lot's middle: `lines.nearest`.
    settings : SoilSettings
    """
    from riskmap.soil import lines, overlay

    named, units = told.named, told.units
    row = lot["lot_row"].to_numpy(np.int64)
    found = overlay.shares(lot.geometry.to_numpy(), polygons)
    position = _positions(named, polygons)
    share = lines.neighbor_share(nearest[0], soil.scale)
    lot_soil = _lot_soil(lot, soil, settings, named, units, found, position, (*nearest, share))
    lot_map_unit = _lot_map_unit(row, found, polygons)
    usable = (lot_soil["soil_state"] == "").to_numpy(bool) & (lot["state"].fillna("") == "").to_numpy(bool)
    lot_profile = _lot_profile(lot_map_unit, units, row[usable])
    if settings.line_doubt:
        lot_profile = _with_line_doubt(lot_profile, _doubt(found, nearest[1], share, row, polygons, units), units)
    return (tables.check(tables.LOT_SOIL, lot_soil), tables.check(tables.LOT_MAP_UNIT, lot_map_unit),
            tables.check(tables.LOT_PROFILE, lot_profile))


def _with_unnamed(map_unit: pd.DataFrame, mukeys: NDArray[np.object_], problems: list[Problem]) -> pd.DataFrame:
    """Add the map units that have polygons and no record, so that their ground counts as mapped, not described."""
    import pandas as pd

    extra = sorted(set(mukeys) - set(map_unit["mukey"]))
    if not extra:
        return map_unit.reset_index(drop=True)
    problems.append(Problem("W-SOIL-031", "soil survey, map-unit polygons", f"{len(extra)} map units have polygons and "
                            f"no tables ({joined(extra, 4)}).", "Use polygons and tables of one download.",
                            "Their ground counts as not described.", None, "mukey"))
    blank = pd.DataFrame({"mukey": extra}).reindex(columns=map_unit.columns, fill_value="")
    return pd.concat([map_unit, blank], ignore_index=True)


def _positions(named: pd.DataFrame, polygons: SoilPolygons) -> NDArray[np.int64]:
    """Return the row of the map-unit table for each unit of the polygons."""
    import pandas as pd

    return pd.Index(named["mukey"]).get_indexer(pd.Index(polygons.mukeys)).astype(np.int64)


def _report(component: pd.DataFrame, flags: dict[str, NDArray[np.bool_]], soil: SoilTables, means: pd.DataFrame,
            problems: list[Problem]) -> None:
    """Say once per kind what was found in the horizons, and whether the survey's own rating agrees."""
    names = component["component_name"].to_numpy(dtype=object)
    for name, mask in sorted(flags.items()):
        if mask.any():
            where = joined(dict.fromkeys(names[mask]), 4)
            problems.append(Problem("W-SOIL-032", "soil survey, table chorizon",
                                    f"{name}: {int(mask.sum())} components ({where}).", "See soil_flags of the lots.",
                                    "Repaired or left unrated by fixed rules, never taken as zero."))
    if soil.shrink_swell_stored is None:
        return
    stored = soil.shrink_swell_stored.drop_duplicates("component_id").set_index("component_id")["rating"]
    gap = (component["component_id"].map(stored).astype(float) - means["shrink_swell_rating"]).abs()
    off = (gap > RATING_TOLERANCE).to_numpy(bool)
    if off.any():
        problems.append(Problem("W-SOIL-033", "soil survey, table cointerp", f"the survey's own shrink-swell rating of "
                                f"{int(off.sum())} components differs from the one computed from its horizons "
                                f"({joined(dict.fromkeys(names[off]), 4)}).", "Look at these horizons.",
                                "The computed one is used."))


def _lot_map_unit(row: NDArray[np.int64], found: Shares, polygons: SoilPolygons) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame({"lot_row": row[found.lot], "mukey": polygons.mukeys[found.unit], "share": found.share})


def _lot_profile(lot_map_unit: pd.DataFrame, units: MapUnits, rows: NDArray[np.int64]) -> pd.DataFrame:
    """Mix map units by area and components by percentage; weights of a lot sum to 1 over what is described."""
    import pandas as pd

    pairs = lot_map_unit[lot_map_unit["lot_row"].isin(rows)].merge(units.weight, on="mukey", how="inner")
    pairs["weight"] = pairs["share"] * pairs["weight"]
    mixed = pairs.groupby(["lot_row", "profile_id"], sort=True, as_index=False)["weight"].sum()
    weight = mixed["weight"] / mixed.groupby("lot_row")["weight"].transform("sum")
    return pd.DataFrame({"lot_row": mixed["lot_row"].astype(np.int64),
                         "profile_id": mixed["profile_id"].astype(np.int64), "weight": weight})


def _doubt(found: Shares, beyond: NDArray[np.int64], share: NDArray[np.float64], row: NDArray[np.int64],
           polygons: SoilPolygons, units: MapUnits) -> pd.DataFrame:
    """Return lot_row, mukey and mixing weight of the described unit beyond the nearest soil line, where it counts."""
    import pandas as pd

    from riskmap.soil import lines

    n = len(row)
    known = np.isin(polygons.mukeys, units.weight["mukey"].to_numpy())
    described = np.where(known[found.unit], found.share, 0.0)
    is_beyond = found.unit == beyond[found.lot]
    overlap, total = np.bincount(found.lot[is_beyond], described[is_beyond], n), np.bincount(found.lot, described, n)
    weight = lines.doubt_weight(share, np.divide(overlap, total, out=np.zeros(n), where=total > 0))
    near = np.flatnonzero((weight > 0) & (beyond >= 0))
    near = near[known[beyond[near]]]
    return pd.DataFrame({"lot_row": row[near], "mukey": polygons.mukeys[beyond[near]], "doubt": weight[near]})


def _with_line_doubt(lot_profile: pd.DataFrame, doubt: pd.DataFrame, units: MapUnits) -> pd.DataFrame:
    """Mix the profiles of the unit beyond the soil line into each lot's own; weights still sum to 1."""
    import pandas as pd

    doubt = doubt[doubt["lot_row"].isin(lot_profile["lot_row"])]
    added = doubt.merge(units.weight, on="mukey", how="inner")
    added["weight"] = added["doubt"] * added["weight"]
    left = 1.0 - lot_profile["lot_row"].map(doubt.set_index("lot_row")["doubt"]).fillna(0.0)
    own = lot_profile.assign(weight=lot_profile["weight"] * left)
    both = pd.concat([own, added[["lot_row", "profile_id", "weight"]]], ignore_index=True)
    mixed = both.groupby(["lot_row", "profile_id"], sort=True, as_index=False)["weight"].sum()
    weight = mixed["weight"].round(WEIGHT_DIGITS)
    weight = weight / weight.groupby(mixed["lot_row"]).transform("sum")
    return pd.DataFrame(mixed.assign(weight=weight)[weight > 0])


def _lot_soil(lot: gpd.GeoDataFrame, soil: SoilTables, settings: SoilSettings, named: pd.DataFrame, units: MapUnits,
              found: Shares, position: NDArray[np.int64],
              line: tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.float64]]) -> pd.DataFrame:
    import pandas as pd

    from riskmap.soil import shrink_swell

    n = len(lot)
    unit = position[found.unit]
    largest = _largest(found, n)
    main = np.where(largest >= 0, unit[largest] if len(unit) else -1, -1)
    covered = np.bincount(found.lot, found.share * units.summary["covered_pct"].to_numpy(float)[unit], n)
    lep = _mixed(found, units.summary["lep_25_100_pct"].to_numpy(float)[unit], n)
    near, beyond, line_share = line
    far = np.where(beyond >= 0, position[beyond] if len(position) else -1, -1)
    flags = {"soil_scale_unknown": np.isfinite(near) & (soil.scale is None),
             "soil_from_raster": (found.mapped > 0) & soil.from_raster}
    out = pd.DataFrame({
        "lot_row": lot["lot_row"].to_numpy(np.int64),
        "map_unit_key": _pick(named["mukey"], main), "map_unit_symbol": _pick(named["musym"], main),
        "map_unit_name": _pick(named["muname"], main),
        "map_unit_share": np.where(largest >= 0, found.share[largest] if len(unit) else np.nan, np.nan),
        "mapped_pct": 100.0 * found.mapped,
        "covered_pct": np.where(np.isnan(found.mapped), np.nan, covered),
        "linear_extensibility_pct": lep,
        "shrink_swell_class": shrink_swell.shrink_swell_class(lep),
        "shrink_swell_rating": _mixed(found, units.summary["shrink_swell_rating"].to_numpy(float)[unit], n),
        "soil_line_distance_m": near, "neighbor_unit_name": _pick(named["muname"], far),
        "neighbor_unit_share": line_share,
        "soil_flags": _flag_texts(found, unit, units, flags, n),
    })
    return _with_state(out, settings)


def _largest(found: Shares, n: int) -> NDArray[np.int64]:
    """Return the pair with each lot's largest share, the lower unit on a tie; -1 where there is none."""
    order = np.lexsort((found.unit, -found.share, found.lot))
    lots, first = np.unique(found.lot[order], return_index=True)
    largest = np.full(n, -1, np.int64)
    largest[lots] = order[first]
    return largest


def _mixed(found: Shares, value: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Return the share-weighted mean over the map units with a value."""
    share = np.where(np.isfinite(value), found.share, 0.0)
    total = np.bincount(found.lot, share, n)
    mean = np.bincount(found.lot, share * np.nan_to_num(value), n)
    return np.divide(mean, total, out=np.full(n, np.nan), where=total > 0)


def _pick(names: pd.Series, index: NDArray[np.int64]) -> NDArray[np.object_]:
    values = np.append(names.fillna("").to_numpy(dtype=object), "")
    return values[index]


def middle(geometry: NDArray[np.object_]) -> NDArray[np.object_]:
    """Return the centroid of each lot, or a point inside where the centroid lies outside; None where there is none."""
    import shapely

    point = shapely.centroid(geometry)
    outside = ~shapely.intersects(geometry, point)
    point[outside] = shapely.point_on_surface(geometry[outside])
    point[shapely.is_missing(point) | shapely.is_empty(point)] = None
    return point


def _flag_texts(found: Shares, unit: NDArray[np.int64], units: MapUnits, own: dict[str, NDArray[np.bool_]],
                n: int) -> NDArray[np.object_]:
    from riskmap.soil.component import flag_texts
    from riskmap.soil.overlap import DOUBLED, OVERLAP

    masks = {name: np.bincount(found.lot[mask[unit]], minlength=n) > 0 for name, mask in units.flags.items()}
    partly = (found.mapped > 0) & (found.mapped < 1.0 - 1e-6)
    return flag_texts(masks | own | {"soil_partly_unmapped": partly, OVERLAP: found.overlapping,
                                     DOUBLED: found.doubled})


def _with_state(lot_soil: pd.DataFrame, settings: SoilSettings) -> pd.DataFrame:
    """Add the soil's own state, and take back the averages of lots too thinly described to have one."""
    mapped, covered = lot_soil["mapped_pct"], lot_soil["covered_pct"]
    cases = [mapped.isna(), mapped < settings.min_mapped_pct,
             (covered <= 0) | (covered < settings.min_covered_pct)]
    state = np.select(cases, ["not_enough_data", "outside_coverage", "not_enough_data"], "").astype(object)
    before, _, after = NO_NUMBER.partition("{list}")
    described_pct, mapped_pct = (part.map("{:.0f} %".format).astype("str") for part in (covered, mapped))
    described = (before + "a described soil profile (the survey describes " + described_pct + " of "
                 + lot_soil["map_unit_name"].fillna("the soil here").astype("str") + ")" + after)
    reason = np.select(cases, [before + "a shape to look up the soil with" + after,
                               "The soil map covers " + mapped_pct + " of this lot.", described], "")
    averages = ["linear_extensibility_pct", "shrink_swell_rating"]
    known = state == ""
    return lot_soil.assign(
        soil_state=state, soil_state_reason=reason.astype(object),
        shrink_swell_class=np.where(known, lot_soil["shrink_swell_class"], ""),
        **{name: lot_soil[name].where(known) for name in averages})


def _area_ha(polygons: SoilPolygons, position: NDArray[np.int64], n: int) -> NDArray[np.float64]:
    import shapely

    area = np.bincount(position[polygons.unit], shapely.area(polygons.geometry), n)
    return np.where(area > 0, area / M2_PER_HECTARE, np.nan)
