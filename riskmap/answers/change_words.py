"""What changed between two runs in sentences: one that leads, a line per estimate, a bar per cause, a why per lot."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from riskmap.answers.exchanged import CAUSES, NUMBERS, month_of, part_columns
from riskmap.common import month_numbers, tables, units
from riskmap.common.errors import counted, visible

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from riskmap.common.results import Results

PASSED_MM = tables.DEFLECTION_BANDS_MM[2]  # 20 mm of expected movement, a limit that the map shows too
LEAST_MM = 0.05  # half of the rounding step of the tables: they cannot show a smaller change
_SOIL_CLASSES = ("low", "moderate", "high", "very high")
# judgement: when to say "most on", and when to call rain dry or wet
_MOST, _LEAST_LOTS, _LEAST_YEARS, _LONGEST_MONTHS = 1.15, 5, 10, 12
_BAR = 22  # characters, so that a line has at most 80
_SUBJECTS = {
    "code": "Another version of riskmap", "settings": "Other settings", "lots": "The changed lot file",
    "buildings": "The changed outlines of buildings",
    "soil": "The refreshed soil survey", "weather_revised": "The revised weather of past months",
    "calibration": "Another calibration",
}
_OBJECTS = {
    "now": "the middle", "next": "the change of the next 12 months", "expected": "the estimate",
    "long_run": "the long-run movement",
}
TITLES = {"now": "Now (middle against edge)", "next": "Next 12 months", "expected": "Estimate", "long_run": "Long run"}
_SHORT = {
    "code": "another version", "settings": "settings", "lots": "lot file", "buildings": "buildings",
    "soil": "soil survey", "weather_revised": "revised weather", "weather": "new weather", "calibration": "calibration",
}


# ---------------------------------------------------------------- lengths
def size(value_mm: float, system: str) -> str:
    """Return a length in 0.01 in or 0.1 mm. Estimates are shown more coarsely, but a change is often small."""
    value, digits, unit = (units.mm_to_inch(value_mm), 2, "in") if system == "us" else (value_mm, 1, "mm")
    return f"{round(value, digits) + 0.0:.{digits}f} {unit}"


def signed(value_mm: float, system: str) -> str:
    """Return `size` with its sign; zero has none."""
    text = size(value_mm, system)
    return f"+{text}" if value_mm > 0 and float(text.split()[0]) else text


def _limit(value_mm: float, system: str) -> str:
    return f"{units.mm_to_inch(value_mm):.1f} in" if system == "us" else f"{value_mm:.0f} mm"


# ---------------------------------------------------------------- the weather between two runs
def new_weather(a: Results, b: Results) -> str:
    """Return a name for the months that only the second run has, such as `The drought of July 2018`.

    It is a drought when weekly maps show D1 or worse in most lot-weeks of these months, and their rain is not in the
    wettest third of the same months in earlier years. Without such maps, rain alone says dry or wet (the driest or the
    wettest third; judgement). The effect of such months includes that of the season, in a drought too.
    """
    first, last = month_of(a) + 1, month_of(b)
    if last < first:
        return "The weather"
    when = month_numbers.in_words(first, last)
    if last - first >= _LONGEST_MONTHS:
        return f"The weather of {when}"
    lots = b.lots.loc[b.lots["state"] == "", "cell_id"].astype("str").value_counts()
    rain = _rain_share(b.climate, lots, first, last)
    if _drought_share(b.drought_weeks, lots, first, last) > 0.5 and not rain > 2 / 3:
        return f"The drought of {when}"
    kind = "dry weather" if rain < 1 / 3 else "wet weather" if rain > 2 / 3 else "weather"
    return f"The {kind} of {when}"


def _drought_share(weeks: pd.DataFrame, lots: pd.Series, first: int, last: int) -> float:
    """Return the share of lot-weeks in these months with category D1 or worse; 0 without any map."""
    months = {month_numbers.month_name(month) for month in range(first, last + 1)}
    here = weeks[weeks["valid_date"].astype("str").str[:7].isin(months)]
    weight = here["cell_id"].astype("str").map(lots).fillna(0).to_numpy(float)
    drought = here["category"].isin(["D1", "D2", "D3", "D4"]).to_numpy(dtype=bool)
    return float(weight[drought].sum() / weight.sum()) if weight.sum() else 0.0


def _rain_share(climate: pd.DataFrame, lots: pd.Series, first: int, last: int) -> float:
    """Return the share of earlier years with less rain in the same months, over the lots; NaN without enough years."""
    span = last - first + 1
    rain = climate[climate["cell_id"].astype("str").isin(lots.index)]
    month = rain["month"].astype("str").map(month_numbers.parse_month).to_numpy(int)
    shares, weights = [], []
    for cell, of_cell in rain.assign(number=month).groupby("cell_id"):  # this loop is over climate cells, not over lots
        values = of_cell.set_index("number")["precipitation_mm"]
        values = values.reindex(range(int(values.index.min()), last + 1))
        total = values.rolling(span, min_periods=span).sum()
        earlier = total.loc[last - 12 :: -12].dropna() if last - 12 in total.index else total.iloc[:0]
        if len(earlier) >= _LEAST_YEARS and np.isfinite(total.loc[last]):
            shares.append(float((earlier < total.loc[last]).mean()))
            weights.append(int(lots[str(cell)]))
    return float(np.average(shares, weights=weights)) if weights else float("nan")


# ---------------------------------------------------------------- the sentence that leads
def lead(lots: pd.DataFrame, counts: dict[str, Any], weather: str, system: str) -> str:
    """Return one sentence: what affected the slabs and how, where it did most, and how many lots passed 20 mm.

    Parameters
    ----------
    lots : DataFrame
        As in `compare.Change`.
    counts : dict
        As returned by `summary`, with lots by kind.
    weather : str
        As returned by `new_weather`.
    system : str
        `us` or `si`.
    """
    moved = [short for short, column in NUMBERS.items() if _reaches(lots[f"{column}_change"]).any()]
    if not counts["with_estimate"] or not moved:
        return _nothing(counts)
    short = moved[0]
    change = lots[f"{NUMBERS[short]}_change"]
    known = change.notna().to_numpy()
    parts = lots.loc[known, part_columns(short)].to_numpy(float)
    k = int(np.abs(parts).mean(axis=0).argmax())
    part, subject = parts[:, k], weather if list(CAUSES)[k] == "weather" else _SUBJECTS[list(CAUSES)[k]]
    hit = _reaches(part)
    if not hit.any():
        part, subject = change[known].to_numpy(float), "Several small causes together"
        hit = _reaches(part)
    text = f"{subject} {_moved(part[hit], short, int(hit.sum()), len(part), system)}"
    if hit.mean() >= 0.9:
        text += _where(lots[known], part)
    mean, of_cause = float(change[known].mean()), float(part.mean())
    if abs(mean - of_cause) >= max(2 * LEAST_MM, 0.1 * abs(of_cause)):
        text += f", with all causes {signed(mean, system)}"
    if short != "now":
        text += "; bending now is the same"
    return f"{text}; {_passed(counts, system)}."


def _reaches(values: pd.Series | NDArray[np.float64]) -> NDArray[np.bool_]:
    reached: NDArray[np.bool_] = np.nan_to_num(np.abs(np.asarray(values, dtype=float))) >= LEAST_MM
    return reached


def _nothing(counts: dict[str, Any]) -> str:
    others = [words for words in (
        f"{counted(counts['state_changed'], 'lot')} gained or lost an estimate or changed the reason for having none"
        if counts["state_changed"] else "",
        f"{counts['new']:,} new" if counts["new"] else "",
        f"{counts['gone']:,} gone" if counts["gone"] else "") if words]
    if not counts["with_estimate"]:
        begun = "No lot has an estimate in both runs, so there is no change to show"
    elif counts["changed"]:
        begun = "No estimate changed by as much as the tables show"
    else:
        begun = f"Nothing changed: all estimates ({counted(counts['with_estimate'], 'lot')}) are the same in both runs"
    return f"{begun}{'; ' + ', '.join(others) if others else ''}."


def _moved(part: NDArray[np.float64], short: str, hit: int, lots: int, system: str) -> str:
    mean, typical = float(part.mean()), float(np.abs(part).mean())
    on_average = " on average" if hit > 1 else ""
    few = "" if hit >= 0.9 * lots else f" of {counted(hit, 'lot')}" if short == "now" else f" on {counted(hit, 'lot')}"
    what = f"{_OBJECTS[short]}{few}"
    if abs(mean) >= 0.5 * typical:
        return f"{'raised' if mean > 0 else 'lowered'} {what} by {size(abs(mean), system)}{on_average}"
    up, down = int((part > 0).sum()), int((part < 0).sum())
    return (f"moved {_OBJECTS[short]} up on {counted(up, 'lot')} and down on {counted(down, 'lot')}, by "
            f"{size(typical, system)}{on_average}")


def _where(lots: pd.DataFrame, part: NDArray[np.float64]) -> str:
    """Return the soil on which a cause did most, by mean size; empty where soils differ by less than 15 %."""
    for column in ("shrink_swell_class", "map_unit_name"):
        soil = lots[column].astype("str").to_numpy(dtype=object)
        groups = pd.Series(np.abs(part)).groupby(soil).agg(["mean", "size"])
        groups = groups[(groups["size"] >= _LEAST_LOTS) & ~groups.index.isin(["", "nan", "<NA>", "None"])]
        if len(groups) < 2 or groups["mean"].max() < _MOST * np.abs(part).mean():
            continue
        name = str(groups["mean"].idxmax())
        if column == "map_unit_name":
            return f", most on {visible(name)}"
        present = [known for known in _SOIL_CLASSES if known in groups.index]
        heaviest = present and name == present[-1]
        return (f", most on the heaviest clay (shrink-swell {name})" if heaviest else
                f", most on soil of {name} shrink-swell")
    return ""


def _passed(counts: dict[str, Any], system: str) -> str:
    up, down, limit = counts["passed_up"], counts["passed_down"], _limit(counts["passed_mm"], system)
    begun = f"the estimate passed {limit} on {counted(up, 'lot') if up else 'no lot'}"
    return begun + (f" and fell below it on {down:,}" if down else "")


# ---------------------------------------------------------------- counts and lines
def summary(lots: pd.DataFrame) -> dict[str, Any]:
    """Return means and ranges in mm over the lots with an estimate in both runs, in total and by cause.

    For each estimate: `mean_mm`, `median_mm`, `least_mm`, `largest_mm` (None without a lot) and `causes`, with the
    mean, the mean size, the smallest and the largest part of each. `passed_up` and `passed_down`: number of lots whose
    expected movement, as printed, reached `passed_mm` or fell below it.
    """
    known = lots[lots[f"{NUMBERS['now']}_change"].notna()]
    before, after = (known[f"expected_movement_mm_{side}"] >= PASSED_MM for side in ("before", "after"))
    numbers = {}
    for short, column in NUMBERS.items():
        causes = {cause: {**_spread(known[part]), "mean_size_mm": _mean(known[part].abs())}
                  for cause, part in zip(CAUSES, part_columns(short), strict=True)}
        change = known[f"{column}_change"]
        numbers[short] = {**_spread(change), "median_mm": _mean(pd.Series([change.median()])), "causes": causes}
    return {"with_estimate": len(known), "passed_mm": PASSED_MM, "passed_up": int((~before & after).sum()),
            "passed_down": int((before & ~after).sum()), "numbers": numbers}


def _mean(values: pd.Series) -> float | None:
    return float(values.mean()) if values.notna().any() else None


def _spread(values: pd.Series) -> dict[str, float | None]:
    known = bool(values.notna().any())
    return {"mean_mm": _mean(values), "least_mm": float(values.min()) if known else None,
            "largest_mm": float(values.max()) if known else None}


def number_lines(counts: dict[str, Any], system: str) -> list[str]:
    """Return a line per estimate: its mean change and range over the lots, then those of each cause worth showing."""
    return [_number_line(short, of, system) for short, of in counts["numbers"].items() if of["mean_mm"] is not None]


def spread(values: dict[str, Any], system: str) -> str:
    """Return the mean of a change over the lots, with the smallest and the largest."""
    least, largest = (signed(values[end], system) for end in ("least_mm", "largest_mm"))
    return f"{signed(values['mean_mm'], system)} on average ({least.split()[0]} to {largest})"


def _number_line(short: str, of: dict[str, Any], system: str) -> str:
    causes = sorted((cause for cause, part in of["causes"].items() if readable(part)),
                    key=lambda cause: -of["causes"][cause]["mean_size_mm"])
    if not causes and not readable(of):
        return f"{TITLES[short]}: no change"
    if len(causes) == 1:
        return f"{TITLES[short]}: {spread(of, system)}, all by {_SHORT[causes[0]]}"
    by_cause = "".join(f"; {_SHORT[cause]} {spread(of['causes'][cause], system)}" for cause in causes)
    return f"{TITLES[short]}: {spread(of, system)}{by_cause}"


def readable(part: dict[str, Any]) -> bool:
    """Return whether any lot has a change, or a part of one, that the tables can show."""
    return bool(max(abs(part["least_mm"]), abs(part["largest_mm"])) >= LEAST_MM)


def lots_line(counts: dict[str, Any]) -> str:
    """Return how many lots changed, and how many are the same, have another state, are new or gone, if any."""
    said = {"changed": "changed", "same": "the same", "state_changed": "with another state", "new": "new",
            "gone": "gone"}
    return "Lots: " + ", ".join(f"{counts[kind]:,} {words}" for kind, words in said.items() if counts[kind]) + "."


def bars(counts: dict[str, Any], system: str) -> list[str]:
    """Return a bar per cause of the change of present bending, by mean size over lots; empty with fewer than two."""
    of = counts["numbers"]["now"]["causes"]
    sizes = {cause: part["mean_size_mm"] for cause, part in of.items()
             if part["mean_size_mm"] is not None and readable(part)}
    if len(sizes) < 2:
        return []
    most, wide = max(sizes.values()), max(len(CAUSES[cause]) for cause in sizes)
    rows = [f"  {CAUSES[cause]:<{wide}}  {'#' * max(1, round(_BAR * value / most)):<{_BAR}}  {size(value, system)}"
            for cause, value in sorted(sizes.items(), key=lambda item: -item[1])]
    return ["Causes of the change now, mean size per lot:", *rows]


# ---------------------------------------------------------------- one lot
def why(table: pd.DataFrame, reasons: dict[str, pd.Series]) -> NDArray[np.object_]:
    """Return at most two lines per lot: how present bending changed and the two largest causes, then the other
    estimates. [mm]

    Parameters
    ----------
    table : DataFrame
        It has kind, states, changes and parts.
    reasons : dict
        `before` and `after`: `state_reason` of each row, empty text where there is none.
    """
    out = np.full(len(table), "", dtype=object)
    changed = table["kind"].to_numpy() == "changed"
    rows = table[changed]
    parts = np.nan_to_num(rows[part_columns("now")].to_numpy(float))
    order = np.argsort(-np.abs(parts), axis=1, kind="stable")
    names = np.array(list(CAUSES.values()), dtype=object)
    causes = np.full(len(rows), "", dtype=object)
    for k in (0, 1):
        value = np.take_along_axis(parts, order[:, k : k + 1], axis=1)[:, 0]
        said = np.where(causes == "", ": ", "; ") + _text(value) + " mm " + names[order[:, k]]
        causes = causes + np.where(np.abs(value) >= LEAST_MM, said, "")
    changes = {short: _text(rows[f"{column}_change"].to_numpy(float)) for short, column in NUMBERS.items()}
    out[changed] = ("bending now " + changes["now"] + " mm" + causes + "\nchange of the next 12 months "
                    + changes["next"] + " mm; estimate " + changes["expected"] + " mm; long run "
                    + changes["long_run"] + " mm")
    state = table["kind"].to_numpy() == "state_changed"
    for side, begun in (("before", "before: "), ("after", "\nnow: ")):
        named = table[f"state_{side}"].to_numpy(dtype=object)
        reason = reasons[side].to_numpy(dtype=object)
        words = np.where(named == "", "an estimate", named + np.where(reason == "", "", " (" + reason + ")"))
        out[state] = out[state] + begun + words[state]
    out[table["kind"].to_numpy() == "new"] = "only in the second run"
    out[table["kind"].to_numpy() == "gone"] = "only in the first run"
    return out


def _text(values: NDArray[np.float64]) -> NDArray[np.object_]:
    """Return values as `+0.1`. Zero has no sign, and a missing value is named as missing."""
    rounded = np.round(values, 1) + 0.0
    text = np.where(rounded == 0, "0.0", np.char.mod("%+.1f", rounded)).astype(object)
    return np.where(np.isnan(values), "not known", text).astype(object)
