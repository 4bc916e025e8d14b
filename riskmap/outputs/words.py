"""Plain words for codes and flags, as they appear with a lot. A code without an entry is shown unchanged."""

from __future__ import annotations

from collections.abc import Iterable

from riskmap.common import tables, weather

DIRECTION = {
    "center_lift": "Center lift: the middle is high (dome)",
    "edge_lift": "Edge lift: the edge is high (dish)",
    "near_level": "Near level: within 5 mm (0.2 in)",
}
DIRECTION_SHORT = {"center_lift": "middle high", "edge_lift": "edge high", "near_level": "near level"}  # for tables
# One sentence per phase; the limits between them are in `movement.life`. The middle goes up in nearly every case, but
# after a pour in a wet spell it may come down a little: hence "its final height" until it rests.
PHASE = {
    "early_settlement": "The slab is new and may still settle a little, as new slabs are assumed to do",
    "dome_growing": "The middle is still on its way to its final height",
    "edge_seasonal": "The ground under the middle has stopped rising; the edge still moves with the seasons",
}
PHASE_SHORT = {"early_settlement": "early settlement", "dome_growing": "growth: middle still rising",
               "edge_seasonal": "rest: only the edge moves"}  # for legends and tables
ALL_AGREE, SOME_AGREE = "all model runs agree", "{share} % of model runs agree"
POUR_BASIS = {
    "date": "known to the day", "month": "known to the month", "year": "known to the year", "range": "given as a range",
    "none": "not known",
}
SLAB_CLASS = {
    "unknown": "stiffness not known", "shallow": "shallow beams", "typical": "typical beams", "deep": "deep beams",
}
DRIVER = {"both": "half of the model runs use day steps, the other half a monthly water balance",
          "day": "all model runs use day steps",
          "month": "all model runs use a monthly water balance"}
WEATHER_SOURCE = {tables.WEATHER_SOURCES[level]: words for level, words in {
    weather.RECORD: "monthly rain and temperature",
    weather.INDEX: "drought index grid (weaker than rain and temperature)",
    weather.CATEGORY: "weekly drought maps (the least reliable of three sources)",
    weather.CLIMATOLOGY: "the usual season in months without data", weather.BEFORE: "none",
}.items()}
# Reasons for the difference from the typical lot: the words if they raise it, lower it, or are near zero. The first two
# are those of the tables (`movement.reasons.WORDS`; a test keeps them equal).
REASONS = {
    "soil": ("more expansive soil", "less expansive soil", "soil"),
    "age": ("age and pour date", "age and pour date", "age and pour date"),
    "weather": ("weather up to today", "weather up to today", "weather up to today"),
    "slab": ("a slab that bends more", "a slab that bends less", "slab size and stiffness"),
}
LEAST_PART_MM = 0.5  # smaller parts are near zero
QUALITY = {text: text if text == tables.ALL_KNOWN else f"not known: {text}" for text in tables.DATA_QUALITY}

FLAGS = {
    # lot file
    "corrected": "Values of this lot were corrected; the reasons are among the findings of the run.",
    "duplicate_lot_id": "This id is on more than one row; each row is estimated separately.",
    "lot_id_missing": "The row has no id.",
    "point_lot": "The lot is given as a point; only the soil at that spot is used.",
    "geometry_repaired": "The outline crossed itself and was repaired.",
    "geometry_repair_changed_area": "The repair of the outline changed its area noticeably.",
    "foundation_type_assumed": "Foundation type is not given; a slab on the ground is assumed.",
    "pour_date_unknown": "Pour date is not known; the range covers many years.",
    "pour_date_refused": "A date in the lot file could not be used.",
    "pour_date_clipped": "A pour date lay outside the possible window and was cut to it.",
    "slab_from_footprint": "The slab's size is not given. It is taken from the outline of the building, less the "
                           "eaves.",
    "slab_size_assumed": "Slab size is not given; a 12 m (39 ft) short side is assumed.",
    "slab_value_refused": "A slab measure in the lot file could not be used.",
    "deep_ribs_may_crack": "Ribs of 650 mm (26 in) and more, not known to be prestressed: they are taken to have "
                           "cracked and to be less stiff.",
    # soil
    "soil_partly_unmapped": "Part of the lot lies outside the soil map.",
    "soil_polygons_doubled": "Soil polygons of one map unit overlap here; the ground counts once.",
    "soil_polygons_overlap": "Polygons of different soils overlap here; the range covers all of them.",
    "soil_from_raster": "The map unit comes from a grid whose cells can be larger than the lot: an overview only.",
    "soil_scale_unknown": "The scale of the soil map is not recorded; the range does not allow for the place of "
                          "soil boundaries.",
    "soft_bedrock_may_swell": "Soft bedrock below the soil may swell; it is not described by the survey.",
    "component_pct_not_100": "Shares of the soils in this map unit do not add up to 100 %.",
    "horizon_dropped": "A soil layer with unusable depths was left out.",
    "horizon_overlap": "Soil layers overlap in the survey.",
    "horizon_gap": "A gap between soil layers was filled from its neighbours.",
    "top_filled": "The top of the soil was filled from the layer below.",
    "shallow_rock": "Rock lies too shallow for a soil profile in part of the map unit.",
    "organic_soil": "Part of the map unit is organic soil (peat or muck), for which no movement is computed.",
    "lep_missing": "Part of the map unit has no linear extensibility.",
    "lep_missing_below": "The survey gives no linear extensibility for the deeper layers.",
    "lep_implausible": "An impossible linear extensibility was left out.",
    "lep_middle_of_limits": "Linear extensibility is halfway between the survey's limits.",
    "lep_limits_assumed": "Limits of linear extensibility are not given and were assumed.",
    "lep_disordered": "Limits of linear extensibility were out of order.",
    "lep_from_bulk_density": "Linear extensibility was computed from bulk density.",
    "lep_from_clay_cec": "Linear extensibility was estimated from clay content and cation exchange capacity.",
    "lep_from_clay": "Linear extensibility was estimated from clay content.",
    "lep_suspicious": "Linear extensibility looks too low for so much clay; the range was widened.",
    "lep_above_20": "Linear extensibility is unusually large.",
    # slab
    "slab_width_beyond_model": "The slab is narrower or wider than the model is built for; it was computed at the "
                               "limit (half width between 0.8 and 9 active depths).",
    # weather
    "climate_gap_filled": "Gaps in the weather record were filled from a weaker source.",
    "index_beyond_fit": "A month lies beyond what a drought index can show; the index stops at its limit there.",
    "climate_ends_before_today": "The weather record ends before the present month.",
    "short_climate_record": "The weather record is short.",
    "declared_pet_refused": "The evapotranspiration given could not be used; it was computed from temperature.",
    "semi_arid_driver_untested": "Semi-arid climate: the weather driver has not been tested here.",
    "frost_not_modelled": "Freezing months occur; frost is not modelled.",
    "drought_map_not_of_today": "Today's drought category is not known: the newest weekly map is too old for it.",
    "pour_before_record": "The slab was poured before the weather record or early in it; the usual climate is used for "
                          "those years.",
    "driver_outside_tested_climate": "The climate lies outside those the weather driver was tested in.",
}


# columns of the estimate that contain codes -> code -> meaning; `flags` contains several, separated by semicolons
CODES: dict[str, dict[str, str]] = {
    "state": tables.STATES, "direction": DIRECTION, "phase": PHASE, "pour_date_basis": POUR_BASIS,
    "slab_class": SLAB_CLASS, "weather_source": WEATHER_SOURCE, "flags": FLAGS,
}


def flag_sentences(names: Iterable[str]) -> dict[str, str]:
    """Return a sentence per flag name. A name without an entry is its own sentence, with spaces for underscores."""
    return {name: FLAGS.get(name, name.replace("_", " ")) for name in names}


def phase(code: str, share: float) -> str:
    """Return the sentence of a phase with the share of the model runs that agree, 0 to 1; a new code as it is.

    Only where every run agrees does it say so: a share that would be rounded to 100 % is shown as 99 %.
    """
    tenths = round(1000 * share)  # of a per cent: what the map keeps, so that both round the same value, half up
    agree = ALL_AGREE if share >= 1 else SOME_AGREE.format(share=min((tenths + 5) // 10, 99))
    return f"{PHASE.get(code, code)} ({agree})."


def reason(name: str, value_mm: float) -> str:
    """Return the name of a reason for the difference from the typical lot, by its sign."""
    return REASONS[name][2 if abs(value_mm) < LEAST_PART_MM else 0 if value_mm > 0 else 1]


NO_DROUGHT = "no drought"


def drought(category: str) -> str:
    """Return a weekly category in words; `none` (`None` in older runs) is no drought, empty is not known."""
    return NO_DROUGHT if category.lower() == tables.NO_DROUGHT else category


def drought_at_lot(category: str, valid_date: str) -> str:
    """Return what the newest weekly map shows at a lot, which can differ from most of its climate cell."""
    return f"{drought(category)} at the lot on {valid_date}" if valid_date else ""
