"""Colours and class limits of every product, in one place.

Rules: a ramp's neighbours differ by at least 15 CAM02-UCS units, also with simulated deuteranomaly, protanomaly and
tritanomaly; a label on a class has a contrast of at least 4.5. Both are measured in tests/unit/test_outputs_palette.py.
States never take a colour of a scale: they are hatched.
"""

from __future__ import annotations

from dataclasses import dataclass

from riskmap.tables import DEFLECTION_BANDS_MM

OUTLINE = "#4d4d4d"
INK, PAPER = "#1a1a1a", "#ffffff"

# cividis reversed, five steps: light is little, dark is much. Values as in matplotlib's colour map of that name.
SEQUENTIAL = ("#fee838", "#bcae6c", "#7d7c78", "#434e6c", "#00224e")

# vik of the Scientific colour maps (Crameri, Shephard & Heron 2020, Nat. Commun. 11:5444; MIT), seven steps, read so
# that brown is down (edge lift) and blue is up (center lift). The label always carries + or - as well.
DIVERGING = ("#731406", "#b85c28", "#d7a081", "#ebe6e2", "#80b2ca", "#136697", "#022a70")
DIVERGING_LIMITS_MM = (-35.0, -20.0, -5.0, 5.0, 20.0, 35.0)  # three of the band limits, mirrored

# Soil-survey classes: one brown hue in even steps of lightness (computed with colorspacious, CAM02-UCS).
SOIL = ("#f1e3d1", "#bf9c7b", "#875f44", "#4a2513")
SOIL_CLASSES = ("low", "moderate", "high", "very high")

QUALITY = ("#d9e4e0", "#6d8a86")
QUALITY_CLASSES = ("full", "partial")

# Customary colours of the weekly drought categories (published by that map; from memory). Only for its own layer.
DROUGHT = ("#ffffff", "#ffff00", "#fcd37f", "#ffaa00", "#e60000", "#730000")
DROUGHT_CLASSES = ("None", "D0", "D1", "D2", "D3", "D4")

# Hatch of each state: name of the drawing routine in map.js and the QGIS line angle and second angle.
HATCH = {
    "not_enough_data": "rising",
    "not_applicable": "falling",
    "outside_coverage": "level",
    "unmatched": "upright",
    "ambiguous": "crossed",
    "not_yet_poured": "dotted",
}
HATCH_ANGLES = {"rising": (45,), "falling": (135,), "level": (0,), "upright": (90,), "crossed": (45, 135), "dotted": ()}


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
        Class limits of a numeric layer; empty for a layer of named classes.
    classes : tuple of str
        Values of a layer of named classes.
    words : tuple of str
        Shown instead of the values; empty: the values.
    """

    column: str
    title: str
    note: str
    colors: tuple[str, ...]
    limits_mm: tuple[float, ...] = ()
    classes: tuple[str, ...] = ()
    words: tuple[str, ...] = ()


SCALES = {
    "expected": Scale("expected_movement_mm", "Expected movement, next 12 months",
                      "Largest slab deflection, middle against edge, up or down", SEQUENTIAL, DEFLECTION_BANDS_MM),
    "now": Scale("deflection_now_mm", "Deflection now",
                 "+ middle stands high (center lift), − edge stands high (edge lift)", DIVERGING, DIVERGING_LIMITS_MM),
    "characteristic": Scale("characteristic_movement_mm", "Characteristic movement",
                            "Steady yardstick for a slab whose dome has grown; not this week's weather", SEQUENTIAL,
                            DEFLECTION_BANDS_MM),
    "soil": Scale("shrink_swell_class", "Soil shrink-swell class",
                  "Soil survey, linear extensibility over 25–100 cm", SOIL, classes=SOIL_CLASSES,
                  words=("low (under 3 %)", "moderate (3–6 %)", "high (6–9 %)", "very high (9 % and more)")),
    "quality": Scale("data_quality", "Data quality", "How much of what the estimate needs is known", QUALITY,
                     classes=QUALITY_CLASSES, words=("full", "partial: something was assumed")),
    "drought": Scale("drought_category", "Drought category today", "Weekly category of the newest map", DROUGHT,
                     classes=DROUGHT_CLASSES,
                     words=("no drought category", "D0 abnormally dry", "D1 moderate drought", "D2 severe drought",
                            "D3 extreme drought", "D4 exceptional drought")),
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


def label_color(fill: str) -> str:
    """Return black or white, whichever reads better on `fill`."""
    return max(("#000000", "#ffffff"), key=lambda ink: contrast(ink, fill))
