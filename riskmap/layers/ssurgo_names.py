"""What the tables of a soil survey mean: from the survey's own names to ours, whatever file they come from.

Every key is text. Nothing is computed here except two look-ups that belong to the survey's layout: the depth to rock
of a component and its shallowest wet layer.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from riskmap.common.errors import LayerError, counted, joined
from riskmap.common.inputs import SoilTables, Source
from riskmap.common.problems import Problem
from riskmap.layers import soil_judged, ssurgo_tables

if TYPE_CHECKING:
    import geopandas as gpd
    import pandas as pd

    from riskmap.common.settings import SoilEntry

PROVIDER = "United States Department of Agriculture, Natural Resources Conservation Service"
LICENCE = "United States government work, public domain"
RATING_RULE = "ENG - Dwellings W/O Basements"
RATING_SUB_RULE = "Shrink-Swell (LEP WTD_AVG 25-100cm or Bedrock)"
# Rock: every kind of bedrock, and what is at least strongly cemented (the property behind the survey's own rating stops
# at a strongly or very strongly cemented restriction; soil-survey property 15177). Kinds that are cemented by name also
# count when no hardness is given. Fragipan, densic material, natric, salic and textural changes do not count.
_BEDROCK = re.compile(r"bedrock$")
_CEMENTED_KINDS = ("cemented horizon", "duripan", "ortstein", "petrocalcic", "petroferric", "petrogypsic")
_CEMENTED_HARDNESS = re.compile(r"^(?:very )?strongly cemented|^indurated")


def soil_tables(parts: list[ssurgo_tables.Part], entry: SoilEntry, problems: list[Problem]) -> SoilTables:
    """Combine the survey areas in our names and units.

    Parameters
    ----------
    parts : list of Part
        Tables with the survey's own column names, every value as text; the first part is used where a map unit occurs
        twice.
    entry : SoilEntry
        It gives the mapping scale when the survey records none.
    problems : list of Problem
        Findings are added to it.

    Raises
    ------
    LayerError
        When one component key means two components of two downloads, or a survey is in a wrong unit.
    """
    import pandas as pd

    areas = _first_wins(_judged(parts, problems), problems)
    every = {table: pd.concat([t[table] for t in areas if table in t], ignore_index=True)
             if any(table in t for t in areas) else _none(table) for table in ssurgo_tables.LAYOUT}
    component = _component(every, problems)
    return SoilTables(
        polygons=_all_polygons(parts, problems),
        map_unit=_map_unit(every),
        component=component,
        horizon=_horizon(every, problems),
        scale=_scale(every, entry, problems),
        shrink_swell_stored=_stored_rating(areas, problems),
    )


def _judged(parts: list[ssurgo_tables.Part], problems: list[Problem]) -> list[ssurgo_tables.Part]:
    """Return the survey areas without what cannot be used; LayerError with the refusals of all of them."""
    out, faults = [], []
    for part in parts:
        try:
            out.append(soil_judged.judged(part, problems))
        except LayerError as error:
            faults.append(str(error))
    if faults:
        raise LayerError("\n".join(faults))
    return out


def _none(table: str) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(columns=list(ssurgo_tables.LAYOUT[table][2]), dtype=object)


def _first_wins(parts: list[ssurgo_tables.Part], problems: list[Problem]) -> list[dict[str, pd.DataFrame]]:
    """Drop from later downloads what an earlier one already contains: component keys change at every refresh."""
    units: set[str] = set()
    components: set[str] = set()
    areas = []
    for part in parts:
        tables = dict(part.tables)
        mukeys = tables["mapunit"]["mukey"]
        repeated = set(mukeys) & units
        if repeated:
            problems.append(Problem("W-SOIL-015", part.shown, rule=f"{len(repeated)} map units are already in an "
                                    f"earlier download ({joined(sorted(repeated), 4)}).",
                                    remedy="Name each survey once.", action="The tables of the earlier download are "
                                    "used."))
            for table in ("mapunit", "component", "muaggatt"):
                if table in tables:
                    tables[table] = tables[table][~tables[table]["mukey"].isin(repeated)]
            for table in ("chorizon", "corestrictions", "comonth", "cointerp"):
                if table in tables:
                    tables[table] = tables[table][tables[table]["cokey"].isin(tables["component"]["cokey"])]
        clash = set(tables["component"]["cokey"]) & components
        if clash:
            raise LayerError(f"E-SOIL-016 {part.shown}: {len(clash)} component keys also belong to other "
                             "components of an earlier download. Use downloads of the same year.")
        units |= set(mukeys)
        components |= set(tables["component"]["cokey"])
        areas.append(tables)
    return areas


def _all_polygons(parts: list[ssurgo_tables.Part], problems: list[Problem]) -> gpd.GeoDataFrame:
    """Return the polygons of all survey areas. A polygon that occurs twice with one map unit counts once."""
    import geopandas as gpd
    import pandas as pd

    frames = [p.polygons for p in parts if p.polygons is not None]
    if not frames:
        return gpd.GeoDataFrame({"mukey": pd.Series(dtype=object)}, geometry=gpd.GeoSeries([], crs="EPSG:4326"))
    whole = gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), geometry="geometry", crs="EPSG:4326")
    box = whole.geometry.bounds.assign(mukey=whole["mukey"])
    alike = whole[box.duplicated(keep=False)]  # few: only these are compared vertex by vertex
    twice = pd.DataFrame({"k": alike["mukey"], "g": alike.geometry.normalize().to_wkb()}).duplicated()
    if not twice.any():
        return whole
    copies = whole.loc[twice.index[twice], "mukey"]
    problems.append(Problem("W-SOIL-073", "soil survey, map-unit polygons", rule=f"{counted(len(copies), 'polygon')} "
                            f"occurs more than once with the same map unit ({joined(copies.unique(), 4)}).",
                            remedy="Name each survey once, or remove the copies.", action="Each counts once.",
                            column="mukey"))
    return whole.drop(index=copies.index).reset_index(drop=True)


def _map_unit(every: dict[str, pd.DataFrame]) -> pd.DataFrame:
    unit = every["mapunit"].drop_duplicates("mukey")
    rating = every["muaggatt"].drop_duplicates("mukey").set_index("mukey")["engdwobdcd"]
    out = unit[["mukey", "musym", "muname"]].assign(dwellings_rating=unit["mukey"].map(rating).astype(object))
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
               "db_oven_dry": "dbovendry_r", "cec_cmol_kg": "cec7_r"}
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
        problems.append(Problem("W-SOIL-017", f"soil survey, table {table}", rule=f"{int(bad.sum())} values are not "
                                "numbers.", remedy="Correct them in the download.", action="Read as missing.",
                                row=int(first) + 1, column=column, value=str(frame.loc[first, column])))
    return values


def _scale(every: dict[str, pd.DataFrame], entry: SoilEntry, problems: list[Problem]) -> int | None:
    """Return the mapping scale: the coarsest of the legends of the map units, or else that of the area file."""
    legend = every["legend"]
    used = legend[legend["lkey"].isin(every["mapunit"]["lkey"])]
    recorded = sorted({int(v) for v in _number(used, "projectscale", "legend", problems).dropna() if v >= 1000})
    if len(recorded) > 1:
        problems.append(Problem("W-SOIL-018", "soil survey, table legend", rule="surveys of different mapping scales.",
                                remedy="Estimate them as separate areas to keep the finer one.",
                                action=f"1:{recorded[-1]} is used for all.", column="projectscale",
                                value=joined(recorded)))
    if recorded:
        return recorded[-1]
    if entry.scale is None:
        problems.append(Problem("W-SOIL-019", "soil survey, table legend", rule="no mapping scale is recorded.",
                                remedy="Set `scale` under [soil].",
                                action="The width of soil boundaries is not given."))
    return entry.scale


def _stored_rating(areas: list[dict[str, pd.DataFrame]], problems: list[Problem]) -> pd.DataFrame | None:
    """Return the survey's own shrink-swell rating per component; an absent sub-rule row means 0.

    It is None when no download contains sub-rules, because then an absent row means nothing.
    """
    import pandas as pd

    ratings = []
    for tables in areas:
        rows = tables.get("cointerp")
        if rows is None:
            continue
        rows = rows[rows["mrulename"] == RATING_RULE]
        if not (pd.to_numeric(rows["ruledepth"], errors="coerce") > 0).any():
            continue
        sub = rows[rows["rulename"] == RATING_SUB_RULE].drop_duplicates("cokey").set_index("cokey")
        rated = rows["cokey"].drop_duplicates()
        value = pd.to_numeric(rated.map(sub["interphr"]), errors="coerce").fillna(0.0).astype(float)
        ratings.append(pd.DataFrame({"component_id": rated.to_numpy(), "rating": value.to_numpy()}))
    if not ratings and any("cointerp" in tables for tables in areas):
        problems.append(Problem("W-SOIL-020", "soil survey, table cointerp", rule="contains no sub-rules.",
                                remedy="Take the download as published to compare.",
                                action=f"Without them {ssurgo_tables.MISSING_MEANS['cointerp']}."))
    return pd.concat(ratings, ignore_index=True) if ratings else None


def source(part: ssurgo_tables.Part, entry: SoilEntry) -> Source:
    """Return the facts on one survey area: names, provider, licence and date of the data."""
    catalog = part.tables.get("sacatalog", _none("sacatalog"))
    symbol = catalog["areasymbol"].fillna("").astype(str)
    catalog = catalog[symbol.str.fullmatch(r"[A-Z]{2}\d{3}|US")]
    names = [f"{s} {n or ''}".strip() for s, n in zip(catalog["areasymbol"], catalog["areaname"], strict=True)]
    dates = sorted(d for d in (_day(v) for v in catalog["saverest"]) if d)
    valid = "" if not dates else dates[0] if dates[0] == dates[-1] else f"{dates[0]}..{dates[-1]}"
    rows = len(part.polygons) if part.polygons is not None else len(part.tables["mapunit"])
    return Source("soil", Path(part.shown), entry.title or joined(names), entry.provider or PROVIDER,
                  entry.licence or LICENCE, entry.credit, entry.valid_date or valid, rows, part.opened)


def _day(value: object) -> str:
    """Return YYYY-MM-DD for the survey's MM/DD/YYYY; empty text for anything else."""
    match = re.match(r"(\d{1,2})/(\d{1,2})/(\d{4})", str(value))
    return f"{match[3]}-{int(match[1]):02d}-{int(match[2]):02d}" if match else ""
