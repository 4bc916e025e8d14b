"""Every table between stages: column, kind, unit, plausible range, meaning.

The columns are defined only here: stages check their tables against it, and the writers take units and meanings from
it. Months are whole numbers, `12 * year + (month - 1)`, and mean the END of the month.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from riskmap.common.errors import TableError, joined

if TYPE_CHECKING:  # names of classes are all that the first page of the window needs of this module
    import pandas as pd
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Column:
    """One column: `kind` is text, integer, number, boolean or geometry; limits are inclusive."""

    name: str
    kind: str
    meaning: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    empty: bool = True  # may the value be missing?


@dataclass(frozen=True)
class Table:
    """A named table with its key and columns. Columns that are not listed may follow and are not checked.

    Each column in `answers` has a finite value, between its `_p10` and `_p90`, in exactly the rows whose `state` is
    empty.
    """

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    answers: tuple[str, ...] = ()

    def column(self, name: str) -> Column:
        """Return the entry of one column; KeyError when it is not declared."""
        return {c.name: c for c in self.columns}[name]


def text(name: str, meaning: str, empty: bool = True) -> Column:
    """Return a text column."""
    return Column(name, "text", meaning, empty=empty)


def whole(name: str, meaning: str, unit: str = "", low: float | None = None, high: float | None = None,
          empty: bool = False) -> Column:
    """Return a column of whole numbers."""
    return Column(name, "integer", meaning, unit, low, high, empty)


def number(name: str, meaning: str, unit: str = "", low: float | None = None, high: float | None = None,
           empty: bool = True) -> Column:
    """Return a column of real numbers."""
    return Column(name, "number", meaning, unit, low, high, empty)


FIRST_MONTH, LAST_MONTH = 12 * 1600, 12 * 2400

# ---------------------------------------------------------------- layers (as read, in our names and units)
MAP_UNIT = Table("map_unit", ("mukey",), (
    text("mukey", "map unit key, always text", empty=False),
    text("musym", "map unit symbol"),
    text("muname", "map unit name"),
    text("dwellings_rating", "stored dominant-condition rating for dwellings without basements"),
))
COMPONENT = Table("component", ("component_id",), (
    text("component_id", "component key of this download; changes at every refresh", empty=False),
    text("mukey", "map unit key", empty=False),
    text("component_name", "component name, usually a soil series"),
    number("component_pct", "representative share of the map unit", "%", 0, 100),
    text("component_kind", "kind of component; `Miscellaneous area` has no soil description"),
    number("rock_depth_cm", "depth to bedrock or a cemented layer; empty when none is recorded", "cm", 0, 1000),
    number("water_table_cm", "shallowest representative wet layer of any month; empty when none", "cm", 0, 1000),
))
HORIZON = Table("horizon", (), (
    text("component_id", "component key", empty=False),
    text("horizon_name", "designation"),
    number("top_cm", "depth of top", "cm", -50, 1000),
    number("bottom_cm", "depth of bottom", "cm", -50, 1000),
    number("lep_low_pct", "linear extensibility, low value", "%", 0, 60),
    number("lep_pct", "linear extensibility, representative value", "%", 0, 60),
    number("lep_high_pct", "linear extensibility, high value", "%", 0, 60),
    number("clay_pct", "clay, representative value", "%", 0, 100),
    number("db_third_bar", "bulk density at 33 kPa", "g/cm3", 0, 3),
    number("db_oven_dry", "bulk density oven dry", "g/cm3", 0, 3),
))
CLIMATE_MONTHLY = Table("climate_monthly", ("cell_id", "month"), (
    text("cell_id", "climate cell: division, county or grid cell, always text", empty=False),
    whole("month", "month number", "month", FIRST_MONTH, LAST_MONTH),
    number("precipitation_mm", "rain and melted snow of the month", "mm", 0, 3000),
    number("temperature_c", "mean air temperature of the month", "degC", -60, 50),
    number("pet_mm", "potential evapotranspiration of the month, only with a declared source", "mm", 0, 500),
))
DROUGHT_WEEKLY = Table("drought_weekly", (), (
    text("valid_date", "valid date of the weekly map, YYYY-MM-DD", empty=False),
    whole("category", "drought category 0-4; never nested, `None` has no polygon", "", 0, 4),
))

# ---------------------------------------------------------------- stages
NO_DROUGHT = "none"  # a current map without drought; readers of CSV often take `None` for an empty value
CATEGORY_MEANING = ("today's drought category at the lot, from the newest weekly map of the present month or the month "
                    "before: D0..D4, none where that map shows no drought; empty when it is not known (no such map, or "
                    "it does not cover the lot)")
LEVEL_MEANING = ("least reliable source of the weather in the last months up to now (24 unless `recent_months` is "
                 "set): 1 rain and temperature, 2 index, 3 weekly category, 4 the usual season (climatology) in a "
                 "month without any of them, 0 none")
# The same in words, as the estimate names it; a lot without weather has no such words.
WEATHER_SOURCES = {1: "rain and temperature", 2: "index", 3: "weekly map", 4: "usual season", 0: ""}
SOURCE_MEANING = ("least reliable source of the weather in the last months up to now (24 unless `recent_months` is "
                  f"set), best first: {', '.join(text for text in WEATHER_SOURCES.values() if text)}; empty where "
                  "there is none")
VALID_DATE_MEANING = "valid date of the map that drought_category is from; empty when that is empty"
LOT = Table("lot", ("lot_row",), (
    whole("lot_row", "position in the input file, from 0; order of every product", "", 0),
    text("lot_id", "identifier as given, always text", empty=False),
    text("state", "why there is no estimate; empty text when there is one", empty=False),
    text("state_reason", "the state in plain words"),
    number("lot_area_m2", "area of the lot in the equal-area projection", "m2", 0),
    whole("pour_early_month", "earliest month of the pour", "month", FIRST_MONTH, LAST_MONTH, empty=True),
    whole("pour_late_month", "latest month of the pour", "month", FIRST_MONTH, LAST_MONTH, empty=True),
    text("pour_date_basis", "where the pour date comes from: date, month, year, range or none"),
    number("half_width_m", "half of the slab's short side", "m", 1, 30),
    text("half_width_basis", "where the slab's short side comes from: given, footprint or unknown", empty=False),
    text("slab_class", "word for the rib depth: unknown, shallow, typical, deep", empty=False),
    number("beam_depth_mm", "total depth of slab and rib as given; empty when unknown", "mm", 100, 2000),
    Column("post_tensioned", "boolean", "true when the lot file says that the slab is prestressed", empty=False),
    number("plan_factor", "factor of the dome for the shape of the plan, 0.92 square to 1 long or unknown", "", 0.9, 1,
           empty=False),
    text("flags", "cautions about this lot, separated by semicolons"),
))
LOT_MAP_UNIT = Table("lot_map_unit", ("lot_row", "mukey"), (
    whole("lot_row", "position of the lot", "", 0),
    text("mukey", "map unit key", empty=False),
    number("share", "share of the lot's area that lies on this map unit", "fraction", 0, 1 + 1e-9, empty=False),
))
LOT_PROFILE = Table("lot_profile", ("lot_row", "profile_id"), (
    whole("lot_row", "position of the lot", "", 0),
    whole("profile_id", "row of the profile table", "", 0),
    number("weight", "probability that the slab is on this profile; the probabilities of a lot add up to 1", "fraction",
           0, 1 + 1e-9, empty=False),
))
LOT_SOIL = Table("lot_soil", ("lot_row",), (
    whole("lot_row", "position of the lot", "", 0),
    text("map_unit_key", "map unit with the largest share"),
    text("map_unit_symbol", "its symbol"),
    text("map_unit_name", "its name"),
    number("map_unit_share", "its share of the lot", "fraction", 0, 1 + 1e-9),
    number("mapped_pct", "part of the lot covered by soil polygons", "%", 0, 100 + 1e-6),
    number("covered_pct", "part of the lot whose soil components have a described profile", "%", 0, 100 + 1e-6),
    number("linear_extensibility_pct", "thickness-weighted mean over 25-100 cm, share-weighted", "%", 0, 60),
    text("shrink_swell_class", "soil-survey class of that mean: low, moderate, high, very high"),
    number("shrink_swell_rating", "soil-survey rating 0-1 of the mean over 25-100 cm, share-weighted", "", 0, 1),
    number("soil_line_distance_m", "distance from the middle of the lot to the nearest soil boundary", "m", 0),
    text("neighbor_unit_name", "map unit on the other side of that line"),
    number("neighbor_unit_share", "probability that the slab is on the neighbouring map unit, from the width of the "
           "boundary", "fraction", 0, 1),
    text("soil_flags", "cautions about the soil data, separated by semicolons"),
))
LOT_CLIMATE = Table("lot_climate", ("lot_row",), (
    whole("lot_row", "position of the lot", "", 0),
    text("cell_id", "climate cell, empty when none covers the lot"),
    whole("driver_level", LEVEL_MEANING, "", 0, 4),
    text("drought_category", CATEGORY_MEANING),
    text("drought_valid_date", VALID_DATE_MEANING),
    text("climate_flags", "cautions about the driver, separated by semicolons"),
))

# Why a row has no estimate, in the order in which they are checked: the first that applies is the row's state.
STATES = {
    "unmatched": "no lot or usable shape found for this row",
    "ambiguous": "more than one lot fits this row",
    "outside_coverage": "outside the soil map or the climate record",
    "not_applicable": "not a slab-on-ground house",
    "no_house_known": "no house is known on this lot",
    "not_yet_poured": "poured this month or later",
    "not_enough_data": "not enough data to estimate this lot",
}
# The phases of a slab's life in their order in time; their limits are in `movement.life`, their words in
# `outputs.words`.
PHASES = ("early_settlement", "dome_growing", "edge_seasonal")
AT_REST = PHASES[-1]  # the middle has stopped rising
# The four marks of what is known about a lot, 1 or 0: column -> what `data_quality` calls it where it is not known.
MARKS = {"soil_known": "soil", "date_known": "pour date", "slab_known": "slab size", "weather_known": "recent weather"}
ALL_KNOWN = "all known"


def not_known(marks: Iterable[bool]) -> str:
    """Return `data_quality` for the marks of a lot in the order of `MARKS`: in words, what is not known."""
    return ", ".join(name for name, known in zip(MARKS.values(), marks, strict=True) if not known) or ALL_KNOWN


# Every value of `data_quality`, those with the fewest gaps first.
DATA_QUALITY = tuple(not_known(marks) for marks in
                     sorted(product((True, False), repeat=len(MARKS)), key=lambda marks: -sum(marks)))
# Bands of the absolute slab deflection; upper limits in mm. Origin: a 12 m span over 360 is 33 mm.
DEFLECTION_BANDS_MM = (5.0, 10.0, 20.0, 35.0)
SOIL_BANDS_MM = (10.0, 25.0, 50.0, 75.0)


def _range(name: str, meaning: str, low: float | None = None, high: float = 2000) -> tuple[Column, ...]:
    return (number(name, f"{meaning}, median of the model runs", "mm", low, high),
            number(f"{name}_p10", f"{meaning}, 10th percentile", "mm", low, high),
            number(f"{name}_p90", f"{meaning}, 90th percentile", "mm", low, high))


def _whatif(year: str, meaning: str) -> tuple[Column, ...]:
    again = f"if the weather of {meaning} past year came again; not a forecast"
    return (*_range(f"whatif_{year}_mm", f"change of the slab's bending from now to twelve months from now, up "
                    f"positive, {again}", -2000),
            *_range(f"whatif_{year}_largest_mm", "the rise or the fall of the slab's bending from now within the next "
                    f"twelve months, whichever is larger in size, with its sign, {again}", -2000))


ESTIMATE = Table("estimate", ("lot_row",), (
    whole("lot_row", "position among the lots of the file, from 0; `explain` shows the row as an editor numbers it",
          "", 0),
    text("lot_id", "identifier as given", empty=False),
    text("state", "why there is no estimate; empty when there is one", empty=False),
    text("state_reason", "the state in plain words"),
    *_range("expected_movement_mm", "largest absolute slab deflection expected within the next 12 months", 0),
    *_range("long_run_mm", "largest absolute slab deflection that the weather of the normal period "
            "gives a slab here whose dome has already grown", 0),
    *_range("bend_now_mm", "slab centre minus slab edge today, up positive, since pour"),
    *_range("change_next_mm", "slab's bending twelve months from now minus its bending now, middle up positive", -2000),
    *_range("rise_next_mm", "how far the middle of the slab rises above its bending now within the next twelve months",
            0),
    *_range("fall_next_mm", "how far the middle of the slab falls below its bending now within the next twelve months, "
            "0 or negative", -2000, 0),
    *(number(f"share_beyond_{level:.0f}mm", "share of model runs and replayed years whose largest absolute slab "
             f"deflection within the next twelve months is beyond {level:.0f} mm; not the chance of damage",
             "fraction", 0, 1)
      for level in DEFLECTION_BANDS_MM[1:]),
    text("direction", "center_lift, edge_lift or near_level (median within 5 mm)"),
    number("bend_largest_up_mm", "largest dome of the slab since pour, median", "mm", -2000, 2000),
    text("bend_largest_up_date", "the month in which the median model run has its largest rise, YYYY-MM"),
    number("bend_largest_down_mm", "deepest dish of the slab since pour, median (0 or negative)", "mm", -2000, 2000),
    number("soil_differential_now_mm", "ground centre minus ground edge today without the slab, median", "mm",
           -2000, 2000),
    number("soil_differential_corner_mm", "ground centre minus ground corner today without the slab, median (1.22 "
           "times the strip, computed)", "mm", -2000, 2000),
    number("edge_now_mm", "ground movement at the slab edge since pour, up positive, median", "mm", -2000, 2000),
    number("middle_now_mm", "ground movement under the slab centre since pour, up positive, median", "mm",
           -2000, 2000),
    number("seasonal_range_mm", "yearly swing of the ground at the slab edge, median of years and model runs", "mm", 0,
           2000),
    *_range("edge_gap_now_mm", "gap between the edge of the slab and the ground under it today, 0 where the edge rests "
            "on the ground", 0),
    number("bend_ratio_now", "largest departure of the slab from its chord over its length, median", "m/m", 0, 1),
    number("share_beyond_l360", "share of model runs and replayed years whose next 12 months exceed length/360; not "
           "the chance of damage", "fraction", 0, 1),
    number("tilt_now_pct", "tilt of the slab from one side to the other today, size, median; the side is not known",
           "%", 0, 50),
    number("tilt_now_pct_p90", "the same, 90th percentile", "%", 0, 50),
    number("share_beyond_1pct_tilt", "share of model runs beyond 1 %; not the chance of damage", "fraction", 0, 1),
    number("tilt_leak_pct", "tilt if a leak had wetted one side for two years (1.5 pF), median", "%", 0, 50),
    number("tilt_watering_pct", "tilt if one side had been watered for two years (0.6 pF), median", "%", 0, 50),
    number("tilt_tree_pct", "tilt if a large tree had dried one side for two years (1.5 pF), median", "%", 0, 50),
    number("settlement_mm", "early settlement so far, median; imposed, not computed from the soil", "mm", 0, 100),
    text("phase", f"likeliest phase of the slab: {PHASES[0]} (an assumed time), then {PHASES[1]} or {PHASES[2]} by the "
         "share of its final movement that the middle has made (95 %)"),
    number("phase_probability", "share of the model runs in which the slab is in that phase", "fraction", 0, 1),
    *_whatif("dry", "a dry"), *_whatif("average", "an average"), *_whatif("wet", "a wet"),
    *(column for n in (1, 2, 3) for column in (
        text(f"reason_{n}", f"reason {n} in words, by size of its contribution"),
        number(f"reason_{n}_mm", f"signed contribution of reason {n} to the difference from the typical lot", "mm",
               -2000, 2000))),
    text("reason_text", "estimate, typical lot and reasons in a sentence, in mm"),
    number("typical_lot_mm", "estimate for the typical lot of the climate cell (see the manifest)", "mm", 0, 2000),
    number("part_soil_mm", "contribution of the soil; with typical_lot_mm, age, weather, slab and gaps it adds up to "
           "the estimate", "mm", -2000, 2000),
    number("part_age_mm", "contribution of age and pour date", "mm", -2000, 2000),
    number("part_weather_mm", "contribution of the weather up to today", "mm", -2000, 2000),
    number("part_slab_mm", "contribution of slab size and stiffness", "mm", -2000, 2000),
    number("part_gaps_mm", "gaps in the data: what is unknown of this lot beyond what is of the typical lot; no "
           "reason", "mm", -2000, 2000),
    number("long_run_typical_mm", "long_run_mm of the typical lot of the climate cell; with the parts of the long run "
           "it adds up to long_run_mm", "mm", 0, 2000),
    number("long_run_part_soil_mm", "part of the difference of long_run_mm from the typical lot that the soil makes",
           "mm", -2000, 2000),
    number("long_run_part_slab_mm", "part of the difference of long_run_mm from the typical lot that slab size and "
           "stiffness make", "mm", -2000, 2000),
    number("long_run_part_gaps_mm", "part of the difference of long_run_mm from the typical lot that gaps in the data "
           "on this lot make; age and this year's weather do not enter the long run", "mm", -2000, 2000),
    text("pour_weather", "of a slab younger than seven years: third of the months of 1951-2020 in which the mean "
         "suction of the five months up to its pour falls: wet, middle, dry; several when the month would decide"),
    number("edge_high_pct", "of a slab younger than seven years: share of the months since the pour in which its edge "
           "stood above its middle, mean of the model runs", "%", 0, 100),
    text("pour_from", "earliest pour month used, YYYY-MM"),
    text("pour_to", "latest pour month used, YYYY-MM"),
    text("pour_date_basis", "date, month, year, range or none"),
    number("slab_width_m", "short side of the slab used", "m", 2, 60),
    text("slab_class", "stiffness class used: unknown, shallow, typical, deep"),
    number("lot_area_m2", "area of the lot", "m2", 0),
    text("map_unit_key", "map unit with the largest share"),
    text("map_unit_symbol", "its symbol"),
    text("map_unit_name", "its name"),
    number("map_unit_share", "its share of the lot", "fraction", 0, 1 + 1e-9),
    number("covered_pct", "part of the lot whose soil has a described profile", "%", 0, 100 + 1e-6),
    number("linear_extensibility_pct", "mean over 25-100 cm", "%", 0, 60),
    text("shrink_swell_class", "soil-survey class of that mean: low, moderate, high, very high"),
    number("shrink_swell_rating", "soil-survey rating 0-1, share-weighted", "", 0, 1),
    number("volume_change_cole_pct", "published method for comparison: volume change from 33 kPa to oven dry, 25-100 "
           "cm", "%", 0, 400),
    number("as2870_surface_movement_mm", "published method for comparison, equation from memory, not verified: AS "
           "2870-type characteristic surface movement", "mm", 0, 2000),
    text("as2870_class", "class of that movement (AS 2870:2011 limits); not a site classification"),
    number("van_der_merwe_heave_mm", "published method for comparison, partly from memory, not verified: Van der Merwe "
           "1964, upper bound", "mm", 0, 5000),
    number("soil_line_distance_m", "distance from the middle of the lot to the nearest soil boundary", "m", 0),
    text("neighbor_unit_name", "map unit on the other side of that line"),
    number("neighbor_unit_share", "probability that the slab is on the neighbouring map unit", "fraction", 0, 1),
    text("cell_id", "climate cell"),
    text("weather_source", SOURCE_MEANING),
    text("drought_category", CATEGORY_MEANING),
    text("drought_valid_date", VALID_DATE_MEANING),
    whole("soil_known", "1 where the linear extensibility of the soil is measured or follows from densities, not from "
          "the clay content, and the soil map covers at least 90 % of the lot, else 0", "", 0, 1),
    whole("date_known", "1 where the pour date is known to the year or better, else 0", "", 0, 1),
    whole("slab_known", "1 where the short side of the slab is given in the lot file or by the outline of a "
          "building, else 0", "", 0, 1),
    whole("weather_known", "1 where rain and temperature are known in the last months up to now (24 unless "
          "`recent_months` is set), else 0", "", 0, 1),
    text("data_quality", f"what is not known about the lot, in words: those of {', '.join(MARKS.values())} whose mark "
         f"is 0, or {ALL_KNOWN!r}", empty=False),
    text("flags", "cautions, separated by semicolons"),
), answers=("expected_movement_mm", "long_run_mm", "bend_now_mm", "change_next_mm", "rise_next_mm",
             "fall_next_mm"))

# Added to the estimate where a calibration was given; the estimate's own columns never change.
CALIBRATED_NUMBERS = ("expected_movement_mm", "long_run_mm", "bend_now_mm")
CALIBRATED = tuple(
    replace(column, name=f"calibrated_{column.name}", meaning=f"{column.meaning}; calibrated against level surveys")
    for name in CALIBRATED_NUMBERS for column in ESTIMATE.columns
    if column.name in (name, f"{name}_p10", f"{name}_p90"))

TABLES = (MAP_UNIT, COMPONENT, HORIZON, CLIMATE_MONTHLY, DROUGHT_WEEKLY, LOT, LOT_MAP_UNIT, LOT_PROFILE, LOT_SOIL,
          LOT_CLIMATE, ESTIMATE)

_LIKELY_MISTAKE = {
    "%": "a fraction given as per cent or the reverse?",
    "fraction": "per cent given as a fraction?",
    "mm": "inches given as millimetres or the reverse?",
    "cm": "metres or inches given as centimetres?",
    "m": "feet given as metres?",
    "degC": "Fahrenheit given as Celsius?",
}


def _pandera_column(column: Column):  # type: ignore[no-untyped-def]
    import pandera.pandas as pa

    kinds = {"text": None, "integer": "Int64", "number": float, "boolean": bool, "geometry": None}
    checks = []
    if column.low is not None:
        checks.append(pa.Check.ge(column.low))
    if column.high is not None:
        checks.append(pa.Check.le(column.high))
    return pa.Column(kinds[column.kind], checks, nullable=column.empty, coerce=column.kind in ("integer", "number"))


def check(table: Table, frame: pd.DataFrame) -> pd.DataFrame:
    """Check a frame against its contract and return it unchanged.

    Raises
    ------
    TableError
        The error lists every failure of the table: missing columns, wrong kinds, values out of range, repeated keys,
        rows with neither an estimate nor a state, or with both.
    """
    told = [] if _surely_right(table, frame) else _failures(table, frame)
    if told := [*told, *_unanswered(table, frame)]:
        raise TableError("\n".join(told))
    return frame


def _failures(table: Table, frame: pd.DataFrame) -> list[str]:
    """Look at every column closely; return what is wrong, in lines."""
    import pandas as pd
    import pandera.pandas as pa  # late: most tables are right, and it takes longer to load than they to check

    plain = pd.DataFrame({c.name: frame[c.name] for c in table.columns if c.name in frame})
    schema = pa.DataFrameSchema({c.name: _pandera_column(c) for c in table.columns}, unique=list(table.key) or None)
    try:
        schema.validate(plain, lazy=True)
    except pa.errors.SchemaErrors as error:
        return [_told(table, error.failure_cases)]
    return []


_KINDS = {"integer": "i", "number": "fi", "boolean": "b"}  # letters of NumPy


def _surely_right(table: Table, frame: pd.DataFrame) -> bool:
    """Return whether every column and the key keep their contract at first sight; False means: look closely."""
    if not frame.columns.is_unique or not {column.name for column in table.columns} <= set(frame.columns):
        return False
    return all(_column_surely_right(column, frame[column.name]) for column in table.columns) \
        and not (table.key and frame.duplicated(list(table.key)).any())


def _column_surely_right(column: Column, values: pd.Series) -> bool:
    """Return whether a column has the very kind that is asked for, no value is missing or beyond a limit.

    Whatever would have to be converted first, such as numbers stored as text, is left to the close look.
    """
    if column.kind in ("text", "geometry"):
        return column.empty or not values.isna().any()
    if values.dtype.kind not in _KINDS[column.kind] or values.dtype == "boolean":  # it may have missing values
        return False
    missing = values.isna().to_numpy()
    found = values.fillna(0).to_numpy(values.dtype.kind + "8") if missing.any() else values.to_numpy()
    if missing.any() and not column.empty:
        return False
    inside = np.ones(len(found), bool)
    if column.low is not None:
        inside &= found >= column.low
    if column.high is not None:
        inside &= found <= column.high
    return bool((inside | missing).all())


ROUNDING = 1e-6  # for percentiles and for tables that were rounded on writing; in the unit of the column


def _unanswered(table: Table, frame: pd.DataFrame) -> list[str]:
    """Return a line for each way in which rows have no estimate and no state, both, or an estimate off its range."""
    import pandas as pd

    names = [f"{name}{part}" for name in table.answers for part in ("", "_p10", "_p90")]
    if not names or not {"state", *names} <= set(frame):
        return []
    value = frame[names].apply(pd.to_numeric, errors="coerce").to_numpy(float)
    has_state = (frame["state"].fillna("") != "").to_numpy()
    finite = np.isfinite(value)
    middle, low, high = (value[:, k::3] for k in range(3))
    faults = {"neither an estimate nor a state": ~has_state & ~finite.all(axis=1),
              "an estimate next to a state": has_state & ~np.isnan(value).all(axis=1),
              "an estimate outside its own range": ((low > middle + ROUNDING) | (middle > high + ROUNDING)).any(axis=1)}
    return [f"table '{table.name}': {int(rows.sum())} rows have {what}: {joined(frame[table.key[0]][rows], limit=4)}."
            for what, rows in faults.items() if rows.any()]


def _told(table: Table, failures: pd.DataFrame) -> str:
    lines = []
    for (name, rule), group in failures.groupby(["column", "check"], dropna=False, sort=False):
        known = {c.name: c for c in table.columns}.get(str(name))
        unit = f" {known.unit}" if known and known.unit else ""
        hint = _LIKELY_MISTAKE.get(known.unit, "") if known and "than_or_equal" in str(rule) else ""
        values = joined(group["failure_case"].unique(), limit=4)
        lines.append(f"table '{table.name}' column '{name}': {len(group)} rows break '{rule}'{unit}: {values}. {hint}")
    return "\n".join(line.strip() for line in lines)


def flag_texts(masks: dict[str, NDArray[np.bool_]]) -> NDArray[np.object_]:
    """Return one text per row with the names of the masks that are true there; each combination is written once."""
    names = list(masks)
    code = sum((masks[name].astype(np.int64) << bit for bit, name in enumerate(names)), np.int64(0))
    codes, position = np.unique(code, return_inverse=True)
    texts = [join_flags(name for bit, name in enumerate(names) if int(one) >> bit & 1) for one in codes]
    return np.array([*texts, ""], dtype=object)[position.ravel()]


def join_flags(parts: Iterable[str]) -> str:
    """Return flags as one text: each flag once, in a fixed order."""
    return ";".join(sorted({p for part in parts for p in str(part).split(";") if p}))
