"""The page of the county tier: small, and the same for any number of lots; the lots stand in the tile file beside it.

Opened from disk it asks for the tile file, since a browser does not let a page read its neighbours; served on this
computer it reads the file in ranges. Its content policy lets only its own scripts run and asks no other host.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap.common import tables
from riskmap.outputs.map import tiles, web_map

if TYPE_CHECKING:
    from riskmap.common.results import Results

NAME = "county.html"
SCRIPTS = (*web_map.COMMON, "tiles.js", "tiles_panel.js")
STYLES = ("leaflet.css", "map.css", "tiles.css")

BODY = """<header>
<h1><span id="area"></span>: expected movement</h1>
<p id="standing"></p>
</header>
<main>
<div id="map_riskmap"></div>
<section id="open" aria-label="Tile file">
<label for="file">Choose the tile file <code>{file}</code> that came with this page</label>
<input type="file" id="file" accept=".pmtiles">
<p class="note">It is read in pieces on this computer; nothing is sent anywhere.</p>
</section>
<p id="trouble" role="alert"></p>
<section id="legend" aria-label="Legend" tabindex="0"></section>
<p id="north" role="status">North is up. No base map: lots only.</p>
</main>
<aside aria-label="Lots">
<div id="choices">
<div class="line"><label for="layer">Show</label> <select id="layer" class="grow"></select></div>
<fieldset class="line"><legend class="inline">Units</legend>
<label><input type="radio" name="units" value="us"> in, ft</label>
<label><input type="radio" name="units" value="si"> mm, m</label></fieldset>
</div>
<div id="find">
<div class="line"><label for="search">Find lot id</label>
<input type="search" id="search" class="grow" autocomplete="off" aria-controls="lots"
 aria-describedby="find-note"></div>
<p id="find-note" class="note">Type how the id begins. Ids stand in alphabetical order.</p>
<ul id="lots" role="listbox" tabindex="0" aria-label="Lots. Arrow keys move, Enter shows the lot."></ul>
<p id="map-keys" class="sr">Arrow keys move the map, plus and minus zoom, Enter shows the lot at the cross in the
middle, Escape none. The list beside the map holds the same lots.</p>
<div class="line"><button type="button" id="before" aria-label="Previous lots">‹</button>
<button type="button" id="after" aria-label="Next lots">›</button>
<span id="found" class="note" role="status"></span>
<button type="button" id="whole">Whole area</button></div>
</div>
<section id="details" aria-live="polite" aria-label="Lot" tabindex="0"></section>
</aside>
<footer id="sources"></footer>
<noscript>This map needs JavaScript. The same numbers are in the tables of the run.</noscript>"""


def _asset(name: str) -> str:
    return (web_map.ASSETS / name).read_text(encoding="utf-8")


def about(results: Results, facts: dict[str, Any], shown_units: str, basemap: web_map.Basemap | None) -> dict[str, Any]:
    """Return the plain values of the page: those of the one-file map, and what the tile writer told."""
    chosen = tiles.scales(results.lots)
    counts = {name: np.bincount(tiles.class_codes(results.lots, scale),
                                minlength=len(scale.colors) + len(tables.STATES) + 1).tolist()
              for name, scale in chosen.items()}
    return {**web_map.about(results, shown_units, basemap), **facts, "counts": counts, "file": tiles.NAME,
            "scales": web_map.layer_values(results, chosen)}


def _policy(scripts: list[str], basemap: web_map.Basemap | None) -> str:
    hashes = " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(s.encode()).digest()).decode()}'" for s in scripts)
    pictures = f" https://{basemap.host}" if basemap else ""
    rules = f"default-src 'none'; img-src data:{pictures}; style-src 'unsafe-inline'; script-src {hashes}; " \
            "connect-src 'self'; base-uri 'none'; form-action 'none'"
    return f'<meta http-equiv="Content-Security-Policy" content="{rules}">'


def page(results: Results, facts: dict[str, Any], shown_units: str = "us", *,
         basemap: web_map.Basemap | None = None) -> str:
    """Return the county page as text.

    Parameters
    ----------
    results : Results
    facts : dict
        What `tiles.write` returned for these results.
    shown_units : str
        `us` or `si`: what the page shows first; it can switch.
    basemap : Basemap, optional
        Offered as a choice that is off; without it the page asks no other host for anything.
    """
    scripts = [re.sub(r"//# sourceMappingURL=.*", "", _asset("leaflet.js")), web_map.in_one_function(SCRIPTS)]
    styles = [re.sub(r"url\([^)]*\)", "none", _asset(name)) for name in STYLES]
    data = base64.b64encode(json.dumps(about(results, facts, shown_units, basemap), ensure_ascii=True, allow_nan=False,
                                       default=list).encode("ascii")).decode("ascii")
    title = html.escape(f"{results.area_name}: expected movement")
    return "\n".join([
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">', _policy(scripts, basemap),
        f'<title>{title}</title>\n<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<link rel="icon" href="data:,">',
        *(f"<style>\n{style}\n</style>" for style in styles), "</head>\n<body>", BODY.replace("{file}", tiles.NAME),
        f'<script type="application/octet-stream" id="data">{data}</script>',
        *(f"<script>{script}</script>" for script in scripts), "</body>\n</html>\n"])


def write(results: Results, folder: Path, shown_units: str = "us", *,
          basemap: web_map.Basemap | None = None) -> list[Path]:
    """Write `county.pmtiles` and `county.html` into a folder and return their paths."""
    results = replace(results, lots=tiles.with_age(results.lots, results.today))
    facts = tiles.write(results, folder)
    path = folder / NAME
    part = path.with_name(NAME + ".part")
    try:
        part.write_text(page(results, facts, shown_units, basemap=basemap), encoding="utf-8", newline="\n")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return [path, folder / tiles.NAME]
