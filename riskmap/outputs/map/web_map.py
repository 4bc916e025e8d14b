"""The one-file map: opens from disk, asks no other host for anything, carries every lot.

The map library's Python wrapper makes only the page skeleton, from constants. It renders text as a template, so data
must never pass through it: data, styles and scripts are put in afterwards by plain replacement, data as base64.
A content security policy lets only the scripts run whose hashes were taken here.
"""

from __future__ import annotations

import base64
import hashlib
import html
import re
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap.common import tables, units, wording
from riskmap.common.version import __version__
from riskmap.outputs import palette, words
from riskmap.outputs.map import data_block

if TYPE_CHECKING:
    import pandas as pd

    from riskmap.common.results import Results

NAME = "map.html"
ASSETS = Path(__file__).parent / "assets"
BARS = ("expected_movement_mm", "characteristic_movement_mm", "deflection_now_mm")  # on one scale
FEET_PER_SCALE = 300  # a drawn soil line is about 80 ft wide at 1:24,000 and 40 ft at 1:12,000 (soil-survey guidance)

BEFORE = """<header>
<h1><span id="area"></span>: expected movement</h1>
<p id="standing"></p>
</header>"""

AFTER = """<canvas id="sheet" aria-hidden="true"></canvas>
<section id="legend" aria-label="Legend" tabindex="0"></section>
<p id="north" role="status">North is up. No base map: lots only.</p>
<p id="map-keys" class="sr">Arrow keys move the map, plus and minus zoom. Enter shows the lot at the cross in the
middle, n the next lot of the list, p the one before, Escape none. The list beside the map holds the same lots.</p>
<p id="said" class="sr" role="status" aria-live="polite"></p>
<aside aria-label="Lots">
<div id="choices">
<div class="line"><label for="layer">Show</label> <select id="layer" class="grow"></select></div>
<div id="weeks" class="line" hidden><label for="week">Week</label>
<input type="range" id="week" class="grow" min="0" step="1" value="0"> <output id="week-said" for="week"></output></div>
<div class="line"><fieldset><legend class="inline">Units</legend>
<label><input type="radio" name="units" value="us"> in, ft</label>
<label><input type="radio" name="units" value="si"> mm, m</label></fieldset>
<label id="lines-line"><input type="checkbox" id="lines" checked> Soil lines</label></div>
<p id="not-here" class="note"></p>
</div>
<div id="find">
<div class="line"><label for="search">Find lot id</label>
<div class="combo grow"><input type="search" id="search" role="combobox" autocomplete="off" aria-autocomplete="list"
aria-expanded="false" aria-controls="suggestions"><ul id="suggestions" role="listbox" aria-label="Suggestions" hidden>
</ul></div></div>
<p id="hits" class="note" role="status"></p>
<div class="line"><label for="order">Order</label>
<select id="order" class="grow"><option value="file">as in the lot file</option>
<option value="expected_movement_mm">expected movement, largest first</option>
<option value="characteristic_movement_mm">characteristic movement, largest first</option></select></div>
<ul id="lots" role="listbox" tabindex="0" aria-label="Lots. Arrow keys move, Enter shows the lot."></ul>
<div class="line"><button type="button" id="before" aria-label="Previous lots">‹</button>
<button type="button" id="after" aria-label="Next lots">›</button>
<span id="found" class="note" role="status"></span></div>
<div class="line"><label><input type="checkbox" id="only-view" checked> Only lots in view</label>
<button type="button" id="whole">Whole area</button></div>
</div>
<section id="details" aria-label="Lot" tabindex="0"></section>
</aside>
<footer id="sources"></footer>
<noscript>This map needs JavaScript. The same numbers are in lots.csv and lots.gpkg beside this file.</noscript>"""

# in the order of their use
COMMON = ("page_common.js", "page_lot.js")  # of the county page too
SCRIPTS = (*COMMON, "map_data.js", "map_draw.js", "map_find.js", "map_panel.js", "map_paper.js", "map.js")


_HOST = r"([A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?\.)*[A-Za-z0-9]([A-Za-z0-9-]*[A-Za-z0-9])?(:[0-9]{1,5})?"


@dataclass(frozen=True)
class Basemap:
    """Pictures beneath the lots, from one host, only on request: never on until a reader ticks it.

    Attributes
    ----------
    url : str
        https address with {z}, {x} and {y}; its host is added to the content policy and nothing else is.
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
            raise ValueError(f"base map {self.url!r}: {{z}}, {{x}} and {{y}} must each stand in it once, and no other")
        if not self.attribution.strip():
            raise ValueError("base map: a credit line is needed")
        if self.max_zoom is not None and not 0 <= self.max_zoom <= 25:
            raise ValueError(f"base map: max_zoom {self.max_zoom} is not between 0 and 25")

    @property
    def host(self) -> str:
        """Return the host with its port."""
        return self.url.split("/")[2]


def _skeleton() -> str:
    """Return the page of the wrapper; made from constants only."""
    import folium

    page = folium.Map(location=[0, 0], zoom_start=2, tiles=None, attribution_control=False, zoom_animation=False,
                      fade_animation=False, inertia=False, max_zoom=21)
    page.default_js, page.default_css = [], []
    page._id = "riskmap"  # the wrapper draws random ids, which would make every file different
    root = page.get_root()
    root._id = "page"
    text = root.render()
    text = re.sub(r"<meta name=\"viewport\".*?/>",
                  '<meta name="viewport" content="width=device-width, initial-scale=1">', text, count=1, flags=re.S)
    text = re.sub(r"<meta http-equiv=\"content-type\".*?/>", "", text, count=1)  # said again, first of all
    return text.replace("<html>", '<html lang="en">', 1)


def _asset(name: str) -> str:
    return (ASSETS / name).read_text(encoding="utf-8")


def _styles() -> str:
    leaflet = re.sub(r"url\([^)]*\)", "none", _asset("leaflet.css"))  # pictures of parts that are not used here
    return f"<style>\n{leaflet}\n</style>\n<style>\n{_asset('map.css')}</style>"


def in_one_function(names: tuple[str, ...]) -> str:
    """Return parts of a page's script joined inside one function, so that nothing of it is global."""
    return '(function () {\n"use strict";\n' + "\n".join(_asset(name) for name in names) + "})();"


def _own_script() -> str:
    return in_one_function(SCRIPTS)


def _policy(page: str, basemap: Basemap | None) -> str:
    """Return the content policy: the inline scripts of `page`, by hash, and pictures of the base map's host if any."""
    scripts = re.findall(r"<script>(.*?)</script>", page, flags=re.S)
    hashes = " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in scripts)
    pictures = f" https://{basemap.host}" if basemap else ""
    rules = f"default-src 'none'; img-src data:{pictures}; style-src 'unsafe-inline'; script-src {hashes}; " \
            "base-uri 'none'; form-action 'none'"
    return f'<meta http-equiv="Content-Security-Policy" content="{rules}">'


def _cautions(scale: int | None) -> dict[str, str]:
    soil = ""
    if scale is not None:
        feet = scale / FEET_PER_SCALE
        soil = wording.CAUTION_SOIL.format(scale=f"{scale:,}", w_ft=f"{feet:.0f}", w_m=f"{units.foot_to_m(feet):.0f}")
    return {"main": wording.CAUTION, "soil": soil, "date": wording.CAUTION_DATE, "outlook": wording.CAUTION_OUTLOOK,
            "no_number": wording.NO_NUMBER, "not_low": wording.NO_NUMBER.split(". ")[-1],
            "standing": wording.STANDING, "not_seen": wording.NOT_SEEN}


def _lines(results: Results) -> list[str]:
    """Return what stands under the map: what was used and up to when."""
    lines = [*([results.note] if results.note else []), f"“Now” is {results.today}."]
    if results.soil_scale is not None:
        lines.append(f"Soil mapped at 1:{results.soil_scale:,}.")
    if len(results.climate):
        recorded = results.climate.dropna(subset=["precipitation_mm"])["month"]
        lines += [f"Rain and temperature {recorded.min()} to {recorded.max()}."] if len(recorded) else []
    weeks = _weeks(results)
    lines += [f"Newest weekly drought map: {weeks[-1]}."] if weeks else []
    return [*lines, f"Made with riskmap {__version__}."]


def _weeks(results: Results) -> list[str]:
    """Return the dates of the first and the newest weekly map that covers a lot; empty without one."""
    dates = {str(date) for values in (results.drought_weeks["valid_date"], results.lots["drought_valid_date"])
             for date in values.dropna().unique() if date}
    return [min(dates), max(dates)] if dates else []


def _no_past_weeks(results: Results) -> str:
    """Return why the layer of past weeks cannot be shown; empty when it can."""
    known = results.history is not None and len(results.history.series) == len(results.lots)
    weeks, months = _weeks(results), results.history.months if results.history is not None and known else ()
    reasons = [] if len(months) else ["past months were not computed"]
    if not weeks:
        reasons.append("there are no weekly drought maps")
    elif len(months) and weeks[-1][:7] < months[0]:
        return (f"Past weeks cannot be shown: the weekly maps of this run ({weeks[0]} to {weeks[-1]}) are older than "
                f"the months shown ({months[0]} to {months[-1]}).")
    elif len(months) and (results.drought_shapes is None or not len(results.drought_shapes)):
        return (f"Past weeks are not drawn: no weekly map of the months shown ({months[0]} to {months[-1]}) has a "
                "drought category near these lots.")
    return f"Past weeks cannot be shown: {' and '.join(reasons)} in this run." if reasons else ""


def layer_values(results: Results, chosen: dict[str, palette.Scale]) -> dict[str, Any]:
    """Return layers as plain values for a page: with the outline of each class, drought with the date of its map.

    Parameters
    ----------
    results : Results
    chosen : dict of str to Scale
        In the order of the page.
    """
    weeks = _weeks(results)
    newest = f"newest weekly map is of {weeks[-1]}" if weeks else "no weekly map covers these lots"
    layers: dict[str, Any] = {name: {**asdict(scale), "edges": [palette.edge_color(color) for color in scale.colors],
                                     "grey": palette.grey_class(scale.colors)} for name, scale in chosen.items()}
    if "drought" in layers:
        layers["drought"] |= {"missing": f"{layers['drought']['missing']} ({newest})",
                              "note": layers["drought"]["note"] + (f", {weeks[-1]}" if weeks else "")}
    return layers


def _axis_mm(lots: pd.DataFrame) -> list[float]:
    """Return the ends of the bars of every lot: 0 or the run's smallest p10, and its largest p90."""
    lows, highs = (lots[[f"{name}_{end}" for name in BARS]].to_numpy(float) for end in ("p10", "p90"))
    high = max(10.0, float(np.nanmax(highs, initial=0.0)))
    low = min(0.0, float(np.nanmin(lows, initial=0.0)))
    return [min(low, -high / 6) if low < 0 else 0.0, high]  # a sixth: room for the text of either end beside the 0


def _scales(results: Results, change: pd.Series | None) -> dict[str, Any]:
    own = {name: scale for name, scale in palette.DERIVED_SCALES.items() if name != "change" or change is not None}
    order = ("expected", "characteristic", "now", "change", "weeks", "soil", "age", "phase", "outlook_dry",
             "outlook_normal", "outlook_wet", "drought", "quality")
    both = {**palette.SCALES, **own}
    return layer_values(results, {name: both[name] for name in order if name in both})


def about(results: Results, shown_units: str, basemap: Basemap | None = None,
          change: pd.Series | None = None) -> dict[str, Any]:
    """Return the plain values of the page header: names, classes, words and cautions."""
    width_m = units.foot_to_m((results.soil_scale or 0) / FEET_PER_SCALE)
    flags = {flag for cell in results.lots["flags"].dropna().unique() for flag in str(cell).split(";") if flag}
    cells = results.facts.get("cells", {})
    return {
        "area": results.area_name, "units": shown_units, "lines": _lines(results), "credits": list(results.credits),
        "today": results.today, "scales": _scales(results, change), "no_past_weeks": _no_past_weeks(results),
        "soil": {"scale": results.soil_scale, "width_m": float(width_m)},
        "basemap": {**asdict(basemap), "host": basemap.host} if basemap else None,
        "states": tables.STATES, "hatch": palette.HATCH, "outline": palette.OUTLINE,
        "cautions": _cautions(results.soil_scale),
        "words": {"direction": words.DIRECTION, "phase": words.PHASE, "pour_basis": words.POUR_BASIS,
                  "slab_class": words.SLAB_CLASS, "driver": words.DRIVER_LEVEL, "quality": words.QUALITY,
                  "flags": words.flag_sentences(sorted(flags))},
        "axis_mm": _axis_mm(results.lots),
        "reference_lot": str(results.facts.get("reference_lot", "the reference lot")),
        "outlook_years": {cell: list(facts.get("outlook_years", ())) for cell, facts in cells.items()},
    }


def page(results: Results, shown_units: str = "us", *, basemap: Basemap | None = None,
         change: pd.Series | None = None) -> str:
    """Return the whole map page as text.

    Parameters
    ----------
    results : Results
    shown_units : str
        `us` (inch, foot) or `si` (mm, m): what the page shows first; it can switch.
    basemap : Basemap, optional
        Offered as a choice that is off; without it the page asks no host for anything.
    change : Series, optional
        `change_mm` of every row against another run, in row order; adds its layer.
    """
    text = _skeleton()
    own_script = re.search(r"<script>\s*var map_riskmap.*?</script>", text, flags=re.S)
    if own_script is None:
        raise ValueError("the wrapper's page does not make its map as expected")
    leaflet = re.sub(r"//# sourceMappingURL=.*", "", _asset("leaflet.js"))
    text = text.replace(own_script.group(), "", 1)
    scripts = f"<script>{leaflet}</script>\n{own_script.group()}\n<script>{_own_script()}</script>"
    title = html.escape(f"{results.area_name}: expected movement")
    policy = _policy(text + scripts, basemap)
    block = data_block.block(results.lots, about(results, shown_units, basemap, change), change=change, past=results,
                         classes=palette.DROUGHT_CLASSES)
    data = f'<script type="application/octet-stream" id="data">{block}</script>'
    for place, put in (("<head>", f'<head>\n<meta charset="utf-8">\n{policy}\n<title>{title}</title>'),
                       ("</head>", f"{_styles()}\n</head>"), ("<body>", f"<body>\n{BEFORE}"),
                       ("</body>", f"{AFTER}\n{data}\n{scripts}\n</body>")):
        if text.count(place) != 1:
            raise ValueError(f"the wrapper's page has {text.count(place)} times {place}")
        text = text.replace(place, put)
    return text


def write(results: Results, folder: Path, shown_units: str = "us") -> Path:
    """Write `map.html` into a folder and return its path."""
    path = folder / NAME
    path.write_text(page(results, shown_units), encoding="utf-8", newline="\n")
    return path
