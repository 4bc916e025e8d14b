"""The plain values of one page: what it shows, in which unit and with which rounding, without any layout."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from riskmap.answers import matching
from riskmap.answers.brief import charts, figures, observations, plan, stops
from riskmap.common import tables, units, wording
from riskmap.common.errors import counted, visible
from riskmap.movement.shape_now import Shape
from riskmap.outputs import calibrated, dates, lot_text, section_words, telling, waterfall, waterfall_figure, words
from riskmap.outputs.files import arrow_lots
from riskmap.outputs.map.web_map import FEET_PER_SCALE

if TYPE_CHECKING:
    from riskmap.common.results import Results

Array = NDArray[np.float64]

REMARK_SHOWN = 160  # characters of a list's remark that are shown
# Cautions that decide what to ask the owner come first. The others keep the order of their names.
FIRST_FLAGS = ("slab_size_assumed", "foundation_type_assumed", "duplicate_lot_id", "lot_id_missing", "point_lot",
               "pour_date_refused", "pour_date_clipped", "slab_value_refused", "geometry_repair_changed_area",
               "soil_partly_unmapped", "lep_missing", "lep_implausible", "pour_before_record")


def lot_page(results: Results, row: int, system: str, shape: Array | Shape | None, about: dict[str, str],
             note: str = "", *, remark: str = "", visit: str = "", scales: figures.Scales | None = None,
             cracked: str = "") -> dict[str, Any]:
    """Return the values of one lot's page.

    Parameters
    ----------
    results : Results
    row : int
        Position of the lot.
    system : str
        `us` or `si`.
    shape : Shape or array, shape (n_point, 7), optional
        Of this lot, as returned by `movement.shape_now.summarised`, or only its lines, as returned by `across`; without
        the gap of each model run the section shows none.
    about : dict
        The run and the manifest from which the page was made.
    note : str
        How a list named the lot, where a list asked for it.
    remark : str
        The list's own remark on the lot.
    visit : str
        What the list says of the visit, as returned by `visit_line`.
    scales : Scales, optional
        The scales of all pages of a brief. Without them the page uses the scales of the run and of its own shape.
    cracked : str
        What cracked ground would mean for the lot, as returned by `answers.if_cracked`. It is empty where this was not
        computed.
    """
    shape_name = results.lots.geometry.name
    lot = {str(name): value for name, value in results.lots.iloc[row].items() if name != shape_name}
    lot["flags"] = str(lot["flags"] or "")
    page: dict[str, Any] = {
        **_frame(results, about, str(lot["lot_id"]), f"Lot {visible(str(lot['lot_id']))}", system),
        "note": visible(note), "remark": shortened(remark), "visit": visit, "label": lot_text.label(results, row),
        "place": _place(results, row), "dates": _dates(results, lot),
        "credits": [visible(credit) for credit in results.credits],
    }
    drawn_plan = plan.of_lot(results, row, system, PLAN_MM, SMALL_MM)
    page["plan"], page["no_plan"] = (drawn_plan.plain(), "") if drawn_plan else ({}, plan.NO_SHAPE)
    early, basis = str(lot["pour_from"]), str(lot["pour_date_basis"])
    page["strip"] = figures.strip(results, str(lot["cell_id"]), early, basis, _drought(lot))
    page |= _since_pour(results, row, page["strip"], system)
    page["soil"] = figures.soil(results, row, system)
    if lot["state"]:
        code, reason = str(lot["state"]), visible(str(lot["state_reason"] or ""))
        index, told = charts.strip(page["strip"], WIDE_MM, STRIP_MM + 4.0, SMALL_MM), tables.STATES.get(code, code)
        return page | {"strip_drawing": index.plain() if index else {}, "state": told,
                       "state_sentence": _sentence(told),
                       "state_reason": dates.written_out(reason),
                       "would_give": WOULD_GIVE.get(code, ""), "facts": _facts_without(lot, system),
                       "doubts": _near_soil(results, lot, system)}
    lines = shape.lines_mm if isinstance(shape, Shape) else shape
    scales = scales or figures.scales(results.lots, [] if lines is None else [lines], system)
    shared = [one.name for one in lot_text.shared_reasons(results)]
    look = observations.lines(str(lot["direction"]), str(lot["phase"]))
    steps, seasons = waterfall.steps(lot, shared), telling.next_rows(lot, results.today, system)
    page |= {
        "answers": [{"question": question, "label": label, "text": text, "mm": _bar(lot, question),
                     "rows": [list(one) for one in seasons] if question == "next" else []}
                    for question, (label, text) in telling.answers(lot, results.today, system).items()],
        "number": _number(lot, results.today, system, scales),
        "calibrated": calibrated.has(lot), "direction": str(lot["direction"]),
        "bars": {**figures.axis(scales.bars, system), "low_mm": scales.bars[0], "high_mm": scales.bars[1]},
        "phase": words.phase(str(lot["phase"]), float(lot["phase_probability"])),
        "whatif_years": visible(telling.whatif_years(lot_text.whatif_years(results, str(lot["cell_id"])))),
        "since": f"{lot_text.largest(lot, results.today, system)}. {lot_text.young_slab(lot, system)}".strip(),
        "why": waterfall.heading(lot, system), "sentence": waterfall.why(steps, system),
        "reasons": [[step.label, waterfall.text_of(step, system), step.mm] for step in steps],
        "waterfall": waterfall_figure.drawn(steps, system, WATERFALL_MM, SMALL_MM).plain(),
        "waterfall_note": waterfall_figure.NOTE,
        "typical_lot": waterfall.SENTENCES["typical_lot"].format(
            typical_lot=visible(lot_text.typical_lot(results, system))),
        "facts": _facts(lot, system, _ground(results, cracked)), "doubts": _doubts(results, lot, system),
        "look": [[text, source] for text, source in look],
        "look_sources": "; ".join(f"[{key}] {observations.SOURCES[key]}" for key in sorted({key for _, key in look})),
        "checklist": observations.checklist(str(lot["direction"]), str(lot["phase"])),
        "profile": figures.profile(lines, lot, lot_text.slab_width(lot, system), system, scales.heights),
        "section": figures.section_of(results, row, shape, system, scales.times, page["soil"]),
    }
    return page


PLAN_MM, SMALL_MM, WATERFALL_MM = 52.0, 2.5, 88.0  # of the drawings on paper, and of their type (7.1 pt)
# What would give an estimate, by state. Every state has its own entry; a test requires it.
WOULD_GIVE = {
    "unmatched": "Give the id as it is in the lot file, or a coordinate inside the lot; a row of the lot file without "
                 "a shape needs one.",
    "ambiguous": "Give what only one lot has: its id, or a coordinate inside it.",
    "outside_coverage": "Add a soil survey and weather that cover this place to the area file, and estimate again.",
    "not_applicable": "The method is for slabs on the ground. If this house has one, correct the foundation in the lot "
                      "file and estimate again.",
    "no_house_known": "If there is a house, add it: an outline of the building, or a foundation and a year in the lot "
                      "file. Then estimate again.",
    "not_yet_poured": "Estimate again in a month after the pour.",
    "not_enough_data": "Add what is missing to the layers of the area and estimate again.",
}


def _frame(results: Results, about: dict[str, str], lot_id: str, title: str, system: str) -> dict[str, Any]:
    """Return what the page of every lot has, with or without an estimate, and whether or not a lot was found."""
    return {"id": visible(lot_id), "title": title, "area": visible(results.area_name), "today": results.today,
            "month": dates.month(results.today), "note": "", "remark": "", "visit": "", "label": "", "place": "",
            "standing": calibrated.standing(results), "caution": wording.CAUTION, "not_seen": wording.NOT_SEEN,
            "whatif_caution": wording.CAUTION_WHATIF, "run": about["run"], "manifest": about["manifest"], "dates": "",
            "credits": [], "state": "", "state_sentence": "", "state_reason": "", "would_give": "",
            "lines": [], "facts": [], "doubts": [],
            "not_low": wording.NO_NUMBER.split(". ")[-1], "unit": "in" if system == "us" else "mm",
            "grid": "Level readings", "fields": ["Date", "Unit", "Benchmark", "Floor covering"],
            "observation_title": observations.TITLE, "checklist": observations.checklist("", ""),
            "section_head": section_words.SENTENCES["heading"],
            "plan": {}, "no_plan": "", "strip": {}, "strip_drawing": {}, "growth": {}, "growth_words": "",
            "section": {}, "soil": {}, "profile": {}, "look": [], "look_sources": "", "calibrated": False}


def _sentence(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}."


def _drought(lot: dict[str, Any]) -> str:
    return words.drought_at_lot(str(lot["drought_category"]), dates.day(str(lot["drought_valid_date"] or "")))


def _since_pour(results: Results, row: int, strip: dict[str, Any], system: str) -> dict[str, Any]:
    """Return the drawings of what happened since the pour: drought, and the height of the ground."""
    index = charts.strip(strip, SINCE_MM, STRIP_MM, SMALL_MM)
    ground, told = charts.growth(results, row, system, SINCE_MM, GROWTH_MM, SMALL_MM)
    return {"strip_drawing": index.plain() if index else {}, "growth": ground.plain() if ground else {},
            "growth_words": told}


SINCE_MM, STRIP_MM, GROWTH_MM, WIDE_MM = 58.0, 16.0, 20.0, 182.0


def _number(lot: dict[str, Any], today: str, system: str, scales: figures.Scales) -> dict[str, Any]:
    """Return the one number of the page: the largest bending within twelve months, with its range and its bar."""
    low, middle, high = calibrated.values_mm(lot, "expected_movement_mm")
    told = telling.size(lot, "expected_movement_mm", system).removeprefix(telling.shown(middle, system)).strip()
    return {"figure": NUMBER["figure"].format(size=telling.shown(middle, system)), "calibrated": told,
            "by": NUMBER["by_either" if lot["direction"] == "near_level" else "by"].format(
                name=telling.name_in_text("expected", today)),
            "range": NUMBER["range"].format(range=telling.sizes(low, high, system),
                                            unit="in" if system == "us" else "mm"),
            "row_range": NUMBER["row_range"].format(range=telling.sizes(low, high, system),
                                                    unit="in" if system == "us" else "mm"),
            "bar": charts.estimate_bar(low, middle, high, scales.bars[1], system, BAR_MM, SMALL_MM).plain()}


BAR_MM = 122.0
NUMBER = {"figure": "{size}", "by": "{name}",
          "by_either": "{name}, either way",  # "near level" says no side
          "range": "80 % of the model runs: {range} {unit}",
          "row_range": "{range} {unit}"}


def shortened(text: str) -> str:
    """Return a list's text as a page shows it: invisible characters written out, and cut to `REMARK_SHOWN`."""
    line = visible(" ".join(text.split()))
    return line if len(line) <= REMARK_SHOWN else line[:REMARK_SHOWN - 1] + "…"


VISIT_WORDS = {"order": "Stop", "hour": "Hour", "address": "Address in the list"}


def asked_of(request: dict[str, str]) -> dict[str, str]:
    """Return the hour, the order and the address of a list's row, each as `shortened`."""
    return {name: shortened(request.get(name, "")) for name in VISIT_WORDS}


def visit_line(request: dict[str, str]) -> str:
    """Return what a list says of a visit: stop, hour and address, each as `shortened`; empty where it says nothing."""
    return ". ".join(f"{VISIT_WORDS[name]}: {text}" for name, text in asked_of(request).items() if text)


def _place(results: Results, row: int) -> str:
    """Return latitude and longitude of a point inside the lot, as the tables give them; nothing without a shape."""
    lon, lat = arrow_lots.points_inside(results.lots.geometry.iloc[[row]].to_numpy())
    return f"{lat[0]:.5f}, {lon[0]:.5f}" if np.isfinite(lon[0]) else ""


def _bar(lot: dict[str, Any], question: str) -> list[float]:
    """Return low end, median and high end of the bar of an estimate; nothing where it has no range or is missing."""
    if question not in telling.COLUMNS:
        return []
    values = calibrated.values_mm(lot, telling.COLUMNS[question])
    return values if np.isfinite(values).all() else []


def _months_with_rain(results: Results) -> list[str]:
    climate = results.climate
    return climate.dropna(subset=["precipitation_mm"])["month"].tolist() if len(climate) else []


def _dates(results: Results, lot: dict[str, Any]) -> str:
    known = figures.once(results, ("rain",), lambda: _months_with_rain(results))
    told = [f"The present month is {dates.month(results.today)}"]
    if known:
        told.append(f"rain and temperature to {dates.month(max(known))}")
    if lot["drought_valid_date"]:
        told.append(_drought(lot))
    if results.soil_scale is not None:
        told.append(f"soil mapped at 1:{results.soil_scale:,}")
    return "; ".join(told) + "."


def _ground(results: Results, cracked: str) -> list[list[str]]:
    if lot_text.ground_cracked(results):
        return [lot_text.GROUND_CRACKED.split(": ", 1)]
    return [["If the ground cracks", cracked]] if cracked else []


def _facts(lot: dict[str, Any], system: str, ground: list[list[str]]) -> list[list[str]]:
    return [
        ["Soil", visible(f"{lot['map_unit_name']} ({lot['map_unit_symbol']})")],
        ["Shrink-swell", f"{lot['shrink_swell_class']}, {lot_text.extensibility(lot, system)}"],
        ["Pour", _pour(lot)],
        ["Slab", f"short side {lot_text.slab_width(lot, system)}, "
                 f"{words.SLAB_CLASS.get(str(lot['slab_class']), str(lot['slab_class']))}"],
        ["Tilt, size", f"{lot['tilt_now_pct']:.1f} % (nine of ten below {lot['tilt_now_pct_p90']:.1f} %); the side is "
                       "not known"],
        ["Edge, yearly swing", f"{telling.shown(lot['seasonal_range_mm'], system)}, ground at the slab edge"],
        *ground,
        ["Data", f"{words.QUALITY.get(str(lot['data_quality']), str(lot['data_quality']))}; driven by "
                 f"{words.WEATHER_SOURCE.get(str(lot['weather_source']), '')}"],
    ]


def _pour(lot: dict[str, Any]) -> str:
    early, late, basis = (str(lot[name]) for name in ("pour_from", "pour_to", "pour_date_basis"))
    basis_words = words.POUR_BASIS.get(basis, basis)
    when = dates.span(early, late)
    return f"{basis_words}; {when} assumed" if basis == "none" else f"{when}, {basis_words}"


def _facts_without(lot: dict[str, Any], system: str) -> list[list[str]]:
    """Return what is known of a lot without an estimate."""
    out = []
    if lot["map_unit_name"]:
        out.append(["Soil", visible(f"{lot['map_unit_name']} ({lot['map_unit_symbol']})")])
    if lot["shrink_swell_class"] and np.isfinite(lot["linear_extensibility_pct"]):
        out.append(["Shrink-swell", f"{lot['shrink_swell_class']}, {lot_text.extensibility(lot, system)}"])
    if lot["pour_from"]:
        out.append(["Pour", _pour(lot)])
    return out


def _near_soil(results: Results, lot: dict[str, Any], system: str) -> list[str]:
    """Return the cautions on soil boundaries."""
    out = []
    if lot["neighbor_unit_share"] >= 0.005:
        out.append(visible(f"A soil boundary is {lot_text.length(float(lot['soil_line_distance_m']), system)} away: "
                           f"with {lot['neighbor_unit_share']:.0%} probability the slab is on "
                           f"{lot['neighbor_unit_name']}."))
    if results.soil_scale is not None:
        feet = results.soil_scale / FEET_PER_SCALE
        out.append(wording.CAUTION_SOIL.format(scale=f"{results.soil_scale:,}",
                                               width=lot_text.rounded_length(units.foot_to_m(feet), system)))
    return out


def _doubts(results: Results, lot: dict[str, Any], system: str) -> list[str]:
    """Return the cautions of a lot, the most important first. No caution repeats what another one says."""
    flags = [flag for flag in str(lot["flags"]).split(";") if flag]
    first = [flag for flag in FIRST_FLAGS if flag in flags]
    out = []
    if lot["pour_date_basis"] != "date":
        if lot["pour_from"] != lot["pour_to"]:  # a range of a single month says nothing
            out.append(_date_caution(lot))
        flags = [flag for flag in flags if flag != "pour_date_unknown"]
    out += _sentences(first[:2])
    out += _near_soil(results, lot, system)
    return list(dict.fromkeys([*out, *_sentences(first[2:]), *_sentences([f for f in flags if f not in first])]))


def _date_caution(lot: dict[str, Any]) -> str:
    basis, early, late = (str(lot[name]) for name in ("pour_date_basis", "pour_from", "pour_to"))
    when = dates.span(early, late)
    if basis == "year" and when.isdigit():
        return wording.CAUTION_YEAR.format(year=when)
    return wording.CAUTION_DATE.format(basis=words.POUR_BASIS.get(basis, basis), lo=dates.month(early),
                                       hi=dates.month(late))


def _sentences(flags: list[str]) -> list[str]:
    return [visible(sentence) for sentence in words.flag_sentences(flags).values()]


def missing_page(request: dict[str, str], status: str, note: str, results: Results, about: dict[str, str],
                 system: str = "us") -> dict[str, Any]:
    """Return the page of a row of a list for which no lot was found.

    request: what was asked for, with the fields of `briefing.Visit`: lot_id, address, lon, lat, row, hour, order,
    remark.
    """
    wish = visible(asked_for(request))[:120] or "a row without an id"
    title = f"Not found: {wish}" if status == "unmatched" else f"Not one lot: {wish}"
    return _frame(results, about, wish, title, system) | {
        "id": wish, "note": f"Row {visible(request['row'])} of the list" if request.get("row") else "",
        "remark": shortened(request.get("remark", "")), "visit": visit_line(request),
        "state": matching.NAMES.get(status, status), "state_reason": visible(note),
        "state_sentence": _sentence(matching.NAMES.get(status, status)),
        "would_give": WOULD_GIVE.get(status, "")}


def asked_for(request: dict[str, str]) -> str:
    """Return in a few words what a row asked for: the id as the row gives it, or else the address or the coordinate."""
    for name in ("lot_id", "address"):
        if request.get(name):
            return request[name]
    return ", ".join(f"{name} {request[name]}" for name in ("lat", "lon") if request.get(name))


# ---------------------------------------------------------------- the area
COHORTS = ((0, 1970, "before 1970"), (1970, 1990, "1970 to 1989"), (1990, 2010, "1990 to 2009"),
           (2010, 9999, "2010 and later"))
SMALLEST_GROUP = 10
HISTOGRAM_MM, HISTOGRAM_TALL_MM = 170.0, 48.0
GROUP_HEADS = ("map unit", "poured", "lots", "median lot", "range of the median lot",
               "middle 80 % of the lots")
GROUPS_TITLE = "By soil and age: {name}, counted from a level slab"


def area_page(results: Results, system: str, visits: pd.DataFrame, about: dict[str, str],
              order: dict[str, Any] | None = None) -> dict[str, Any]:
    """Return the values of the area summary: soil units by age, states, the weather of this year, order of visits.

    Groups of fewer than ten lots are not shown. `visits`: cluster, order, lot_id, expected_movement_mm of the lots that
    were asked for. `order`: the stops, as returned by `stops.page_values`.
    """
    lots = pd.DataFrame(results.lots.drop(columns=results.lots.geometry.name))
    known = lots[lots["state"] == ""]
    year = pd.to_numeric(known["pour_from"].str[:4], errors="coerce")
    groups, small = [], 0
    name = "expected_movement_mm"
    for unit, part in known.groupby("map_unit_name", sort=True):
        for first, last, label in COHORTS:
            some = part[(year.loc[part.index] >= first) & (year.loc[part.index] < last)
                        & (part["pour_date_basis"] != "none")]
            if 0 < len(some) < SMALLEST_GROUP:
                small += len(some)
            elif len(some):
                low, middle, high = (telling.shown(float(v), system) for v in some[name].quantile([0.1, 0.5, 0.9]))
                own = [telling.shown(float(some[f"{name}_{end}"].median()), system) for end in ("p10", "p90")]
                groups.append([visible(str(unit)), label, f"{len(some):,}", middle, " to ".join(own),
                               f"{low} to {high}"])
    states = lots.loc[lots["state"] != "", "state"].value_counts().sort_index()
    called = telling.name_in_text("expected", results.today)
    drawn = charts.histogram(known[name].to_numpy(float), known["shrink_swell_class"].tolist(), called, system,
                             HISTOGRAM_MM, HISTOGRAM_TALL_MM, SMALL_MM)
    return {"area": visible(results.area_name), "today": results.today, "month": dates.month(results.today),
            "histogram": drawn.plain() if drawn else {}, **(order or stops.EMPTY),
            "standing": calibrated.standing(results),
            "caution": wording.CAUTION, "not_seen": wording.NOT_SEEN, "groups": groups,
            "groups_title": GROUPS_TITLE.format(name=called),
            "group_heads": list(GROUP_HEADS), "group_note": _group_note(small, known["pour_date_basis"] == "none"),
            "counts": f"{counted(len(lots), 'lot')}, {len(known):,} with an estimate.",
            "states": [[tables.STATES.get(str(name), str(name)), f"{int(count):,}"] for name, count in states.items()],
            "shared": waterfall.area_sentences(lot_text.shared_reasons(results), system),
            "weather": weather(results, system), "visits": _visits(visits, system), "run": about["run"],
            "manifest": about["manifest"], "credits": [visible(credit) for credit in results.credits]}


def _group_note(small: int, undated: pd.Series) -> str:
    left_out = "Groups under ten lots are not shown" + (f" ({counted(small, 'lot')})" if small else "")
    without = int(undated.sum())
    dates = f"; {counted(without, 'lot')} {'has' if without == 1 else 'have'} no pour date" if without else ""
    return f"{left_out}{dates}. Range of the median lot: 80 % of its model runs. " \
           "Lots of a group differ little where they share soil and slab; that does not make any one of them certain."


def _visits(visits: pd.DataFrame, system: str) -> list[list[str]]:
    return [[str(int(row["cluster"])), str(int(row["order"])), visible(str(row["lot_id"])),
             telling.shown(float(row["expected_movement_mm"]), system)] for row in visits.to_dict("records")]


def weather(results: Results, system: str) -> list[list[str]]:
    """Return, per climate cell, how rain less evapotranspiration of this year so far ranks among all years.

    The other years count with the same months.
    """
    out: list[list[str]] = []
    if not {"precipitation_mm", "pet_mm"} <= set(results.climate):
        return out
    for cell, part in results.climate.groupby("cell_id"):
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
        out.append([visible(str(cell)), f"{'January to ' if until > 1 else ''}{telling.MONTHS[int(until) - 1]} {this}",
                    f"{units.mm_to_inch(total[this]):+.1f} in" if system == "us" else f"{total[this]:+.0f} mm",
                    f"drier than {1 - share:.0%} of {len(total)} years"])
    return out
