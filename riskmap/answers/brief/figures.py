"""Values of the figures of a page: drought strip, shape across the slab, soil profile, and the scales they share."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.common import units
from riskmap.common.errors import counted, visible
from riskmap.movement.shape_now import Shape
from riskmap.outputs import calibrated, dates, drawing, lot_text, palette, section, section_words, telling, words

if TYPE_CHECKING:
    from riskmap.common.results import Results
    from riskmap.common.settings import Area
    from riskmap.common.weather import MovementInputs

Array = NDArray[np.float64]
T = TypeVar("T")

ENDS_MM = {"us": 0.5 * units.MM_PER_INCH, "si": 10.0}  # the ends of a scale are multiples of it
MOST_BARS = 240  # of the strip; in a longer span each bar is the mean of several months
TURNS = 3  # number of driest and of wettest spells that are named
APART_MONTHS = 24
UNDATED_MONTHS = 360  # months of weather shown where the pour date is not known
TURN_WIDTH = 0.13  # width of the label of a turning point, as a share of the strip
# height of the profile on paper, the height that it spans, and the height of a line of its labels
SOIL_MM, DEEP_M, SOIL_LINE_MM = 26.0, 2.0, 3.4
MOST_LAYERS = 10
LEAST_ACTIVE_M = 3.0  # the shallowest active depth for which the stretch of all sections is chosen (judgement)
SHARE = " ({weight} of it{others})"
SECTION_MM, SECTION_TALL_MM, SECTION_TEXT_MM = 124.0, 44.0, 2.5  # of the section on paper, and of its type
# width and height of the shape across the slab on paper; the page for phones uses their ratio
DRAWING_MM = (102.0, 22.0)


@dataclass(frozen=True)
class Scales:
    """The scales that every lot of a brief shares.

    Attributes
    ----------
    bars, heights : tuple of float
        Ends of the bars of the estimates, and of the shapes. [mm]
    times : int
        By how much bending is drawn too tall in the sections.
    """

    bars: tuple[float, float]
    heights: tuple[float, float]
    times: int = section.STRETCHES[0]


def scales(lots: pd.DataFrame, shapes: Iterable[Array], system: str) -> Scales:
    """Return scales wide enough for every lot of a run (bars) and every shape of a brief (heights).

    Parameters
    ----------
    lots : DataFrame
        Estimate table of the run.
    shapes : iterable of array, shape (n_point, 7)
        As returned by `movement.shape_now.across`; may be empty. [mm]
    system : str
        `us` or `si`: the ends are whole steps of what is shown.
    """
    names = [f"{before}{name}{part}" for before in ("", calibrated.PREFIX) for name in telling.COLUMNS.values()
             for part in ("_p10", "_p90")]
    ends = [lots[name].to_numpy(float) for name in names if name in lots]
    shapes = list(shapes)
    drawn = [height for shape in shapes for height in (*shape[:, 5], *shape[:, 2], shape[0, 5] - shape[-1, 2])]
    return Scales(_ends(ends, system), _ends([shape[:, 1:].ravel() for shape in shapes], system),
                  section.stretch(drawn, LEAST_ACTIVE_M))


def _ends(values: list[Array], system: str) -> tuple[float, float]:
    every = np.concatenate([*values, [0.0]])
    every, step = every[np.isfinite(every)], ENDS_MM[system]
    return (float(np.floor(every.min() / step - 1e-9) * step) if every.min() < 0 else 0.0,
            float(max(np.ceil(every.max() / step - 1e-9), 1.0) * step))


def axis(ends: tuple[float, float], system: str) -> dict[str, Any]:
    """Return the ends of a scale in the unit that is shown, and the words for them; no words for a low end of zero."""
    factor = 1 / units.MM_PER_INCH if system == "us" else 1.0
    return {"low": round(ends[0] * factor, 4), "high": round(ends[1] * factor, 4),
            "low_text": telling.shown(ends[0], system) if ends[0] < 0 else "",
            "zero_text": telling.shown(0.0, system), "high_text": telling.shown(ends[1], system)}


def once(results: Results, key: tuple[Any, ...], make: Callable[[], T]) -> T:
    """Return what `make` returns; for the pages of a brief, which share `facts["once"]`, it is made once per key."""
    made: dict[tuple[Any, ...], Any] | None = results.facts.get("once")
    if made is None:
        return make()
    if key not in made:
        made[key] = make()
    found: T = made[key]
    return found


# ---------------------------------------------------------------- weather
def _climate_of(results: Results, cell: str) -> pd.DataFrame:
    climate = results.climate
    part = climate[climate["cell_id"] == cell] if "spei_12" in climate else climate.iloc[:0]
    return part.sort_values("month") if len(part) else part


def strip(results: Results, cell: str, early: str, basis: str = "date", at_lot: str = "") -> dict[str, Any]:
    """Return the drought history since the pour: bars of SPEI-12, turning points, weekly categories at its end.

    Where the pour date is not known, it covers the last `UNDATED_MONTHS`. `title` says where the strip begins, and why.
    The index and the weekly categories are those of the climate cell; `at_lot` says in words what the newest map shows
    at the lot.
    """
    undated = basis == "none"
    part = once(results, ("climate", cell), lambda: _climate_of(results, cell))
    begins = str(part["month"].iloc[0]) if len(part) else ""
    part = part.tail(UNDATED_MONTHS) if undated else part[part["month"] >= early] if len(part) else part
    if not len(part) or part["spei_12"].isna().all():
        return {"bars": [], "turns": [], "weeks": "", "from": "", "to": "", "title": "Drought"}
    value, month = part["spei_12"].to_numpy(float), part["month"].to_numpy(dtype=object)
    step = -(-len(value) // MOST_BARS)
    whole = np.concatenate([value, np.full(-len(value) % step, np.nan)]).reshape(-1, step)
    known = (~np.isnan(whole)).sum(axis=1)
    bars = [round(float(total / count), 2) if count else None
            for total, count in zip(np.nansum(whole, axis=1), known, strict=True)]
    weekly = once(results, ("weeks", cell), lambda: results.drought_weeks[
        results.drought_weeks["cell_id"] == cell].sort_values("valid_date").tail(26))
    turning_points = [(str(month[k]), float(round(value[k], 1)), k / max(len(value) - 1, 1)) for k in turns(value)]
    return {"bars": bars, "from": str(month[0]), "to": str(month[-1]), "months_a_bar": step,
            "title": _since(undated, early, basis, begins, len(value)), "turns": _placed(turning_points),
            "weeks": _weeks(weekly, at_lot)}


def _since(undated: bool, early: str, basis: str, begins: str, count: int) -> str:
    if undated:
        years = count // 12
        return f"Drought of the last {counted(years, 'year')} (pour date not known)"
    if begins > early:
        return f"Drought since {dates.month(begins)}, where the weather record begins"
    return "Drought since the pour" if basis != "range" else \
        f"Drought since {dates.month(early)}, the earliest pour date"


def _placed(turning_points: list[tuple[str, float, float]]) -> list[list[Any]]:
    """Return month, value, place and start of the label of each turning point.

    Places are shares of the strip; labels on one side do not overlap.
    """
    out: list[list[Any]] = []
    for wet in (True, False):
        side = [turn for turn in turning_points if (turn[1] > 0) == wet]
        wished = np.clip([turn[2] - 0.04 for turn in side], 0, 1 - TURN_WIDTH)
        out += [[*turn, x] for turn, x in zip(side, drawing.apart(wished, TURN_WIDTH, 1 - TURN_WIDTH), strict=True)]
    return sorted(out)


def _weeks(weekly: pd.DataFrame, at_lot: str) -> str:
    """Return the weekly maps of the climate cell in words, and next to them what the newest map shows at the lot."""
    if weekly.empty:
        return ""
    days = [dates.day(one) for one in weekly["valid_date"].astype("str")]
    kinds = [words.drought(kind) for kind in weekly["category"].astype("str")]
    span = days[0] if len(days) == 1 else f"{days[0]} to {days[-1]}"
    named = sorted(set(kinds), key=lambda kind: (kind != words.NO_DROUGHT, kind))
    which = f"from {named[0]} to {named[-1]}, now {kinds[-1]}" if len(named) > 1 else named[0]
    return f"{counted(len(days), 'weekly drought map')} ({span}): {which} in most of this climate cell" \
           f"{'; ' + at_lot if at_lot else ''}."


def turns(value: Array) -> list[int]:
    """Return the places of the driest and wettest months by time: `TURNS` of each, at least `APART_MONTHS` apart."""
    out: list[int] = []
    for sign in (-1.0, 1.0):
        taken: list[int] = []
        ranked = np.argsort(np.where(np.isnan(value), np.inf, -sign * value), kind="stable")
        for k in ranked:
            if len(taken) == TURNS or np.isnan(value[k]) or sign * value[k] <= 0:
                break
            if all(abs(int(k) - other) >= APART_MONTHS for other in taken):
                taken.append(int(k))
        out += taken
    return sorted(set(out))


# ---------------------------------------------------------------- slab and soil
def profile(shape: Array | None, lot: Mapping[str, Any], width: str, system: str,
            ends: tuple[float, float]) -> dict[str, Any]:
    """Return half the slab, from the middle to the edge, in the units shown, with its scale and words.

    The page mirrors it.

    The words use the bending that the run itself has for the lot: the drawing uses fewer model runs and differs in the
    last digit.
    """
    if shape is None:
        return {}
    factor = 1 / units.MM_PER_INCH if system == "us" else 1.0
    values = np.round(shape[:, 1:] * factor, 3)
    now, wide = telling.side(float(lot["bend_now_mm"]), system), float(lot["slab_width_m"])
    times = stretch(DRAWING_MM[0], DRAWING_MM[1], wide, ends)
    return {"x": shape[:, 0].round(4).tolist(), "ground": values[:, :3].tolist(), "slab": values[:, 3:].tolist(),
            "width": width, "words": f"Black: the slab, {now} today. Olive: the ground; where the lines part, there "
            "is a gap. "
            f"{_gap(-shape[-1, 1:4], system)} Heights drawn {times} times too tall, on one scale for all lots of this "
            "brief. Dashed: the limits of 80 % of the model runs.", **axis(ends, system)}


def section_of(results: Results, row: int, shape: Array | Shape | None, system: str, times: int,
               below: Mapping[str, Any]) -> dict[str, Any]:
    """Return the section of a lot as values, with the line under it; nothing without a shape.

    `shape`: as in `content.lot_page`; `below`: the layers, as returned by `soil`.
    """
    if shape is None:
        return {}
    found = section_facts(results, row, shape)
    times = min(times, section.stretch(section.heights(found), found.active_m[1]))  # where rock leaves less depth
    box = section.Box(SECTION_MM, SECTION_TALL_MM, SECTION_TEXT_MM)
    drawn = section.drawn(found, system, box, times)
    named = {"soil": str(below["name"]), "share": SHARE.format(**below)} if below else {}
    return {"drawing": drawn.plain(), "note": section_words.note(found, times, system, **named)}


def section_facts(results: Results, row: int, shape: Array | Shape) -> section.Facts:
    """Return what the section of a lot shows, from a run and the shape of its model runs."""
    lines = shape.lines_mm if isinstance(shape, Shape) else shape
    lot = results.lots.iloc[row]
    values: dict[str, Any] = {}
    if isinstance(shape, Shape):
        values = {"gap_mm": tuple(shape.gap_mm[:, 1].tolist()), "gap_edge_mm": tuple(shape.gap_mm[-1].tolist()),
                  "gap_middle_mm": tuple(shape.gap_mm[0].tolist()), "ground_range_mm": tuple(shape.ground_mm.tolist())}
        # the gap at the edge in words is that of all model runs, as on the map; the drawing is of fewer
        stated = tuple(float(lot[f"edge_gap_now_mm{end}"]) for end in ("_p10", "", "_p90"))
        if np.isfinite(stated).all():
            values["gap_edge_mm"] = stated
    return section.Facts(
        width_m=float(lot["slab_width_m"]), x=tuple(lines[:, 0].tolist()), slab_mm=tuple(lines[:, 5].tolist()),
        slab_range_mm=tuple(lines[0, 4:7].tolist()), bending_mm=float(lot["bend_now_mm"]), **values,
        **_ground_below(results, row))


def _ground_below(results: Results, row: int) -> dict[str, Any]:
    """Return layers, active depth and rock below a lot, of the profile with the largest weight."""
    from riskmap.common.settings import Area

    area: Area | None = results.facts.get("area")  # found once for all pages of a brief
    if area is None and results.settings:
        area = Area.model_validate(results.settings)
    least, most = area.movement.active_depth_draw_m if area else section.Facts.active_m[::2]
    inputs = results.inputs
    if inputs is None or inputs.lot_archetype[row] < 0:
        return {"active_m": (least, (least + most) / 2, most)}
    best, _ = largest_profile(inputs, row)
    ground: dict[str, Any] = once(results, ("ground", best), lambda: _ground_of(inputs, best, area, least, most))
    return ground


def _ground_of(inputs: MovementInputs, best: int, area: Area | None, least: float, most: float) -> dict[str, Any]:
    from riskmap.movement.soil_units import depth_caps

    profiles = inputs.profile[inputs.profile["profile_id"] == best]
    cap = float(depth_caps(profiles)[int(best)])
    active = (min(least, cap), min((least + most) / 2, cap), min(most, cap))
    rock = float(profiles["rock_depth_m"].iloc[0])
    rows = inputs.layer[inputs.layer["profile_id"] == best].sort_values("top_m")
    given = [(float(a), float(b), float(c)) for a, b, c in rows[["top_m", "bottom_m", "lep_pct"]].to_numpy(float)]
    extend, factor = (area.soil_settings.extend_to_cm / 100, area.soil_settings.below_profile_factor) if area else \
        (0.0, 0.0)
    return {"active_m": active, "rock_m": rock if np.isfinite(rock) else float("inf"),
            "layers": section.down_to(given, active[1], rock, extend, factor),
            "surveyed_m": max((bottom for _, bottom, _ in given), default=0.0)}


def largest_profile(inputs: MovementInputs, row: int) -> tuple[int, pd.DataFrame]:
    """Return the profile with the largest weight under a lot, and all of its profiles with their weights."""
    parts = inputs.archetype_profile[inputs.archetype_profile["archetype_id"] == inputs.lot_archetype[row]]
    return int(parts.sort_values(["weight", "profile_id"], ascending=[False, True])["profile_id"].iloc[0]), parts


def _gap(at_edge_mm: Array, system: str) -> str:
    """Return in words the gap under the edge.

    `at_edge_mm` has its 90th, 50th and 10th percentile; the edges are at zero.
    """
    high, middle, low = (float(value) for value in at_edge_mm)
    if telling.is_zero(high, system):
        return "No gap under the edge."
    return f"Gap under the edge: {telling.shown(middle, system)} ({telling.sizes(low, high, system)})."


def stretch(page_width_mm: float, page_height_mm: float, slab_width_m: float, ends: tuple[float, float]) -> str:
    """Return by what factor the heights of a drawing are exaggerated.

    Parameters
    ----------
    page_width_mm, page_height_mm : float
        Of the drawing, in any unit that both share.
    slab_width_m : float
        What its width spans.
    ends : tuple of float
        What its height spans. [mm]
    """
    times = (page_height_mm / (ends[1] - ends[0])) / (page_width_mm / (1000 * slab_width_m))
    return f"{float(f'{times:.2g}'):.0f}"


def soil(results: Results, row: int, system: str) -> dict[str, Any]:
    """Return the layers of the profile with the largest weight under the lot."""
    inputs = results.inputs
    if inputs is None or inputs.lot_archetype[row] < 0:
        return {}
    best, parts = largest_profile(inputs, row)
    weight = float(parts.loc[parts["profile_id"] == best, "weight"].max())
    others = len(parts) - 1
    return {**once(results, ("soil", best, system), lambda: _soil_of(inputs, best, system)), "weight": f"{weight:.0%}",
            "others": f"; {counted(others, 'more profile')}" if others else ""}


def _soil_of(inputs: MovementInputs, best: int, system: str) -> dict[str, Any]:
    profile = inputs.profile[inputs.profile["profile_id"] == best].iloc[0]
    layers = inputs.layer[inputs.layer["profile_id"] == best].sort_values("top_m")
    layers = layers[layers["top_m"] < DEEP_M].head(MOST_LAYERS)
    rock = float(profile["rock_depth_m"])
    values = layers[["top_m", "bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct"]].to_numpy(float)
    tall = max(SOIL_MM, SOIL_LINE_MM * len(values))
    middle = np.clip(values[:, :2], 0, DEEP_M).mean(axis=1) / DEEP_M * tall - SOIL_LINE_MM / 2
    places = drawing.apart(np.maximum(middle, 0.0), SOIL_LINE_MM, tall - SOIL_LINE_MM)
    return {"name": visible(str(profile["component_name"])), "height_mm": tall,
            "rock": lot_text.length(rock, system) if np.isfinite(rock) and rock < 5 else "",
            "layers": [[top, bottom, low, mid, high, _depths(top, bottom, system), place, palette.soil_layer(mid)]
                       for (top, bottom, low, mid, high), place in zip(values.tolist(), places, strict=True)]}


def _depths(top: float, bottom: float, system: str) -> str:
    return f"{top * 100 / 2.54:.0f}–{bottom * 100 / 2.54:.0f} in" if system == "us" else \
        f"{top * 100:.0f}–{bottom * 100:.0f} cm"
