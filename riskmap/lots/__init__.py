"""Stage 2: one clean row per row of the lot file, in the same order.

In: raw lots in our names, in the file's coordinate system. Out: `tables.LOT` with polygons in the area's system, and
the problems found. No row is dropped: a row that cannot be answered carries a state and its reason.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap import units
from riskmap.errors import Problem, shown
from riskmap.lots import geometry, placement, pour_date, slab
from riskmap.tables import LOT, STATES, check, join_flags

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.settings import LotSettings

SHOWN_ROWS = 1000  # findings of one kind that are told row by row; the rest are counted
AREA_FROM = 300.0  # m or ft as a side (judgement): feet taken for metres stay below it, areas of houses do not

_NO_TYPE = {"", "unknown", "na", "n a", "none", "null", "nan", "not recorded"}
_OTHER_FOUNDATION = re.compile(r"pier|pile|crawl|basement|cellar|block|raised|suspended|stilt|wood")


def clean(raw: gpd.GeoDataFrame, settings: LotSettings, crs: str, today: int, file: str,
          coverage: placement.Box | None = None) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Clean lots.

    Parameters
    ----------
    raw : GeoDataFrame
        As `riskmap.layers.lots.read` returns it; optional columns may be missing. From its `attrs` findings take the
        file's own names of columns.
    settings : LotSettings
        Defaults for what the file does not say.
    crs : str
        Projected system of the result, metres.
    today : int
        Month number of now.
    file : str
        Name of the lot file for findings.
    coverage : tuple, optional
        West, south, east, north of the soil map in degrees. With it, lots in degrees with longitude and latitude
        swapped or a sign lost are recognised; they get a state and are never moved.

    Returns
    -------
    GeoDataFrame, list of Problem
        `tables.LOT` with one row per row of `raw` in the same order; geometry is None where it cannot be used.

    Raises
    ------
    TableError
        If a value leaves the range of `tables.LOT`.
    """
    import geopandas as gpd

    report = _Report(file, raw)
    shapes = geometry.usable(raw.geometry, crs, settings.widest_lot_deg, coverage)
    window = pour_date.windows(raw, settings.unknown_pour_earliest, today)
    plate = slab.describe(_number(raw, "slab_width_m"), _number(raw, "slab_length_m"), _number(raw, "beam_depth_mm"),
                          default_half_width_m=settings.default_half_width_m)
    lot_id = _text(raw, "lot_id")
    repeated = (lot_id.duplicated(keep=False) & (lot_id.str.strip() != "")).to_numpy()
    other_foundation, assumed_foundation = foundations(_text(raw, "foundation_type"))
    grown = shapes.repaired & _changed(shapes, settings.simplify_repair_warn_fraction)

    _report_ids(report, lot_id, repeated)
    _report_shapes(report, shapes, grown)
    _report_values(report, raw, window, plate, other_foundation)
    state, reason = _states(shapes.reason, _text(raw, "foundation_type"), other_foundation, window.early >= today)
    flags = _flags({
        "corrected": raw["corrected"].to_numpy(bool) if "corrected" in raw else np.zeros(len(raw), dtype=bool),
        "duplicate_lot_id": repeated,
        "lot_id_missing": (lot_id.str.strip() == "").to_numpy(),
        "point_lot": shapes.is_point,
        "geometry_repaired": shapes.repaired,
        "geometry_repair_changed_area": grown,
        "foundation_type_assumed": assumed_foundation,
        "pour_date_unknown": window.basis == "none",
        "pour_date_refused": np.any([rule != "" for rule in window.refused.values()], axis=0),
        "pour_date_clipped": window.clipped,
        "slab_size_assumed": ~plate.half_width_known,
        "slab_value_refused": plate.width_refused | plate.length_refused | plate.beam_refused,
    })
    table = gpd.GeoDataFrame({
        "lot_row": np.arange(len(raw), dtype=np.int64),
        "lot_id": lot_id.to_numpy(),
        "state": state,
        "state_reason": reason,
        "lot_area_m2": shapes.area_m2,
        "pour_early_month": pd.array(window.early, dtype="Int64"),
        "pour_late_month": pd.array(window.late, dtype="Int64"),
        "pour_date_basis": window.basis,
        "half_width_m": plate.half_width_m,
        "half_width_known": plate.half_width_known,
        "slab_class": plate.slab_class,
        "plan_factor": plate.plan_factor,
        "flags": flags,
    }, geometry=gpd.GeoSeries(shapes.geometry, crs=crs), crs=crs)
    check(LOT, table)
    return table, report.problems


class _Report:
    """Collects findings that belong to rows of one file."""

    def __init__(self, file: str, raw: pd.DataFrame) -> None:
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

    def rows_where(self, found: NDArray[np.bool_], code: str, column: str, values: NDArray | None, rule: NDArray | str,
                   remedy: str, action: str) -> None:
        """Add one finding per marked row; beyond `SHOWN_ROWS` the rest is counted in one more."""
        where, column = np.flatnonzero(found), self.label(column)
        for i in where[:SHOWN_ROWS]:
            self.problems.append(Problem(
                code, self.file, rule if isinstance(rule, str) else str(rule[i]), remedy, action, int(self.rows[i]),
                column, "" if values is None else shown(values[i])))
        if where.size > SHOWN_ROWS:
            self.problems.append(Problem(
                code, self.file, f"the same holds for {where.size - SHOWN_ROWS} more rows, the first of them row "
                f"{self.rows[where[SHOWN_ROWS]]}.", remedy, action, None, column))


def _report_ids(report: _Report, lot_id: pd.Series, repeated: NDArray[np.bool_]) -> None:
    report.rows_where((lot_id.str.strip() == "").to_numpy(), "E-LOT-010", "lot_id", None, "the lot has no identifier.",
                      "Give every row an identifier.", "Row kept and answered by its position.")
    where = np.flatnonzero(repeated)
    groups = pd.Series(report.rows[where]).groupby(lot_id.to_numpy()[where], sort=False).agg(list)
    for name, rows in list(groups.items())[:SHOWN_ROWS]:
        listed = ", ".join(str(row) for row in rows[:8]) + (" and more" if len(rows) > 8 else "")
        report.problems.append(Problem(
            "W-LOT-011", report.file, f"the identifier stands in {len(rows)} rows: {listed}.",
            'Remove one, or set duplicates = "refuse" to stop here.', "Each row is answered on its own.",
            int(rows[0]), report.label("lot_id"), shown(name)))
    if len(groups) > SHOWN_ROWS:
        report.problems.append(Problem(
            "W-LOT-011", report.file, f"{len(groups) - SHOWN_ROWS} more identifiers stand in several rows.",
            'Remove them, or set duplicates = "refuse" to stop here.', "Each row is answered on its own.",
            None, report.label("lot_id")))


def _report_shapes(report: _Report, shapes: geometry.Shapes, grown: NDArray[np.bool_]) -> None:
    sentence = np.array([f"{text}." for text in shapes.reason], dtype=object) if (shapes.reason != "").any() else ""
    report.rows_where((shapes.reason != "") & ~shapes.misplaced, "E-LOT-012", "geometry", None, sentence,
                      "Correct the shape in the lot file.", "Row kept, not estimated.")
    if shapes.all_swapped:
        report.problems.append(Problem(
            "E-LOT-025", report.file, "longitude and latitude are swapped in the whole file: exchanged, "
            f"{int(shapes.misplaced.sum())} rows lie in the area of the soil map.", "Exchange the two columns, or in a "
            "CSV what [lots.columns] lon and lat name.", "Rows kept, not estimated; nothing was exchanged.", None,
            "geometry"))
    else:
        report.rows_where(shapes.misplaced, "E-LOT-025", "geometry", None, sentence, "Correct the coordinates of this "
                          "row, or in `[lots] corrections`.", "Row kept, not estimated; nothing was exchanged.")
    if shapes.had_heights.any():
        report.problems.append(Problem(
            "W-LOT-022", report.file, f"{int(shapes.had_heights.sum())} shapes have heights.", "",
            "The ground plan is used.", int(report.rows[shapes.had_heights][0]), "geometry"))
    told = np.full(len(grown), "", dtype=object)
    for i in np.flatnonzero(shapes.reduced)[:SHOWN_ROWS]:
        told[i] = (f"a collection of shapes; its polygons have {shapes.area_before_m2[i]:.1f} m2 one by one and "
                   f"{shapes.area_m2[i]:.1f} m2 together.")
    report.rows_where(shapes.reduced, "W-LOT-024", "geometry", None, told, "Check that the polygons are the lot.",
                      "Only its polygons are used.")
    rule = np.full(len(grown), "", dtype=object)
    for i in np.flatnonzero(grown)[:SHOWN_ROWS]:
        rule[i] = (f"{shapes.fault[i]}; repair changed its area from {shapes.area_before_m2[i]:.1f} to "
                   f"{shapes.area_m2[i]:.1f} m2.")
    report.rows_where(grown & ~shapes.reduced, "W-LOT-013", "geometry", None, rule, "Check the outline.",
                      "Repaired shape used.")


def _report_values(report: _Report, raw: pd.DataFrame, window: pour_date.PourWindow, plate: slab.Slab,
                   other_foundation: NDArray[np.bool_]) -> None:
    for name, rule in window.refused.items():
        if name == "pour_date_basis":
            effective = (rule != "") & (window.basis == "none")
            values = _text(raw, name).to_numpy()
            report.rows_where(effective, "E-LOT-015", name, values, rule, "", "Row kept, pour date unknown.")
            report.rows_where((rule != "") & ~effective, "W-LOT-015", name, values, rule, "", "Row kept.")
        elif (rule != "").any():
            action = np.where(window.basis == "none", "pour date unknown", "the other date columns are used")
            values = _text(raw, name).to_numpy()
            zero = rule == pour_date.NO_YEAR
            for kind in np.unique(action[rule != ""]):
                report.rows_where(zero & (action == kind), "W-LOT-014", name, values, rule, "", f"Row kept, {kind}.")
                report.rows_where((rule != "") & ~zero & (action == kind), "E-LOT-014", name, values, rule,
                                  pour_date.FORMS, f"Row kept, {kind}.")
    for name, refused in (("slab_width_m", plate.width_refused), ("slab_length_m", plate.length_refused),
                          ("beam_depth_mm", plate.beam_refused)):
        if refused.any():
            _report_size(report, name, _number(raw, name), refused)
    foundation = _text(raw, "foundation_type")
    strange = other_foundation & ~foundation.str.lower().str.contains(_OTHER_FOUNDATION.pattern).to_numpy()
    report.rows_where(strange, "W-LOT-018", "foundation_type", foundation.to_numpy(),
                      "the foundation type is not known to be slab-on-ground.",
                      "Write `slab on ground` where it is one.", "Row kept, not estimated.")


def _report_size(report: _Report, name: str, values: NDArray[np.float64], refused: NDArray[np.bool_]) -> None:
    """Tell sizes that no slab has, in the unit of the file, with what may have been given instead."""
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
    told = np.full(len(values), "", dtype=object)
    told[refused] = report.as_given(name, values[refused])
    for found, remedy in ((refused & ~area, mixed), (refused & area, "Is this an area? A side is asked for.")):
        report.rows_where(found, code, name, told, rule, remedy, "Row kept, value treated as missing.")


def _states(shape_reason: NDArray, foundation: pd.Series, other_foundation: NDArray[np.bool_],
            not_yet: NDArray[np.bool_]) -> tuple[NDArray, NDArray]:
    """Return state and reason; what no correction of the row can change is said first."""
    unmatched = shape_reason != ""
    conditions = [other_foundation, unmatched, not_yet]
    state = np.select(conditions, ["not_applicable", "unmatched", "not_yet_poured"], "").astype(object)
    reason = np.full(len(state), "", dtype=object)
    reason[state == "not_yet_poured"] = STATES["not_yet_poured"]
    reason[state == "unmatched"] = shape_reason[state == "unmatched"]
    codes, distinct = pd.factorize(foundation)
    told = np.array([f"{STATES['not_applicable']}: foundation type is \"{shown(text)}\"" for text in distinct] or [""],
                    dtype=object)
    reason[other_foundation] = told[codes[other_foundation]]
    return state, reason


def foundations(column: pd.Series) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return for every row whether a text names another foundation than a slab, and whether it names none."""
    codes, distinct = pd.factorize(column)
    words = [re.sub(r"[\W_]+", " ", str(text).lower()).strip() for text in distinct] or [""]
    missing = np.array([word in _NO_TYPE for word in words])
    on_ground = np.array(["slab" in word and not _OTHER_FOUNDATION.search(word) for word in words])
    return (~missing & ~on_ground)[codes], missing[codes]


def _changed(shapes: geometry.Shapes, fraction: float) -> NDArray[np.bool_]:
    after = np.nan_to_num(shapes.area_m2)
    changed: NDArray[np.bool_] = np.abs(after - np.nan_to_num(shapes.area_before_m2)) > fraction * after
    return changed


def _flags(marks: dict[str, NDArray[np.bool_]]) -> NDArray[np.object_]:
    """Return the flags of each row as one text; each combination is written once."""
    code = sum((mark.astype(np.int64) << bit for bit, mark in enumerate(marks.values())), np.int64(0))
    found, position = np.unique(code, return_inverse=True)
    names = list(marks)
    written = [join_flags(name for bit, name in enumerate(names) if value >> bit & 1) for value in found]
    return np.array(written, dtype=object)[position]


def _text(raw: pd.DataFrame, name: str) -> pd.Series:
    """Return a text column without missing values; empty text when the column is not there."""
    if name not in raw:
        return pd.Series([""] * len(raw), dtype=str)
    return raw[name].astype("string").fillna("").astype(str).reset_index(drop=True)


def _number(raw: pd.DataFrame, name: str) -> NDArray[np.float64]:
    if name not in raw:
        return np.full(len(raw), np.nan)
    return raw[name].to_numpy(dtype=np.float64, na_value=np.nan)
