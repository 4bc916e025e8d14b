"""What lies under a lot, for the section of the map's panel: the described layers of its main soil.

A lot can lie on several soils. The section shows the one that weighs most in the lot's estimate, by its name in the
soil survey, and says so. No estimate is made from these values.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.outputs import palette, section, section_words, telling

if TYPE_CHECKING:
    from riskmap.common.results import Results

COLUMN = "profile"  # number of the lot's main soil among those of `about`, missing without one
MOST_SOILS = 1000  # of a page that contains them (judgement: some 150 bytes each before compression)

_SHARED = ("heading", "gap", "weather", "of_soil", "on_rock", "times", "true", "parts")  # the words of all sections
SENTENCES = {
    **{name: section_words.SENTENCES[name] for name in _SHARED},
    "middle": section_words.SENTENCES["above"], "middle_low": section_words.SENTENCES["below"],
    "extensibility": section_words.SENTENCES["layers"],
    "level": telling.SENTENCES["near_level"], "about": "about {gap}",
    "assumed": "assumed",
    "drawn": "Now, in the median of the model runs: {middle}{edge}.",
    "drawn_gap": "; below the edge look for a gap of about {gap} (80 % of the model runs: {lo} to {hi})",
    "drawn_rests": "; the edge rests on the ground",
    "curve": "Middle and edge are computed, the curve between them is only drawn.",
}


def with_profile(lots: pd.DataFrame, results: Results) -> pd.DataFrame:
    """Return the table of lots with `COLUMN`, where the run has its inputs and few enough soils; else as it is."""
    found = _used(results)
    if found is None:
        return lots
    of_archetype, used = found
    archetype = np.asarray(results.inputs.lot_archetype, np.int64) if results.inputs is not None else np.empty(0)
    number = np.full(len(archetype), np.nan)
    known = (archetype >= 0) & (lots["state"] == "").to_numpy(bool)
    number[known] = np.searchsorted(used, of_archetype[archetype[known]])
    return lots.assign(**{COLUMN: number})


def about(results: Results) -> dict[str, Any]:
    """Return the soils of a page and the depth that weather reaches; empty where the section has neither.

    Returns
    -------
    dict
        `soils`: name, rock depth [m] or None, and layers as [top, bottom, linear extensibility, place in `colors`, 1
        where the model assumes it] [m, m, %] down to the middle depth that weather reaches; `words`; `depth_m`: middle,
        lowest and highest depth of the ground that the weather moves, over the model runs [m].
    """
    found = _used(results)
    if found is None or results.inputs is None:
        return {}
    profile, layer = results.inputs.profile.set_index("profile_id"), results.inputs.layer
    drawn, rule = (results.settings.get(part) for part in ("movement", "soil_settings"))
    if not drawn or not rule:
        return {}
    low, high = drawn["active_depth_draw_m"]
    middle, soils = (low + high) / 2, []
    for number in found[1].tolist():
        own = layer[layer["profile_id"] == number].sort_values("top_m")
        rock = float(profile.at[number, "rock_depth_m"])
        named = str(profile.at[number, "component_name"]) if "component_name" in profile else ""
        rows = [tuple(row) for row in own[["top_m", "bottom_m", "lep_pct"]].to_numpy(float).tolist()]
        layers = [[round(one.top_m, 3), round(one.bottom_m, 3), round(one.extensibility_pct, 2),
                   palette.SOIL_LAYERS.index(palette.soil_layer(one.extensibility_pct)), int(one.assumed)]
                  for one in section.down_to(rows, middle, rock, rule["extend_to_cm"] / 100,
                                             rule["below_profile_factor"])]
        soils.append({"name": named, "rock_m": rock if np.isfinite(rock) else None, "layers": layers})
    return {"soils": soils, "colors": palette.SOIL_LAYERS, "words": SENTENCES, "depth_m": [middle, low, high]}


def _used(results: Results) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]] | None:
    """Return the main soil of each archetype, and the soils that lots have as theirs; None where a page has none."""
    if results.inputs is None or len(results.inputs.lot_archetype) != len(results.lots):
        return None
    parts = results.inputs.archetype_profile
    if not len(parts):
        return None
    most = parts.sort_values(["archetype_id", "weight", "profile_id"], ascending=[True, False, True], kind="stable")
    first = most.drop_duplicates("archetype_id")
    of_archetype = np.full(int(first["archetype_id"].max()) + 1, -1, np.int64)
    of_archetype[first["archetype_id"].to_numpy(np.int64)] = first["profile_id"].to_numpy(np.int64)
    archetype = np.asarray(results.inputs.lot_archetype, np.int64)
    known = (archetype >= 0) & (results.lots["state"] == "").to_numpy(bool)
    used = np.unique(of_archetype[archetype[known]])
    return (of_archetype, used) if 0 < len(used) <= MOST_SOILS else None
