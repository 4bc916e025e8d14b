"""Where every constant comes from: values as they are in the code, with unit, standing and source.

A value is never repeated here; it is read from the single place where it is defined. A test requires an entry for every
setting.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any

from riskmap.common.setting_ranges import RANGES, Range
from riskmap.common.settings import ClimateSettings, LotSettings, MovementSettings, SoilSettings

if TYPE_CHECKING:
    import pandas as pd

# published: a document was read; measured: found against records; computed: follows from mathematics or a finer
# calculation; practice: usual in the trade; calibrated: fitted to stated behaviour, so it is not evidence; from memory:
# a source is known but was not seen; judgement: ours.
STANDINGS = ("published", "measured", "computed", "practice", "calibrated", "from memory", "judgement")
GROUPS: dict[str, type[LotSettings | SoilSettings | ClimateSettings | MovementSettings]] = {
    "lots": LotSettings, "soil": SoilSettings, "climate": ClimateSettings, "movement": MovementSettings}


@dataclass(frozen=True)
class Constant:
    """One constant: `where` is `group.field` of the settings or `riskmap.module.NAME` of the code."""

    part: str
    where: str
    meaning: str
    unit: str
    standing: str
    source: str

    @property
    def value(self) -> Any:
        """The value where it is defined."""
        home, _, name = self.where.rpartition(".")
        return GROUPS[home].model_fields[name].get_default() if home in GROUPS else getattr(import_module(home), name)

    @property
    def range(self) -> Range | None:
        """The range a user may set, from `common.setting_ranges`; None for switches and for what is not a setting."""
        home, _, name = self.where.rpartition(".")
        return RANGES[GROUPS[home].SECTION].get(name) if home in GROUPS else None


_BEHAVIOUR = "centre settles in 6-7 years, edge active over 1-2 m: chosen for that, hence no evidence for it"
_SPREAD = "spread of the model runs"
CONSTANTS = (
    # ---- suction at the surface
    Constant("surface", "climate.rain_factor", "monthly bucket: share of the rain that enters the ground", "",
             "measured",
             "soil wetness at two grass sites, bias gone, r 0.77 and 0.87; sub-humid only"),
    Constant("surface", "movement.rain_factor_draw", "the same, drawn evenly between", "", "measured",
             "the same two sites; " + _SPREAD),
    Constant("surface", "climate.bucket_capacity_mm", "capacity of the bucket", "mm", "measured",
             "the same sites: correlation flat from 50 to 250 mm"),
    Constant("surface", "movement.bucket_draw_mm", "the same, drawn evenly between", "mm", "judgement", _SPREAD),
    Constant("surface", "climate.driver", "day steps, monthly bucket, or every second draw by each", "", "measured",
             "day steps alone cover 25 % of the domes of eight measured years at one site, half of each 62 %"),
    Constant("surface", "climate.no_stress_share", "day steps: share of the bucket drawn without stress", "",
             "from memory", "FAO Irrigation and Drainage Paper 56, grass"),
    Constant("surface", "movement.no_stress_share_draw", "the same, drawn evenly between", "", "judgement", _SPREAD),
    Constant("surface", "climate.curve_number", "day steps: curve number of runoff", "", "published",
             "Technical Release 55: open space, good cover, group C"),
    Constant("surface", "movement.curve_number_draw", "the same, drawn evenly between", "", "judgement", _SPREAD),
    Constant("surface", "climate.low_filling", "day steps: filling at the dry limit", "", "measured",
             "in-sample for size: one probe, about 100 settings looked at"),
    Constant("surface", "movement.low_filling_draw", "the same, drawn evenly between", "", "judgement", _SPREAD),
    Constant("surface", "climate.high_filling", "day steps: filling at the wet limit", "", "measured",
             "in-sample for size, as the filling at the dry limit"),
    Constant("surface", "movement.high_filling_draw", "the same, drawn evenly between", "", "judgement", _SPREAD),
    Constant("surface", "riskmap.movement.day_steps.RAINS_A_MONTH", "rains that a month's sum is cut into", "",
             "computed", "six unequal rains in six rotations gave the same in every comparison"),
    Constant("surface", "riskmap.movement.day_steps.ABSTRACTED", "initial abstraction over retention", "", "published",
             "Technical Release 55, equation 2-2"),
    Constant("surface", "riskmap.movement.day_steps.RETENTION_MM", "retention: this over the curve number, less 254 mm",
             "mm", "published", "Technical Release 55, equation 2-4"),
    Constant("surface", "riskmap.movement.oudin.COLDEST_C", "evapotranspiration begins this far below 0 degC", "K",
             "published", "Oudin and others 2005"),
    Constant("surface", "riskmap.movement.oudin.DEGREES", "divisor of evapotranspiration", "K", "published",
             "Oudin and others 2005"),
    Constant("surface", "riskmap.movement.oudin.SOLAR_CONSTANT", "solar constant", "MJ/m2/min", "published",
             "FAO Irrigation and Drainage Paper 56, equation 21"),
    Constant("surface", "riskmap.movement.oudin.ENERGY_PER_MM", "energy that evaporates a millimetre", "MJ/m2/mm",
             "published", "FAO Irrigation and Drainage Paper 56, equation 20"),
    Constant("surface", "movement.wet_limit_pf", "suction of a full bucket", "pF", "practice",
             "field capacity, narrowed after too large a range of open ground"),
    Constant("surface", "movement.wet_limit_sd_pf", "its standard deviation", "pF", "judgement", _SPREAD),
    Constant("surface", "movement.dry_limit_pf", "suction of an empty bucket", "pF", "practice", "wilting point"),
    Constant("surface", "movement.dry_limit_sd_pf", "its standard deviation", "pF", "judgement", _SPREAD),
    Constant("surface", "movement.guard_pf", "limits that no model run passes", "pF", "judgement",
             "keeps model runs physical"),
    Constant("surface", "riskmap.movement.draws.NARROWEST_SPAN_PF", "least distance of both sampled limits", "pF",
             "judgement", "keeps the driver defined"),
    Constant("surface", "riskmap.climate.evapotranspiration.REFERENCE_RATIO",
             "declared evapotranspiration above this multiple of Thornthwaite is refused", "", "judgement",
             "between 1.1 (other treatments of hot months) and 1.7 (grass reference, measured)"),
    Constant("surface", "movement.sides_sd_pf", "right minus left surface suction, standard deviation", "pF",
             "judgement", "sun, shade, watering; not measured"),
    Constant("surface", "movement.leak_pf", "scenario: a leak on one side", "pF", "judgement", "scenario, not varied"),
    Constant("surface", "movement.watering_pf", "scenario: watering on one side", "pF", "judgement", "held half dry"),
    Constant("surface", "movement.tree_pf", "scenario: a large tree on one side", "pF", "judgement",
             "scenario, not varied"),
    # ---- months known only by an index
    Constant("index", "climate.index_slope", "shift per unit of the index, in monthly standard deviations", "",
             "computed", "chosen on a synthetic record, scored on 40 others: measures information lost, not truth"),
    Constant("index", "climate.index_months", "months summed by an index grid that is used", "months", "computed",
             "the same 40 synthetic climates: 4 and 6 months alike; 9-12 fit measured wetness better"),
    Constant("index", "riskmap.climate.cells.PDSI_PER_UNIT", "PDSI per unit of a normal score", "", "judgement",
             "fitted by eye to the published category table"),
    Constant("index", "riskmap.climate.cells.PDSI_MONTHS", "months that PDSI is read as", "months", "judgement",
             "about nine"),
    Constant("index", "riskmap.climate.cells.LARGEST_Z", "scores are limited to", "", "judgement",
             "as the check values are"),
    Constant("index", "riskmap.common.constants.CATEGORY_NORMAL_SCORE", "normal score of each weekly category", "",
             "computed", "means of a unit normal over the percentile classes of drought.gov"),
    Constant("index", "riskmap.common.constants.CATEGORY_VALID_MONTHS",
             "months before the present one whose weekly map still gives today's category", "months", "judgement",
             "the present month or the one before"),
    Constant("index", "riskmap.common.constants.MOST_USUAL_MONTHS",
             "months without any data, since the last rain or index, up to which there is a number", "months",
             "judgement", "the usual season alone correlates 0.41 with the true dome (invented climates)"),
    Constant("index", "riskmap.movement.driver.NOISE_BY_SOURCE",
             "part that an index (2), a category (3), nothing (4) leaves unexplained", "", "measured",
             "rank correlation with filling of the monthly bucket in six divisions 0.72-0.85; categories 25-55 % of "
             "variance; not measured for the day steps"),
    Constant("index", "climate.recent_months", "months that decide the driver level of a lot", "months", "judgement",
             "the least reliable source among them counts"),
    # ---- covered equilibrium
    Constant("equilibrium", "climate.equilibrium_percentile", "percentile of the running mean", "%", "calibrated",
             "an old slab of 6 m half width on even clay is edge-high in about 2 % of months, a saying of the "
             "Texas trade: measured nowhere, and not so for other ground or over the model runs"),
    Constant("equilibrium", "climate.equilibrium_months", "length of the running mean", "months", "calibrated",
             "chosen together with the percentile; the edge itself follows the mean of about five months (r .92)"),
    Constant("equilibrium", "climate.equilibrium_first_year", "first year of the rule", "", "judgement",
             "70 years preferred"),
    Constant("equilibrium", "climate.equilibrium_last_year", "last year of the rule", "", "judgement",
             "70 years preferred"),
    Constant("equilibrium", "riskmap.movement.driver.SHORTEST_RULE_YEARS", "shorter records are flagged", "yr",
             "practice", "length of a normal period"),
    Constant("equilibrium", "movement.equilibrium_common_sd_pf", "standard deviation, common part of an area", "pF",
             "judgement", "allows for the rule being a calibration"),
    Constant("equilibrium", "movement.equilibrium_lot_sd_pf", "standard deviation, part of a lot", "pF", "judgement",
             "the same"),
    # ---- diffusion
    Constant("ground", "movement.diffusivity_m2_per_yr", "diffusivity", "m2/yr", "calibrated", _BEHAVIOUR),
    Constant("ground", "movement.diffusivity_sigma_ln", "its spread (lognormal)", "", "measured",
             "slow and fast tails in field cases (notebooks/evidence.md, 3 and 8)"),
    Constant("ground", "movement.diffusivity_clip", "its limits", "m2/yr", "judgement", "range tested"),
    Constant("ground", "movement.active_depth_m", "depth to constant suction", "m", "calibrated", _BEHAVIOUR),
    Constant("ground", "movement.active_depth_draw_m", "the same, drawn evenly between", "m", "measured",
             "drought reaches 2.5-3 m in field records"),
    Constant("ground", "movement.ground", "uncracked; cracked is a scenario", "", "judgement",
             "eight years of soil moisture at one site do not support cracks, one road cannot decide"),
    Constant("ground", "riskmap.movement.grid.FAR_FIELD", "open ground beside the slab, in active depths", "",
             "computed", "error below 0.18 % of the edge range"),
    Constant("ground", "riskmap.movement.reduced_model.SHIFTS", "rates at which the modes match", "", "computed",
             "at most 0.5 % of the edge range up to B/Zm 3.5"),
    Constant("ground", "riskmap.movement.reduced_model.CRACKED_DROP", "weakest direction kept, cracked ground", "",
             "computed", "36-42 modes; 58 would move no check case by 0.03 % of the edge range"),
    Constant("ground", "riskmap.movement.cracked.CRACKED_RATIO", "diffusivity of cracked over uncracked ground", "",
             "judgement", "10 over 1.85 m2/yr, passes the damping and lag of 29 stations; scenario only"),
    Constant("ground", "riskmap.movement.cracked.CRACKED_DEPTH_M", "depth to which open ground cracks", "m",
             "judgement", "scenario only"),
    Constant("strain", "riskmap.movement.cracked.CRACKED_SHARE", "vertical share in the cracked zone", "",
             "from memory", "isotropic shrinkage; scenario only"),
    Constant("strain", "riskmap.movement.cracked.SHARE_AT_SURFACE", "vertical share below it, taken up to the surface",
             "", "from memory", "(2 - z/5)/3; scenario only"),
    Constant("strain", "riskmap.movement.cracked.SHARE_DEPTH_M", "depth at which that share would be zero", "m",
             "from memory", "(2 - z/5)/3; scenario only"),
    Constant("strain", "riskmap.movement.cracked.UNCRACKED_SHARE", "sampled share to which these shares belong", "",
             "judgement", "a model run's share divided by it multiplies them; scenario only"),
    Constant("ground", "riskmap.movement.cracked.ROUNDED_TO", "decimals of the cracked depth over active depth", "",
             "computed", "at most 0.6 % of the edge range; scenario only"),
    Constant("ground", "climate.spin_up_years", "years repeated before the record", "yr", "computed",
             "more than 5 Zm2/(pi2 alpha) of the median parameters"),
    # ---- strain
    Constant("strain", "riskmap.common.constants.PF_AT_33_KPA", "moist end of linear extensibility", "pF", "published",
             "33 kPa, definition of linear extensibility (National Soil Survey Handbook)"),
    Constant("strain", "riskmap.common.constants.PF_AT_SHRINKAGE_LIMIT", "dry end of volume change", "pF",
             "from memory",
             "practice with indices from linear extensibility; pF 7 would lower all movement by a third"),
    Constant("strain", "movement.pf_span_dry", "the same, as a setting", "pF", "from memory", "as above"),
    Constant("strain", "movement.restraint_draw", "share of volume change that is vertical, between", "", "judgement",
             "practice 0.5 drying, 0.8 wetting, from memory; widened to 0.4 (median 0.6) because two measured figures "
             "pull in opposite directions: a clay soil with 0.42 to 0.45 (less vertical share), and a bench mark 0.91 "
             "m deep that moved more than ours (notebooks/evidence.md, 19 and 20)"),
    Constant("strain", "soil.lep_cap_pct", "largest linear extensibility of a model run", "%", "judgement",
             "above the largest laboratory value seen"),
    Constant("strain", "soil.extend_to_cm", "deepest horizon is extended to", "cm", "practice",
             "surveys stop near 2 m"),
    Constant("strain", "soil.below_profile_factor", "weight below it", "", "practice", "half of the deepest horizon"),
    Constant("strain", "riskmap.movement.soil_units.SHALLOWEST_M", "active depth is not cut below", "m", "judgement",
             "cut by rock or a lasting water table"),
    Constant("strain", "movement.settlement_mm", "early settlement, between", "mm", "judgement",
             "that it happens is trade knowledge, its size is assumed"),
    Constant("strain", "movement.settlement_yr", "its time constant", "yr", "judgement", "95 % in a year and a half"),
    # ---- slab
    Constant("slab", "riskmap.movement.stiffness.DEPTH_STEP_MM", "step of a given rib depth", "mm", "computed",
             "the answer changes by at most 3 to 4 % a step; 12 to 15 % in steps of 1.15 in stiffness"),
    Constant("slab", "riskmap.movement.stiffness.CLASS_STIFFNESS_MN_M2", "median stiffness by class, in runs of "
             "formats 1 and 2 only", "MN m2/m", "computed", "T section; long-term modulus 10.3 GPa from memory"),
    Constant("slab", "movement.stiffness_mn_m2", "median stiffness, rib depth not given", "MN m2/m", "judgement",
             "ribs of half a metre"),
    Constant("slab", "movement.stiffness_sigma_ln", "spread (lognormal), rib depth not given", "", "judgement",
             "wide enough for plain slabs of 0.19 m (5.9 MN m2/m); ribless ones of 0.10 m (0.9) stay outside"),
    Constant("slab", "movement.stiffness_sigma_ln_known", "spread (lognormal), rib depth given", "", "judgement",
             "rib spacing and width, age of the concrete"),
    Constant("slab", "riskmap.common.constants.DEEP_RIBS_FROM_MM", "rib depth from which ribs are taken to crack", "mm",
             "judgement", "computed cracking beam with assumed steel; prestressed slabs excepted"),
    Constant("slab", "movement.deep_rib_factor", "share of the section's stiffness that cracked deep ribs keep", "",
             "judgement", "computed cracking beam with assumed steel"),
    Constant("slab", "movement.deep_rib_sigma_ln", "spread (lognormal), deep ribs", "", "judgement",
             "amount of steel and depth of cracks are not known"),
    Constant("slab", "movement.spring_mn_m3", "subgrade spring", "MN/m3", "practice",
             "mound stiffness of AS 2870, from a secondary page"),
    Constant("slab", "movement.spring_sigma_ln", "its spread (lognormal)", "", "judgement", _SPREAD),
    Constant("slab", "movement.load_kpa", "slab and floor load, between", "kPa", "judgement", "light framing"),
    Constant("slab", "movement.edge_load_kn_m", "wall load on the edge, between", "kN/m", "judgement",
             "light framing with masonry veneer"),
    Constant("slab", "movement.half_width_spread", "half width, relative spread", "", "judgement", _SPREAD),
    Constant("slab", "movement.half_width_spread_footprint", "the same where the outline of a building gives the size",
             "", "judgement", "between a given size and none: outlines follow roofs, and some cover several slabs"),
    Constant("slab", "movement.half_width_spread_unknown", "the same without a size in the lot file", "", "judgement",
             _SPREAD),
    Constant("slab", "lots.default_half_width_m", "half width without a size in the lot file", "m", "judgement",
             "a 12 m short side"),
    Constant("slab", "riskmap.lots.footprints.EAVES_M", "roof beyond the walls, both sides together", "m", "judgement",
             "eaves of 0.3 m on either side; outlines follow roofs"),
    Constant("slab", "riskmap.lots.footprints.FULL_BOX", "area over short side times box; below it, not a rectangle",
             "", "judgement", "a round plan has 0.79"),
    Constant("slab", "riskmap.lots.footprints.LEAST_SHARE", "least share of an outline that lies on its lot", "",
             "judgement", "below it a row of houses is drawn as one"),
    Constant("slab", "riskmap.lots.footprints.LEAST_WALL_M", "least wall that two outlines of one building share", "m",
             "judgement", "the width of a door"),
    Constant("slab", "riskmap.lots.footprints.NEAR_M", "distance within which a layer of buildings shows houses", "m",
             "judgement", "a street and its back street"),
    Constant("slab", "riskmap.lots.footprints.LEAST_NEAR", "least number of other lots within that distance", "",
             "judgement", "fewer say nothing about the layer"),
    Constant("slab", "riskmap.lots.footprints.COVERED_SHARE", "least share of these that has a building", "",
             "judgement", "in a street that the layer lacks few lots have one"),
    Constant("slab", "riskmap.movement.summary.CORNER_FACTOR", "middle to corner over middle to edge", "", "computed",
             "coarse calculation in three dimensions"),
    Constant("draws", "riskmap.movement.growth.MOST_DECEMBERS", "Decembers kept for the growth curve of an archetype",
             "", "judgement", "a curve of 60 years covers all growth of a slab"),
    Constant("draws", "riskmap.outputs.map.growth_curves.MOST_ARCHETYPES",
             "archetypes of a run whose map contains growth curves", "", "judgement",
             "some 240 kB of a page: 48 bytes a curve in the example"),
    Constant("slab", "riskmap.common.constants.DEFLECTION_LIMIT_RATIO", "line drawn beside the deflection ratio", "",
             "from memory", "guideline figure; never pass or fail"),
    Constant("slab", "riskmap.movement.summary.TILT_LIMIT_PCT", "line drawn beside the tilt", "%", "from memory",
             "guideline figure; never pass or fail"),
    # ---- model runs and reading
    Constant("draws", "movement.draws", "draws of a run", "", "computed",
             "another seed moves the median by 0.4 mm, p10 by 0.4, p90 by 1.2 on a very expansive lot"),
    Constant("draws", "movement.seed", "seed of a run", "", "judgement", "any number in its range"),
    Constant("draws", "climate.normal_first_year", "first year of the normal period", "", "practice",
             "climate normals 1991-2020"),
    Constant("draws", "climate.normal_last_year", "last year of the normal period", "", "practice",
             "climate normals 1991-2020"),
    Constant("draws", "riskmap.movement.driver.WHATIF_PERCENTILES", "dry, middle and wet past year", "%", "judgement",
             "by edge movement at the end of the year"),
    Constant("draws", "riskmap.movement.driver.SEMI_ARID_MEAN", "mean filling below which PET is drawn too", "",
             "judgement", "untested climates are flagged"),
    Constant("draws", "riskmap.movement.driver.SEMI_ARID_PET", "PET is then drawn up to this share higher", "",
             "judgement", "as above"),
    Constant("draws", "riskmap.movement.driver.TOO_DRY_MEAN", "mean filling below which there is no estimate", "",
             "judgement", "watering and leaks decide there"),
    Constant("draws", "riskmap.movement.summary.FROST_SHARE", "edge range added where a month's normal is below 0 degC",
             "", "judgement", "frost is not modelled and flagged"),
    Constant("draws", "riskmap.movement.life.SETTLED_SHARE", "share of the early settlement that ends its phase", "",
             "practice", "95 % for an end that is only approached; no source ties it to houses"),
    Constant("draws", "riskmap.movement.life.GROWN_SHARE", "share of its final movement from which the middle rests",
             "", "practice", "95 % for an end that is only approached; no source ties it to houses"),
    Constant("draws", "riskmap.movement.life.MOST_MONTHS", "how far ahead the middle is asked to stay at rest",
             "months", "judgement", "a hundred years: longer than a house is asked about"),
    Constant("draws", "movement.history_months", "past months kept for the map", "months", "judgement", "two seasons"),
    # ---- reading the layers
    Constant("layers", "riskmap.layers.climate_daily.LEAST_MONTHS", "shortest daily record, with months beside it",
             "months", "judgement", "shorter ones do not show what dry and wet years do"),
    Constant("layers", "riskmap.layers.daily_gaps.RAIN_DAYS", "days of a month whose rain is filled", "days",
             "judgement", "a tenth of the month"),
    Constant("layers", "riskmap.layers.daily_gaps.WARMTH_DAYS", "days in a row whose temperature is filled", "days",
             "judgement", "a passing front takes about as long"),
    Constant("layers", "riskmap.layers.daily_gaps.YEARS_FOR_MEAN", "months needed for a calendar month's mean rain",
             "", "judgement", "fewer make no mean"),
    Constant("layers", "lots.unknown_pour_earliest", "earliest pour without a date", "", "judgement",
             "slab-on-ground building became common later"),
    Constant("layers", "lots.simplify_repair_warn_fraction", "a repair of a shape above it is flagged", "", "judgement",
             "one per cent of the area"),
    Constant("layers", "lots.widest_lot_deg", "a wider lot is a mistake", "deg", "judgement", "a lot, not a county"),
    Constant("layers", "riskmap.lots.geometry.LEAST_LOT_M2", "no house is known on a smaller lot", "m2",
             "judgement", "smaller than any house"),
    Constant("layers", "riskmap.lots.geometry.LEAST_CIRCLE_M", "nor where no circle of this diameter fits into the lot",
             "m", "judgement", "narrower than any house; strips between lots are"),
    Constant("layers", "riskmap.estimates.table.WELL_MAPPED_PCT", "least mapped share of a lot whose soil is known",
             "%", "judgement", "below it too much of the lot lies outside the soil map"),
    Constant("layers", "soil.min_covered_pct", "least described share of a lot", "%", "judgement",
             "below it there is no estimate"),
    Constant("layers", "soil.min_mapped_pct", "least mapped share of a lot", "%", "judgement", "half on the map"),
    Constant("layers", "soil.suspicious_lep_pct", "suspicious linear extensibility beside much clay", "%", "measured",
             "an error of two published surveys"),
    Constant("layers", "soil.suspicious_clay_pct", "much clay", "%", "measured", "the same"),
    Constant("layers", "soil.line_doubt", "near a soil boundary the neighbour takes part", "", "computed",
             "half on the line, under 5 % beyond a line width of the mapping scale"),
    Constant("layers", "riskmap.soil.shrink_swell.CLASS_LIMITS_PCT", "limits of the shrink-swell classes", "%",
             "published", "National Soil Survey Handbook 430-VI, linear extensibility"),
)


def constants() -> pd.DataFrame:
    """Return every constant with its source.

    Returns
    -------
    DataFrame
        part, constant (where it is defined), value (default), unit, meaning, standing, source; for settings also range
        and range_source, the reason for the range.

    Notes
    -----
    Coefficients of a published method that is shown for comparison are at the top of that method's file in
    `riskmap.evidence.published`.

    Examples
    --------
    >>> table = constants().set_index("constant")
    >>> table.loc["movement.diffusivity_m2_per_yr", ["unit", "standing"]].tolist()
    ['m2/yr', 'calibrated']
    """
    import pandas as pd

    return pd.DataFrame([{"part": c.part, "constant": c.where, "value": c.value, "unit": c.unit,
                          "meaning": c.meaning, "standing": c.standing, "source": c.source,
                          "range": c.range.text if c.range else "", "range_source": c.range.why if c.range else ""}
                         for c in CONSTANTS])
