"""The range of every setting of an area file, with the reason, and which settings contradict each other.

The ranges are defined only here: `settings` refuses values outside, `sources` shows the ranges, layers/README.md lists
them, and a property test samples from them. They are wide enough for a study, and no wider than the equations and the
tables between the stages allow (tests/properties/test_settings_ranges.py). Each reason begins with its basis.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from riskmap.common.constants import NARROWEST_RATIO, PF_AT_33_KPA, WIDEST_RATIO
from riskmap.common.errors import joined, shown

Limit = float | str
_LARGE = 10**16  # numbers from here on are not written out in full


@dataclass(frozen=True)
class Range:
    """Smallest and largest allowed value of a number or of a month `YYYY-MM`; both values of a pair must lie in it."""

    low: Limit
    high: Limit
    unit: str
    why: str
    signed: bool = False  # wetter is negative, drier positive

    @property
    def text(self) -> str:
        """The range in words, such as `2 to 15 m`."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{_plain(self.low)} to {_plain(self.high)}{unit}"

    def holds(self, value: Any) -> bool:
        """Return whether a value, a pair or every value of a table lies in the range; nan never does."""
        if value is None:
            return True
        if isinstance(value, dict | tuple | list):
            return all(self.holds(one) for one in (value.values() if isinstance(value, dict) else value))
        return bool(self.low <= value <= self.high)

    def finding(self, value: Any) -> str:
        """Return what is wrong with a value outside, the range, and what the user probably meant."""
        each = tuple(value.values()) if isinstance(value, dict) else value if isinstance(value, tuple) else (value,)
        which = "" if each == (value,) else "each value "
        said = f"is {shown_value(value)}, and {which}must be in the range {self.text}"
        if any(isinstance(one, float) and not math.isfinite(one) for one in each):
            return f"{said} and a finite number."
        slip = _slips(self, each) if all(not isinstance(one, str) and abs(one) < _LARGE for one in each) else ""
        return f"{said}. {slip}".strip()


def _plain(value: Limit) -> str:
    return value if isinstance(value, str) else f"{value:.16g}"


def shown_value(value: Any) -> str:
    """Return a value as an area file writes it."""
    if isinstance(value, list | tuple):
        return f"[{', '.join(shown_value(one) for one in value)}]"
    if isinstance(value, dict):
        return joined((f"{name}: {shown_value(one)}" for name, one in value.items()), 4)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return str(value) if abs(value) < _LARGE else f"a number of {value.bit_length()} bits"
    return f"{value:.10g}" if isinstance(value, float) else f'"{shown(value)}"'


# The unit in which a number that lies outside may have been given: its name and the factor to our unit, exact where the
# units are. The pound is 4.448222 N, the year 365.25 days, 1 kPa is 10.197 cm of water. A share has no unit.
_MEANT = {"": "a share is", "%": "per cent are", "m": "metres are", "mm": "millimetres are", "cm": "centimetres are",
          "months": "months are", "yr": "years are"}
_SLIPS: dict[str, tuple[tuple[str, float | Callable[[float], float]], ...]] = {
    "": (("per cent", 0.01),),
    "%": (("a share", 100.0),),
    "m": (("millimetres", 0.001), ("centimetres", 0.01), ("decimetres", 0.1), ("feet", 0.3048)),
    "mm": (("inches", 25.4), ("centimetres", 10.0), ("metres", 1000.0)),
    "cm": (("metres", 100.0), ("inches", 2.54), ("feet", 30.48), ("millimetres", 0.1)),
    "pF": (("kPa", lambda kpa: math.log10(10.197 * kpa) if kpa > 0 else math.nan),),
    "kPa": (("pounds per square foot", 0.04788026), ("Pa", 0.001)),
    "kN/m": (("pounds per foot", 0.01459390), ("N/m", 0.001)),
    "MN/m3": (("kN/m3", 0.001), ("N/m3", 1e-6)),
    "m2/yr": (("cm2/s", 3155.76), ("m2/s", 31_557_600.0)),
    "months": (("years", 12.0),),
    "yr": (("months", 1 / 12),),
}


def _slips(allowed: Range, values: tuple[float, ...]) -> str:
    """Return a sentence on the units in which the values would lie in the range; empty when there are none.

    Units that would all fit are named together, because only the user knows which one was meant.
    """
    def fits(meant: list[float]) -> bool:
        return allowed.holds(meant) and any(meant)

    if allowed.signed and fits(turned := [-one for one in values]):
        return f"Wetter is negative and drier is positive: write {_written(turned)}."
    share = allowed.unit or float(allowed.high) <= 2  # counts, years and seeds have no unit either
    ways = {name: [way(one) if callable(way) else way * one for one in values]
            for name, way in (_SLIPS.get(allowed.unit, ()) if share else ())}
    slips = {name: meant for name, meant in ways.items() if fits(meant)}
    if not slips:
        return ""
    wanted = _MEANT.get(allowed.unit, f"{allowed.unit} is")
    return (f"{shown_value(values[0] if len(values) == 1 else values)} looks like {' or '.join(slips)}, and {wanted} "
            f"meant: write {' or '.join(map(_written, slips.values()))}.")


def _written(values: list[float]) -> str:
    return shown_value(float(f"{values[0]:.3g}") if len(values) == 1 else [float(f"{one:.3g}") for one in values])


_RECORDS = "judgement: monthly records of weather begin later; the end is far enough for any plan"
_INDEX = "from memory: the standardised precipitation index is in use for 1 to 48 months"
_SIGMA = "judgement: 1 already makes one model run in six e times the median or more"
_SPREAD_PF = "judgement: twice the usual one and more"
RANGES: dict[str, dict[str, Range]] = {
    "area": {
        "today": Range("1900-01", "2099-12", "", _RECORDS),
    },
    "soil": {
        "scale": Range(1000, 250_000, "", "practice: soil surveys are mapped at 1:12,000 to 1:63,360, overviews at "
                       "1:250,000"),
    },
    "climate": {
        "latitude_deg": Range(-90, 90, "deg", "published: definition of latitude"),
    },
    "index": {
        "accumulation_months": Range(1, 48, "months", _INDEX),
        "first_month": Range("1850-01", "2099-12", "", _RECORDS),
    },
    "lot_settings": {
        "default_half_width_m": Range(2, 15, "m", "judgement: a house with a short side of 4 to 30 m"),
        "unknown_pour_earliest": Range(1850, 2099, "", "judgement: as pour dates in the lot file"),
        "simplify_repair_warn_fraction": Range(0, 0.5, "", "judgement: half of the area changed is another shape"),
        "widest_lot_deg": Range(0.001, 5, "deg", "judgement: 100 m, a single lot, to a few counties"),
    },
    "soil_settings": {
        "min_covered_pct": Range(1, 100, "%", "judgement: below 1 a share was meant, and 0 is not a limit"),
        "min_mapped_pct": Range(1, 100, "%", "judgement: below 1 a share was meant, and 0 is not a limit"),
        "lep_cap_pct": Range(9, 24, "%", "published: very high begins at 9 (National Soil Survey Handbook); judgement: "
                             "the largest laboratory value seen is below 20"),
        "below_profile_factor": Range(0, 1, "", "computed: from nothing to the deepest horizon unchanged"),
        "extend_to_cm": Range(50, 1000, "cm", "judgement: surveys stop near 200; depths of a survey end at 1000"),
        "suspicious_lep_pct": Range(0, 3, "%", "published: low ends at 3 (National Soil Survey Handbook); 0: none"),
        "suspicious_clay_pct": Range(10, 100, "%", "judgement: below 10 no clay soil is meant; 100: none"),
    },
    "climate_settings": {
        "bucket_capacity_mm": Range(25, 400, "mm", "judgement: measured to be flat from 50 to 250; half and more "
                                    "beyond"),
        "rain_factor": Range(0.3, 1, "", "judgement: 1 is all of the rain; below 0.3 most climates are too dry"),
        "no_stress_share": Range(0, 0.9, "", "judgement: 0: stress from the first dry day; FAO-56 has 0.3 to 0.7"),
        "curve_number": Range(30, 98, "", "published: Technical Release 55, woods on sand to pavement"),
        "low_filling": Range(0, 0.4, "", "judgement: below the lowest high filling, with room"),
        "high_filling": Range(0.6, 1, "", "judgement: above the highest low filling, with room"),
        "index_slope": Range(0, 1.5, "", "judgement: 0 leaves the index out; 1 takes it for the whole of the weather"),
        "equilibrium_percentile": Range(0.5, 25, "%", "computed: one month of 70 years is 0.1 %; judgement: above the "
                                        "lower quarter, dishes are as common as domes"),
        "equilibrium_months": Range(1, 24, "months", "computed: fits into the shortest record with two past years"),
        "equilibrium_first_year": Range(1850, 2099, "", _RECORDS),
        "equilibrium_last_year": Range(1850, 2099, "", _RECORDS),
        "normal_first_year": Range(1850, 2099, "", _RECORDS),
        "normal_last_year": Range(1850, 2099, "", _RECORDS),
        "spin_up_years": Range(5, 100, "yr", "computed: more than 5 Zm2/(pi2 alpha) of the median parameters, 3.4"),
        "index_months": Range(1, 48, "months", _INDEX),
        "recent_months": Range(1, 120, "months", "judgement: longer ago is not recent weather"),
    },
    "movement": {
        "draws": Range(20, 5000, "", "computed: below 20 no 10th percentile, above 5000 no gain"),
        "seed": Range(0, 2**53 - 1, "", "computed: NumPy takes no negative seed; larger numbers are not exact in every "
                      "reader of JSON (RFC 8259)"),
        "diffusivity_m2_per_yr": Range(0.03, 10, "m2/yr", "from memory: laboratory values from 1e-5 cm2/s, 0.03; "
                                       "computed: the ground model is tested up to 10"),
        "diffusivity_sigma_ln": Range(0, 1.5, "", "judgement: about twice the tails seen in the field"),
        "diffusivity_clip": Range(0.03, 10, "m2/yr", "judgement: as the median"),
        "active_depth_m": Range(1, 7, "m", "practice: 1.5 to 4 m (AS 2870:2011 table 2.5, as a secondary page has "
                                "it); 5-7 m irrigated semi-arid, as a scenario"),
        "active_depth_draw_m": Range(1, 7, "m", "judgement: as the median"),
        "wet_limit_pf": Range(2.5, 3.7, "pF", "practice: field capacity, 33 kPa, up to half dry"),
        "wet_limit_sd_pf": Range(0, 0.4, "pF", _SPREAD_PF),
        "dry_limit_pf": Range(3.8, 4.7, "pF", "practice: about wilting point, 4.2; air-dry ground is at 5 and beyond"),
        "dry_limit_sd_pf": Range(0, 0.4, "pF", _SPREAD_PF),
        "guard_pf": Range(2.2, 5, "pF", "practice: from wetter than field capacity to air-dry ground"),
        "equilibrium_common_sd_pf": Range(0, 0.3, "pF", _SPREAD_PF),
        "equilibrium_lot_sd_pf": Range(0, 0.3, "pF", _SPREAD_PF),
        "restraint_draw": Range(0.3, 1, "", "from memory: a third in all directions alike, 1 upward only"),
        "rain_factor_draw": Range(0.3, 1, "", "judgement: as the median"),
        "bucket_draw_mm": Range(25, 400, "mm", "judgement: as the median"),
        "no_stress_share_draw": Range(0, 0.9, "", "judgement: as the median"),
        "curve_number_draw": Range(30, 98, "", "judgement: as the median"),
        "low_filling_draw": Range(0, 0.4, "", "judgement: as the median"),
        "high_filling_draw": Range(0.6, 1, "", "judgement: as the median"),
        "pf_span_dry": Range(5, 7, "pF", "published: oven dry is 7; judgement: the shrinkage limit is above air-dry "
                             "ground, 5"),
        "half_width_spread": Range(0, 0.5, "", "judgement: half to one and a half times the width"),
        "half_width_spread_footprint": Range(0, 0.5, "", "judgement: half to one and a half times the width"),
        "half_width_spread_unknown": Range(0, 0.5, "", "judgement: half to one and a half times the width"),
        "stiffness_mn_m2": Range(0.8, 200, "MN m2/m", "computed: a slab of 0.10 m without ribs to ribs of 1.15 m, by "
                                 "the section formula"),
        "stiffness_sigma_ln": Range(0, 1, "", _SIGMA),
        "stiffness_sigma_ln_known": Range(0, 1, "", _SIGMA),
        "deep_rib_factor": Range(0.3, 1, "", "computed: a cracking beam with assumed steel loses up to half on a mound "
                                 "of 80 mm; judgement: not more than 0.7; 1 means no cracking"),
        "deep_rib_sigma_ln": Range(0, 1, "", _SIGMA),
        "spring_mn_m3": Range(1, 20, "MN/m3", "practice: 1 is the least of AS 2870 (a secondary page); computed: "
                              "stiffer ones make the contact cycle"),
        "spring_sigma_ln": Range(0, 0.7, "", "judgement: 0.7 is half to twice the median in two of three model "
                                 "runs"),
        "load_kpa": Range(2, 20, "kPa", "judgement: a bare slab of 0.10 m is 2.4; 20 is two floors of masonry"),
        "edge_load_kn_m": Range(0, 40, "kN/m", "judgement: no wall at the edge, to two floors of masonry"),
        "settlement_mm": Range(0, 50, "mm", "judgement: more is a failure of the fill, which is not modelled"),
        "settlement_yr": Range(0.1, 5, "yr", "judgement: a month to five years"),
        "sides_sd_pf": Range(0, 1, "pF", "judgement: 0.6 is the largest looked at; 1 has sides a swing apart"),
        "leak_pf": Range(-2.5, 0, "pF", "judgement: 2 is the largest offered; a leak wets", True),
        "watering_pf": Range(-2.5, 0, "pF", "judgement: as for a leak on that side", True),
        "tree_pf": Range(0, 2.5, "pF", "judgement: 2 is the largest offered; a tree dries", True),
        "history_months": Range(0, 120, "months", "judgement: ten years; each month is one more slab to solve"),
    },
}


@dataclass(frozen=True)
class Rule:
    """Settings that must agree. `names` are `section.key`; `holds` gets their values in that order."""

    names: tuple[str, ...]
    holds: Callable[..., bool]
    words: str

    @property
    def place(self) -> str:
        """The key at which the rule can be checked: the last one, or its section where there are several."""
        sections = {name.partition(".")[0] for name in self.names}
        return self.names[-1] if len(sections) == 1 else f"area.{self.names[-1].partition('.')[0]}"

    def finding(self, values: dict[str, Any]) -> str:
        """Return the settings with their values, and the rule."""
        pairs = [f"{name} = {shown_value(values[name])}" for name in self.names]
        return f"{', '.join(pairs[:-1])} and {pairs[-1]} contradict each other: {self.words}"


def contradictions(place: str, values: dict[str, Any]) -> list[tuple[tuple[str, ...], str]]:
    """Return names and finding of each rule that is checked at a place and that the values, by `section.key`, break."""
    section, _, key = place.partition(".")
    pair = values.get(place) if key in RANGES.get(section, {}) else None
    if isinstance(pair, tuple) and pair[0] > pair[1]:
        return [((place,), f"{place} = {shown_value(pair)}: the first value must not be above the second. Write "
                 f"{shown_value(pair[::-1])}.")]
    return [(rule.names, rule.finding(values)) for rule in RULES if rule.place == place
            and all(name in values for name in rule.names) and not rule.holds(*(values[name] for name in rule.names))]


# practice: a normal period; judgement: for a shorter one the record's last 30 years are used
RULE_YEARS, NORMAL_YEARS = 30, 10
# Computed: the default settings allow 1.7 m. With up to 4 m, none of 1,800 estimates with settings at the ends of their
# ranges was above 1.5 m, and the tables accept 2 m.
MOST_MOVEMENT_M = 4.0
SDS_APART = 2.0  # then the sampled limits cross in at most 2.3 % of the model runs (computed, both normal)


def _inside(middle: float, ends: tuple[float, float]) -> bool:
    return ends[0] <= middle <= ends[1]


def _years(count: int) -> Callable[[int, int], bool]:
    return lambda first, last: last - first + 1 >= count


def _limits_apart(wet: float, wet_sd: float, dry: float, dry_sd: float) -> bool:
    return wet + SDS_APART * wet_sd < dry - SDS_APART * dry_sd


def _possible(lep_cap: float, pf_span: float, restraint: tuple[float, float], depth: tuple[float, float], wet: float,
              wet_sd: float, dry: float, dry_sd: float, guard: tuple[float, float]) -> bool:
    """Return whether soil at the cap, over the deepest active depth and from wet to dry, moves by a limited amount.

    Suction stays between its limits everywhere, so hardly any movement of the ground is larger than this product.
    """
    swing = min(dry + SDS_APART * dry_sd, guard[1]) - max(wet - SDS_APART * wet_sd, guard[0])
    index = ((1 + lep_cap / 100) ** 3 - 1) / (pf_span - PF_AT_33_KPA)
    return restraint[1] * index * depth[1] * swing <= MOST_MOVEMENT_M


_MIDDLE = "the median must lie between both ends. Change both together."
RULES = (
    Rule(("climate_settings.equilibrium_first_year", "climate_settings.equilibrium_last_year"), _years(RULE_YEARS),
         f"first year before last year, and at least {RULE_YEARS} years."),
    Rule(("climate_settings.normal_first_year", "climate_settings.normal_last_year"), _years(NORMAL_YEARS),
         f"first year before last year, and at least {NORMAL_YEARS} years."),
    Rule(("movement.diffusivity_m2_per_yr", "movement.diffusivity_clip"), _inside, _MIDDLE),
    Rule(("movement.active_depth_m", "movement.active_depth_draw_m"), _inside, _MIDDLE),
    Rule(("movement.wet_limit_pf", "movement.wet_limit_sd_pf", "movement.dry_limit_pf", "movement.dry_limit_sd_pf"),
         _limits_apart, "pF is higher where it is drier, so the wet limit must lie below the dry one, also with two "
         "standard deviations of each."),
    Rule(("movement.wet_limit_pf", "movement.guard_pf"), _inside, "the guard must contain the limit."),
    Rule(("movement.dry_limit_pf", "movement.guard_pf"), _inside, "the guard must contain the limit."),
    Rule(("climate_settings.rain_factor", "movement.rain_factor_draw"), _inside, _MIDDLE),
    Rule(("climate_settings.bucket_capacity_mm", "movement.bucket_draw_mm"), _inside, _MIDDLE),
    Rule(("climate_settings.no_stress_share", "movement.no_stress_share_draw"), _inside, _MIDDLE),
    Rule(("climate_settings.curve_number", "movement.curve_number_draw"), _inside, _MIDDLE),
    Rule(("climate_settings.low_filling", "movement.low_filling_draw"), _inside, _MIDDLE),
    Rule(("climate_settings.high_filling", "movement.high_filling_draw"), _inside, _MIDDLE),
    Rule(("soil_settings.lep_cap_pct", "movement.pf_span_dry", "movement.restraint_draw",
          "movement.active_depth_draw_m", "movement.wet_limit_pf", "movement.wet_limit_sd_pf", "movement.dry_limit_pf",
          "movement.dry_limit_sd_pf", "movement.guard_pf"), _possible, "together they let the ground move by more than "
         f"{MOST_MOVEMENT_M:g} m, which no lot does. Bring some of them nearer to their defaults."),
    Rule(("lot_settings.default_half_width_m", "movement.active_depth_m"),
         lambda half, depth: NARROWEST_RATIO <= half / depth <= WIDEST_RATIO,
         f"half width over active depth must lie between {NARROWEST_RATIO:g} and {WIDEST_RATIO:g}, where the ground "
         "model is tested."),
)
