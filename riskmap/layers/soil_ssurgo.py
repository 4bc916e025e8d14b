"""Read soil-survey downloads (SSURGO layout: zip as published or unpacked folder) into our names and units.

Column and file names come from the download's own `mstab.txt` and `mstabcol.txt`; the positions in `ssurgo_tables` are
the fallback (schema 2.3.3, identical in the 2020, 2021 and 2022 files that were measured).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from riskmap.common.errors import LayerError
from riskmap.common.inputs import SoilTables, Source
from riskmap.common.problems import Problem, kept_by_refusal
from riskmap.layers import ssurgo_names, ssurgo_tables

if TYPE_CHECKING:
    from riskmap.common.settings import Area, SoilEntry


def read(entry: SoilEntry, area: Area, *, need_polygons: bool = True) -> tuple[SoilTables, list[Source], list[Problem]]:
    """Read every download of `[soil]`.

    Parameters
    ----------
    entry : SoilEntry
        The `[soil]` entry; several paths are combined, and the first one is used where a map unit occurs twice.
    area : Area
        Paths are relative to the area file.
    need_polygons : bool
        With False only tables are read, and `polygons` is empty.

    Returns
    -------
    tuple
        Tables (`horizon` has two more columns, `horizon_master` and `cec_cmol_kg`, cation exchange capacity at pH 7 in
        cmol(+)/kg, nan where a download has no such column; `component` has `rock_kind` and
        `water_table_all_year_cm`, the depth below which every month is wet), one `Source` per survey area, and
        the findings.

    Raises
    ------
    LayerError
        The error lists every missing or unusable piece of every download, and every survey that is in another unit
        (`soil_judged`).
    """
    paths = entry.path if isinstance(entry.path, list) else [entry.path]
    faults: list[str] = []
    problems: list[Problem] = []
    parts: list[ssurgo_tables.Part] = []
    for path in paths:
        try:
            for survey in ssurgo_tables.surveys(area.resolve(path), path.name if path.is_absolute() else str(path)):
                parts.append(ssurgo_tables.read_survey(survey, need_polygons, problems))
        except LayerError as error:
            faults.append(str(error))
    if faults:
        raise LayerError("\n".join(faults), problems=problems)
    with kept_by_refusal(problems):
        tables = ssurgo_names.soil_tables(parts, entry, problems)
    return tables, [ssurgo_names.source(part, entry) for part in parts], problems
