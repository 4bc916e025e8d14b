"""Judge a soil survey as a whole and row by row, before anything is computed from it.

In: the tables of one survey area under the survey's own names, every value as text. Out: the same tables without what
cannot be used. A survey whose values can only come from a wrong unit is refused; medians decide, so that no single
value does. A value outside its published range is removed. Rows that contradict each other are all left out, and what
depends on them counts as not described. Nothing is averaged and nothing is corrected.

The ranges are those that every download states itself: minimum, maximum and unit of each column in `mstabcol.txt` (the
survey's column definitions, equal in the files of 2020, 2021 and 2022). All 2,203 horizons of the eight measured
surveys pass every rule here.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

from riskmap.common.errors import LayerError, counted, joined
from riskmap.common.problems import Problem, first_rows

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.layers.ssurgo_tables import Part

    Tables = dict[str, pd.DataFrame]


@dataclass(frozen=True)
class _Range:
    """Published range of a column."""

    table: str
    column: str
    low: float
    high: float
    unit: str


_RANGES = (
    _Range("component", "comppct_r", 0.0, 100.0, "percent"),
    _Range("chorizon", "hzdept_r", -50.0, 9999.0, "cm"),  # published from 0; old surveys count organic layers upwards
    _Range("chorizon", "hzdepb_r", -50.0, 9999.0, "cm"),
    _Range("chorizon", "sandtotal_r", 0.0, 100.0, "percent"),
    _Range("chorizon", "silttotal_r", 0.0, 100.0, "percent"),
    _Range("chorizon", "claytotal_r", 0.0, 100.0, "percent"),
    _Range("chorizon", "dbthirdbar_r", 0.02, 2.6, "g/cm3"),
    _Range("chorizon", "dbovendry_r", 0.02, 2.6, "g/cm3"),
    _Range("chorizon", "lep_l", 0.0, 30.0, "percent"),
    _Range("chorizon", "lep_r", 0.0, 30.0, "percent"),
    _Range("chorizon", "lep_h", 0.0, 30.0, "percent"),
    _Range("chorizon", "cec7_r", 0.0, 400.0, "cmol(+)/kg"),
)
# What makes a key identify one row, and the rows that cannot be used when a key has two: everything that refers to it.
_KEYS = {"mapunit": "mukey", "component": "cokey", "chorizon": "chkey", "muaggatt": "mukey", "comonth": "comonthkey"}
_HORIZON_VALUES = ("sandtotal_r", "silttotal_r", "claytotal_r", "dbthirdbar_r", "dbovendry_r", "lep_l", "lep_r",
                   "lep_h", "cec7_r")
_TEXTURE = ("sandtotal_r", "silttotal_r", "claytotal_r")

SUM_TOLERANCE_PCT = 2.0  # judgement: three roundings make 0.15; all 2,072 measured sums are 100.0
SUM_TOLERANCE_SHARE = 0.05  # the same for shares of 1, wider for two decimals (judgement)
CLAYEY_PCT, FEWEST_CLAYEY = 30.0, 3  # judgement: in soil with less clay an extensibility near 0 is usual
LARGEST_SHARE_LEP = 0.30  # 30 percent, the published maximum, as a share of 1
LARGEST_DENSITY = 2.6  # g/cm3, published maximum
# Judgement: soils are described to 60 or 80 inches, 152 or 203 cm, unless rock ends them (the medians of eight surveys
# are 183 to 203 cm, the smallest depth of components without a restriction is 102 cm: measured).
DEEPEST_AS_METRES, DEEPEST_AS_INCHES, DEEPEST_CM = 10.0, 85.0, 1000.0
FEWEST_DEPTHS = 3  # judgement: less than this is a shallow description, which is used with a caution
LARGEST_SUM_PCT = 110.0  # judgement: after edits by hand sums miss 100 by a few; all measured sums are 100


def judged(part: Part, problems: list[Problem]) -> Part:
    """Return a survey area without the rows and values that cannot be used.

    Parameters
    ----------
    part : Part
        Tables of one survey area; a row's number in its file is its index + 1.
    problems : list of Problem
        Findings are added to it.

    Raises
    ------
    LayerError
        When values of the survey as a whole can only come from a wrong unit; every such column is reported.
    """
    tables = _each_key_once(dict(part.tables), part.shown, problems)
    refusals = [f"{code} {part.shown} {said}" for code, said in _wrong_units(tables)]
    if refusals:
        raise LayerError("\n".join(refusals))
    _shallow(tables, part.shown, problems)
    tables = _within_ranges(tables, part.shown, problems)
    tables["chorizon"] = _textures(tables["chorizon"], f"{part.shown} table chorizon", problems)
    _densities(tables["chorizon"], f"{part.shown} table chorizon", problems)
    tables["component"] = _sums(tables["component"], f"{part.shown} table component", problems)
    return dataclasses.replace(part, tables=tables)


def _number(frame: pd.DataFrame, column: str) -> pd.Series:
    """Return a column of texts as numbers, nan where there is none.

    Texts that are not numbers are reported by a later step.
    """
    import pandas as pd

    values = pd.to_numeric(frame[column], errors="coerce").astype(float)
    return values.where(values.abs() < float("inf"))


def _of_rows(frame: pd.DataFrame) -> list[int]:
    """Return the row numbers of a table as the file counts them."""
    return [int(k) + 1 for k in frame.index]


# ---------------------------------------------------------------- keys
def _each_key_once(tables: Tables, shown: str, problems: list[Problem]) -> Tables:
    """Return the tables with each key once.

    Rows that contradict each other are left out, with all that refers to them.
    """
    for table, key in _KEYS.items():
        frame = tables.get(table)
        if frame is None or frame.empty:
            continue
        again = frame[frame[key].notna() & frame[key].duplicated(keep=False)]
        if again.empty:
            continue
        different = again.drop_duplicates()
        clash = set(different.loc[different[key].duplicated(keep=False), key])
        where = f"{shown} table {table}"
        same = again[~again[key].isin(clash)]
        if len(same):
            problems.append(Problem(
                "W-SOIL-069", where, rule=f"the same {key} is in more than one row, with the same values (rows "
                f"{first_rows(_of_rows(same))}).", remedy="Remove the copies.", action="Each key is used once.",
                row=_of_rows(same)[0], column=key, value=joined(same[key].unique(), 4)))
        if clash:
            odd = again[again[key].isin(clash)]
            problems.append(Problem(
                "E-SOIL-070", where, rule=f"the same {key} is in more than one row, with different values (rows "
                f"{first_rows(_of_rows(odd))}).", remedy="Keep the right row of each key.",
                action="None of these rows is used; the ground that depends on them counts as not described.",
                row=_of_rows(odd)[0], column=key, value=joined(sorted(clash), 4)))
        tables[table] = frame[~frame.index.isin(same.index[same[key].duplicated()])]
        tables = _without(tables, table, key, clash)
    return tables


def _without(tables: Tables, table: str, key: str, clash: set[str]) -> Tables:
    """Return the tables without rows of contradictory keys.

    A horizon keeps its depths, so that nothing else fills it.
    """
    frame = tables[table]
    if table == "chorizon":
        values = [c for c in _HORIZON_VALUES if c in frame]
        tables[table] = frame.copy()
        tables[table].loc[frame[key].isin(clash), values] = None
        return tables
    tables[table] = frame[~frame[key].isin(clash)]
    if table == "mapunit":  # it is not known which components are in the ground of its polygons
        tables["component"] = tables["component"][~tables["component"]["mukey"].isin(clash)]
    return tables


# ---------------------------------------------------------------- the survey as a whole
def _wrong_units(tables: Tables) -> list[tuple[str, str]]:
    """Return (code, what was seen and what to do) for every quantity that can only be in another unit."""
    faults = [*_as_shares(tables["chorizon"]), *_densities_unit(tables["chorizon"]), *_depths_unit(tables)]
    total = _pct_sums(tables["component"])
    if len(total) and abs(float(total.median()) - 1.0) <= SUM_TOLERANCE_SHARE:
        faults.append(("E-SOIL-065", f"table component column comppct_r: the components of a map unit sum to "
                       f"{total.median():.2f} in the middle of {counted(len(total), 'map unit')}, and not to 100: "
                       "shares of 1 are given as percent. Multiply them by 100."))
    return faults


def _as_shares(h: pd.DataFrame) -> list[tuple[str, str]]:
    sand, silt, clay = (_number(h, c) for c in _TEXTURE)
    total = (sand + silt + clay).dropna()
    lep = _number(h, "lep_r")
    clayey = lep[(clay >= CLAYEY_PCT) & (lep > 0)]
    out = []
    if len(total) and abs(float(total.median()) - 1.0) <= SUM_TOLERANCE_SHARE:
        out.append(("E-SOIL-061", "table chorizon columns sandtotal_r, silttotal_r, claytotal_r: sand, silt and clay "
                    f"sum to {total.median():.2f} in the middle of {counted(len(total), 'horizon')}, and not to 100; "
                    f"the largest clay content is {clay.max():g}: shares of 1 are given as percent. Multiply them, and "
                    "the linear extensibility (lep_l, lep_r, lep_h) if it is a share too, by 100."))
    elif clay.notna().any() and 0 < clay.max() <= 1:
        out.append(("E-SOIL-061", f"table chorizon column claytotal_r: the largest of {int(clay.notna().sum()):,} clay "
                    f"contents is {clay.max():g}: shares of 1 are given as percent. Multiply them by 100."))
    if len(clayey) >= FEWEST_CLAYEY and clayey.median() <= LARGEST_SHARE_LEP:
        out.append(("E-SOIL-062", f"table chorizon column lep_r: linear extensibility is {clayey.median():.2g} in the "
                    f"middle of {counted(len(clayey), 'horizon')} with {CLAYEY_PCT:g} % clay or more: shares of 1 are "
                    "given as percent. Multiply lep_l, lep_r and lep_h by 100."))
    return out


def _densities_unit(h: pd.DataFrame) -> list[tuple[str, str]]:
    out = []
    for column in ("dbthirdbar_r", "dbovendry_r"):
        middle = _number(h, column).median()
        if middle > LARGEST_DENSITY:
            out.append(("E-SOIL-063", f"table chorizon column {column}: bulk density is {middle:g} in the middle "
                        f"horizon; in g/cm3 it is {LARGEST_DENSITY:g} at most: "
                        + ("kg/m3 are given. Divide it by 1,000." if middle > 200 else  # judgement: between both units
                           "another unit is given, perhaps lb/ft3. Convert it to g/cm3 (lb/ft3 divided by 62.43).")))
    return out


def _depths(tables: Tables) -> pd.Series:
    """Return to what depth each component without a recorded restriction is described. [cm]"""
    h = tables["chorizon"]
    deepest = _number(h, "hzdepb_r").groupby(h["cokey"].to_numpy()).max().dropna()
    return deepest[~deepest.index.isin(tables["corestrictions"]["cokey"])]


def _depths_unit(tables: Tables) -> list[tuple[str, str]]:
    deepest = _depths(tables)
    middle = deepest.median()
    unit = ("metres" if middle <= DEEPEST_AS_METRES else "millimetres" if middle > DEEPEST_CM else
            "inches" if middle <= DEEPEST_AS_INCHES and len(deepest) >= FEWEST_DEPTHS else "")
    if not len(deepest) or not unit:
        return []
    return [("E-SOIL-064", f"table chorizon column hzdepb_r: {counted(len(deepest), 'component')} without a recorded "
             f"restriction end at a depth of {middle:g} in the middle; surveys describe 102 to 231 cm: "
             f"{unit} are given as centimetres. Convert hzdept_r and hzdepb_r to cm.")]


def _shallow(tables: Tables, shown: str, problems: list[Problem]) -> None:
    deepest = _depths(tables)
    if len(deepest) and deepest.median() <= DEEPEST_AS_INCHES:
        problems.append(Problem("W-SOIL-072", f"{shown} table chorizon", rule=f"{counted(len(deepest), 'component')} "
                                f"without a recorded restriction end at a depth of {deepest.median():g} cm in the "
                                "middle; surveys describe 102 to 231 cm.", remedy="Check the unit: inches given as "
                                "centimetres?", action="Used as given.", column="hzdepb_r"))


# ---------------------------------------------------------------- row by row
def _within_ranges(tables: Tables, shown: str, problems: list[Problem]) -> Tables:
    """Return the tables without values outside their published ranges, each reported."""
    for limit in _RANGES:
        frame = tables[limit.table]
        value = _number(frame, limit.column)
        bad = (value < limit.low) | (value > limit.high)
        if not bad.any():
            continue
        lost = frame[bad]
        problems += [Problem("E-SOIL-066", f"{shown} table {limit.table}", rule=f"must lie within {limit.low:g}.."
                             f"{limit.high:g} {limit.unit}.", remedy="Correct the value or its unit.",
                             action="The value is treated as missing.", row=row, column=limit.column, value=text)
                     for row, text in zip(_of_rows(lost), lost[limit.column], strict=True)]
        tables[limit.table] = frame.assign(**{limit.column: frame[limit.column].where(~bad, None)})
    return tables


def _textures(h: pd.DataFrame, where: str, problems: list[Problem]) -> pd.DataFrame:
    """Return the horizons without the values that their sum of sand, silt and clay contradicts.

    A sum near 1 among sums near 100 means a horizon in shares, and none of its values is used. Any other wrong sum puts
    clay in doubt.
    """
    sand, silt, clay = (_number(h, c) for c in _TEXTURE)
    total = sand + silt + clay
    odd = (total - 100.0).abs() > SUM_TOLERANCE_PCT
    shares = odd & ((total - 1.0).abs() <= SUM_TOLERANCE_SHARE)
    for mask, code, columns, action in (
            (shares, "E-SOIL-068", [c for c in _HORIZON_VALUES if c in h],
             "The horizon is in shares of 1: none of its values is used."),
            (odd & ~shares, "E-SOIL-067", ["claytotal_r"], "The clay content is not used.")):
        if not mask.any():
            continue
        problems += [Problem(code, where, rule="sand, silt and clay must sum to 100 percent.", remedy="Correct them.",
                             action=action, row=row, column="claytotal_r", value=f"{a:g} + {b:g} + {c:g} = "
                             f"{a + b + c:g}")
                     for row, a, b, c in zip(_of_rows(h[mask]), sand[mask], silt[mask], clay[mask], strict=True)]
        h = h.copy()
        h.loc[mask, columns] = None
    return h


def _densities(h: pd.DataFrame, where: str, problems: list[Problem]) -> None:
    """Report horizons that would grow when they dry; `lep_from_bulk_density` gives no value for them."""
    third, dry = _number(h, "dbthirdbar_r"), _number(h, "dbovendry_r")
    bad = dry < third
    problems += [Problem("W-SOIL-076", where, rule="the oven-dry bulk density must not be below that at 1/3 bar.",
                         remedy="Correct them.", action="No linear extensibility is computed from them.", row=row,
                         column="dbovendry_r", value=f"{b:g} below {a:g}")
                 for row, a, b in zip(_of_rows(h[bad]), third[bad], dry[bad], strict=True)]


def _pct_sums(c: pd.DataFrame) -> pd.Series:
    """Return the sum of the components of each map unit that has any percentage."""
    pct = _number(c, "comppct_r")
    return pct[pct.notna()].groupby(c.loc[pct.notna(), "mukey"].to_numpy()).sum()


def _sums(c: pd.DataFrame, where: str, problems: list[Problem]) -> pd.DataFrame:
    """Return the components without the percentages of map units that have far more than 100 percent in total."""
    total = _pct_sums(c)
    over = total[total > LARGEST_SUM_PCT]
    if over.empty:
        return c
    mask = c["mukey"].isin(over.index)
    first = {key: row for row, key in reversed(list(zip(_of_rows(c[mask]), c.loc[mask, "mukey"], strict=True)))}
    problems += [Problem("E-SOIL-071", where, rule="the components of a map unit must not sum to more than "
                         f"{LARGEST_SUM_PCT:g} percent.", remedy="Look for a component that is there twice.",
                         action="None of its percentages is used; its ground counts as not described.", row=first[key],
                         column="comppct_r", value=f"{key}: {value:g}") for key, value in over.items()]
    return c.assign(comppct_r=c["comppct_r"].where(~mask, None))
