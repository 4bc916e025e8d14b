"""The page of the county tier: it is small and the same for any number of lots, which are in the tile file next to it.

Opened from disk it asks the user for the tile file, because a browser does not let a page read files next to it. Served
on this computer it reads the file in ranges. Its content policy lets only its own scripts run and contacts no other
host.
"""

from __future__ import annotations

import base64
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from riskmap.common import tables
from riskmap.outputs import html_page, palette
from riskmap.outputs.map import below, page_build, tiles, web_map

if TYPE_CHECKING:
    from riskmap.common.results import Results
    from riskmap.outputs.map.change_layer import ChangeSince

NAME = "county.html"


def about(results: Results, facts: dict[str, Any], shown_units: str, basemap: web_map.Basemap | None,
          change: ChangeSince | None = None) -> dict[str, Any]:
    """Return the plain values of the page: those of the one-file map, and the facts from the tile writer."""
    lots = results.lots if change is None else change.joined_to(results.lots)
    chosen = tiles.scales(lots, change)
    counts = {name: np.bincount(tiles.class_codes(lots, scale),
                                minlength=len(scale.colors) + len(tables.STATES) + 1).tolist()
              for name, scale in chosen.items()}
    return {**web_map.about(results, shown_units, basemap, change), **facts, "counts": counts, "file": tiles.NAME,
            "scales": web_map.layer_values(results, chosen, lots), "groups": palette.groups(chosen)}


def page(results: Results, facts: dict[str, Any], shown_units: str = "us", *,
         basemap: web_map.Basemap | None = None, change: ChangeSince | None = None) -> str:
    """Return the county page as text.

    Parameters
    ----------
    results : Results
    facts : dict
        As returned by `tiles.write` for these results.
    shown_units : str
        `us` or `si`: the units that the page shows first; the reader can switch.
    basemap : Basemap, optional
        Offered as a choice that is off at first; without it the page contacts no other host.
    change : ChangeSince, optional
        The same as was given to `tiles.write`.
    """
    scripts = [page_build.vendored(), page_build.script("county")]
    data = base64.b64encode(json.dumps(about(results, facts, shown_units, basemap, change), ensure_ascii=True,
                                       allow_nan=False, default=list).encode("ascii")).decode("ascii")
    return html_page.filled(
        page_build.ASSETS / "county" / "page.html",
        {"title": f"{results.area_name}: expected movement", "file": tiles.NAME},
        {"policy": page_build.policy(scripts, basemap.host if basemap else None, reads_beside=True), "data": data,
         "styles": page_build.styles("county"), "scripts": page_build.inline(scripts)}) + "\n"


def write(results: Results, folder: Path, shown_units: str = "us", *,
          basemap: web_map.Basemap | None = None, change: ChangeSince | None = None) -> list[Path]:
    """Write `county.pmtiles` and `county.html` into a folder and return their paths."""
    results = replace(results, lots=tiles.with_age(below.with_profile(results.lots, results), results.today))
    facts = tiles.write(results, folder, change)
    path = folder / NAME
    part = path.with_name(NAME + ".part")
    try:
        text = page(results, facts, shown_units, basemap=basemap, change=change)
        part.write_text(text, encoding="utf-8", newline="\n")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return [path, folder / tiles.NAME]
