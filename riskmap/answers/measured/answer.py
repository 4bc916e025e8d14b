"""From a run and a measured series to the answer: which cell, soil and drivers are compared, and each comparison."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap.answers import matching
from riskmap.answers.measured import comparing, modelled
from riskmap.answers.measured.comparing import Ends
from riskmap.answers.measured.files import NOTHING_FITTED, MeasuredReport
from riskmap.answers.measured.series_file import KINDS, LEVEL, Series
from riskmap.common.errors import LayerError, RunFolderError, joined, shown
from riskmap.common.problems import Problem
from riskmap.run import record

if TYPE_CHECKING:
    from riskmap.common.results import Results
    from riskmap.common.settings import Area


OWN_EXTREMES = ("The driest and the wettest value at each depth are taken for 0 and 1; --dry and --wet set others. "
                "Timing does not depend on them.")


@dataclass(frozen=True)
class Place:
    """Where the series is compared.

    Attributes
    ----------
    cell : int
        Row of the run's history.
    lot : str
        Identifier, or empty.
    archetype : int
        Archetype of the lot, or -1.
    """

    cell: int
    lot: str
    archetype: int


def ends(dry: float | None, wet: float | None, kind: str | None) -> Ends:
    """Return the two ends of wetness; ValueError for a single end, ends out of order, or an unknown kind."""
    if kind is not None and kind not in KINDS:
        raise ValueError(f"kind is one of {joined(KINDS)}, not {kind!r}")
    if (dry is None) != (wet is None):
        raise ValueError("give dry and wet together")
    if dry is not None and wet is not None and not dry < wet:
        raise ValueError(f"dry must be below wet, and {dry:g} is not below {wet:g}")
    return Ends(dry, wet)


def place_of(results: Results, cell: str | None, lot: str | None) -> Place:
    """Return the climate cell that was asked for, by its name or by a lot.

    Raises
    ------
    RunFolderError
        When the run has no weather or no such cell or lot, or when it has several cells and none is named.
    """
    inputs = results.inputs
    if inputs is None:
        raise RunFolderError("E-MEA-023 the run contains no monthly weather, so there is nothing to compare with. Run "
                             "the estimate again.")
    cells = inputs.history.cells
    if lot is not None:
        return _of_lot(results, cell, lot)
    if cell is None and len(cells) > 1:
        raise RunFolderError(f"E-MEA-021 the run has {len(cells):,} climate cells: {joined(cells)}. Name one with "
                             "--cell, or a lot with --lot.")
    name = cells[0] if cell is None else cell
    if name not in cells:
        raise RunFolderError(f"E-MEA-020 the run has no climate cell '{shown(name)}'; it has {joined(cells)}.")
    return Place(cells.index(name), "", -1)


def _of_lot(results: Results, cell: str | None, lot: str) -> Place:
    inputs = results.inputs
    assert inputs is not None
    ids = results.lots["lot_id"].astype("str")
    same = [lot] if (ids == lot).any() else matching.same_id(lot, ids)[0]
    rows = np.flatnonzero(ids.isin(same))
    if rows.size != 1:
        near = matching.near_ids(lot, ids)
        hint = f" Similar: {joined(near)}." if near and not rows.size else ""
        raise RunFolderError(f"E-MEA-024 {rows.size} rows of the run have lot_id '{shown(lot)}'; there must be "
                             f"one.{hint}")
    row = int(rows[0])
    archetype = int(inputs.lot_archetype[row])
    if archetype < 0:
        state = str(results.lots["state"].iloc[row])
        raise RunFolderError(f"E-MEA-022 lot '{shown(lot)}' has no estimate ({shown(state)}), so its climate cell and "
                             "soil are not in the run. Name the cell with --cell.")
    name = str(inputs.archetype.loc[archetype, "cell_id"])
    if cell not in (None, name):
        raise RunFolderError(f"E-MEA-025 lot '{shown(lot)}' lies in climate cell '{shown(name)}', not in "
                             f"'{shown(cell)}'. Leave --cell out.")
    return Place(inputs.history.cells.index(name), str(ids.iloc[row]), archetype)


def report(series: Series, results: Results, place: Place, given: Ends) -> MeasuredReport:
    """Return every comparison of a series with the drivers of a run.

    Raises
    ------
    LayerError
        When ends of wetness are given for a series that is not a water content.
    """
    inputs = results.inputs
    assert inputs is not None
    if given.given and series.kind in ("share", LEVEL):
        raise LayerError(f"E-MEA-008 {series.file}: --dry and --wet are for water contents, and the series is "
                         f"{KINDS[series.kind].words}. Leave them out.", problems=series.problems)
    scale = KINDS[series.kind].scale
    scaled = Ends(*(None if end is None else scale * end for end in (given.dry, given.wet)))
    area = record.area_of(results)
    drivers = modelled.of_cell(inputs.history, place.cell, area)
    soil = modelled.Soil.of_archetype(inputs, place.archetype, area) if place.archetype >= 0 \
        else modelled.Soil.one_clay(area)
    rows, months = comparing.compare(series, drivers, scaled, soil)
    problems = [*series.problems, *_outside(series, drivers, area)]
    summary: dict[str, Any] = {
        "file": series.file, "kind": series.kind, "kind_words": KINDS[series.kind].words,
        "cell": inputs.history.cells[place.cell], "lot": place.lot, "area": results.area_name, "today": results.today,
        "drivers": {model.name: " (half of the model runs)" if len(drivers) > 1 else "" for model in drivers},
        "depths_m": series.depths_m, "nothing_fitted": NOTHING_FITTED,
        "ends": "" if given.given or series.kind in ("share", LEVEL) else OWN_EXTREMES,
        "problems": [problem.as_dict() for problem in problems]}
    found = MeasuredReport(rows, months, summary, problems)
    summary |= {"counts": found.counts, "meanings": found.meanings}
    return found


def _outside(series: Series, drivers: list[modelled.Modelled], area: Area) -> list[Problem]:
    """Report month ends for which the run has no rain and temperature, and depths below the active depth."""
    model, out = drivers[0], []
    known = model.months[model.measured_weather]
    for depth in series.depths_m:
        seen = series.month_ends(depth).index.to_numpy()
        lost = int((~np.isin(seen, known)).sum())
        if lost:
            out.append(Problem("W-MEA-003", series.file, rule=f"for {lost:,} of {seen.size:,} month ends the run has "
                               "no rain and temperature.", remedy="Use a run whose climate record covers these months.",
                               action="They are not compared.", column="date", value=f"depth {depth:g} m"))
        if depth >= area.movement.active_depth_m:
            out.append(Problem("W-MEA-004", series.file, rule="lies below the depth at which the model keeps suction "
                               f"constant ({area.movement.active_depth_m:g} m), so it cannot follow.",
                               remedy="Compare shallower depths.", action="Used all the same.", column="depth_m",
                               value=f"{depth:g} m"))
    return out
