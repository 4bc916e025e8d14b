"""The house and its ground, cut across. This drawing is defined only here.

Plain numbers go in, a `drawing.Drawing` comes out; the brief, the survey sheet and notebooks draw what it returns, and
the script of the map follows the same rules. Heights of bending are multiplied by `times`; widths and depths are to
scale. The ground is drawn as the slab leaves it: the two touch at the crown of a dome and at the edges of a dish, and
the gap appears where an inspector looks for it. What is not computed is said: the ground beside the slab is drawn
level, and soil boundaries follow the surface less and less with depth (a drawing rule, no result).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from riskmap.common import units
from riskmap.outputs import palette, telling
from riskmap.outputs.drawing import Drawing, Pen, Point, apart, rectangle
from riskmap.outputs.section_words import (
    SENTENCES,
    bending_words,
    depth,
    depth_words,
    gap_place,
    layer_words,
)

Array = NDArray[np.float64]
Three = tuple[float, float, float]  # 10th percentile, median, 90th percentile

STRETCHES = (20, 10, 5, 2, 1)  # by how much bending may be drawn too tall, the wished one first (judgement)
MOST_OF_DEPTH = 0.7  # of the active depth: no drawn height is larger, so that soil boundaries never cross (judgement)
WALL_M, ROOF_SLOPE, MOST_ROOF_M, EAVES_M = 2.4, 0.2, 1.3, 0.45  # of a usual one-storey house (practice, for looks only)
BESIDE = 4.6  # least width of the ground drawn beside the slab, in sizes of the text: room for the bars
SLAB_M, THINNEST = 0.12, 0.3  # thickness of the slab as drawn, and its least in sizes of the text
LEFT, RIGHT, BELOW = 4.4, 11.6, 1.7  # margins in sizes of the text: the gap, the soil layers, the scale bar
NARROW = 42.0  # in a box that is less wide, in sizes of the text, words are in and below the ground
NARROW_SIDE, NARROW_BELOW = 0.5, 3.2
LINE = 1.25  # distance of two lines of text in sizes of the text
LEAST_LABEL = 1.05  # distance of two labels of soil layers in sizes of the text



@dataclass(frozen=True)
class Layer:
    """A soil layer of the drawing.

    Attributes
    ----------
    top_m, bottom_m : float
        Below the surface.
    extensibility_pct : float
        Linear extensibility, as the survey's representative value.
    assumed : bool
        Whether the survey does not describe it.
    """

    top_m: float
    bottom_m: float
    extensibility_pct: float
    assumed: bool = False


@dataclass(frozen=True)
class Facts:
    """What a section shows.

    Attributes
    ----------
    width_m : float
        Short side of the slab.
    x : tuple of float
        Distances from the middle over half the width, from 0 to 1.
    slab_mm : tuple of float
        Median height of the slab above its edge at each distance.
    gap_mm : tuple of float
        Median over the model runs of the gap between slab and ground at each distance; empty where it is not known.
    gap_edge_mm, gap_middle_mm : Three
        The gap at the edge and in the middle with its range.
    slab_range_mm, ground_range_mm : Three, optional
        Middle above the edge of the slab, and of the ground as the slab leaves it, with their ranges.
    layers : tuple of Layer
        Down to the active depth or rock; empty where the survey has none.
    active_m : Three
        Depth that weather reaches: its least, middle and largest value in the model runs.
    surveyed_m : float
        Depth to which the survey describes the soil; 0 where it does not.
    rock_m : float
        Depth of rock; infinite without.
    bending_mm : float, optional
        The bending that the page states; the median of the drawing comes from fewer model runs. Default: that of the
        drawing.
    """

    width_m: float
    x: tuple[float, ...]
    slab_mm: tuple[float, ...]
    gap_mm: tuple[float, ...] = ()
    gap_edge_mm: Three | None = None
    gap_middle_mm: Three | None = None
    slab_range_mm: Three | None = None
    ground_range_mm: Three | None = None
    layers: tuple[Layer, ...] = ()
    active_m: Three = (3.0, 3.5, 4.0)
    surveyed_m: float = 0.0
    rock_m: float = float("inf")
    bending_mm: float | None = None

    @property
    def stated_mm(self) -> float:
        """Bending that the drawing states in words. [mm]"""
        return self.slab_mm[0] if self.bending_mm is None else self.bending_mm

    @property
    def ground_mm(self) -> tuple[float, ...]:
        """Height of the ground as the slab leaves it above the edge of the slab: slab less gap. [mm]"""
        return tuple(s - g for s, g in zip(self.slab_mm, self.gap_mm or (0.0,) * len(self.slab_mm), strict=True))


@dataclass(frozen=True)
class Box:
    """Size of the drawing and of its type, in units of the drawing, such as millimetres or pixels."""

    width: float
    height: float
    text: float

    @property
    def narrow(self) -> bool:
        """Whether the words are in and below the ground, because there is no room beside it."""
        return self.width < NARROW * self.text


@dataclass(frozen=True)
class Scale:
    """From metres of the section to units of the drawing.

    Attributes
    ----------
    middle, edge : float
        Place of the middle of the slab, and of the level of its edges.
    per_m : float
        Units per metre of width and depth.
    times : float
        Factor of heights of bending.
    left, right : float
        Sides of the ground that is drawn.
    narrow : bool
        As in `Box`.
    """

    middle: float
    edge: float
    per_m: float
    times: float
    left: float
    right: float
    narrow: bool

    def across(self, x_m: float) -> float:
        """Return the place of a distance from the middle."""
        return self.middle + self.per_m * x_m

    def bent(self, height_mm: float) -> float:
        """Return the place of a height of bending above the edge of the slab."""
        return self.edge - self.per_m * self.times * height_mm / 1000.0

    def deep(self, surface: float, depth_m: float, level: float, active_m: float) -> float:
        """Return the place of a depth below a surface: the deeper, the less it follows the surface."""
        follows = max(0.0, 1.0 - depth_m / active_m)
        return level + self.per_m * depth_m + (surface - level) * follows


def down_to(layers: Iterable[tuple[float, float, float]], active_m: float, rock_m: float, extend_m: float,
            below_factor: float) -> tuple[Layer, ...]:
    """Return the layers of a profile down to the active depth or rock, with those that the model assumes.

    Parameters
    ----------
    layers : iterable of (top_m, bottom_m, extensibility_pct)
        Of the survey, from the surface down.
    active_m, rock_m : float
        Where the drawing ends, and where rock begins (infinite without). [m]
    extend_m : float
        The deepest layer is taken to reach at least this depth (`soil.extend_to_cm`). [m]
    below_factor : float
        Below, this share of the deepest layer's value is assumed (`soil.below_profile_factor`).

    Notes
    -----
    The rule is that of `movement.soil_units.layer_arrays` (method.md, section 2); a test keeps the two equal.
    """
    given = sorted(layers)
    if not given:
        return ()
    end = min(active_m, rock_m)
    _, bottom, deepest = given[-1]
    every = [Layer(*one) for one in given]
    if bottom < extend_m:
        every.append(Layer(bottom, extend_m, deepest, True))
    every.append(Layer(max(bottom, extend_m), float("inf"), deepest * below_factor, True))
    return tuple(Layer(one.top_m, min(one.bottom_m, end), one.extensibility_pct, one.assumed) for one in every
                 if one.top_m < end)


def stretch(heights_mm: Iterable[float], active_m: float) -> int:
    """Return by how much bending is drawn too tall: the first of `STRETCHES` with which every height fits.

    Parameters
    ----------
    heights_mm : iterable of float
        Heights and gaps of all the sections that share the scale.
    active_m : float
        Active depth; a drawn height takes at most `MOST_OF_DEPTH` of it. [m]
    """
    largest = max((abs(one) for one in heights_mm if np.isfinite(one)), default=0.0)
    return next((times for times in STRETCHES if times * largest / 1000.0 <= MOST_OF_DEPTH * active_m), STRETCHES[-1])


def heights(facts: Facts) -> list[float]:
    """Return the heights that decide about the stretch of a section: slab, ground and gap. [mm]"""
    return [*facts.slab_mm, *facts.ground_mm, *facts.gap_mm, facts.slab_mm[0] - facts.ground_mm[-1]]


def scale_of(facts: Facts, box: Box, times: float) -> Scale:
    """Return how a section lies in its box: as large as width and height allow."""
    half, active = facts.width_m / 2, facts.active_m[1]
    tall = _house_m(half) + _fall_m(facts, times) + active
    before, after, below = (NARROW_SIDE, NARROW_SIDE, NARROW_BELOW) if box.narrow else (LEFT, RIGHT, BELOW)
    left, right = before * box.text, box.width - after * box.text
    top, bottom = 0.4 * box.text, box.height - below * box.text
    per_m = min(((right - left) / 2 - BESIDE * box.text) / half, (bottom - top) / tall)
    return Scale((left + right) / 2, top + per_m * _house_m(half), per_m, times, left, right, box.narrow)


def drawn(facts: Facts, system: str, box: Box, times: float | None = None) -> Drawing:
    """Return the section; it is less tall than its box where its width decides about its size.

    Parameters
    ----------
    facts : Facts
    system : str
        `us` or `si`: of every text.
    box : Box
    times : float, optional
        By how much bending is drawn too tall, as sections on one scale share it. Default: `stretch` of this section.
    """
    times = float(stretch(heights(facts), facts.active_m[1])) if times is None else times
    scale, parts = scale_of(facts, box, times), Pen(box.text)
    level = scale.bent(facts.ground_mm[-1])
    _soil(parts, facts, scale, level, system)
    _slab(parts, facts, scale)
    _house(parts, facts, scale)
    _bending(parts, facts, scale, system)
    gap = _gap(parts, facts, scale, system)
    _bars(parts, facts, scale)
    _below(parts, scale, level + scale.per_m * facts.active_m[1], system)
    said = [SENTENCES["alt_layer"].format(label=label) for label in layer_words(facts, system)]
    alt = SENTENCES["alt"].format(bending=bending_words(facts, system), gap=gap, weather=depth_words(facts, system),
                                  layers=" ".join(said))
    used = level + scale.per_m * facts.active_m[1] + (NARROW_BELOW if box.narrow else BELOW) * box.text
    return Drawing(box.width, min(used, box.height), tuple(parts.all), " ".join(alt.split()))


def _house_m(half_m: float) -> float:
    return WALL_M + min(ROOF_SLOPE * half_m, MOST_ROOF_M)


def _fall_m(facts: Facts, times: float) -> float:
    """Return how far the ground beside the slab lies below the edge of the slab, as drawn. [m]"""
    return max(0.0, -times * facts.ground_mm[-1] / 1000.0)


def _mirrored(scale: Scale, facts: Facts, heights_mm: Sequence[float]) -> list[Point]:
    half = facts.width_m / 2
    right = [(scale.across(x * half), scale.bent(h)) for x, h in zip(facts.x, heights_mm, strict=True)]
    return [(2 * scale.middle - x, y) for x, y in reversed(right[1:])] + right


def _soil(parts: Pen, facts: Facts, scale: Scale, level: float, system: str) -> None:
    active = facts.active_m[1]
    ground = _mirrored(scale, facts, facts.ground_mm)
    surface = [(scale.left, level), *ground, (scale.right, level)]

    def at(depth_m: float) -> list[Point]:
        return [(x, scale.deep(y, min(depth_m, active), level, active)) for x, y in surface]

    if not facts.layers:
        parts.polygon("soil", [*surface, *reversed(at(active))], palette.SHEET, palette.RULE, 0.08)
        parts.say("no_layers", scale.middle, level + scale.per_m * active / 2, SENTENCES["no_layers"], "middle",
                  color=palette.QUIET)
    for layer in facts.layers:
        parts.polygon("soil", [*at(layer.top_m), *reversed(at(layer.bottom_m))],
                      palette.soil_layer(layer.extensibility_pct))
    for layer in facts.layers[1:]:
        parts.line("assumed" if layer.assumed else "boundary", at(layer.top_m), palette.SHEET, 0.1,
                   0.4 if layer.assumed else 0.0)
    if np.isfinite(facts.rock_m) and facts.rock_m < active:
        parts.line("rock", at(facts.rock_m), palette.INK, 0.2)
    parts.line("active", at(active)[:1] + at(active)[-1:], palette.INK, 0.1, 0.7)
    parts.line("ground", surface, palette.INK, 0.14)
    _labels(parts, facts, scale, level, system)


def _labels(parts: Pen, facts: Facts, scale: Scale, level: float, system: str) -> None:
    if not facts.layers:
        return
    x, size, active = scale.right + 0.9 * parts.text, parts.text, facts.active_m[1]
    wished = [level + scale.per_m * (one.top_m + one.bottom_m) / 2 + 0.35 * size for one in facts.layers]
    wished[0] = max(wished[0], level + size) if scale.narrow else wished[0]  # below the line of the ground
    words = layer_words(facts, system)
    if np.isfinite(facts.rock_m) and facts.rock_m < active:
        wished.append(level + scale.per_m * (facts.rock_m + active) / 2 + 0.35 * size)
        words.append(SENTENCES["rock"].format(depth=depth(facts.rock_m, system)))
    last = level + scale.per_m * active + (-0.3 if scale.narrow else 0.9) * size
    places = apart(wished, LEAST_LABEL * size, last)
    if scale.narrow:  # inside the ground, as far to the left as it reaches
        for place, text in zip(places, words, strict=True):
            parts.say("layer", scale.left + 0.4 * size, place, text, times=0.9)
        y = level + scale.per_m * active + 1.25 * size
        parts.say("layers", scale.left, y, SENTENCES["layers"], bold=True, times=0.9)
        return
    for wish, place, text in zip(wished, places, words, strict=True):
        parts.line("leader", ((scale.right, wish - 0.35 * size), (x - 0.25 * size, place - 0.35 * size)), palette.QUIET,
                   0.05)
        parts.say("layer", x, place, text)
    parts.say("layers", x, places[0] - LINE * size, SENTENCES["layers"], bold=True)


def _slab(parts: Pen, facts: Facts, scale: Scale) -> None:
    low = _mirrored(scale, facts, facts.slab_mm)
    thick = max(SLAB_M * scale.per_m, THINNEST * parts.text)
    parts.polygon("slab", [*low, *((x, y - thick) for x, y in reversed(low))], palette.SLAB_SECTION, palette.INK, 0.12)


def _house(parts: Pen, facts: Facts, scale: Scale) -> None:
    half, wall = facts.width_m / 2, WALL_M
    thick = max(SLAB_M * scale.per_m, THINNEST * parts.text)
    eaves, ridge = scale.edge - scale.per_m * wall, scale.edge - scale.per_m * _house_m(half)
    left, right = scale.across(-half), scale.across(half)
    for x in (left, right):
        parts.line("wall", ((x, scale.edge - thick), (x, eaves)), palette.INK, 0.2)
    over = scale.per_m * EAVES_M
    roof = ((left, eaves), (left - over, eaves), (scale.middle, ridge), (right + over, eaves), (right, eaves))
    parts.line("roof", roof, palette.INK, 0.2)


def _bending(parts: Pen, facts: Facts, scale: Scale, system: str) -> None:
    """Write the bending into the house, with an arrow from the level of the edges to the slab in the middle."""
    value, size = facts.stated_mm, parts.text
    thick = max(SLAB_M * scale.per_m, THINNEST * size)
    crown = scale.bent(facts.slab_mm[0])
    flat = telling.is_zero(value, system)
    color = palette.INK if flat else palette.BENDING[-1] if value > 0 else palette.BENDING[0]
    base = min(crown, scale.edge) - thick - 0.7 * size
    if not flat:
        half = facts.width_m / 2
        parts.line("chord", ((scale.across(-half), scale.edge), (scale.across(half), scale.edge)), palette.INK, 0.07,
                   0.35)
        parts.arrow("bending", scale.middle, crown, scale.edge, color)
        text = telling.shown(abs(value), system)
        parts.say("bending", scale.middle, base, f"{'+' if value > 0 else '−'}{text}", "middle", color=color,
                  bold=True, times=1.7)
        if base - 2.5 * size > scale.edge - scale.per_m * WALL_M:  # else the roof is in the way, and the sign says it
            parts.say("direction", scale.middle, base - 1.9 * size, SENTENCES["above" if value > 0 else "below"],
                      "middle")
    else:
        parts.say("bending", scale.middle, base, telling.SENTENCES["level"], "middle", bold=True, times=1.4)


def _gap(parts: Pen, facts: Facts, scale: Scale, system: str) -> str:
    """Draw the gap and return it in words."""
    place = gap_place(facts)
    values = {"edge": facts.gap_edge_mm, "middle": facts.gap_middle_mm}.get(place)
    x, size = scale.across(-facts.width_m / 2) - 0.9 * parts.text, parts.text
    below = scale.bent(facts.ground_mm[-1]) + scale.per_m * facts.active_m[1] + 2.7 * size
    if values is None or telling.is_zero(values[2], system):
        if facts.gap_mm:
            y = below if scale.narrow else scale.bent(facts.ground_mm[-1]) - 0.6 * size
            parts.say("gap", scale.left if scale.narrow else x, y, SENTENCES["none"],
                      "start" if scale.narrow else "end", color=palette.QUIET)
            return SENTENCES["alt_none"]
        return ""
    low, middle, high = values
    told = SENTENCES["size"].format(size=telling.shown(middle, system), range=telling.sizes(low, high, system))
    k = len(facts.x) - 1 if place == "edge" else 0
    top, bottom = scale.bent(facts.slab_mm[k]), scale.bent(facts.ground_mm[k])
    at = scale.across(-facts.x[k] * facts.width_m / 2)
    if bottom - top > 0.2 * size:
        parts.arrow("gap", at - (0.3 if place == "edge" else 1.2) * size, top, bottom, palette.INK)
    if scale.narrow:
        parts.say("gap", scale.left, below, f"{SENTENCES['gap']} {SENTENCES[place]} {told}")
        return SENTENCES["alt_gap"].format(place=SENTENCES[place].removesuffix(":"), size=told)
    base = scale.bent(facts.ground_mm[-1]) - 0.6 * size  # above the ground beside the slab
    for k, text in enumerate((told, SENTENCES[place], SENTENCES["gap"])):
        parts.say("gap", x, base - k * LINE * size, text, "end", bold=k == 2)
    return SENTENCES["alt_gap"].format(place=SENTENCES[place].removesuffix(":"), size=told)


def _bars(parts: Pen, facts: Facts, scale: Scale) -> None:
    """Draw where the edge of the slab and of the ground is in 80 % of the model runs, with the middle as drawn."""
    x, wide = scale.across(facts.width_m / 2) + 1.1 * parts.text, 0.5 * parts.text
    held = {"slab": facts.slab_mm[0], "ground": facts.ground_mm[0]}
    colors = {"slab": palette.SLAB_SECTION, "ground": palette.GROUND}
    ranges = {"slab": facts.slab_range_mm, "ground": facts.ground_range_mm if facts.gap_mm else None}
    for name, values in ranges.items():
        if values is None:
            continue
        top, tick, bottom = (scale.bent(held[name] - one) for one in values)
        parts.polygon(f"{name}_range", ((x, top), (x + wide, top), (x + wide, bottom), (x, bottom)), colors[name],
                      palette.SHEET, 0.08)
        parts.line(f"{name}_range", ((x - 0.2 * wide, tick), (x + 1.2 * wide, tick)), palette.INK, 0.15)
        over = name == "slab"  # the word for the slab is above its bar, that for the ground is below
        y = min(top, bottom) - 0.35 * parts.text if over else max(top, bottom) + 1.0 * parts.text
        if not over:  # it lies on soil layers and their boundaries
            half = 0.25 * len(SENTENCES[name]) * parts.text
            parts.all.append(rectangle("behind", x + wide / 2 - half, y - 0.8 * parts.text, 2 * half, parts.text,
                                       fill=palette.SHEET))
        parts.say("bar", x + wide / 2, y, SENTENCES[name], "middle", times=0.9)
        if over:
            parts.say("bars", x + wide / 2 - 0.75 * parts.text, y - 1.1 * parts.text, SENTENCES["ranges"], bold=True,
                      times=0.9)
        x += wide + 1.2 * parts.text


def _below(parts: Pen, scale: Scale, bottom: float, system: str) -> None:
    """Draw the scale bar."""
    length, text = (units.foot_to_m(10.0), "10 ft") if system == "us" else (3.0, "3 m")
    y, right = bottom + 0.9 * parts.text, scale.right
    parts.line("scale", ((right - length * scale.per_m, y), (right, y)), palette.INK, 0.3)
    parts.say("scale", right - length * scale.per_m - 0.5 * parts.text, y + 0.35 * parts.text, text, "end")


def facts_of(values: dict[str, Any]) -> Facts:
    """Return facts from plain values, such as those of JSON; layers are lists of the four values of `Layer`."""
    layers = tuple(Layer(*one) for one in values.get("layers", ()))
    rest: dict[str, Any] = {name: tuple(value) if isinstance(value, list) else value
                            for name, value in values.items() if name != "layers"}
    return Facts(layers=layers, **rest)
