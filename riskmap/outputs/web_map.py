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
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from riskmap import __version__, results, tables, units
from riskmap.outputs import encode, palette, words

if TYPE_CHECKING:
    from riskmap.results import Results

NAME = "map.html"
ASSETS = Path(__file__).parent / "assets"
FEET_PER_SCALE = 300  # a drawn soil line is about 80 ft wide at 1:24,000 and 40 ft at 1:12,000 (soil-survey guidance)

BEFORE = """<header>
<h1><span id="area"></span>: expected movement</h1>
<p id="standing"></p>
</header>"""

AFTER = """<section id="legend" aria-label="Legend"></section>
<p id="north">North is up. No base map: lots only.</p>
<aside aria-label="Lots">
<div id="choices">
<div class="line"><label for="layer">Show</label> <select id="layer" class="grow"></select></div>
<fieldset class="line"><legend class="inline">Units</legend>
<label><input type="radio" name="units" value="us"> in, ft</label>
<label><input type="radio" name="units" value="si"> mm, m</label></fieldset>
</div>
<div id="find">
<div class="line"><label for="search">Find lot id</label>
<input type="search" id="search" class="grow" autocomplete="off" aria-controls="lots"></div>
<div class="line"><label for="order">Order</label>
<select id="order" class="grow"><option value="file">as in the lot file</option>
<option value="expected_movement_mm">expected movement, largest first</option>
<option value="characteristic_movement_mm">characteristic movement, largest first</option></select></div>
<ul id="lots" role="listbox" tabindex="0" aria-label="Lots. Arrow keys move, Enter shows the lot."></ul>
<div class="line"><button type="button" id="before" aria-label="Previous lots">‹</button>
<button type="button" id="after" aria-label="Next lots">›</button>
<span id="found" class="note" role="status"></span>
<button type="button" id="whole">Whole area</button></div>
</div>
<section id="details" aria-live="polite" aria-label="Lot" tabindex="0"></section>
</aside>
<footer id="sources"></footer>
<noscript>This map needs JavaScript. The same numbers are in lots.csv and lots.gpkg beside this file.</noscript>"""


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


def _policy(page: str) -> str:
    """Return the content policy: the inline scripts of `page`, by hash, and nothing from anywhere."""
    found = re.findall(r"<script>(.*?)</script>", page, flags=re.S)
    hashes = " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in found)
    rules = f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src {hashes}; base-uri 'none'; " \
            "form-action 'none'"
    return f'<meta http-equiv="Content-Security-Policy" content="{rules}">'


def _cautions(scale: int | None) -> dict[str, str]:
    soil = ""
    if scale is not None:
        feet = scale / FEET_PER_SCALE
        soil = results.CAUTION_SOIL.format(scale=f"{scale:,}", w_ft=f"{feet:.0f}", w_m=f"{units.foot_to_m(feet):.0f}")
    return {"main": results.CAUTION, "soil": soil, "date": results.CAUTION_DATE, "outlook": results.CAUTION_OUTLOOK,
            "no_number": results.NO_NUMBER, "not_low": results.NO_NUMBER.split(". ")[-1],
            "standing": results.STANDING, "not_seen": results.NOT_SEEN}


def _lines(found: Results) -> list[str]:
    """Return what stands under the map: what was used and up to when."""
    lines = [f"“Now” is {found.today}."]
    if found.soil_scale is not None:
        lines.append(f"Soil mapped at 1:{found.soil_scale:,}.")
    if len(found.climate):
        recorded = found.climate.dropna(subset=["precipitation_mm"])["month"]
        lines += [f"Rain and temperature {recorded.min()} to {recorded.max()}."] if len(recorded) else []
    dates = sorted(date for date in found.lots["drought_valid_date"].dropna().unique() if date)
    lines += [f"Weekly drought map of {dates[-1]}."] if dates else []
    return [*lines, f"Made with riskmap {__version__}."]


def about(found: Results, shown_units: str) -> dict[str, Any]:
    """Return the plain values of the page header: names, classes, words and cautions."""
    flags = {flag for cell in found.lots["flags"].dropna().unique() for flag in str(cell).split(";") if flag}
    cells = found.facts.get("cells", {})
    return {
        "area": found.area_name, "units": shown_units, "lines": _lines(found), "credits": list(found.credits),
        "scales": {name: asdict(scale) for name, scale in palette.SCALES.items()},
        "states": tables.STATES, "hatch": palette.HATCH, "outline": palette.OUTLINE,
        "cautions": _cautions(found.soil_scale),
        "words": {"direction": words.DIRECTION, "phase": words.PHASE, "pour_basis": words.POUR_BASIS,
                  "slab_class": words.SLAB_CLASS, "driver": words.DRIVER_LEVEL, "quality": words.QUALITY,
                  "flags": words.flag_sentences(sorted(flags))},
        "reference_lot": str(found.facts.get("reference_lot", "the reference lot")),
        "outlook_years": {cell: list(facts.get("outlook_years", ())) for cell, facts in cells.items()},
    }


def page(found: Results, shown_units: str = "us") -> str:
    """Return the whole map page as text.

    Parameters
    ----------
    found : Results
    shown_units : str
        `us` (inch, foot) or `si` (mm, m): what the page shows first; it can switch.
    """
    text = _skeleton()
    own_script = re.search(r"<script>\s*var map_riskmap.*?</script>", text, flags=re.S)
    if own_script is None:
        raise ValueError("the wrapper's page does not make its map as expected")
    leaflet = re.sub(r"//# sourceMappingURL=.*", "", _asset("leaflet.js"))
    text = text.replace(own_script.group(), "", 1)
    scripts = f"<script>{leaflet}</script>\n{own_script.group()}\n<script>{_asset('map.js')}</script>"
    title = html.escape(f"{found.area_name}: expected movement")
    policy = _policy(text + scripts)
    block = encode.block(found.lots, about(found, shown_units))
    data = f'<script type="application/octet-stream" id="data">{block}</script>'
    for place, put in (("<head>", f'<head>\n<meta charset="utf-8">\n{policy}\n<title>{title}</title>'),
                       ("</head>", f"{_styles()}\n</head>"), ("<body>", f"<body>\n{BEFORE}"),
                       ("</body>", f"{AFTER}\n{data}\n{scripts}\n</body>")):
        if text.count(place) != 1:
            raise ValueError(f"the wrapper's page has {text.count(place)} times {place}")
        text = text.replace(place, put)
    return text


def write(found: Results, folder: Path, shown_units: str = "us") -> Path:
    """Write `map.html` into a folder and return its path."""
    path = folder / NAME
    path.write_text(page(found, shown_units), encoding="utf-8", newline="\n")
    return path
