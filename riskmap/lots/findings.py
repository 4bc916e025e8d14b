"""Findings about the rows of a lot file, collected."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import units
from riskmap.common.errors import counted, shown
from riskmap.common.problems import Problem, first_rows
from riskmap.lots import footprints, geometry, pour_date, slab
from riskmap.lots.foundation import OTHER_FOUNDATION
from riskmap.lots.raw_columns import as_number, as_text

SHOWN_ROWS = 1000  # number of findings of one kind that are listed row by row; the rest are counted
FEW_HOUSES = 0.1  # judgement: below it the outlines of an area are more likely shifted than its lots vacant
AREA_FROM = 300.0  # m or ft as a side (judgement): feet taken for metres stay below it, areas of houses are above it


class LotFindings:
    """Collects findings on the rows of one file."""

    def __init__(self, file: str, raw: pd.DataFrame) -> None:
        """Begin the findings of one file of raw lots."""
        self.file = file
        self.rows = raw["source_row"].to_numpy() if "source_row" in raw else np.arange(1, len(raw) + 1)
        self.problems: list[Problem] = []
        self.labels: dict[str, str] = raw.attrs.get("labels", {})
        self.units: dict[str, str] = raw.attrs.get("feet_or_inches", {})

    def label(self, column: str) -> str:
        """Return a column as the user's file names it."""
        return self.labels.get(column, column)

    def as_given(self, column: str, values: NDArray[np.float64]) -> NDArray[np.object_]:
        """Return numbers in the unit of the file, as text."""
        back = {"ft": units.m_to_foot, "in": units.mm_to_inch}.get(self.units.get(column, ""))
        return np.array([f"{value:.10g}" for value in (back(values) if back else values)], dtype=object)

    def rows_where(self, mask: NDArray[np.bool_], code: str, column: str, values: NDArray | None, *,
                   rule: NDArray | str, remedy: str, action: str) -> None:
        """Add one finding per marked row; beyond `SHOWN_ROWS` the rest is counted in one more."""
        where, column = np.flatnonzero(mask), self.label(column)
        for i in where[:SHOWN_ROWS]:
            self.problems.append(Problem(
                code, self.file, rule=rule if isinstance(rule, str) else str(rule[i]), remedy=remedy, action=action,
                row=int(self.rows[i]), column=column, value="" if values is None else shown(values[i])))
        if where.size > SHOWN_ROWS:
            self.problems.append(Problem(
                code, self.file, rule=f"the same is true of {where.size - SHOWN_ROWS} more rows, the first of them row "
                f"{self.rows[where[SHOWN_ROWS]]}.", remedy=remedy, action=action, column=column))


def report_ids(report: LotFindings, lot_id: pd.Series, repeated: NDArray[np.bool_]) -> None:
    """Report rows without an identifier and identifiers that occur more than once."""
    report.rows_where((lot_id.str.strip() == "").to_numpy(), "E-LOT-010", "lot_id", None,
                      rule="the lot has no identifier.", remedy="Give every row an identifier.",
                      action="Row kept and answered by its position.")
    where = np.flatnonzero(repeated)
    groups = pd.Series(report.rows[where]).groupby(lot_id.to_numpy()[where], sort=False).agg(list)
    for name, rows in list(groups.items())[:SHOWN_ROWS]:
        listed = ", ".join(str(row) for row in rows[:8]) + (" and more" if len(rows) > 8 else "")
        report.problems.append(Problem(
            "W-LOT-011", report.file, rule=f"the identifier is in {len(rows)} rows: {listed}.",
            remedy='Remove one, or set duplicates = "refuse" to stop here.', action="Each row is answered on its own.",
            row=int(rows[0]), column=report.label("lot_id"), value=shown(name)))
    if len(groups) > SHOWN_ROWS:
        report.problems.append(Problem(
            "W-LOT-011", report.file, rule=f"{len(groups) - SHOWN_ROWS} more identifiers are in several rows.",
            remedy='Remove them, or set duplicates = "refuse" to stop here.', action="Each row is answered on its own.",
            column=report.label("lot_id")))


def report_shapes(report: LotFindings, shapes: geometry.LotShapes, grown: NDArray[np.bool_]) -> None:
    """Report shapes that cannot be used, and what was done to the others."""
    sentence = np.array([f"{text}." for text in shapes.reason], dtype=object) if (shapes.reason != "").any() else ""
    report.rows_where((shapes.reason != "") & ~shapes.misplaced, "E-LOT-012", "geometry", None, rule=sentence,
                      remedy="Correct the shape in the lot file.", action="Row kept, not estimated.")
    if shapes.all_swapped:
        report.problems.append(Problem(
            "E-LOT-025", report.file, rule="longitude and latitude are swapped in the whole file: exchanged, "
            f"{int(shapes.misplaced.sum())} rows lie in the area of the soil map.", remedy="Exchange the two columns, "
            "or in a CSV what [lots.columns] lon and lat name.", action="Rows kept, not estimated; nothing was "
            "exchanged.", column="geometry"))
    else:
        report.rows_where(shapes.misplaced, "E-LOT-025", "geometry", None, rule=sentence,
                          remedy="Correct the coordinates of this row, or in `[lots] corrections`.",
                          action="Row kept, not estimated; nothing was exchanged.")
    if shapes.had_heights.any():
        report.problems.append(Problem(
            "W-LOT-022", report.file, rule=f"{int(shapes.had_heights.sum())} shapes have heights.", remedy="",
            action="The ground plan is used.", row=int(report.rows[shapes.had_heights][0]), column="geometry"))
    rules = np.full(len(grown), "", dtype=object)
    for i in np.flatnonzero(shapes.reduced)[:SHOWN_ROWS]:
        rules[i] = (f"a collection of shapes; its polygons have {shapes.area_before_m2[i]:.1f} m2 one by one and "
                    f"{shapes.area_m2[i]:.1f} m2 together.")
    report.rows_where(shapes.reduced, "W-LOT-024", "geometry", None, rule=rules, remedy="Check that the polygons are "
                      "the lot.", action="Only its polygons are used.")
    rule = np.full(len(grown), "", dtype=object)
    for i in np.flatnonzero(grown)[:SHOWN_ROWS]:
        rule[i] = (f"{shapes.fault[i]}; repair changed its area from {shapes.area_before_m2[i]:.1f} to "
                   f"{shapes.area_m2[i]:.1f} m2.")
    report.rows_where(grown & ~shapes.reduced, "W-LOT-013", "geometry", None, rule=rule, remedy="Check the outline.",
                      action="Repaired shape used.")


def report_buildings(report: LotFindings, outlined: footprints.Footprints, file: str, bare: NDArray[np.bool_],
                     window: pour_date.PourWindow, to_estimate: NDArray[np.bool_]) -> None:
    """Report what was done with outlines of buildings, and where they contradict the lot file.

    `file` is the name of the file of buildings; `bare` marks the lots that have no estimate because this file shows no
    building there.
    """
    def add(code: str, rule: str, remedy: str, action: str) -> None:
        report.problems.append(Problem(code, file, rule=rule, remedy=remedy, action=action))

    if outlined.repaired:
        crossed = counted(outlined.repaired, "outline crosses itself or has", "outlines cross themselves or have")
        add("W-BLD-010", f"{crossed} another fault of shape.", "Check the outlines.", "They were repaired and used.")
    if outlined.unusable:
        add("E-BLD-011", f"{counted(outlined.unusable, 'shape is', 'shapes are')} not usable as an outline of a "
            "building: a line, a point, smaller than 1 m2, or too tangled to be repaired.", "Give the outlines as "
            "polygons.", "They were skipped.")
    if outlined.across:
        add("W-BLD-012", f"{counted(outlined.across, 'outline has', 'outlines have')} less than half of their "
            "area on any lot, as when a row of houses is drawn as one.", "Give an outline for each house.",
            "The lots under them have a house of unknown size.")
    dated = bare & (window.basis != "none")
    if dated.any():
        rows = first_rows(report.rows[dated][:4])
        add("W-BLD-013", f"{counted(int(dated.sum()), 'lot has', 'lots have')} a pour date in {report.file} (rows "
            f"{rows}), but no building here, although the lots around them have one.", "Write valid_date in "
            "[buildings]: a lot that was poured later keeps its estimate. Give slab_width_ft where there is a house.",
            "They have no estimate: no_house_known.")
    asked = to_estimate | bare
    share = float(outlined.house[asked].mean()) if asked.any() else 1.0
    if share < FEW_HOUSES:
        add("W-BLD-014", f"only {100 * share:.0f} % of the lots have a building on them.", "Check that both files are "
            "of the same place and that their coordinate systems are right: shifted outlines look like this.",
            "The outlines were used as they are.")


def report_values(report: LotFindings, raw: pd.DataFrame, window: pour_date.PourWindow, plate: slab.Slab,
                   other_foundation: NDArray[np.bool_]) -> None:
    """Report values of pour dates, slabs and foundations that cannot be used."""
    for name, rule in window.refused.items():
        if name == "pour_date_basis":
            effective = (rule != "") & (window.basis == "none")
            values = as_text(raw, name).to_numpy()
            report.rows_where(effective, "E-LOT-015", name, values, rule=rule, remedy="", action="Row kept, pour date "
                              "unknown.")
            report.rows_where((rule != "") & ~effective, "W-LOT-015", name, values, rule=rule, remedy="",
                              action="Row kept.")
        elif (rule != "").any():
            action = np.where(window.basis == "none", "pour date unknown", "the other date columns are used")
            values = as_text(raw, name).to_numpy()
            zero = rule == pour_date.NO_YEAR
            for kind in np.unique(action[rule != ""]):
                report.rows_where(zero & (action == kind), "W-LOT-014", name, values, rule=rule, remedy="",
                                  action=f"Row kept, {kind}.")
                report.rows_where((rule != "") & ~zero & (action == kind), "E-LOT-014", name, values, rule=rule,
                                  remedy=pour_date.FORMS, action=f"Row kept, {kind}.")
    for name, refused in (("slab_width_m", plate.width_refused), ("slab_length_m", plate.length_refused),
                          ("beam_depth_mm", plate.beam_refused)):
        if refused.any():
            _report_size(report, name, as_number(raw, name), refused)
    report.rows_where(plate.prestress_refused, "W-LOT-026", "post_tensioned",
                      as_text(raw, "post_tensioned").to_numpy(),
                      rule="the answer to whether the slab is prestressed is yes or no.",
                      remedy="Write yes, no, or leave it empty where it is not known.",
                      action="Row kept, value treated as missing.")
    foundation = as_text(raw, "foundation_type")
    strange = other_foundation & ~foundation.str.lower().str.contains(OTHER_FOUNDATION.pattern).to_numpy()
    report.rows_where(strange, "W-LOT-018", "foundation_type", foundation.to_numpy(),
                      rule="the foundation type is not known to be slab-on-ground.",
                      remedy="Write `slab on ground` where it is one.", action="Row kept, not estimated.")


def _report_size(report: LotFindings, name: str, values: NDArray[np.float64], refused: NDArray[np.bool_]) -> None:
    """Report sizes that no slab has, in the unit of the file, with what may have been given instead."""
    if name == "beam_depth_mm":
        code, what, limits = "E-LOT-017", "beam depth", slab.PLAUSIBLE_BEAM_MM
    else:
        code, what, limits = "E-LOT-016", "slab side", slab.PLAUSIBLE_SIDE_M
    unit = report.units.get(name, name.rsplit("_", 1)[1])
    low, high = (f"{float(text):.3g}" for text in report.as_given(name, np.array(limits)))
    area = (code == "E-LOT-016") & (values >= AREA_FROM * (units.M_PER_FOOT if unit == "ft" else 1.0))
    mixed = {"m": "Were feet given as metres?", "ft": "Is it in feet?", "mm": "Were inches given as millimetres?",
             "in": "Is it in inches?"}[unit]
    rule = f"a {what} lies between {low} and {high} {unit}."
    texts = np.full(len(values), "", dtype=object)
    texts[refused] = report.as_given(name, values[refused])
    for mask, remedy in ((refused & ~area, mixed), (refused & area, "Is this an area? A side is asked for.")):
        report.rows_where(mask, code, name, texts, rule=rule, remedy=remedy, action="Row kept, value treated as "
                          "missing.")
