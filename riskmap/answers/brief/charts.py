"""Drawings of the page of a lot that are not a section, a waterfall or a plan: the bar of the estimate, and what
happened since the pour.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap.outputs import dates, drawing, palette, telling
from riskmap.outputs.drawing import Drawing, Path, Text
from riskmap.outputs.map import growth_curves
from riskmap.outputs.waterfall_figure import size_color

if TYPE_CHECKING:
    from riskmap.common.results import Results

BAR_ALT = "{value} on a scale from 0 to {end}; 80 % of the model runs give {range}."
LEAST_END_MM = 50.0  # the least end of a bar of sizes, so that five classes are on it
AXIS = 1.3  # room for the numbers below a bar, in sizes of the text
SPEI_END = 3.0  # of the strip, in standard deviations
STRIP_ALT = "Drought index since {first}: {turns}."
GROWTH_ALT = "Height of the ground each December since the pour: {words}"
REACHED = 0.9  # of the rise; kept equal to growth.js by a test
GROWTH_LEAST_MM = 10.0  # least half height of the axis: a still ground must not look restless


def estimate_bar(low_mm: float, value_mm: float, high_mm: float, end_mm: float, system: str, width: float,
                 text: float) -> Drawing:
    """Return the estimate on the classes of its size, with its range below.

    Parameters
    ----------
    low_mm, value_mm, high_mm : float
        10th percentile, estimate, and 90th percentile.
    end_mm : float
        End of the scale, which all pages share.
    system : str
    width, text : float
        Of the drawing and of its type.
    """
    end = max(end_mm, LEAST_END_MM)
    inset, thick = 0.6 * text, 1.5 * text

    def at(value: float) -> float:
        return inset + (width - 2 * inset) * min(max(value, 0.0), end) / end

    limits = [0.0, *[limit for limit in palette.SIZE_LIMITS_MM if limit < end], end]
    parts: list[Path | Text] = []
    for first, last in pairwise(limits):
        parts.append(drawing.rectangle("class", at(first), 0.5 * text, at(last) - at(first), thick,
                                       fill=size_color(first), stroke=palette.OUTLINE, line=0.05 * text))
    top = 0.5 * text + thick
    parts.append(drawing.rectangle("range", at(low_mm), top + 0.25 * text, max(at(high_mm) - at(low_mm), 0.1 * text),
                                   0.7 * text, fill=palette.RANGE))
    for color, wide in ((palette.SHEET, 0.55), (palette.INK, 0.3)):  # a white rim, so that ink shows on every class
        parts.append(Path("value", ((at(value_mm), 0.0), (at(value_mm), top + 1.2 * text)), stroke=color,
                          width=wide * text))
    y, taken = top + 1.2 * text + AXIS * text, -np.inf
    for k, limit in enumerate(limits):
        # limits of classes as they are: 35 mm is not a whole step of what is shown
        label = telling.shown(limit, system) if system == "us" else f"{limit:g} mm"
        label = label if limit == end else label.rsplit(" ", 1)[0]
        half = 0.27 * len(label) * text
        place = width - inset - half if limit == end else max(at(limit), half)
        if place - half > taken and (limit == end or place + half < width - inset - 4.2 * text or k == 0):
            parts.append(Text("axis", place, y, label, text, palette.QUIET, "middle"))
            taken = place + half + 0.4 * text
    alt = BAR_ALT.format(value=telling.shown(value_mm, system), end=telling.shown(end, system),
                         range=telling.sizes(low_mm, high_mm, system))
    return Drawing(width, y + 0.3 * text, tuple(parts), alt)


# ---------------------------------------------------------------- since the pour
def strip(values: dict[str, Any], width: float, height: float, text: float) -> Drawing | None:
    """Return the drought index as bars, blue above and brown below the line, with the driest and wettest month.

    `values`: as returned by `figures.strip`; None where it has no bars.
    """
    bars = values["bars"]
    if not bars:
        return None
    band = height - 3.9 * text
    zero, step = 1.3 * text + band / 2, width / len(bars)
    parts: list[Path | Text] = []
    for k, value in enumerate(bars):
        if value is not None:
            tall = min(abs(value) / SPEI_END, 1.0) * band / 2
            parts.append(drawing.rectangle("wet" if value > 0 else "dry", k * step, zero - tall if value > 0 else zero,
                                           step, tall, fill=palette.WET if value > 0 else palette.DRY))
    parts.append(Path("zero", ((0.0, zero), (width, zero)), stroke=palette.INK, width=0.08 * text))
    for wet, y in ((True, text), (False, 1.3 * text + band + text)):
        side = [turn for turn in values["turns"] if (turn[1] > 0) == wet]
        if side:
            month, value, place, _ = max(side, key=lambda turn: abs(turn[1]))
            label = f"{dates.month(month)} {'+' if wet else '−'}{abs(value)}"
            half = 0.25 * len(label) * text
            x = min(max(place * width, half), width - half)
            parts.append(Text("turn", x, y, label, text, palette.INK, "middle"))
    y = 1.3 * text + band + 2.3 * text
    parts += [Text("from", 0.0, y, dates.month(values["from"]), text, palette.QUIET),
              Text("to", width, y, dates.month(values["to"]), text, palette.QUIET, "end")]
    turns = "; ".join(f"{'wet' if value > 0 else 'dry'} in {dates.month(month)} ({value:+.1f})"
                      for month, value, *_ in values["turns"])
    return Drawing(width, height, tuple(parts), STRIP_ALT.format(first=dates.month(values["from"]), turns=turns))


def growth(results: Results, row: int, system: str, width: float, height: float, text: float) \
        -> tuple[Drawing | None, str]:
    """Return the ground since the pour, December by December, and the sentence about it, or None and why there is none.

    Parameters
    ----------
    results : Results
    row : int
        Position of the lot.
    system : str
    width, height, text : float
        Of the drawing and of its type.
    """
    lot = results.lots.iloc[row]
    said = growth_curves.SENTENCES
    if lot["state"]:
        return None, said["not_yet_poured" if lot["state"] == "not_yet_poured" else "no_estimate"]
    if lot["pour_date_basis"] == "none":
        return None, said["pour_unknown"]
    if results.growth is None or results.inputs is None or results.inputs.lot_archetype[row] < 0:
        return None, said["not_in_run"]
    table = results.growth[results.growth["archetype"] == results.inputs.lot_archetype[row]].sort_values("year")
    if len(table) < 2:
        return None, said["no_december"]
    year, middle, edge = (table[name].to_numpy(float) for name in ("year", "middle_mm", "edge_mm"))
    words = _growth_words(year, middle, edge, system)
    return _growth_drawing(year, middle, edge, system, width, height, text, " ".join(words)), words[0]


def _growth_words(year: np.ndarray[Any, Any], middle: np.ndarray[Any, Any], edge: np.ndarray[Any, Any],
                  system: str) -> tuple[str, str]:
    said, last = growth_curves.SENTENCES, float(middle[-1])
    size = telling.shown(abs(last), system)
    if telling.is_zero(last, system):
        first = said["level"].format(year=int(year[-1]))
    elif last < 0:
        first = said["fell"].format(year=int(year[-1]), size=size)
    else:
        k = int(np.argmax(middle >= REACHED * last))
        first = said["rose_before" if k == 0 else "rose"].format(year=int(year[-1]), size=size, by=int(year[k]))
    height = float(edge[-1])
    told = said["as_high"] if telling.is_zero(height, system) else \
        said["higher" if height > 0 else "lower"].format(size=telling.shown(abs(height), system))
    return first, said["edge_then"].format(year=int(year[-1]), height=told)


def _growth_drawing(year: np.ndarray[Any, Any], middle: np.ndarray[Any, Any], edge: np.ndarray[Any, Any], system: str,
                    width: float, height: float, text: float, words: str) -> Drawing:
    values = np.concatenate([middle, edge, [0.0, GROWTH_LEAST_MM, -GROWTH_LEAST_MM]])
    low, high = float(values.min()), float(values.max())
    left, right = 4.0 * text, width - 4.2 * text
    top, bottom = 0.6 * text, height - 1.6 * text

    def point(x: float, y: float) -> drawing.Point:
        return (left + (right - left) * (x - year[0]) / max(year[-1] - year[0], 1.0),
                top + (bottom - top) * (high - y) / (high - low))

    parts: list[Path | Text] = []
    for value in (high, 0.0, low):
        y = point(year[0], value)[1]
        parts.append(Path("level", ((left, y), (right, y)), stroke=palette.INK if value == 0 else palette.RULE,
                          width=0.08 * text))
        if value == 0 or abs(y - point(year[0], 0.0)[1]) > 1.2 * text:
            sign = "+" if value > 0 else "−" if value < 0 else ""
            label = f"{sign}{telling.shown(abs(value), system)}" if value else "pour"
            parts.append(Text("level", left - 0.4 * text, y + 0.35 * text, label, text, palette.QUIET, "end"))
    places: list[tuple[float, str, str]] = []
    for name, line, color in (("edge", edge, palette.GROUND), ("middle", middle, palette.INK)):
        parts.append(Path(name, tuple(point(x, y) for x, y in zip(year, line, strict=True)), stroke=color,
                          width=(0.25 if name == "middle" else 0.15) * text))
        places.append((point(year[-1], float(line[-1]))[1] + 0.35 * text, name, color))
    upper, lower = sorted(places)
    lower = (max(lower[0], upper[0] + 1.1 * text), *lower[1:])
    parts += [Text(name, right + 0.4 * text, y, growth_curves.SENTENCES[name], text, color)
              for y, name, color in (upper, lower)]
    parts += [Text("year", left, height - 0.3 * text, f"{year[0]:.0f}", text, palette.QUIET),
              Text("year", right, height - 0.3 * text, f"{year[-1]:.0f}", text, palette.QUIET, "end")]
    return Drawing(width, height, tuple(parts), GROWTH_ALT.format(words=words))


# ---------------------------------------------------------------- the area
HISTOGRAM_ALT = "Histogram of {count} lots by their {called}: {groups}."
HISTOGRAM_STEP_MM = {"us": 5.08, "si": 5.0}  # a bin: 0.2 in or 5 mm
MOST_BINS = 24


def histogram(estimate_mm: np.ndarray[Any, Any], soil: Sequence[str], called: str, system: str, width: float,
              height: float, text: float) -> Drawing | None:
    """Return how many lots have which estimate, each bar split by the shrink-swell class of the soil.

    Parameters
    ----------
    estimate_mm : array, shape (n_lot,)
        Of the lots with an estimate.
    soil : sequence of str
        Shrink-swell class of each; another text counts as not known.
    called : str
        Name of the estimate, as it is written in a sentence.
    system : str
    width, height, text : float
    """
    if not len(estimate_mm):
        return None
    classes = (*palette.SOIL_CLASSES, "")
    step = HISTOGRAM_STEP_MM[system]
    while estimate_mm.max() / step >= MOST_BINS:
        step *= 2
    bins = (estimate_mm // step).astype(int)
    kind = np.array([classes.index(name) if name in classes else len(classes) - 1 for name in soil])
    counts = np.zeros((int(bins.max()) + 1, len(classes)), int)
    np.add.at(counts, (bins, kind), 1)
    most = int(counts.sum(axis=1).max())
    left, bottom = 3.4 * text, height - 3.2 * text
    wide, tall = (width - left) / len(counts), bottom - 2.2 * text
    parts: list[Path | Text] = []
    for value in sorted({0, most // 2, most}):
        y = bottom - tall * value / most
        parts += [Path("level", ((left, y), (width, y)), stroke=palette.RULE, width=0.06 * text),
                  Text("count", left - 0.4 * text, y + 0.35 * text, f"{value:,}", text, palette.QUIET, "end")]
    colors = (*palette.SOIL, palette.SHEET)
    for k, row in enumerate(counts):
        y = bottom
        for number, color in zip(row, colors, strict=True):
            if number:
                high = tall * number / most
                y -= high
                parts.append(drawing.rectangle("bar", left + k * wide + 0.04 * wide, y, 0.92 * wide, high, fill=color,
                                               stroke=palette.OUTLINE, line=0.05 * text))
    every = max(1, -(-len(counts) * 4 * text // (width - left)))
    for k in range(0, len(counts) + 1, int(every)):
        label = telling.shown(k * step, system).rsplit(" ", 1)[0]
        parts.append(Text("axis", left + k * wide, bottom + 1.2 * text, label, text, palette.QUIET, "middle"))
    words = f"{called}, {'inches' if system == 'us' else 'millimetres'}"
    parts.append(Text("unit", width, bottom + 2.5 * text, words, text, palette.QUIET, "end"))
    x, present = left, counts.sum(axis=0)
    for name, color, number in zip(classes, colors, present, strict=True):
        if number:
            label = f"{name or 'not known'}: {number:,}"
            parts += [drawing.rectangle("key", x, 0.1 * text, 1.2 * text, text, fill=color, stroke=palette.OUTLINE,
                                        line=0.05 * text), Text("key", x + 1.6 * text, text, label, text, palette.INK)]
            x += (2.8 + 0.5 * len(label)) * text
    groups = "; ".join(f"{number:,} on {name or 'soil of unknown'} shrink-swell" for name, number in
                       zip(classes, present, strict=True) if number)
    return Drawing(width, height, tuple(parts), HISTOGRAM_ALT.format(count=f"{len(estimate_mm):,}", called=called,
                                                                           groups=groups))
