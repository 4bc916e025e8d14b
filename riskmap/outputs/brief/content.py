"""Plain values of one page: what stands on it, in which unit and rounding, without any layout."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap import results, tables, units
from riskmap.errors import visible
from riskmap.outputs import lot_text, palette, words
from riskmap.outputs.brief import observations

if TYPE_CHECKING:
    from riskmap.results import Results

Array = NDArray[np.float64]

NUMBERS = (("expected_movement", "Expected, next 12 months"), ("characteristic_movement", "Characteristic"),
           ("deflection_now", "Now, middle above edge"))
PARTS = (("soil", "soil"), ("age", "age and pour date"), ("weather", "weather up to now"),
         ("slab", "slab size and stiffness"), ("doubt", "spread of what is not known"))
MOST_BARS = 240  # of the strip; longer spans take the mean of some months for each bar
TURNS = 3  # driest and wettest spells that are named
APART_MONTHS = 24


def lot_page(found: Results, row: int, system: str, shape: Array | None, about: dict[str, str],
             note: str = "") -> dict[str, Any]:
    """Return the values of one lot's page.

    Parameters
    ----------
    found : Results
    row : int
        Position of the lot.
    system : str
        `us` or `si`.
    shape : array, shape (n_point, 7), optional
        `movement.profile_now.across` of its column.
    about : dict
        run, manifest: what the page was made from.
    note : str
        How the lot was found, when it was asked for by a list.
    """
    lot = {str(k): v for k, v in found.lots.drop(columns=found.lots.geometry.name).iloc[row].to_dict().items()}
    page: dict[str, Any] = {
        "id": visible(str(lot["lot_id"])), "area": visible(found.area_name), "today": found.today,
        "note": visible(note),
        "standing": results.STANDING, "caution": results.CAUTION, "not_seen": results.NOT_SEEN,
        "outlook_caution": results.CAUTION_OUTLOOK, "run": about["run"], "manifest": about["manifest"],
        "dates": _dates(found, lot), "credits": [visible(credit) for credit in found.credits],
        "state": "", "lines": [], "unit": "in" if system == "us" else "mm",
        "grid": "Readings: note unit, zero point, floor covering and date", "observation_title": observations.TITLE,
    }
    if lot["state"]:
        reason = visible(str(lot["state_reason"] or ""))
        page |= {"state": tables.STATES.get(str(lot["state"]), str(lot["state"])), "state_reason": reason,
                 "not_low": results.NO_NUMBER.split(". ")[-1]}
        return page
    page |= {
        "numbers": [_number(lot, name, label, system) for name, label in NUMBERS],
        "direction": words.DIRECTION.get(str(lot["direction"]), str(lot["direction"])),
        "phase": f"{words.PHASE.get(str(lot['phase']), str(lot['phase']))} ({lot['phase_probability']:.0%} of draws)",
        "outlook": [[label, lot_text.shown(lot[f"outlook_{name}_mm"], system)]
                    for name, label in (("dry", "dry year"), ("normal", "middle year"), ("wet", "wet year"))],
        "since": f"Largest dome since the pour {lot_text.shown(lot['deflection_max_mm'], system)} in "
                 f"{lot['deflection_max_date']}, deepest dish {lot_text.shown(lot['deflection_min_mm'], system)}.",
        "reference": f"{visible(str(found.facts.get('reference_lot', 'the reference lot')))}: "
                     f"{lot_text.shown(lot['reference_movement_mm'], system)}",
        "reasons": [[label, _part(lot[f"driver_{name}_mm"], system), float(lot[f"driver_{name}_mm"])]
                    for name, label in PARTS],
        "facts": _facts(lot, system), "doubts": _doubts(found, lot, system),
        "look": [[text, source] for text, source in observations.lines(str(lot["direction"]), str(lot["phase"]))],
        "look_sources": "; ".join(f"[{key}] {text}" for key, text in observations.SOURCES.items()),
        "strip": strip(found, str(lot["cell_id"]), str(lot["pour_date_early"])),
        "profile": _profile(shape, lot, system), "soil": _soil(found, row, system),
    }
    return page


def _number(lot: dict[str, Any], name: str, label: str, system: str) -> dict[str, Any]:
    values = [float(lot[f"{name}_mm{part}"]) for part in ("_p10", "", "_p90")]
    low, middle, high = (lot_text.shown(value, system) for value in values)
    return {"label": label, "text": f"{middle}", "range": f"{low} to {high}", "mm": values,
            "band": palette.SEQUENTIAL[sum(abs(values[1]) >= limit for limit in tables.DEFLECTION_BANDS_MM)]}


def _part(value: float, system: str) -> str:
    return f"{units.mm_to_inch(value):+.2f} in" if system == "us" else f"{value:+.1f} mm"


def _length(value: float, system: str) -> str:
    return f"{units.m_to_foot(value):.0f} ft" if system == "us" else f"{value:.1f} m"


def _dates(found: Results, lot: dict[str, Any]) -> str:
    known: list[str] = found.climate.dropna(subset=["precipitation_mm"])["month"].tolist() if len(found.climate) else []
    told = [f"now is {found.today}"]
    if known:
        told.append(f"rain and temperature to {max(known)}")
    if lot["drought_valid_date"]:
        told.append(f"weekly drought map {lot['drought_valid_date']}: {lot['drought_category']}")
    if found.soil_scale is not None:
        told.append(f"soil mapped at 1:{found.soil_scale:,}")
    return "; ".join(told) + "."


def _facts(lot: dict[str, Any], system: str) -> list[list[str]]:
    pour = str(lot["pour_date_early"]) if lot["pour_date_early"] == lot["pour_date_late"] else \
        f"{lot['pour_date_early']} to {lot['pour_date_late']}"
    return [
        ["Soil", visible(f"{lot['map_unit_name']} ({lot['map_unit_symbol']})")],
        ["Shrink-swell", f"{lot['shrink_swell_class']}, linear extensibility {lot['linear_extensibility_pct']:.1f} %"],
        ["Pour", f"{pour}, {words.POUR_BASIS.get(str(lot['pour_date_basis']), str(lot['pour_date_basis']))}"],
        ["Slab", f"short side {_length(float(lot['slab_width_m']), system)}, "
                 f"{words.SLAB_CLASS.get(str(lot['slab_class']), str(lot['slab_class']))}"],
        ["Tilt, size", f"{lot['tilt_now_pct']:.1f} % (nine of ten below {lot['tilt_now_pct_p90']:.1f} %); the side is "
                       "not known"],
        ["Yearly swing at the edge", lot_text.shown(lot["seasonal_range_mm"], system)],
        ["Data", f"{words.QUALITY.get(str(lot['data_quality']), str(lot['data_quality']))}; driven by "
                 f"{words.DRIVER_LEVEL.get(str(lot['driver_level']), '')}"],
    ]


def _doubts(found: Results, lot: dict[str, Any], system: str) -> list[str]:
    out = []
    if lot["neighbor_unit_share"] >= 0.005:
        out.append(visible(f"A soil line is {_length(float(lot['soil_line_distance_m']), system)} away: with "
                           f"{lot['neighbor_unit_share']:.0%} probability the slab stands on "
                           f"{lot['neighbor_unit_name']}."))
    if found.soil_scale is not None:
        feet = found.soil_scale / 300
        out.append(results.CAUTION_SOIL.format(scale=f"{found.soil_scale:,}", w_ft=f"{feet:.0f}",
                                               w_m=f"{units.foot_to_m(feet):.0f}"))
    if lot["pour_date_basis"] != "date":
        basis = words.POUR_BASIS.get(str(lot["pour_date_basis"]), str(lot["pour_date_basis"]))
        out.append(results.CAUTION_DATE.format(basis=basis, lo=lot["pour_date_early"], hi=lot["pour_date_late"]))
    flags = [flag for flag in str(lot["flags"] or "").split(";") if flag]
    shown = [visible(sentence) for sentence in words.flag_sentences(flags).values()]
    return [*out, *shown[:3], *([f"{len(shown) - 3} more cautions are in the table."] if len(shown) > 3 else [])]


def strip(found: Results, cell: str, since: str) -> dict[str, Any]:
    """Return the drought history since the pour: bars of SPEI-12, turning points, weekly categories at its end."""
    part = found.climate[found.climate["cell_id"] == cell] if "spei_12" in found.climate else found.climate.iloc[:0]
    part = part[part["month"] >= since].sort_values("month") if len(part) else part
    if not len(part) or part["spei_12"].isna().all():
        return {"bars": [], "turns": [], "weeks": [], "from": "", "to": ""}
    value, month = part["spei_12"].to_numpy(float), part["month"].to_numpy(dtype=object)
    step = -(-len(value) // MOST_BARS)
    groups = [value[k:k + step] for k in range(0, len(value), step)]
    bars = [None if np.isnan(g).all() else round(float(np.nanmean(g)), 2) for g in groups]
    weekly = found.drought_weeks[found.drought_weeks["cell_id"] == cell].sort_values("valid_date").tail(26)
    return {"bars": bars, "from": str(month[0]), "to": str(month[-1]), "months_a_bar": step,
            "turns": [[str(month[k]), float(round(value[k], 1)), k / max(len(value) - 1, 1)] for k in turns(value)],
            "weeks": weekly[["valid_date", "category"]].astype("str").to_numpy().tolist()}


def turns(value: Array) -> list[int]:
    """Return the places of the driest and wettest months, `TURNS` of each, at least `APART_MONTHS` apart, in time."""
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


def _profile(shape: Array | None, lot: dict[str, Any], system: str) -> dict[str, Any]:
    """Return half the slab from the middle to the edge, in shown units; the page mirrors it."""
    if shape is None:
        return {}
    factor = 1 / units.MM_PER_INCH if system == "us" else 1.0
    values = np.round(shape[:, 1:] * factor, 3)
    return {"x": shape[:, 0].round(4).tolist(), "ground": values[:, :3].tolist(), "slab": values[:, 3:].tolist(),
            "width": _length(float(lot["slab_width_m"]), system), "unit": "in" if system == "us" else "mm"}


def _soil(found: Results, row: int, system: str) -> dict[str, Any]:
    """Return the layers of the profile with the largest weight under the lot."""
    inputs = found.inputs
    if inputs is None or inputs.lot_column[row] < 0:
        return {}
    parts = inputs.column_profile[inputs.column_profile["column_id"] == inputs.lot_column[row]]
    best = parts.sort_values(["weight", "profile_id"], ascending=[False, True]).iloc[0]
    profile = inputs.profile[inputs.profile["profile_id"] == best["profile_id"]].iloc[0]
    layers = inputs.layer[inputs.layer["profile_id"] == best["profile_id"]].sort_values("top_m")
    rock = float(profile["rock_depth_m"])
    return {"name": visible(str(profile["component_name"])), "weight": f"{float(best['weight']):.0%}",
            "others": len(parts) - 1, "rock": _length(rock, system) if np.isfinite(rock) and rock < 5 else "",
            "layers": [[float(top), float(bottom), float(low), float(middle), float(high),
                        f"{_depth(float(top), system)}–{_depth(float(bottom), system)}"]
                       for top, bottom, low, middle, high in
                       layers[["top_m", "bottom_m", "lep_low_pct", "lep_pct", "lep_high_pct"]].to_numpy(float)]}


def _depth(value: float, system: str) -> str:
    return f"{value * 100 / 2.54:.0f} in" if system == "us" else f"{value * 100:.0f} cm"


def missing_page(request: dict[str, str], status: str, note: str, found: Results,
                 about: dict[str, str]) -> dict[str, Any]:
    """Return the page of a row of a list for which no lot was found."""
    told = ", ".join(f"{name} {value}" for name, value in request.items() if value)
    return {"id": visible(told)[:120] or "a row without an id", "area": visible(found.area_name), "today": found.today,
            "note": visible(note), "standing": results.STANDING, "caution": results.CAUTION,
            "not_seen": results.NOT_SEEN, "run": about["run"], "manifest": about["manifest"], "dates": "",
            "credits": [], "state": tables.STATES.get(status, status), "state_reason": visible(note),
            "not_low": results.NO_NUMBER.split(". ")[-1], "lines": [], "unit": "", "grid": "",
            "observation_title": observations.TITLE, "outlook_caution": results.CAUTION_OUTLOOK}


# ---------------------------------------------------------------- the area
COHORTS = ((0, 1970, "before 1970"), (1970, 1990, "1970 to 1989"), (1990, 2010, "1990 to 2009"),
           (2010, 9999, "2010 and later"))
SMALLEST_GROUP = 10


def area_page(found: Results, system: str, visits: pd.DataFrame, about: dict[str, str]) -> dict[str, Any]:
    """Return the values of the area summary: soil units by age, states, the weather of this year, order of visits.

    Groups under ten lots are not told. `visits`: cluster, order, lot_id, expected_movement_mm of the lots asked for.
    """
    lots = pd.DataFrame(found.lots.drop(columns=found.lots.geometry.name))
    known = lots[lots["state"] == ""]
    year = pd.to_numeric(known["pour_date_early"].str[:4], errors="coerce")
    groups, small = [], 0
    for unit, part in known.groupby("map_unit_name", sort=True):
        for first, last, label in COHORTS:
            some = part[(year.loc[part.index] >= first) & (year.loc[part.index] < last)
                        & (part["pour_date_basis"] != "none")]
            if 0 < len(some) < SMALLEST_GROUP:
                small += len(some)
            elif len(some):
                middle = some["expected_movement_mm"].quantile([0.1, 0.5, 0.9]).to_numpy()
                groups.append([visible(str(unit)), label, len(some),
                               *(lot_text.shown(float(v), system) for v in middle)])
    states = lots.loc[lots["state"] != "", "state"].value_counts().sort_index()
    return {"area": visible(found.area_name), "today": found.today, "standing": results.STANDING,
            "caution": results.CAUTION, "not_seen": results.NOT_SEEN, "groups": groups, "small": small,
            "undated": int((known["pour_date_basis"] == "none").sum()), "lots": len(lots), "numbers": len(known),
            "states": [[tables.STATES.get(str(name), str(name)), int(count)] for name, count in states.items()],
            "weather": weather(found), "visits": _visits(visits, system), "run": about["run"],
            "manifest": about["manifest"], "credits": [visible(credit) for credit in found.credits]}


def _visits(visits: pd.DataFrame, system: str) -> list[list[str]]:
    return [[str(int(row["cluster"])), str(int(row["order"])), visible(str(row["lot_id"])),
             lot_text.shown(float(row["expected_movement_mm"]), system)] for row in visits.to_dict("records")]


def weather(found: Results) -> list[list[str]]:
    """Return, per cell, where rain less evapotranspiration of this year so far lies among those months of all years."""
    out: list[list[str]] = []
    if not {"precipitation_mm", "pet_mm"} <= set(found.climate):
        return out
    for cell, part in found.climate.groupby("cell_id"):
        known = part.dropna(subset=["precipitation_mm", "pet_mm"]).copy()
        if known.empty:
            continue
        known["year"], known["m"] = known["month"].str[:4].astype(int), known["month"].str[5:7].astype(int)
        this, until = known["year"].max(), known.loc[known["year"] == known["year"].max(), "m"].max()
        balance = (known["precipitation_mm"] - known["pet_mm"]).where(known["m"] <= until)
        total = balance.groupby(known["year"]).agg(["sum", "count"])
        total = total[total["count"] == until]["sum"]
        if this not in total.index or len(total) < 10:
            continue
        share = float((total < total[this]).mean())
        out.append([visible(str(cell)), f"January to month {until} of {this}", f"{total[this]:+.0f} mm",
                    f"drier than {1 - share:.0%} of {len(total)} years"])
    return out
