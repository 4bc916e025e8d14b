"""Read the climate of an area, by months or by days.

In: `[climate]`. Out: `ClimateTables`; it contains a daily record by days, and also as months with the sums and means of
the days, which the drought indices and the monthly bucket use.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from riskmap.common import month_numbers, tables
from riskmap.common.errors import LayerError, joined
from riskmap.common.inputs import ClimateTables, Source
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.common.settings import Area, ClimateEntry
from riskmap.layers import climate_daily, climate_monthly, noaa_fixed_width, recognise_tables


def read(entry: ClimateEntry, area: Area) -> tuple[ClimateTables, list[Source], list[Problem]]:
    """Read the climate of an area with the reader that it names.

    Raises
    ------
    LayerError
        As in `climate_monthly.read` and `climate_daily.read`; also when settings of the daily reader are given without
        it or the other way round, or a daily record has several cells and no polygons.
    """
    if entry.reader != "daily":
        if entry.monthly_path is not None:
            raise LayerError("E-CLI-112 [climate] monthly_path: belongs to reader = \"daily\"; give a monthly "
                             "record in path.")
        return climate_monthly.read(entry, area)
    problems: list[Problem] = []
    with kept_by_refusal(problems):
        if isinstance(entry.path, dict):
            raise LayerError("E-CLI-112 [climate] path: reader \"daily\" takes one file.")
        if entry.pet_source:
            raise LayerError("E-CLI-112 [climate] pet_source: a daily record has no column of evapotranspiration; "
                             "leave it out.")
        cells = climate_monthly.cells_of(entry, area)
        months, sources, found = _months_before(entry, area)
        problems += found
        latitude = entry.latitude_deg
        if cells is not None and latitude is None:
            latitude = climate_monthly.latitude_of(list(cells["cell_id"]), cells, entry)
        records, found = climate_daily.read(area.resolve(entry.path), entry.path, cell=entry.cell, months=months,
                                            latitude_deg=latitude)
        problems += found
        if cells is not None:
            records = [one for one in records if one.cell_id in set(cells["cell_id"])]
            if not records:
                raise LayerError(f"E-CLI-113 {entry.path}: none of its cells has a polygon in {entry.cells}; correct "
                                 "cells_key.")
        elif len(records) > 1:
            raise LayerError(f"E-CLI-113 {entry.path}: contains {len(records)} cells "
                             f"({joined(one.cell_id for one in records)}); set `cell` to the one of this area, or "
                             "`cells` to their polygons.")
    monthly = tables.check(tables.CLIMATE_MONTHLY, pd.concat([one.monthly for one in records], ignore_index=True))
    span = (month_numbers.month_name(int(monthly["month"].min())) + ".."
            + month_numbers.month_name(int(monthly["month"].max())))
    sources = [Source("climate", entry.path, entry.title, entry.provider, entry.licence, entry.credit,
                      entry.valid_date or span, sum(one.rain_mm.size for one in records)), *sources]
    if cells is not None and entry.cells is not None:
        sources.append(Source("climate_cells", entry.cells, entry.title, entry.provider, entry.licence, entry.credit,
                              "", len(cells)))
    return ClimateTables(monthly, {one.cell_id: one.latitude_deg for one in records}, cells, "",
                         tuple(records)), sources, problems


def check_one(path: Path, shown: Path) -> tuple[Source, list[Problem]]:
    """Read one file of weather, of any form, with all its cells, and say what it is and what was found in it.

    Raises
    ------
    LayerError
        When it is not a record of weather, or its reader refuses it.
    """
    seen = recognise_tables.table(path, str(shown))
    problems: list[Problem] = []
    with kept_by_refusal(problems):
        if seen.kind == "fixed_width":
            table, found = noaa_fixed_width.read(path, shown, seen.facts["element"])
            problems += found
            return Source("climate", shown, seen.reason, rows=len(table) // 12, opened=path), problems
        if seen.kind == "daily":
            records, found = climate_daily.read(path, shown, placed=False)
            problems += found
            return Source("climate", shown, seen.reason, rows=sum(one.rain_mm.size for one in records),
                          opened=path), problems
        if seen.kind == "monthly":
            alone = {"name": "one file", "lots": {"path": "-"}, "soil": {"path": "-"}, "folder": path.parent}
            entry = ClimateEntry(reader="csv", path=shown)
            return climate_monthly.check_table(entry, Area.model_validate(alone), problems), problems
    raise LayerError(f"E-CLI-114 {shown}: not a record of rain and temperature ({seen.reason}). Give a CSV with year, "
                     "month, precip_in and tavg_f, a daily station file, or a national monthly file as published.")


def _months_before(entry: ClimateEntry, area: Area) -> tuple[pd.DataFrame | None, list[Source], list[Problem]]:
    """Return the monthly record that goes with the days, under the name of the daily cell."""
    if entry.monthly_path is None:
        return None, [], []
    name, north = _only_cell(entry, area) if entry.cells is None else (None, None)
    given = entry.model_copy(update={
        "reader": entry.monthly_reader, "path": entry.monthly_path, "monthly_path": None, "valid_date": "",
        "cell": entry.monthly_cell or entry.cell, "latitude_deg": entry.latitude_deg if north is None else north})
    found, sources, problems = climate_monthly.read(given, area)
    return found.monthly if name is None else found.monthly.assign(cell_id=name), sources, problems


def _only_cell(entry: ClimateEntry, area: Area) -> tuple[str, float | None]:
    """Return name and latitude of the single cell of a daily file; None where only the settings can give it."""
    path = Path(str(entry.path))
    text = climate_monthly.text_table(area.resolve(path), path)
    lowered = {column.lower(): column for column in text.columns}
    key = next((lowered[name] for name in climate_monthly.KEY_COLUMNS if name in lowered), None)
    name = entry.cell or (str(text[key].iloc[0]) if key else "area")
    if "LATITUDE" in text:
        return name, float(pd.to_numeric(text["LATITUDE"], errors="coerce").median())
    given = entry.latitude_deg
    return name, given.get(name) if isinstance(given, dict) else given
