"""Which weekly drought maps two runs have in common, and which only one of them has."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from riskmap.common.errors import counted, joined

if TYPE_CHECKING:
    from riskmap.common.results import Results

_DATES = 4  # number of maps shown of each kind


def week_line(weeks: dict[str, list[str]]) -> str:
    """Return in one line what `weekly_maps` found; empty when nothing differs and no week lacks a map."""
    words = {"new": "only in the second run", "gone": "only in the first run",
             "reissued": "issued again with other content"}
    parts = [f"{len(weeks[kind])} {said} ({joined(weeks[kind], _DATES)})" for kind, said in words.items()
             if weeks[kind]]
    missing = weeks["missing_now"]
    if missing:
        parts.append(f"{counted(len(missing), 'week')} without a map between the first and the last map of the second "
                     f"run ({joined(missing, _DATES)})")
    return f"Weekly drought maps: {'; '.join(parts)}." if parts else ""


def weekly_maps(a: Results, b: Results) -> dict[str, list[str]]:
    """Return which weekly maps are new, gone or issued again, or missing between B's first and last map.

    A week is identified by its valid date. Its content is compared by the classes at the climate cells and, where both
    runs keep them, by the shapes near the lots. A file that is only newer or has another name is not a new map.
    """
    before, after = _week_contents(a), _week_contents(b)
    days = pd.to_datetime(pd.Series(sorted(after), dtype=str))
    expected = pd.date_range(days.min(), days.max(), freq="7D") if len(days) else pd.DatetimeIndex([])
    return {"new": sorted(set(after) - set(before)), "gone": sorted(set(before) - set(after)),
            "reissued": sorted(week for week in set(before) & set(after) if _differ(before[week], after[week])),
            "missing_now": [day.date().isoformat() for day in expected if day.date().isoformat() not in after]}


def _differ(before: tuple[object, ...], after: tuple[object, ...]) -> bool:
    """Return whether the content of a week differs; what only one run keeps (shapes of old months) is not compared."""
    return any(one != other for one, other in zip(before, after, strict=False))


def _week_contents(run: Results) -> dict[str, tuple[object, ...]]:
    import hashlib

    import shapely

    out: dict[str, tuple[object, ...]] = {}
    ordered = run.drought_weeks.sort_values(["valid_date", "cell_id"])
    for week, group in ordered.groupby("valid_date"):
        out[str(week)] = (tuple(zip(group["cell_id"], group["category"], strict=True)),)
    if run.drought_shapes is not None and len(run.drought_shapes):
        for week, shapes in run.drought_shapes.groupby("valid_date"):
            # rounded, so that reading the same map twice never differs by the last digit of a clipped corner
            rounded = shapely.normalize(shapely.set_precision(shapes.geometry.to_numpy(), 1e-5))
            wkb = sorted(zip(shapes["category"], shapely.to_wkb(rounded), strict=True))
            out[str(week)] = (*out.get(str(week), ()), hashlib.sha256(repr(wkb).encode()).hexdigest())
    return out
