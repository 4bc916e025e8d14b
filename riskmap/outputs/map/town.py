"""The whole area in a few figures, for the map's panel before a lot is chosen: by soil, and by years of the pour."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.outputs.map.layer_facts import numbers

MOST_GROUPS = 8  # soils that a panel has room for; the rest are counted
FEWEST_LOTS = 5  # of a group: with fewer, nine in ten would say nothing (judgement)
PERCENTS = (10.0, 50.0, 90.0)
COLUMN = "expected_movement_mm"

SENTENCES = {
    "heading": "The whole area", "lots": "{known} of {lots} lots have an estimate.",
    "middle": "{name}: {middle} or less on half of them.",
    "ends": "One in ten: {high} or more; one in ten: {low} or less.",
    "sides": "Today the middle is high on {up} lots, the edge on {down}, and {level} are near level.",
    "rising": "On {rising} lots the middle of the ground is still rising.",
    "by_soil": "By soil", "by_years": "{soil} by year of the pour",
    "key": "half of the lots below the dot; bar: 8 of 10",
    "more_soils": "{count} more soils are not shown.", "choose": "Choose a lot on the map or in the list.",
    "change": "Since {before}: the middle rose on {up} lots and fell on {down}; half of the lots moved by {middle} or "
              "less.",
}


def about(lots: pd.DataFrame) -> dict[str, Any]:
    """Return the figures of an area.

    Parameters
    ----------
    lots : DataFrame
        `tables.ESTIMATE`.

    Returns
    -------
    dict
        `lots`, `known`: number of lots, and of those with an estimate; `mm`: 10th, 50th and 90th percentile over the
        lots of the expected movement; `direction`, `phase`: lots by value; `soils`: groups by map unit, most lots
        first, and `more_soils`, how many units are left out; `years`: groups by years of the pour on the commonest map
        unit, `of_soil`. A group is name, number of lots and the three percentiles. [mm]
    """
    known = lots[lots["state"] == ""]
    value = numbers(known[COLUMN])
    unit = known["map_unit_symbol"].astype("str") + " " + known["map_unit_name"].astype("str")
    counts = unit.value_counts(sort=False)
    counts = counts[counts >= FEWEST_LOTS]
    names = sorted(counts.index, key=lambda name: (-counts[name], name))
    soils = [_group(short(name), value[(unit == name).to_numpy()]) for name in names[:MOST_GROUPS]]
    return {"lots": len(lots), "known": len(known), "mm": _three(value),
            **{name: {str(code): int(count) for code, count in known[name].value_counts().items()}
               for name in ("direction", "phase")},
            "words": SENTENCES, "soils": soils, "more_soils": len(names) - len(soils),
            **_years(known[(unit == names[0]).to_numpy()] if names else known.iloc[:0], names[:1])}


def short(name: str) -> str:
    """Return a map unit's symbol and name up to its first comma: what follows are slopes and floods."""
    return name.split(",")[0].strip()


def _years(lots: pd.DataFrame, names: list[str]) -> dict[str, Any]:
    """Return groups by twenty years of the pour, for the lots whose pour is known to ten years or better."""
    early, late = (numbers(lots[name].astype("str").str[:4]) for name in ("pour_from", "pour_to"))
    dated = (lots["pour_date_basis"] != "none").to_numpy(bool) & (late - early <= 10)
    if not dated.any():
        return {"years": [], "of_soil": ""}
    middle, value = np.floor((early + late) / 2)[dated], numbers(lots[COLUMN])[dated]
    start = (middle // 20 * 20).astype(np.int64)
    groups = []
    for first in np.unique(start).tolist():
        part = start == first
        if part.sum() >= FEWEST_LOTS:
            groups.append(_group(f"{first}–{min(first + 19, int(middle.max()))}", value[part]))
    return {"years": groups if len(groups) > 1 else [], "of_soil": short(names[0])}


def _group(name: str, value: NDArray[np.float64]) -> dict[str, Any]:
    return {"name": name, "lots": len(value), "mm": _three(value)}


def _three(value: NDArray[np.float64]) -> list[float]:
    return [round(float(v), 1) for v in np.percentile(value, PERCENTS)] if len(value) else []
