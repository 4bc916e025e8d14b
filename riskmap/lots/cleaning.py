"""Clean lots: geometry, pour date, slab and state of every row."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import units
from riskmap.common.constants import SIZE_FROM_FOOTPRINT, SIZE_GIVEN, SIZE_UNKNOWN
from riskmap.common.errors import shown
from riskmap.common.problems import Problem
from riskmap.common.tables import LOT, STATES, check, flag_texts
from riskmap.lots import footprints, geometry, placement, pour_date, slab
from riskmap.lots.findings import LotFindings, report_buildings, report_ids, report_shapes, report_values
from riskmap.lots.foundation import foundations, vacant
from riskmap.lots.raw_columns import as_number, as_text

if TYPE_CHECKING:
    import geopandas as gpd

    from riskmap.common.inputs import BuildingOutlines
    from riskmap.common.settings import LotSettings

SMALL = (f"it is smaller than {geometry.LEAST_LOT_M2:g} m2 "
         f"({units.m_to_foot(units.m_to_foot(geometry.LEAST_LOT_M2)):.0f} sq ft)")
NARROW = (f"it is nowhere {geometry.LEAST_CIRCLE_M:g} m ({units.m_to_foot(geometry.LEAST_CIRCLE_M):.0f} ft) wide")


def clean(raw: gpd.GeoDataFrame, settings: LotSettings, crs: str, today: int, file: str,
          coverage: placement.Box | None = None, buildings: BuildingOutlines | None = None) \
        -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Clean lots.

    Parameters
    ----------
    raw : GeoDataFrame
        As `riskmap.layers.lots.read` returns it; optional columns may be missing. Findings take the file's own column
        names from its `attrs`.
    settings : LotSettings
        Defaults for what the file does not give.
    crs : str
        Projected coordinate system of the result, in metres.
    today : int
        Number of the present month.
    file : str
        Name of the lot file for findings.
    coverage : tuple, optional
        West, south, east, north of the soil map in degrees. With it, lots in degrees whose longitude and latitude are
        swapped or whose sign is lost are recognised; they get a state and are never moved.
    buildings : BuildingOutlines, optional
        Outlines of buildings near the lots. They give the size of a slab where the lot file does not, and show which
        lots have no house.

    Returns
    -------
    GeoDataFrame, list of Problem
        `tables.LOT` with one row per row of `raw` in the same order; geometry is None where it cannot be used.

    Raises
    ------
    TableError
        If a value is outside the range of `tables.LOT`.
    """
    import geopandas as gpd

    report = LotFindings(file, raw)
    shapes = geometry.usable(raw.geometry, crs, settings.widest_lot_deg, coverage)
    window = pour_date.windows(raw, settings.unknown_pour_earliest, today)
    outlined = None if buildings is None else footprints.of_lots(shapes.geometry, shapes.is_point, buildings, crs)
    plate = slab.describe(as_number(raw, "slab_width_m"), as_number(raw, "slab_length_m"),
                          as_number(raw, "beam_depth_mm"), as_text(raw, "post_tensioned"),
                          default_half_width_m=settings.default_half_width_m,
                          footprint_m=None if outlined is None else outlined.sides_m)
    lot_id = as_text(raw, "lot_id")
    repeated = (lot_id.duplicated(keep=False) & (lot_id.str.strip() != "")).to_numpy()
    other_foundation, assumed_foundation = foundations(as_text(raw, "foundation_type"))
    grown = shapes.repaired & _changed(shapes, settings.simplify_repair_warn_fraction)

    report_ids(report, lot_id, repeated)
    report_shapes(report, shapes, grown)
    report_values(report, raw, window, plate, other_foundation)
    not_yet = window.early >= today
    bare = _without_building(outlined, None if buildings is None else buildings.month, plate, window)
    bare &= ~not_yet & ~grown  # a lot outline that had to be changed does not show where there is no house
    state, reason = _states(shapes, raw, other_foundation, not_yet, bare,
                            "" if buildings is None else buildings.file)
    if buildings is not None and outlined is not None:
        report_buildings(report, outlined, buildings.file, bare & (reason == _bare_reason(buildings.file)), window,
                         state == "")
    flags = flag_texts({
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
        "slab_from_footprint": plate.half_width_basis == SIZE_FROM_FOOTPRINT,
        "slab_size_assumed": plate.half_width_basis == SIZE_UNKNOWN,
        "slab_value_refused": (plate.width_refused | plate.length_refused | plate.beam_refused
                               | plate.prestress_refused),
        "deep_ribs_may_crack": (plate.slab_class == "deep") & ~plate.post_tensioned,
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
        "half_width_basis": plate.half_width_basis,
        "slab_class": plate.slab_class,
        "beam_depth_mm": plate.beam_depth_mm,
        "post_tensioned": plate.post_tensioned,
        "plan_factor": plate.plan_factor,
        "flags": flags,
    }, geometry=gpd.GeoSeries(shapes.geometry, crs=crs), crs=crs)
    check(LOT, table)
    return table, report.problems


def _states(shapes: geometry.LotShapes, raw: pd.DataFrame, other_foundation: NDArray[np.bool_],
            not_yet: NDArray[np.bool_], bare: NDArray[np.bool_], buildings: str) -> tuple[NDArray, NDArray]:
    """Return state and reason, the first of `STATES` that applies.

    `bare` marks lots without a building in the file `buildings`, which shows the buildings around them.
    """
    labels = raw.attrs.get("labels", {})
    foundation, land_use = as_text(raw, "foundation_type"), as_text(raw, "land_use")
    no_house = STATES["no_house_known"]
    cases: list[tuple[str, NDArray[np.bool_], NDArray]] = [
        ("unmatched", shapes.reason != "", shapes.reason),
        ("not_applicable", other_foundation, _says(f"{STATES['not_applicable']}: foundation type is", foundation)),
        ("no_house_known", vacant(foundation),
         _says(f"{no_house}: {labels.get('foundation_type', 'foundation_type')} says", foundation)),
        ("no_house_known", vacant(land_use), _says(f"{no_house}: {labels.get('land_use', 'land_use')} says", land_use)),
        ("no_house_known", geometry.too_small(shapes.geometry, shapes.area_m2), _every(raw, f"{no_house}: {SMALL}")),
        ("no_house_known", geometry.too_narrow(shapes.geometry, shapes.area_m2), _every(raw, f"{no_house}: {NARROW}")),
        ("no_house_known", bare, _every(raw, _bare_reason(buildings))),
        ("not_yet_poured", not_yet, _every(raw, STATES["not_yet_poured"])),
    ]
    conditions = [mask for _, mask, _ in cases]
    state = np.select(conditions, [_every(raw, name) for name, _, _ in cases], "")
    return state.astype(object), np.select(conditions, [reason for _, _, reason in cases], "").astype(object)


def _without_building(outlined: footprints.Footprints | None, month: int | None, plate: slab.Slab,
                      window: pour_date.PourWindow) -> NDArray[np.bool_]:
    """Mark lots without a known house, because a layer that shows the houses around them shows none there.

    A lot is never marked when the lot file gives the size of its slab, or when its pour may be later than the layer,
    which shows the buildings of `month`.
    """
    if outlined is None:
        return np.zeros(len(plate.half_width_m), dtype=bool)
    bare = outlined.covered & ~outlined.house & (plate.half_width_basis != SIZE_GIVEN)
    return bare if month is None else bare & ~((window.basis != "none") & (window.late >= month))


def _bare_reason(file: str) -> str:
    return f"{STATES['no_house_known']}: {file} shows no building on it, and shows those around it"


def _every(raw: pd.DataFrame, text: str) -> NDArray[np.object_]:
    out = np.empty(len(raw), dtype=object)
    out.fill(text)  # one text for all rows; np.full makes one for each, a gigabyte for a million lots
    return out


def _says(before: str, column: pd.Series) -> NDArray[np.object_]:
    """Return what a column says for every row, in quotation marks after some words; each text is written once."""
    codes, distinct = pd.factorize(column)
    return np.array([f'{before} "{shown(text)}"' for text in distinct] or [""], dtype=object)[codes]


def _changed(shapes: geometry.LotShapes, fraction: float) -> NDArray[np.bool_]:
    after = np.nan_to_num(shapes.area_m2)
    changed: NDArray[np.bool_] = np.abs(after - np.nan_to_num(shapes.area_before_m2)) > fraction * after
    return changed
