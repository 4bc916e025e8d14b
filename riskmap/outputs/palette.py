"""Colours and class limits of every product, in one place.

Rules: neighbouring colours of a ramp differ by at least 15 CAM02-UCS units, also with simulated deuteranomaly,
protanomaly and tritanomaly; a label on a class has a contrast of at least 4.5. Both are measured in tests/unit/outputs.
States never take a colour of a scale: they are hatched.
"""

from __future__ import annotations

from dataclasses import dataclass

from riskmap.common.constants import YOUNG_SLAB_YEARS
from riskmap.common.tables import ALL_KNOWN, DATA_QUALITY, DEFLECTION_BANDS_MM, NO_DROUGHT, PHASES
from riskmap.outputs import words

OUTLINE = "#4d4d4d"
INK, PAPER = "#1a1a1a", "#ffffff"

# cividis reversed, five steps: light means little, dark means much. Values as in matplotlib's colour map of that name.
SEQUENTIAL = ("#fee838", "#bcae6c", "#7d7c78", "#434e6c", "#00224e")

# vik of the Scientific colour maps (Crameri, Shephard & Heron 2020, Nat. Commun. 11:5444; MIT), seven steps, used so
# that brown means down (edge lift) and blue means up (center lift). The label always has + or - as well.
DIVERGING = ("#731406", "#b85c28", "#d7a081", "#ebe6e2", "#80b2ca", "#136697", "#022a70")
DIVERGING_LIMITS_MM = (-35.0, -20.0, -5.0, 5.0, 20.0, 35.0)  # three of the band limits, mirrored
# Within a year a slab moves far less than since its pour: 2 mm is a step of what is shown, 5 and 10 mm are band limits.
YEAR_LIMITS_MM = (-10.0, -5.0, -2.0, 2.0, 5.0, 10.0)

# Soil-survey classes: one brown hue in even steps of lightness (computed with colorspacious, CAM02-UCS).
SOIL = ("#f1e3d1", "#bf9c7b", "#875f44", "#4a2513")
SOIL_CLASSES = ("low", "moderate", "high", "very high")

# Age of the slab: light means young, dark means old; one violet hue in even steps of lightness (computed like SOIL).
AGE = ("#ece4f5", "#b7a6d6", "#8470b0", "#553f83", "#2b1850")
# For looking only: no phase is decided by them. 2 and 7 are the whole years after early settlement (1.5, assumed) and
# after the middle of the default slab has made 95 % of its rise (6.6, computed: evidence.measured.timetable); over
# the model runs that time differs much more. Then doublings (judgement).
AGE_LIMITS_YEARS = (2.0, float(YOUNG_SLAB_YEARS), 15.0, 30.0)
# Phases in their order in time; one green hue.
PHASE = ("#e3ecd6", "#86ad78", "#2b5f45")
PHASE_CLASSES = PHASES

# How many of the four marks of `tables.MARKS` are missing: light means none, dark means all; one green-grey hue in even
# steps of lightness (computed like SOIL).
QUALITY = ("#cfe3dc", "#87b4a8", "#59857a", "#2d5a4f", "#002f26")
QUALITY_CLASSES = DATA_QUALITY

# Customary colours of the weekly drought categories (published by that map; from memory), only for its own layer.
DROUGHT = ("#ffffff", "#ffff00", "#fcd37f", "#ffaa00", "#e60000", "#730000")
DROUGHT_CLASSES = (NO_DROUGHT, "D0", "D1", "D2", "D3", "D4")

# Hatching of each state: name of the drawing routine in page.js, and the QGIS line angle and second angle.
HATCH = {
    "unmatched": "upright",
    "ambiguous": "crossed",
    "outside_coverage": "level",
    "not_applicable": "falling",
    "no_house_known": "squared",
    "not_yet_poured": "dotted",
    "not_enough_data": "rising",
}
HATCH_ANGLES = {"rising": (45,), "falling": (135,), "level": (0,), "upright": (90,), "crossed": (45, 135),
                "squared": (0, 90), "dotted": ()}


@dataclass(frozen=True)
class Scale:
    """Classes of one map layer.

    Attributes
    ----------
    column : str
        Column of `tables.ESTIMATE` that is shown.
    title, note : str
        Heading of the legend and the line under it.
    colors : tuple of str
        One per class.
    limits_mm : tuple of float
        Class limits of a numeric layer in `unit`; empty for a layer of named classes.
    classes : tuple of str
        Values of a layer of named classes.
    class_of : tuple of int
        Class of each of these values where several share one; if empty, each value is a class.
    words : tuple of str
        Shown instead of the values; if empty, the values are shown.
    unit : str
        `mm`, which may be shown as inches, or `years`.
    """

    column: str
    title: str
    note: str
    colors: tuple[str, ...]
    limits_mm: tuple[float, ...] = ()
    classes: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    unit: str = "mm"
    missing: str = "no value for this lot"
    class_of: tuple[int, ...] = ()

    def ranks(self) -> dict[str, int]:
        """Return the class of each value of a layer of named classes."""
        return dict(zip(self.classes, self.class_of or range(len(self.classes)), strict=True))


_YEAR = "Change of bending from today to twelve months from now: + middle higher, − middle lower"
_WHATIF = f"{_YEAR}; a what-if, not a forecast"
_SIGNS = "+ middle high, − edge high"

SCALES = {  # {month}: the last of the next twelve, in words
    "now": Scale("bend_now_mm", "Now", f"Bending of the slab since the pour: {_SIGNS}", DIVERGING,
                 DIVERGING_LIMITS_MM),
    "next": Scale("change_next_mm", "Next 12 months", _YEAR, DIVERGING, YEAR_LIMITS_MM),
    "expected": Scale("expected_movement_mm", "Expected bending by {month}",
                      "The estimate: largest bending within the next 12 months, measured from a level slab; the middle "
                      "or the edge may be the high side", SEQUENTIAL, DEFLECTION_BANDS_MM),
    "long_run": Scale("long_run_mm", "Long run",
                      "Largest bending in the usual weather, for a house old enough that the middle has stopped rising",
                      SEQUENTIAL, DEFLECTION_BANDS_MM),
    "whatif_dry": Scale("whatif_dry_mm", "If a dry year came again", _WHATIF, DIVERGING, YEAR_LIMITS_MM),
    "whatif_average": Scale("whatif_average_mm", "If an average year came again", _WHATIF, DIVERGING, YEAR_LIMITS_MM),
    "whatif_wet": Scale("whatif_wet_mm", "If a wet year came again", _WHATIF, DIVERGING, YEAR_LIMITS_MM),
    "soil": Scale("shrink_swell_class", "Soil shrink-swell class",
                  "Soil survey, linear extensibility over 25–100 cm", SOIL, classes=SOIL_CLASSES,
                  words=("low (under 3 %)", "moderate (3–6 %)", "high (6–9 %)", "very high (9 % and more)")),
    "phase": Scale("phase", "Phase of the slab", "Likeliest phase; growth ends when the middle has made 95 % of its "
                   "final movement", PHASE,
                   classes=PHASE_CLASSES, words=tuple(words.PHASE_SHORT[name] for name in PHASE_CLASSES)),
    "quality": Scale("data_quality", "Data quality",
                     "How many of soil, pour date, slab size and recent weather are not known", QUALITY,
                     classes=QUALITY_CLASSES, words=(ALL_KNOWN, "one not known", "two not known", "three not known",
                                                     "none of the four known"),
                     class_of=tuple(0 if text == ALL_KNOWN else text.count(",") + 1 for text in QUALITY_CLASSES)),
    "drought": Scale("drought_category", "Drought category today", "Weekly category of the newest map", DROUGHT,
                     classes=DROUGHT_CLASSES, missing="not known",
                     words=("no drought category", "D0 abnormally dry", "D1 moderate drought", "D2 severe drought",
                            "D3 extreme drought", "D4 exceptional drought")),
}

# Layers whose values the page derives itself: their `column` is not in `tables.ESTIMATE`.
DERIVED_SCALES = {
    "age": Scale("age_years", "Age of the slab", "From the middle of the possible pour dates", AGE, AGE_LIMITS_YEARS,
                 unit="years", missing="pour date not known"),
    "weeks": Scale("week_mm", "Past weeks: bending and drought map", _SIGNS, DIVERGING, DIVERGING_LIMITS_MM,
                   missing="not known to be poured by then"),
}


def luminance(color: str) -> float:
    """Return the relative luminance of `#rrggbb` (WCAG 2.2, definition of relative luminance)."""
    parts = (int(color[k : k + 2], 16) / 255.0 for k in (1, 3, 5))
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(first: str, second: str) -> float:
    """Return the contrast ratio of two colours, 1 to 21 (WCAG 2.2)."""
    high, low = sorted((luminance(first), luminance(second)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def edge_color(fill: str) -> str:
    """Return the outline of a lot with that colour: the usual one, or white where white is easier to see on it."""
    return max((OUTLINE, PAPER), key=lambda edge: contrast(edge, fill))


def grey_class(colors: tuple[str, ...]) -> int | None:
    """Return which colour of a scale is a medium grey, which is easily read as "no data"; None without one."""
    for k, color in enumerate(colors):
        parts = [int(color[at : at + 2], 16) for at in (1, 3, 5)]
        if max(parts) - min(parts) < 16 and 64 <= max(parts) < 208:
            return k
    return None


def label_color(fill: str) -> str:
    """Return black or white, whichever is easier to read on `fill`."""
    return max(("#000000", "#ffffff"), key=lambda ink: contrast(ink, fill))
