"""The one-file map: it opens from disk, contacts no other host and contains every lot.

The map library's Python wrapper makes only the element of the map and its first script, from constants. It renders text
as a template, so data must never pass through it. Data, styles and scripts are put into the slots of the skeleton
`assets/map/page.html`, data as base64. A content security policy lets only those scripts run whose hashes were computed
here.
"""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from riskmap.common import tables, units, wording
from riskmap.common.errors import visible
from riskmap.common.version import __version__
from riskmap.outputs import calibrated, dates, html_page, lot_text, palette, telling, waterfall, words
from riskmap.outputs.map import below, data_block, growth_curves, layer_facts, page_build, town

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.results import Results
    from riskmap.outputs.map.change_layer import ChangeSince

NAME = "map.html"
AS_OF = "“Now” and “today” mean {month}, the month of the newest data."
BARS = tuple(telling.COLUMNS.values())  # on one scale
# a drawn soil boundary is about 80 ft wide at 1:24,000 and 40 ft at 1:12,000 (soil-survey guidance)
FEET_PER_SCALE = 300

_HOST = r"([A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?\.)*[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(:[0-9]{1,5})?"


@dataclass(frozen=True)
class Basemap:
    """Pictures beneath the lots from one host, shown only after a reader ticks them.

    Attributes
    ----------
    url : str
        https address with {z}, {x} and {y}; only its host is added to the content policy.
    attribution : str
        Credit line, shown as text while the pictures are.
    max_zoom : int, optional
        Deepest zoom the host serves; beyond it pictures are enlarged.

    Raises
    ------
    ValueError
        When the address is not https, has no plain host, or lacks one of the three places.
    """

    url: str
    attribution: str
    max_zoom: int | None = None

    def __post_init__(self) -> None:
        if not re.fullmatch(r"https://" + _HOST + r"/[A-Za-z0-9._~/?&=%+{}@-]*", self.url, flags=re.A):
            raise ValueError(f"base map {self.url!r}: an https address of one plain host is needed")
        places = re.findall(r"\{.\}", self.url)
        if sorted(places) != ["{x}", "{y}", "{z}"] or len(re.findall(r"[{}]", self.url)) != 6:
            raise ValueError(f"base map {self.url!r}: {{z}}, {{x}} and {{y}} must each be in it once, and no other")
        if not self.attribution.strip():
            raise ValueError("base map: a credit line is needed")
        if self.max_zoom is not None and not 0 <= self.max_zoom <= 25:
            raise ValueError(f"base map: max_zoom {self.max_zoom} is not between 0 and 25")

    @property
    def host(self) -> str:
        """Return the host with its port."""
        return self.url.split("/")[2]


class _Wrapper(NamedTuple):
    """What the wrapper of the map library makes: its part of the head, the element of the map, and its script."""

    head: str
    place: str
    script: str


def _wrapper() -> _Wrapper:
    """Return the parts of the wrapper's page; they are made from constants only."""
    import folium

    page = folium.Map(location=[0, 0], zoom_start=2, tiles=None, attribution_control=False, zoom_animation=False,
                      fade_animation=False, inertia=False, max_zoom=21)
    page.default_js, page.default_css = [], []
    page._id = "riskmap"  # the wrapper makes random ids, which would make every file different
    root = page.get_root()
    root._id = "page"
    match = re.fullmatch(r".*<head>(.*)</head>.*<body>(.*)</body>.*?<script>(\s*var map_riskmap.*?)</script>.*",
                         root.render(), flags=re.S)
    if match is None:
        raise ValueError("the wrapper's page does not make its map as expected")
    # the skeleton contains both itself
    head = re.sub(r"<meta (name=\"viewport\"|http-equiv=\"content-type\").*?/>", "", match[1], flags=re.S)
    return _Wrapper(re.sub(r"\n\s*\n", "\n", head).strip(), match[2].strip(), match[3])


def _cautions(scale: int | None, standing: str = wording.STANDING) -> dict[str, str]:
    soil = ""
    if scale is not None:
        soil = wording.CAUTION_SOIL.format(scale=f"{scale:,}", width="{width}")  # in the unit of the page
    return {"main": wording.CAUTION, "soil": soil, "date": wording.CAUTION_DATE, "whatif": wording.CAUTION_WHATIF,
            "not_low": wording.NO_NUMBER.split(". ")[-1],
            "standing": standing, "not_seen": wording.NOT_SEEN}


def _lines(results: Results) -> list[str]:
    """Return what stands under the map: what was used and up to when."""
    lines = [*([results.note] if results.note else []), f"Estimates are as of {telling.month_name(results.today)}."]
    if results.soil_scale is not None:
        lines.append(f"Soil mapped at 1:{results.soil_scale:,}.")
    if len(results.climate):
        recorded = results.climate.dropna(subset=["precipitation_mm"])["month"]
        lines += [f"Rain and temperature {dates.span(recorded.min(), recorded.max())}."] if len(recorded) else []
    if calibrated.has(results.lots):
        lines.append("Colours and the list show the estimates as modelled; the panel shows the calibrated figures "
                     "first.")
    weeks = _weeks(results)
    lines += [f"Newest weekly drought map: {dates.day(weeks[-1])}."] if weeks else []
    return [*lines, f"Made with riskmap {__version__}{_digests(results.facts)}."]


def _digests(facts: dict[str, Any]) -> str:
    """Return what distinguishes one run from another on paper: the first digits of its digests of inputs and code."""
    inputs, code = facts.get("input_sha256"), facts.get("code")
    if not inputs or not code:
        return ""
    every = hashlib.sha256(json.dumps(inputs, sort_keys=True).encode()).hexdigest()
    return f" from inputs {every[:8]} with code {str(code)[:8]}"


def _weeks(results: Results) -> list[str]:
    """Return the dates of the first and the newest weekly map that covers a lot; empty without one."""
    days = {str(date) for values in (results.drought_weeks["valid_date"], results.lots["drought_valid_date"])
            for date in values.dropna().unique() if date}
    return [min(days), max(days)] if days else []


def _no_past_weeks(results: Results) -> str:
    """Return why the layer of past weeks cannot be shown; empty when it can."""
    known = results.history is not None and len(results.history.series) == len(results.lots)
    weeks, months = _weeks(results), results.history.months if results.history is not None and known else ()
    reasons = [] if len(months) else ["past months were not computed"]
    if not weeks:
        reasons.append("there are no weekly drought maps")
    elif len(months) and weeks[-1][:7] < months[0]:
        return (f"Past weeks cannot be shown: the weekly maps of this run ({dates.day(weeks[0])} to "
                f"{dates.day(weeks[-1])}) are older than the months shown ({dates.month(months[0])} to "
                f"{dates.month(months[-1])}).")
    elif len(months) and (results.drought_shapes is None or not len(results.drought_shapes)):
        return (f"Past weeks are not drawn: no weekly map of the months shown ({dates.month(months[0])} to "
                f"{dates.month(months[-1])}) has a drought category near these lots.")
    return f"Past weeks cannot be shown: {' and '.join(reasons)} in this run." if reasons else ""


def layer_values(results: Results, chosen: dict[str, palette.Scale], lots: pd.DataFrame) -> dict[str, Any]:
    """Return layers as plain values for a page.

    Each has the outline of its classes, its two palest ones, which of them take a white label, a histogram of all lots
    and how many ranges are wide; drought has the date of its map.

    Parameters
    ----------
    results : Results
    chosen : dict of str to Scale
        Layers in the order of the page.
    lots : DataFrame
        The table of the results, with the columns of all layers that are not derived by the page.
    """
    weeks = _weeks(results)
    newest = f"newest weekly map is of {dates.day(weeks[-1])}" if weeks else "no weekly map covers these lots"
    month = telling.last_month(results.today)
    layers: dict[str, Any] = {name: {**asdict(scale), "title": scale.title.replace("{month}", month),
                                     "edges": [palette.edge_color(color) for color in scale.colors],
                                     "palest": palette.palest(scale.colors),
                                     "labels": [palette.label_color(color) for color in scale.colors],
                                     "histogram": layer_facts.histogram(lots, scale),
                                     "spans": layer_facts.spans(lots, scale)} for name, scale in chosen.items()}
    if "drought" in layers:
        layers["drought"] |= {"missing": f"{layers['drought']['missing']} ({newest})",
                              "note": layers["drought"]["note"] + (f", {weeks[-1]}" if weeks else "")}
    return layers


def _axis_mm(lots: pd.DataFrame) -> list[float]:
    """Return the ends of the bars of every lot: 0 or the run's smallest p10, and its largest p90."""
    bars = [*BARS, *(name for name in (f"{calibrated.PREFIX}{name}" for name in BARS) if name in lots)]
    lows, highs = (lots[[f"{name}_{end}" for name in bars]].to_numpy(float) for end in ("p10", "p90"))
    high = max(10.0, float(np.nanmax(highs, initial=0.0)))
    low = min(0.0, float(np.nanmin(lows, initial=0.0)))
    return [min(low, -high / 6) if low < 0 else 0.0, high]  # a sixth: room for the text of either end next to the 0


def _scales(results: Results, change: ChangeSince | None) -> dict[str, Any]:
    own = palette.DERIVED_SCALES | (change.scales() if change is not None else {})
    both = {**palette.SCALES, **own}
    lots = results.lots if change is None else change.joined_to(results.lots)
    chosen = {name: layer_facts.reached(lots, both[name]) for name in palette.ORDER if name in both}
    return layer_values(results, chosen, lots)


def _symbols(lots: pd.DataFrame) -> dict[str, str]:
    """Return the symbol of each map unit by its name."""
    named = lots[["map_unit_name", "map_unit_symbol"]].astype("str").drop_duplicates("map_unit_name")
    return {name: symbol for name, symbol in named.itertuples(index=False) if name and symbol}


def about(results: Results, shown_units: str, basemap: Basemap | None = None,
          change: ChangeSince | None = None) -> dict[str, Any]:
    """Return the plain values of the page header: names, classes, words and cautions."""
    width_m = units.foot_to_m((results.soil_scale or 0) / FEET_PER_SCALE)
    scales = _scales(results, change)
    flags = {flag for cell in results.lots["flags"].dropna().unique() for flag in str(cell).split(";") if flag}
    cells = results.facts.get("cells", {})
    standing = calibrated.standing(results)
    labels = {}
    if results.labels is not None:
        of_row = results.labels.reindex(results.lots["lot_row"].to_numpy()).fillna("").astype("str")
        labels = {"labels": of_row.map(visible).tolist()}
        standing = f"{wording.NOT_FOR_PUBLICATION} {standing}"
    return {
        "area": results.area_name, **labels, "units": shown_units, "lines": _lines(results),
        "credits": list(results.credits), "today": results.today, "as_of": AS_OF.format(
            month=telling.month_name(results.today)),
        **({"change": change.about()} if change is not None else {}),
        "scales": scales, "groups": palette.groups(scales), "beyond": palette.BEYOND_CHOICE,
        "no_past_weeks": _no_past_weeks(results),
        "soil": {"scale": results.soil_scale, "width_m": float(width_m)},
        "basemap": {**asdict(basemap), "host": basemap.host} if basemap else None,
        "states": tables.STATES, "hatch": palette.HATCH, "ui": palette.page_colors(),
        "cautions": _cautions(results.soil_scale, standing),
        "words": {"direction": words.DIRECTION, "phase": words.PHASE,
                  "agree": {"all": words.ALL_AGREE, "some": words.SOME_AGREE}, "pour_basis": words.POUR_BASIS,
                  "slab_class": words.SLAB_CLASS, "weather_source": words.WEATHER_SOURCE, "quality": words.QUALITY,
                  "flags": words.flag_sentences(sorted(flags))},
        "growth": {**growth_curves.SENTENCES, "absent": growth_curves.absent(results)},
        "months": telling.MONTHS,
        "swell": {"text": lot_text.EXTENSIBILITY, **lot_text.EXTENSIBILITY_DEPTHS},
        "town": town.about(results.lots), "below": below.about(results), "symbols": _symbols(results.lots),
        "young": wording.YOUNG, "young_most": wording.YOUNG_MOST, "axis_mm": _axis_mm(results.lots),
        "tell": {"names": {question: telling.name(question, results.today) for question in telling.NAMES},
                 **telling.SENTENCES, "last_month": telling.last_month(results.today), "at_rest": tables.AT_REST,
                 "direction": words.DIRECTION_SHORT},
        "why": {**waterfall.SENTENCES, "shared_label": waterfall.SENTENCES["shared"], "reasons": words.REASONS,
                "least_mm": words.LEAST_PART_MM, "shown_mm": waterfall.SHOWN_MM,
                "shared": [asdict(one) for one in lot_text.shared_reasons(results)],
                "of_typical": {system: lot_text.typical_lot(results, system) for system in ("us", "si")}},
        "whatif_years": {cell: list(lot_text.whatif_years(results, cell)) for cell in cells},
        **({"ground": lot_text.GROUND_CRACKED.split(": ", 1)} if lot_text.ground_cracked(results) else {}),
    }


def page(results: Results, shown_units: str = "us", *, basemap: Basemap | None = None,
         change: ChangeSince | None = None) -> str:
    """Return the whole map page as text.

    Parameters
    ----------
    results : Results
    shown_units : str
        `us` (inch, foot) or `si` (mm, m): the units that the page shows first; the reader can switch.
    basemap : Basemap, optional
        Offered as a choice that is off at first; without it the page contacts no other host.
    change : ChangeSince, optional
        What changed since another run; adds its layers.
    """
    wrapper = _wrapper()
    scripts = [page_build.vendored(), wrapper.script, page_build.script("map")]
    lots = below.with_profile(results.lots, results)
    values = about(results, shown_units, basemap, change)
    values["context_note"] = data_block.context_shown(results.context, len(lots))[1]
    data = data_block.block(lots, values, past=results,
                            change=None if change is None else change.lots, classes=palette.DROUGHT_CLASSES)
    all_scripts = [*re.findall(r"<script>(.*?)</script>", wrapper.head, flags=re.S), *scripts]
    return html_page.filled(
        page_build.ASSETS / "map" / "page.html", {"title": f"{results.area_name}: expected movement"},
        {"policy": page_build.policy(all_scripts, basemap.host if basemap else None), "wrapper_head": wrapper.head,
         "styles": page_build.styles("map"), "map": wrapper.place, "data": data,
         "scripts": page_build.inline(scripts)}) + "\n"


def write(results: Results, folder: Path, shown_units: str = "us") -> Path:
    """Write `map.html` into a folder and return its path."""
    path = folder / NAME
    path.write_text(page(results, shown_units), encoding="utf-8", newline="\n")
    return path
