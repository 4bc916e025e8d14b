"""What the section across the house says: its sentences, and depths and places in words. This is their only home."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from riskmap.common import units
from riskmap.outputs import telling

if TYPE_CHECKING:
    from riskmap.outputs.section import Facts

SENTENCES = {
    "gap": "gap to look for", "edge": "at the edge:", "middle": "in the middle:", "none": "no gap expected",
    "size": "{size} ({range})",
    "above": "middle above the edges", "below": "middle below the edges",
    "heading": "The house and its ground now, cut across",
    "layers": "linear extensibility", "layer": "{depths}: {pct:.1f} %", "deeper": "below: {pct:.1f} %, assumed",
    "assumed": "{depths}: {pct:.1f} %, assumed",
    "no_layers": "no soil layers in the survey", "rock": "rock at {depth}", "slab": "slab", "ground": "ground",
    "weather": "Weather moves the ground down to about {depth} ({lo} to {hi}).",
    "weather_to": "Weather moves the ground down to {depth}.",  # where rock leaves no range
    "surveyed": "The soil is surveyed to {depth}.",
    "of_soil": "{soil}, the main soil of this lot{share}, is surveyed to {depth}; below that, layers are assumed.",
    "on_rock": "{soil}, the main soil of this lot{share}, lies on rock at {depth}.",
    "times": "Bending is drawn {times} times too tall; widths and depths are to scale.",
    "true": "Bending, widths and depths are to scale.",
    "parts": "The grey band is the slab, and the line below it is the ground. Where they part, there is a gap.",
    "ranges": "ranges",
    "bars": "The two bars are ranges: in 80 % of the model runs the edge of the slab and that of the ground are within "
            "them, with the middle as drawn.",
    "bar": "The bar is a range: in 80 % of the model runs the edge of the slab is within it, with the middle as drawn.",
    "level": "The ground beside the slab is drawn level, not computed.",
    "alt": "Section across the house. {bending} {gap} {weather} {layers}",
    "alt_gap": "Gap to look for {place} {size}.", "alt_none": "No gap between slab and ground is expected.",
    "alt_layer": "Layer {label}.",
}


def note(facts: Facts, times: float, system: str, soil: str = "", share: str = "") -> str:
    """Return the line under the drawing: how it is drawn, and what is not computed.

    `soil`: name of the main soil; `share`: what is said of its share, in brackets; empty where that is not known.
    """
    scale = SENTENCES["true"] if times == 1 else SENTENCES["times"].format(times=f"{times:g}")
    bars = "bars" if facts.gap_mm and facts.ground_range_mm else "bar"
    return " ".join([*([SENTENCES["parts"]] if facts.gap_mm else []), scale,
                     *([SENTENCES[bars]] if facts.slab_range_mm else []), SENTENCES["level"],
                     depth_words(facts, system, soil, share)])


def depth_words(facts: Facts, system: str, soil: str = "", share: str = "") -> str:
    """Return in words how deep weather moves the ground, and how deep the soil is surveyed or lies on rock."""
    told = [about(one, system) for one in facts.active_m]
    low, _, high = (one.rsplit(" ", 1)[0] for one in told)
    weather = SENTENCES["weather_to"].format(depth=told[1]) if low == high else \
        SENTENCES["weather"].format(depth=told[1], lo=low, hi=high)
    if soil and facts.rock_m < facts.active_m[1]:
        return f"{weather} {SENTENCES['on_rock'].format(soil=soil, share=share, depth=depth(facts.rock_m, system))}"
    if facts.surveyed_m <= 0:
        return weather
    return f"{weather} " + SENTENCES["of_soil" if soil else "surveyed"].format(
        soil=soil, share=share, depth=depth(facts.surveyed_m, system))


def about(value_m: float, system: str) -> str:
    """Return a depth that is not known well: in whole feet, or in metres to a tenth."""
    return f"{math.floor(units.m_to_foot(value_m) + 0.5)} ft" if system == "us" else depth(value_m, system)


def depth(value_m: float, system: str) -> str:
    """Return a depth in feet or metres, to a tenth where that is not a whole number."""
    value, unit = (units.m_to_foot(value_m), "ft") if system == "us" else (value_m, "m")
    return f"{value:.1f}".removesuffix(".0") + f" {unit}"


def depths(top_m: float, bottom_m: float, system: str) -> str:
    """Return the depths of a layer in inches or centimetres."""
    factor, unit = (100 / 2.54, "in") if system == "us" else (100.0, "cm")
    return f"{top_m * factor:.0f}–{bottom_m * factor:.0f} {unit}"


def gap_place(facts: Facts) -> str:
    """Return where the gap to look for is: `edge`, `middle`, or nothing where none of the three figures has any."""
    sides = {"edge": facts.gap_edge_mm, "middle": facts.gap_middle_mm}
    known = {place: values for place, values in sides.items() if values is not None}
    best = max(known, key=lambda place: (known[place][1], known[place][2]), default="")
    return best if best and known[best][2] > 0 else ""


def layer_words(facts: Facts, system: str) -> list[str]:
    """Return a line for each layer of the soil: its depths and its linear extensibility."""
    out = []
    for k, layer in enumerate(facts.layers):
        deepest = k == len(facts.layers) - 1 and layer.assumed
        kind = "deeper" if deepest else "assumed" if layer.assumed else "layer"
        out.append(SENTENCES[kind].format(depths=depths(layer.top_m, layer.bottom_m, system),
                                          pct=layer.extensibility_pct))
    return out


def bending_words(facts: Facts, system: str) -> str:
    """Return in words which way the slab bends."""
    return f"{telling.side(facts.stated_mm, system).capitalize()}."
