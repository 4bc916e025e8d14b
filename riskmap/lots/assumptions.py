"""What is assumed because the lot file does not say it; reported once for the whole file, never row by row.

A column is proposed by its name alone, from the lists below. The names of columns about people never get here.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common.constants import SIZE_UNKNOWN, YOUNG_SLAB_YEARS
from riskmap.common.errors import shown
from riskmap.common.month_numbers import month_name, month_number
from riskmap.common.problems import Problem, first_rows
from riskmap.common.units import m_to_foot

if TYPE_CHECKING:
    from collections.abc import Sequence

    from riskmap.common.settings import LotSettings

LONG_MONTHS = 6  # a window of pour months this long contains more than one kind of weather (judgement)
# Parts of column names, lower-case letters and digits only, the most reliable first (judgement: usual spellings).
LOOKS_LIKE: dict[str, tuple[str, ...]] = {
    "pour_date": ("pourdate", "yearbuilt", "yrbuilt", "yrblt", "yearblt", "yearbuil", "yrbuil", "builtyear", "builtyr",
                  "buildyear", "buildyr", "bldgyear", "bldgyr", "datebuilt", "builtdate", "yearconst", "yrconst",
                  "constyear", "constryr", "constructiondate", "constructionyear", "actyr", "actualyear", "ayb",
                  "built"),
    "foundation_type": ("foundation", "foundatn", "foundtype", "foundtyp", "fndtn", "fndn", "fndtype", "found"),
    "land_use": ("landuse", "luse", "usedesc", "usedscr", "useclass", "usecode", "propuse", "propclass"),
    "slab_width_ft": ("slabwidth", "slabwid", "housewidth", "buildingwidth", "bldgwidth"),
    "slab_length_ft": ("slablength", "slablen", "houselength", "buildinglength", "bldglength"),
    "beam_depth_in": ("beamdepth", "beamdpth", "ribdepth", "edgebeam", "gradebeam"),
    "post_tensioned": ("posttension", "posttens", "ptslab", "prestress"),
}


def looks_like(column: str, names: Sequence[str]) -> str:
    """Return the name that most likely means one of our columns, by `LOOKS_LIKE`; empty text when none does."""
    return next(iter(alike(column, names)), "")


def alike(column: str, names: Sequence[str]) -> list[str]:
    """Return every name that may mean one of our columns, by `LOOKS_LIKE`, the surest first."""
    bare = [re.sub(r"[^a-z0-9]", "", name.lower()) for name in names]
    return list(dict.fromkeys(names[k] for part in LOOKS_LIKE[column] for k, name in enumerate(bare) if part in name))


def problems(raw: pd.DataFrame, table: pd.DataFrame, settings: LotSettings, today: int, file: str) -> list[Problem]:
    """Return one finding for each assumption about all or some of the lots to be estimated.

    Parameters
    ----------
    raw : DataFrame
        As `riskmap.layers.lots.read` returns it, with `source_row`; names of columns are in its `attrs`.
    table : DataFrame
        `tables.LOT` of the same rows, as `clean` returns it.
    settings : LotSettings
    today : int
        Number of the present month.
    file : str
        Name of the lot file.
    """
    here = (table["state"] == "").to_numpy(bool)
    codes, distinct = pd.factorize(table["flags"])
    guessed = np.array(["foundation_type_assumed" in str(text).split(";") for text in distinct] or [False])[codes]
    ages = f"{month_name(month_number(settings.unknown_pour_earliest, 1))}..{month_name(today - 1)} is assumed"
    undated = (table["pour_date_basis"] == "none").to_numpy(bool)
    findings = [
        _finding("W-LOT-041", "pour_date", "pour date", ages, undated, here, raw, file),
        _finding("W-LOT-042", "foundation_type", "foundation type", "a slab on the ground is assumed", guessed, here,
                 raw, file),
        _finding("W-LOT-043", "slab_width_ft", "slab size", f"a width of {2 * settings.default_half_width_m:g} m "
                 f"({m_to_foot(2 * settings.default_half_width_m):.0f} ft) is assumed",
                 (table["half_width_basis"] == SIZE_UNKNOWN).to_numpy(bool), here, raw, file),
        _nothing_known(undated & guessed, here, raw, file),
        _early(table, settings.unknown_pour_earliest, here & ~undated, raw, file),
        _young(table, today, here & ~undated, raw, file)]
    return [one for one in findings if one is not None]


def _finding(code: str, column: str, what: str, instead: str, lacking: NDArray[np.bool_], here: NDArray[np.bool_],
             raw: pd.DataFrame, file: str) -> Problem | None:
    count, total = int((lacking & here).sum()), int(here.sum())
    if not count:
        return None
    if count < total:
        rows = first_rows(raw["source_row"].to_numpy()[lacking & here][:4])
        rule = f"{count:,} of {total:,} lots to be estimated have no {what} that can be used (rows {rows}): {instead}."
    else:
        rule = f"no lot to be estimated has a {what} that can be used: {instead} for all {total:,}."
    return Problem(code, file, rule=rule, remedy=_remedy(column, raw, count == total), action="Rows kept and flagged.")


def _nothing_known(lacking: NDArray[np.bool_], here: NDArray[np.bool_], raw: pd.DataFrame,
                   file: str) -> Problem | None:
    """Return a finding on lots for which the file gives no pour date and no foundation, because some may be vacant."""
    count, total = int((lacking & here).sum()), int(here.sum())
    if not count:
        return None
    rows = "" if count == total else f" (rows {first_rows(raw['source_row'].to_numpy()[lacking & here][:4])})"
    return Problem("W-LOT-045", file, rule=f"{count:,} of {total:,} lots to be estimated have neither a pour date nor "
                   f"a foundation type that can be used{rows}: there may be no house.",
                   remedy=_remedy("land_use", raw, count == total), action="Rows are estimated as if a house stood "
                   "there.")


def _remedy(column: str, raw: pd.DataFrame, all_lack: bool) -> str:
    """Return what the user can do: check the column that is read, or map one by name."""
    kind = column.removesuffix("_ft")
    labels = [label for ours, label in raw.attrs.get("labels", {}).items() if ours.startswith(kind)]
    if labels:
        return f"Look at column {shown(labels[0])}: is it the right one?" if all_lack else \
            f"Fill in column {shown(labels[0])} where it is known."
    name = shown(looks_like(column, raw.attrs.get("unused", [])))
    if name:
        return f'A column that looks like it: {name}. If it is, map it: [lots.columns] {column} = "{name}".'
    return f'If the file has a column for it, map it: [lots.columns] {column} = "...".'


def _young(table: pd.DataFrame, today: int, dated: NDArray[np.bool_], raw: pd.DataFrame, file: str) -> Problem | None:
    early, late = (table[f"pour_{end}_month"].to_numpy(dtype=np.int64, na_value=0) for end in ("early", "late"))
    young = dated & (early >= today - 12 * YOUNG_SLAB_YEARS) & (late - early >= LONG_MONTHS)
    if not young.any():
        return None
    rows = first_rows(raw["source_row"].to_numpy()[young][:4])
    return Problem("W-LOT-046", file, rule=f"{int(young.sum()):,} of {int(dated.sum()):,} dated lots to be estimated "
                   f"are younger than {YOUNG_SLAB_YEARS} years, and the month of their pour is not known (rows "
                   f"{rows}): after a dry month the edge rises first, after a wet one it drops.",
                   remedy="Give the month where a permit or an inspection record has it.", action="Used as given.")


def _early(table: pd.DataFrame, year: int, dated: NDArray[np.bool_], raw: pd.DataFrame, file: str) -> Problem | None:
    late = table["pour_late_month"].to_numpy(dtype=np.int64, na_value=0)
    early = dated & (late < month_number(year, 1))
    if not early.any():
        return None
    first = int(np.flatnonzero(early)[late[early].argmin()])
    return Problem("W-LOT-044", file, rule=f"{int(early.sum()):,} of {int(dated.sum()):,} dated lots to be estimated "
                   f"were poured before {year}, the earliest by {late[first] // 12} in row "
                   f"{raw['source_row'].iloc[first]}; slab-on-ground building became common later.",
                   remedy="Check the years, and that these houses are built on slabs.", action="Used as given.")
