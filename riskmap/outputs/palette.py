"""Colours and class limits of every product: the one place where they are written.

One hue has one meaning over all products. Results are loud: a size is plum, a dome green, a dish indigo, less than
before moss, more than before the hue of size. Weather is blue and brown, and nothing else is. What is given is quiet:
soil is stone, age and phase are teal, what the files say about a house is a shade of ink. What is missing is ink lines
on paper, never a fill. What is measured or chosen is ink. The table is in layers/README.md ("Colours").

The ramps were made for riskmap in lightness, chroma and hue (CIELAB, D65) and then measured; `tests/unit/outputs`
measures them again: neighbours, both signs of a ramp, ramps against each other, grey, three kinds of colour blindness,
labels and outlines. Only the weekly drought categories are customary. A class keeps its colour in every run.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

from riskmap.common.constants import YOUNG_SLAB_YEARS
from riskmap.common.tables import ALL_KNOWN, DATA_QUALITY, DEFLECTION_BANDS_MM, NO_DROUGHT, PHASES
from riskmap.outputs import telling, words

# ---------------------------------------------------------------- ink, paper, lines
INK, QUIET, OUTLINE = "#1c1a17", "#56524a", "#3d3a35"
HATCH_LINE, CONTROL, RULE = "#6b665d", "#77736a", "#c9c4b8"  # lines of states; borders of controls; decoration
PAPER, FIELD, SHEET = "#fbfaf6", "#f1eee6", "#ffffff"  # of pages; of the map; of a printed page: a tint prints grey
BLACK = "#000000"  # of labels
RANGE, GROUND, SLAB_SECTION = "#8a857b", "#77704f", "#8b8780"  # range of an estimate; the ground; a slab cut across

# ---------------------------------------------------------------- ramps: weak to strong, or from minus to plus
SIZE = ("#f8d8cc", "#e4a9a3", "#ce7c86", "#b65378", "#8d3a6e", "#5a235b", "#271e2f")
SIZE_LIMITS_MM = (*DEFLECTION_BANDS_MM, 50.0, 75.0)  # the last two are shown where a lot reaches them
SIZE_ALWAYS = len(DEFLECTION_BANDS_MM) + 1
BENDING = ("#25225a", "#615aa3", "#a29bcd", "#e0e0da", "#94cb9e", "#408e59", "#174e2e")  # dish, level, dome
BENDING_LIMITS_MM = (-35.0, -20.0, -5.0, 5.0, 20.0, 35.0)  # three of the limits of a size, mirrored
# Within a year a slab moves far less than since its pour: 2 mm is a step of what is shown, 5 and 10 mm are band limits.
YEAR_LIMITS_MM = (-10.0, -5.0, -2.0, 2.0, 5.0, 10.0)
CHANGE = ("#25300a", "#586a1b", "#9ba751", "#e0e0da", "#e6aecc", "#bb5f98", "#6b2e5f")  # of a size: less, same, more
LESS, MORE = CHANGE[1], CHANGE[5]
WEATHER = ("#5a3115", "#975c2c", "#cb996b", "#e1e0da", "#85c6eb", "#038cc6", "#005693")  # dry, usual, wet
DRY, WET = WEATHER[1], WEATHER[5]
SOIL = ("#e5e0cb", "#b7ae86", "#82774e", "#4d442a")
SOIL_LAYERS = ("#eae6d6", "#c4bea4", "#aaa48d", "#969080")  # of a section, at 2, 6, 9 and 12 % linear extensibility
AGE = ("#cde4e3", "#86bdbb", "#439293", "#02666a", "#013b3f")
PHASE = AGE[::2]
# Shades of ink: what the files say about a house; one neutral hue in even steps (CIELAB: L* 89, 73, 56, 39, 22).
KNOWN = ("#e3dfda", "#b6b3ae", "#898681", "#5e5c57", "#373430")
BEAMS = KNOWN[::2]
# Share of model runs: one plum hue (CIELAB hue 342 degrees, L* 89, 73, 56, 38, 20), which means size as well.
SHARE = ("#f0dae6", "#d7a5c1", "#b7709a", "#88416d", "#4d213d")
SHARE_LIMITS = (0.2, 0.4, 0.6, 0.8)
# Customary colours of the weekly drought categories (published by that map; from memory). Only for its own layer and
# strip, and with their letters, since in grey they look alike.
DROUGHT = ("#ffffff", "#ffff00", "#fcd37f", "#ffaa00", "#e60000", "#730000")

SOIL_CLASSES = ("low", "moderate", "high", "very high")
# For looking only: no phase is decided by them. 2 and 7 are the whole years after early settlement (1.5, assumed) and
# after the middle of the default slab has made 95 % of its rise (6.6, computed: evidence.measured.timetable); over
# the model runs that time differs much more. Then doublings (judgement).
AGE_LIMITS_YEARS = (2.0, float(YOUNG_SLAB_YEARS), 15.0, 30.0)
PHASE_CLASSES = PHASES  # in their order in time
QUALITY_CLASSES = DATA_QUALITY  # classed by how many of the four marks of `tables.MARKS` are missing
DROUGHT_CLASSES = (NO_DROUGHT, "D0", "D1", "D2", "D3", "D4")
BEAM_CLASSES = ("shallow", "typical", "deep")  # of `slab_class`; the fourth word says that nothing is known
MARKS_MM = DEFLECTION_BANDS_MM[1:]  # of the layers of `share_beyond_*mm`

# Hatching of each state: name of the drawing routine in page.js, and the QGIS line angle and second angle.
HATCH = {
    "unmatched": "upright",
    "ambiguous": "crossed",
    "outside_coverage": "level",
    "not_applicable": "falling",
    "no_house_known": "rings",
    "not_yet_poured": "dotted",
    "not_enough_data": "rising",
}
HATCH_ANGLES = {"rising": (45,), "falling": (135,), "level": (0,), "upright": (90,), "crossed": (45, 135),
                "rings": (), "dotted": ()}

# What pages read as --name in their styles and as about.ui.name in their scripts.
PAGE = {"ink": INK, "soft": QUIET, "outline": OUTLINE, "hatch": HATCH_LINE, "control": CONTROL, "line": RULE,
        "paper": PAPER, "field": FIELD, "sheet": SHEET, "range": RANGE, "ground": GROUND, "slab": SLAB_SECTION,
        "wet": WET, "dry": DRY, "more": MORE, "less": LESS,
        "dome": BENDING[6], "dish": BENDING[0]}


def css() -> str:
    """Return the colours of a page as properties of its root; there is no dark form, in which classes would vanish."""
    return ":root{color-scheme:light;" + "".join(f"--{name}:{color};" for name, color in PAGE.items()) + "}"


def page_colors() -> dict[str, str]:
    """Return what the drawings of the map pages need: ink, lines, paper."""
    names = ("ink", "outline", "hatch", "paper", "field", "sheet", "line")
    return {name: PAGE[name] for name in names} | {"black": BLACK}


def soil_layer(extensibility_pct: float) -> str:
    """Return the colour of a soil layer in a section: that of `SOIL_LAYERS` whose value is nearest. [%]"""
    values = (2.0, 6.0, 9.0, 12.0)
    return SOIL_LAYERS[min(range(len(values)), key=lambda k: abs(values[k] - extensibility_pct))]


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
        `mm`, shown as inches where asked, `years`, or `share`, 0 to 1 and shown as a percentage.
    always : int
        Number of first classes that every run shows; the others are shown where a lot reaches them. If 0, all are.
    mark_mm : float
        Mark beyond which the share of model runs is; 0 for a layer that is not such a share.
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
    always: int = 0
    mark_mm: float = 0.0

    def ranks(self) -> dict[str, int]:
        """Return the class of each value of a layer of named classes."""
        return dict(zip(self.classes, self.class_of or range(len(self.classes)), strict=True))

    def reached(self, largest: float) -> Scale:
        """Return the layer without the classes above its usual ones that no lot reaches; no colour moves.

        Parameters
        ----------
        largest : float
            Largest value of the run; NaN without a value.
        """
        if not self.always:
            return self
        classes = max(self.always, 1 + sum(largest >= limit for limit in self.limits_mm))
        return replace(self, colors=self.colors[:classes], limits_mm=self.limits_mm[: classes - 1])


_YEAR = "Change of bending from today to twelve months from now: + middle higher, − middle lower"
_WHATIF = f"{_YEAR}; a what-if, not a forecast"
_SIGNS = "+ middle high, − edge high"
BEYOND_CHOICE = "Share of model runs beyond a mark"  # one entry of the list of layers; the mark is chosen beside it

SCALES = {  # {month}: the last of the next twelve, in words; {mark}: `mark_mm` in the unit of the page
    "now": Scale("bend_now_mm", telling.NAMES["now"], f"Bending of the slab since the pour: {_SIGNS}", BENDING,
                 BENDING_LIMITS_MM),
    "next": Scale("change_next_mm", telling.NAMES["next"], _YEAR, BENDING, YEAR_LIMITS_MM),
    "expected": Scale("expected_movement_mm", telling.NAMES["expected"],
                      "The estimate: largest bending within the next 12 months, measured from a level slab; the middle "
                      "or the edge may be the high side", SIZE, SIZE_LIMITS_MM, always=SIZE_ALWAYS),
    "long_run": Scale("long_run_mm", telling.NAMES["long_run"],
                      "Largest bending in the usual weather, for a house old enough that the middle has stopped rising",
                      SIZE, SIZE_LIMITS_MM, always=SIZE_ALWAYS),
    **{f"beyond_{mark:.0f}": Scale(
        f"share_beyond_{mark:.0f}mm", "Share of model runs beyond {mark}",
        "Share of the model runs whose largest bending within the next twelve months is larger; not the chance of "
        "damage",
        SHARE, SHARE_LIMITS, unit="share", mark_mm=mark) for mark in MARKS_MM},
    "whatif_dry": Scale("whatif_dry_mm", telling.NAMES["whatif"], _WHATIF, BENDING, YEAR_LIMITS_MM),
    "whatif_average": Scale("whatif_average_mm", "If an average year came again", _WHATIF, BENDING, YEAR_LIMITS_MM),
    "whatif_wet": Scale("whatif_wet_mm", "If a wet year came again", _WHATIF, BENDING, YEAR_LIMITS_MM),
    "soil": Scale("shrink_swell_class", "Soil shrink-swell class",
                  "Soil survey, linear extensibility over 25–100 cm", SOIL, classes=SOIL_CLASSES,
                  words=("low (under 3 %)", "moderate (3–6 %)", "high (6–9 %)", "very high (9 % and more)")),
    "phase": Scale("phase", "Phase of the slab", "Likeliest phase; growth ends when the middle has made 95 % of its "
                   "final movement", PHASE,
                   classes=PHASE_CLASSES, words=tuple(words.PHASE_SHORT[name] for name in PHASE_CLASSES)),
    "slab": Scale("slab_class", "Beams of the slab", "From the rib depth in the lot file", BEAMS, classes=BEAM_CLASSES,
                  words=tuple(words.SLAB_CLASS[name] for name in BEAM_CLASSES), missing=words.SLAB_CLASS["unknown"]),
    "quality": Scale("data_quality", "What is known",
                     "How many of soil, pour date, slab size and recent weather are not known", KNOWN,
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
    "weeks": Scale("week_mm", "Past weeks: bending and drought map", _SIGNS, BENDING, BENDING_LIMITS_MM,
                   missing="not known to be poured by then"),
}

CHANGE_LAYERS = ("change", "change_expected")  # of `map.change_layer`; only beside another run
GROUPS = {  # of the list of layers
    "Movement": ("now", "next", "expected", "long_run", *(f"beyond_{mark:.0f}" for mark in MARKS_MM)),
    "Why": ("soil", "age", "phase", "slab", "quality"),
    "Weather": ("whatif_dry", "whatif_average", "whatif_wet", "weeks", "drought"),
    "Since another run": CHANGE_LAYERS,
}
ORDER = tuple(name for names in GROUPS.values() for name in names)


def groups(shown: Iterable[str]) -> list[tuple[str, list[str]]]:
    """Return the groups of the list of layers with those that a page has, without empty groups."""
    here = set(shown)
    found = [(title, [name for name in names if name in here]) for title, names in GROUPS.items()]
    return [(title, names) for title, names in found if names]


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
    """Return the outline of a large lot of that colour: the usual one, or white where white is easier to see on it."""
    return max((OUTLINE, SHEET), key=lambda edge: contrast(edge, fill))


def palest(colors: tuple[str, ...]) -> tuple[int, int]:
    """Return the two palest classes of a layer, in their order: they keep an outline on small lots too."""
    low, high = sorted(sorted(range(len(colors)), key=lambda k: -luminance(colors[k]))[:2])
    return low, high


def label_color(fill: str) -> str:
    """Return black or white, whichever is easier to read on `fill`."""
    return max((BLACK, SHEET), key=lambda ink: contrast(ink, fill))
