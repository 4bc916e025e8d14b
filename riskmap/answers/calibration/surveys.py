"""The table of survey results: it is read, checked row by row and matched to the lots of a run.

One row is one comparison: the height of the middle above the edge in one month, or the change of that height between
two months. Only the columns listed here are read. Who measured becomes a number (`source 1`): names go no further.

Rows of one house that contradict each other are reported, and the whole house is left out: nothing says which row is
right, and a mean of them is not a measurement. This covers two values of the same dates, values and changes that do not
add up (`survey.contradictions.normalized`, with the reading_sd_mm of each row), a survey before the slab was poured,
and a survey in the future. A source is left out too when all its single surveys are level within the reading error: new
slabs differ by more, so its values are in another unit.
"""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers.survey import contradictions
from riskmap.answers.survey.levels import READING_SD_MM
from riskmap.answers.survey.readings import UNIT_WORDS
from riskmap.common.errors import LayerError, joined, shown
from riskmap.common.month_numbers import month_name, month_number
from riskmap.common.problems import Problem
from riskmap.common.units import MM_PER_INCH
from riskmap.layers.lots_columns import is_personal
from riskmap.outputs.files import csv_table

if TYPE_CHECKING:
    from riskmap.common.results import Results

COLUMNS = ("lot_id", "first_date", "second_date", "change_mm", "dome_mm", "reading_sd_mm", "source", "block", "exclude",
           "unit")
INCHES = {"change_in": "change_mm", "dome_in": "dome_mm", "reading_sd_in": "reading_sd_mm"}
MOST_BYTES = 5 * 1024**2  # judgement: a row has about sixty bytes
MOST_ROWS = 2000  # judgement: the covariance of all rows is solved at once
LONGEST_CELL = 200
LARGEST_MM = 300.0  # judgement: a foot; more is a wrong unit or another quantity
SD_LIMITS_MM = (0.1, 25.0)  # judgement
# computed: as-built domes have a standard deviation of 6.75 mm, so six are all within 2.54 mm in fewer than one case in
# a thousand
FEWEST_FLAT = 6

# Places that represent groups of people, in addition to what a lot file may not contain.
_PLACES = re.compile(r"zip\w*|postcode\w*|postal\w*|tract\w*|census\w*|geoid\w*|blockgroup\w*|neighbou?rhood\w*|"
                     r"population\w*|household\w*|percent|minority\w*|poverty\w*|nationality\w*|language\w*")
_NUMBER = re.compile(r"[+-]?[0-9]{1,6}(\.[0-9]{0,9})?")
_DATE = re.compile(r"([0-9]{4})-([0-9]{2})(-[0-9]{2})?")
_NO_MONTH = -1


def read(path: Path) -> tuple[pd.DataFrame, list[Problem]]:
    """Read a CSV of survey results.

    Parameters
    ----------
    path : Path
        Columns: lot_id, first_date; second_date and change_mm (second minus first), or dome_mm (middle minus edge at
        first_date); optional reading_sd_mm, source, block, exclude. For inches: change_in, dome_in, reading_sd_in.

    Returns
    -------
    DataFrame
        One row for every row of the file: row, lot_id, kind (`change`, `single`), first_month, second_month (-1
        without), value_mm, reading_sd_mm, source, block, why (code of the finding that bars the row, or empty).
    list of Problem

    Raises
    ------
    LayerError
        When the file is not such a table.
    """
    name = path.name
    texts, problems = _texts(path, name)
    out = pd.DataFrame({"row": texts["row"].to_numpy(np.int64), "lot_id": texts["lot_id"], "why": ""})
    marker = RowMarker(name, out, problems)
    marker.bar(texts["exclude"] != "", "W-CAL-014", "exclude", pd.Series([""] * len(texts)),
               rule="the row is excluded by its own column.", remedy="Leave exclude empty to use it.")
    marker.bar(texts["lot_id"] == "", "E-CAL-010", "lot_id", texts["lot_id"], rule="a row needs the lot it was "
               "measured on.", remedy="Write the lot_id of the run.")
    for ours, column in (("first_month", "first_date"), ("second_month", "second_date")):
        out[ours] = _months(texts[column], marker, column, needed=ours == "first_month")
    change = (texts["second_date"] != "").to_numpy()
    out["kind"] = np.where(change, "change", "single")
    marker.bar(change & (out["second_month"] <= out["first_month"]), "E-CAL-021", "second_date", texts["second_date"],
               rule="the second survey must be of a later month than the first.", remedy="Correct the dates, or swap "
               "them.")
    values = {column: _numbers(texts[column], marker, column) for column in ("change_mm", "dome_mm", "reading_sd_mm")}
    for kind, column in (("change", "change_mm"), ("single", "dome_mm")):
        of_kind = (out["kind"] == kind).to_numpy()
        marker.bar(of_kind & (texts[column] == "").to_numpy(), "E-CAL-032", column, texts[column],
                   rule=f"a {'row with' if kind == 'change' else 'row without'} second_date needs {column}.",
                   remedy="Give the measured value, or correct the dates.")
        marker.bar(of_kind & (np.abs(values[column]) > LARGEST_MM), "E-CAL-031", column, texts[column],
                   rule=f"beyond {LARGEST_MM:g} mm either way.", remedy="Check unit and sign; levels of single points "
                   "do not belong here.")
    out["value_mm"] = np.where(change, values["change_mm"], values["dome_mm"])
    sd = np.where(texts["reading_sd_mm"] == "", READING_SD_MM * np.where(change, np.sqrt(2.0), 1.0),
                  values["reading_sd_mm"])  # a change has the errors of two readings
    marker.bar((sd < SD_LIMITS_MM[0]) | (sd > SD_LIMITS_MM[1]), "E-CAL-033", "reading_sd_mm", texts["reading_sd_mm"],
               rule=f"a standard deviation lies between {SD_LIMITS_MM[0]:g} and {SD_LIMITS_MM[1]:g} mm.",
               remedy=f"Leave it empty for {READING_SD_MM} mm a reading.")
    out["reading_sd_mm"] = sd
    codes = pd.factorize(texts["source"])[0] + 1
    out["source"] = [f"source {k}" for k in codes.tolist()]
    if (texts["source"] != "").any():
        problems.append(Problem("W-CAL-052", name, rule="surveyors' names are replaced by numbers for privacy.",
                                remedy="None needed.", action="Names become source 1, source 2 and so on, in the order "
                                "in which they first appear.", column="source"))
    out["block"] = texts["block"]
    _bar_units(marker, out, texts)
    _bar_contradictions(marker, out, texts["lot_id"])
    twice = out.duplicated(["lot_id", "kind", "first_month", "second_month"]) & (out["why"] == "")
    marker.bar(twice, "E-CAL-040", "lot_id", texts["lot_id"], rule="this lot has an earlier row of the same dates.",
               remedy="Keep one row per house and survey.")
    blocks = out[(out["block"] != "") & (out["why"] == "")].groupby("lot_id")["block"].nunique()
    marker.bar(out["lot_id"].isin(blocks.index[blocks > 1]), "E-CAL-041", "block", texts["block"],
               rule="the rows of this house name different blocks.", remedy="A house lies in one block.")
    return out, problems


def _bar_units(marker: RowMarker, table: pd.DataFrame, texts: pd.DataFrame) -> None:
    """Bar rows whose own unit differs from that of the columns, and sources whose values look as if in another unit."""
    unit = texts["unit"].str.lower().map(lambda text: UNIT_WORDS.get(text, text))
    named = np.where(table["kind"] == "change", texts["change_unit"], texts["dome_unit"])
    marker.bar((unit != "") & (unit != named), "E-CAL-065", "unit", texts["unit"], rule="the row's unit is not that of "
               "the column with its value.", remedy="Convert the value, or correct the unit.")
    single = (table["kind"] == "single") & (table["why"] == "")
    flat = (table["value_mm"].abs() < READING_SD_MM).where(single)
    of_source = flat.groupby(texts["source"])
    marker.bar(single & (of_source.transform("count") >= FEWEST_FLAT) & (of_source.transform("min") == 1), "E-CAL-066",
               "dome_mm", table["value_mm"].map("{:.2f}".format), rule=f"all single surveys of this source are within "
               f"{READING_SD_MM} mm of level, and new slabs differ by more.",
               remedy="Check whether they are in inches or metres.")


def _bar_contradictions(marker: RowMarker, table: pd.DataFrame, lot: pd.Series) -> None:
    """Bar all rows of a house whose values and changes contradict each other.

    The unknowns are the values in its months.
    """
    usable = table[table["why"] == ""]
    for _, rows in usable[usable.duplicated("lot_id", keep=False)].groupby("lot_id", sort=False):
        months = sorted({*rows["first_month"], *rows.loc[rows["kind"] == "change", "second_month"]})
        change = (rows["kind"] == "change").to_numpy()
        first = rows["first_month"].to_numpy()[:, None] == np.array(months)
        second = (rows["second_month"].to_numpy()[:, None] == np.array(months)) & change[:, None]
        design = np.where(change[:, None], second.astype(float) - first, first.astype(float))
        _, together = contradictions.normalized(design, rows["value_mm"].to_numpy(float),
                                                rows["reading_sd_mm"].to_numpy(float))
        if not together:
            named = ", ".join(str(row) for row in rows["row"])
            marker.bar(table.index.isin(rows.index), "E-CAL-063", "lot_id", lot, rule=f"the rows {named} of this house "
                       "contradict each other by more than their reading errors explain.",
                       remedy="Correct or remove the row that is wrong; until then none of the house is compared.")


def bar_rest_of_house(marker: RowMarker, table: pd.DataFrame, mask: NDArray[np.bool_]) -> None:
    """Bar the other rows of houses with a marked row: its dates contradict, so the dates or the house are wrong."""
    others = table["lot_id"].isin(table.loc[mask, "lot_id"]).to_numpy() & (table["why"] == "").to_numpy() & ~mask
    marker.bar(others, "E-CAL-064", "lot_id", table["lot_id"], rule="another row of this house has a date that cannot "
               "be.", remedy="Correct that row's date, the house's lot_id or its pour date; until then none of the "
               "house is compared.")


class RowMarker:
    """Marks rows that cannot be used and says why. The table shows the first finding of each row."""

    def __init__(self, name: str, table: pd.DataFrame, problems: list[Problem]) -> None:
        """Take the file's name, the table whose column `why` is filled, and the list to which findings are added."""
        self.name, self.table, self.problems = name, table, problems

    def bar(self, mask: object, code: str, column: str, values: pd.Series, *, rule: str, remedy: str) -> None:
        """Bar the marked rows; each row is reported once per rule."""
        where = np.flatnonzero(np.asarray(mask, dtype=bool))
        for i in where.tolist():
            self.problems.append(Problem(code, self.name, rule=rule, remedy=remedy, action="Row kept in the table, not "
                                         "compared.", row=int(self.table["row"].iloc[i]), column=column,
                                         value=shown(values.iloc[i])))
        free = where[(self.table["why"].to_numpy()[where] == "")]
        self.table.loc[self.table.index[free], "why"] = code


def _texts(path: Path, name: str) -> tuple[pd.DataFrame, list[Problem]]:
    rows = _lines(path, name)
    header = [cell.strip().lower() for cell in rows[0][1]]
    while header and not header[-1]:
        header.pop()
    repeated = sorted({cell for cell in header if cell and header.count(cell) > 1})
    if repeated:
        raise LayerError(f"E-CAL-005 {name}: columns appear twice: {joined(repeated)}. Rename or remove one.")
    known = [*COLUMNS, *INCHES]
    needed = {"lot_id", "first_date"}
    if not needed <= set(header) or not {"change_mm", "change_in", "dome_mm", "dome_in"} & set(header):
        raise LayerError(f"E-CAL-004 {name}: the columns are {joined(header, 20)}; needed are lot_id, first_date and "
                         "change_mm (with second_date) or dome_mm.")
    both = [f"{inch} and {mm}" for inch, mm in INCHES.items() if inch in header and mm in header]
    if both:
        raise LayerError(f"E-CAL-005 {name}: two columns give the same value: {joined(both)}. Remove one.")
    for number, cells in rows[1:]:
        if any(cell.strip() for cell in cells[len(header):]):
            raise LayerError(f"E-CAL-006 {name} row {number}: more cells than the header has. Put text with commas in "
                             "double quotes; the decimal mark is a point.")
        if max(map(len, cells)) > LONGEST_CELL:
            raise LayerError(f"E-CAL-080 {name} row {number}: a cell is longer than {LONGEST_CELL} characters; no "
                             "value here needs that.")
    place = {column: k for k, column in enumerate(header)}
    out = pd.DataFrame({"row": [number for number, _ in rows[1:]]})
    for column in known:
        k = place.get(column, -1)
        out[column] = [cells[k].strip() if 0 <= k < len(cells) else "" for _, cells in rows[1:]]
    for kind in ("change", "dome"):
        out[f"{kind}_unit"] = "in" if f"{kind}_in" in place else "mm"
    for inch, mm in INCHES.items():
        if inch in place:
            out[mm] = [f"{float(cell) * MM_PER_INCH:.6f}" if _NUMBER.fullmatch(cell) else cell for cell in out[inch]]
    return out.drop(columns=list(INCHES)), _dropped([c for c in header if c not in known], name)


def _dropped(columns: list[str], name: str) -> list[Problem]:
    """Return findings on columns that are dropped: those about people or their groups, and others.

    They contain only the names of the columns.
    """
    people = [c for c in columns if is_personal(c) or any(_PLACES.fullmatch(w) for w in re.split(r"[\W_]+", c))]
    other = [c for c in columns if c and c not in people]
    out = []
    if people:
        out.append(Problem("W-CAL-050", name, rule="columns about people or their places are refused: "
                           f"{joined(people, 40)}.", remedy="Remove them from the file that you pass on.",
                           action="Not kept, not used, not written."))
    if other:
        out.append(Problem("W-CAL-051", name, rule=f"columns that are not used: {joined(other, 40)}.",
                           remedy=f"Columns read: {', '.join(COLUMNS)}.", action="Not kept."))
    return out


def _lines(path: Path, name: str) -> list[tuple[int, list[str]]]:
    if not path.is_file():
        raise LayerError(f"E-CAL-000 {name}: there is no such file. Name a CSV of survey results.")
    if path.stat().st_size > MOST_BYTES:
        raise LayerError(f"E-CAL-001 {name}: more than {MOST_BYTES:,} bytes; survey results are far less.")
    try:
        reader = csv.reader(io.StringIO(path.read_bytes().decode("utf-8-sig"), newline=""))
        rows = [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]
    except (UnicodeDecodeError, csv.Error) as error:
        raise LayerError(f"E-CAL-002 {name}: not a readable CSV in UTF-8 ({type(error).__name__}). Save it as "
                         "such.") from None
    if len(rows) < 2:
        raise LayerError(f"E-CAL-003 {name}: there is no row below the header.")
    if len(rows) - 1 > MOST_ROWS:
        raise LayerError(f"E-CAL-007 {name}: more than {MOST_ROWS:,} rows. Calibrate a part of the area at a time.")
    return rows


def _months(texts: pd.Series, marker: RowMarker, column: str, *, needed: bool) -> NDArray[np.int64]:
    out = np.full(len(texts), _NO_MONTH, dtype=np.int64)
    for i, text in enumerate(texts):
        match = _DATE.fullmatch(text)
        if match and 1900 <= int(match[1]) <= 2200 and 1 <= int(match[2]) <= 12:
            out[i] = month_number(int(match[1]), int(match[2]))
    marker.bar((out == _NO_MONTH) & ((texts != "").to_numpy() | needed), "E-CAL-020", column, texts,
               rule="a survey date is a month, YYYY-MM.", remedy="Write it so, for example 2024-03.")
    return out


def _numbers(texts: pd.Series, marker: RowMarker, column: str) -> NDArray[np.float64]:
    out = np.full(len(texts), np.nan)
    for i, text in enumerate(texts):
        if _NUMBER.fullmatch(text):
            out[i] = float(text)
    marker.bar(np.isnan(out) & (texts != "").to_numpy(), "E-CAL-030", column, texts,
               rule="a value is a plain number of at most six digits with a decimal point.",
               remedy="Remove units, signs of thousands and the decimal comma.")
    return out


def match(table: pd.DataFrame, results: Results, name: str, latest: int | None = None) \
        -> tuple[pd.DataFrame, list[Problem]]:
    """Find the lot of each row and add lot_row (-1 without a lot), archetype, lep_pct, pour_month, x_m, y_m; rows
    without a lot are barred.

    Parameters
    ----------
    table : DataFrame
        As returned by `read`.
    results : Results
        The run, with its inputs.
    name : str
        File name for the findings.
    latest : int, optional
        The present month; a survey after both this month and the run's month is an error, not a newer survey.
    """
    out = table.copy()
    problems: list[Problem] = []
    marker = RowMarker(name, out, problems)
    lots = results.lots
    ids = lots["lot_id"].astype(str).str.strip()
    known = out["lot_id"].isin(set(ids))  # an id copied from a CSV of the run may begin with its apostrophe
    out["lot_id"] = out["lot_id"].where(known, csv_table.unguarded(out["lot_id"].astype("str")))
    counts = out["lot_id"].map(ids.value_counts()).fillna(0).to_numpy(np.int64)
    marker.bar((counts == 0) & (out["lot_id"] != ""), "E-CAL-011", "lot_id", out["lot_id"],
               rule="unmatched: the run has no lot of this name.", remedy="Use the lot_id column of the run's tables.")
    marker.bar(counts > 1, "E-CAL-012", "lot_id", out["lot_id"], rule="ambiguous: several lots of the run have this "
               "name.", remedy="Make the names of lots in the lot file unique and run the estimate again.")
    place = pd.Series(np.arange(len(lots)), index=ids)
    out["lot_row"] = out["lot_id"].map(place[~place.index.duplicated(keep=False)]).fillna(-1).to_numpy(np.int64)
    row = out["lot_row"].to_numpy()
    stateless = np.where(row >= 0, (lots["state"] == "").to_numpy()[row], False)
    assert results.inputs is not None
    archetype = np.where(row >= 0, results.inputs.lot_archetype[row], -1)
    marker.bar((row >= 0) & (~stateless | (archetype < 0)), "E-CAL-013", "lot_id", out["lot_id"],
               rule="the run has no estimate for this lot.", remedy="See its state in the run's tables.")
    out["archetype"] = np.where(stateless, archetype, -1)
    year, month = (int(part) for part in results.today.split("-"))
    today = month_number(year, month)
    last = out[["first_month", "second_month"]].max(axis=1)
    if latest is not None:
        future = (last > max(today, latest)).to_numpy() & (out["why"] == "").to_numpy()
        marker.bar(future, "E-CAL-067", "first_date or second_date", last.clip(lower=0).map(month_name),
                   rule="surveyed in a month that has not come yet.", remedy="Correct the date.")
        bar_rest_of_house(marker, out, future)
    marker.bar(last > today, "E-CAL-022", "first_date or second_date", last.clip(lower=0).map(month_name),
               rule=f"surveyed after the run's month, {results.today}.", remedy="Run the estimate with newer weather.")
    return with_ground(out, results), problems


def with_ground(table: pd.DataFrame, results: Results) -> pd.DataFrame:
    """Add soil, pour month and place in metres; nan without a lot."""
    from riskmap.common.constants import EQUAL_AREA_CRS

    taken = results.lots.reset_index(drop=True).reindex(table["lot_row"].to_numpy())
    middle = taken.geometry.representative_point().to_crs(EQUAL_AREA_CRS)
    table["lep_pct"] = taken["linear_extensibility_pct"].to_numpy(float)
    table["x_m"], table["y_m"] = middle.x.to_numpy(), middle.y.to_numpy()
    table["pour_month"] = pour_months(taken)
    return table


def pour_months(lots: pd.DataFrame) -> NDArray[np.float64]:
    """Return the midpoint of the earliest and latest pour month as month numbers; nan without dates."""
    ends = [12.0 * pd.to_numeric(lots[name].str[:4], errors="coerce")
            + pd.to_numeric(lots[name].str[5:7], errors="coerce") - 1
            for name in ("pour_from", "pour_to")]
    middle: NDArray[np.float64] = ((ends[0] + ends[1]) / 2).to_numpy(float)
    return middle
